"""Synthetic radiographs with known truth."""
