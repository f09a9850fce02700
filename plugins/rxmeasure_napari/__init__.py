"""The window: the whole review on the picture, driven by the core's own functions."""
