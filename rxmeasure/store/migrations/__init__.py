"""Versions of the tables, as Alembic runs them."""
