"""One content as a page and as a PDF beside each other. No Qt, no napari."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path


def write_both(
    target: Path,
    html: Callable[[Path], None],
    pdf: Callable[[Path], None],
    progress: Callable[[str], None],
) -> list[Path]:
    """Write ``target`` with ``.html`` and ``.pdf`` added to its name."""
    written = []
    for suffix, write in ((".html", html), (".pdf", pdf)):
        path = target.with_name(target.name + suffix)
        progress(suffix[1:].upper())
        write(path)
        written.append(path)
    return written
