"""Arithmetic of an audit: shares with intervals, comparison, run charts, sampling."""
