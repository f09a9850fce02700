"""Published criteria as data files, and verdicts from measures."""
