"""Names of files as text that can be kept."""

from __future__ import annotations


def whole_text(name: str) -> str:
    """A file's name as Unicode; bytes that are none become the replacement sign."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
