"""Clinical audit of many cases."""
