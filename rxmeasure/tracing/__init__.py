"""Centre lines from a few clicks."""
