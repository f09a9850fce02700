"""The review file: what is kept beside the image."""
