"""Copies of films and reviews without identity: what is not known to be harmless is not kept."""
