"""Reports: reading only, no measuring."""
