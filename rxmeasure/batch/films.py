"""Which films a batch measures: those of a folder, or of a table."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from rxmeasure.csv_table import Columns, read_table
from rxmeasure.errors import ImageReadError, MarksError, RxMeasureError
from rxmeasure.file_names import whole_text
from rxmeasure.record.sidecar import (
    COMPANION_SUFFIXES,
    SERIES_DRAFT_SUFFIX,
    SERIES_SUFFIX,
    sidecar_of,
)

_NOT_FILMS = (*COMPANION_SUFFIXES, SERIES_SUFFIX, SERIES_DRAFT_SUFFIX)
LEDGER, LOCK, LOG = "batch.sqlite", "batch.lock", "batch.log.jsonl"
CSV, PARQUET, PAGE = "batch.csv", "batch.parquet", "batch.html"
#: What a batch writes into its folder of results, which may lie among the films.
RESULT_FILES = frozenset({LEDGER, f"{LEDGER}-journal", LOCK, LOG, CSV, PARQUET, PAGE})
_TABLE = Columns(needed=("film",), optional=("marks",), what="film")


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where a film comes from whose file is not here yet.

    Attributes
    ----------
    uid : str
        One for each image: what is known of it need not be fetched again.
    fetch : callable
        Puts the file into its place where it is missing.
    keep : bool
        Leave the file there when the film is done.
    """

    uid: str
    fetch: Callable[[], None]
    keep: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """An image file, the name it goes by in the results, and its marks where it has them.

    ``fault`` says why nothing can be had from this path; else it is None.
    """

    path: Path
    name: str
    marks: Path | None
    origin: Origin | None = None
    fault: RxMeasureError | None = None


def films_of_folder(folder: Path) -> Iterator[Film]:
    """Yield the files of a folder by name, then those below; symbolic links are passed over.

    So are the results of a batch. A folder below that cannot be read is yielded with its fault.

    Raises
    ------
    ImageReadError
        The folder itself cannot be read.
    """
    waiting = [folder]
    while waiting:
        place = waiting.pop()
        below = []
        try:
            entries = _entries(place)
        except ImageReadError as error:
            if place == folder:
                raise
            yield Film(path=place, name=_name(place, folder), marks=None, fault=error)
            continue
        has_results = any(entry.name == LEDGER for entry in entries)
        for entry in entries:
            if has_results and entry.name in RESULT_FILES:
                continue
            path = place / entry.name
            hidden = entry.name.startswith(".")
            if entry.is_symlink() or hidden or entry.name.endswith(_NOT_FILMS):
                continue
            if entry.is_dir(follow_symlinks=False):
                below.append(path)
            else:
                yield _film(path, folder)
        waiting += reversed(below)


def _film(path: Path, top: Path) -> Film:
    marks = sidecar_of(path)
    return Film(
        path=path,
        name=_name(path, top),
        marks=None if marks is None or marks.is_symlink() else marks,
    )


def _name(path: Path, top: Path) -> str:
    return whole_text(path.relative_to(top).as_posix())


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    try:
        return sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError as error:
        raise ImageReadError(
            found=f"a folder that cannot be read: {whole_text(str(folder))} ({error.strerror}).",
            needed="a folder of films, and the right to read it.",
            next_step="Correct the path, or ask for access.",
        ) from error


def films_of_table(table: Path) -> Iterator[Film]:
    """Yield the films of a CSV with the column ``film``, and ``marks`` where wanted.

    Paths are relative to the table.

    Raises
    ------
    MarksError
        The table cannot be read or holds no film.
    """
    for row in read_table(table, _TABLE, MarksError).rows:
        path = table.parent / row.cells["film"]
        given = row.cells.get("marks")
        marks = table.parent / given if given else sidecar_of(path)
        yield Film(path=path, name=row.cells["film"], marks=marks)
