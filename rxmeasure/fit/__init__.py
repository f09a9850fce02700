"""Fit arithmetic: sizes, tapers, trimming, heat-carrier depth, backfill."""
