"""One widget for each step of the review; they show the state and ask it for edits."""
