"""Recall: lesions, visits of one tooth, and what changed between them."""
