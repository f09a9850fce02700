"""What is kept of a review: the review file and the annotation file."""
