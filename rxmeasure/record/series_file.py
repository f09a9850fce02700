"""The series file: the visits of one tooth, their lesions and what changed, in one JSON.

``NAME.rxseries.json`` holds the marks and results of a :class:`~rxmeasure.recall.series.Series`.
The marks of a series are written by hand as TOML: each ``[[visits]]`` names its image,
date, symptoms, lesions and scores. Floats return exactly as they were.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rxmeasure.atomic import write_text
from rxmeasure.errors import RecallError, ReviewFileError
from rxmeasure.recall.series import MOST_VISITS, Series, SeriesMarks
from rxmeasure.record.document import (
    Document,
    DocumentKind,
    as_json,
    converter,
    migrated,
    tree_of,
)
from rxmeasure.record.parsing import MAX_VALUES, read_json, read_toml, refuse
from rxmeasure.record.sidecar import SERIES_SUFFIX

FORMAT = "rxmeasure-series"
VERSION = 1
SERIES_SCHEMA_PATH = Path(__file__).with_name("series.schema.json")

SERIES = DocumentKind(
    format=FORMAT,
    version=VERSION,
    key="series",
    name="a series file",
    otherwise=f"Choose a file NAME{SERIES_SUFFIX} that the program saved.",
    too_old="Compare the visits again.",
)

#: Version of the file -> function that returns the same series in the next version.
#: A released step is never changed.
STEPS: dict[int, Callable[[Document], Document]] = {}


def save_series(series: Series, path: str | Path) -> None:
    """Write a series file, whole or not at all. Inverse of `load_series`.

    Raises
    ------
    ReviewFileError
        A value cannot be kept (NaN, infinity, broken text); the place is named.
    WriteError
        The file cannot be written; an older one stays as it was.
    """
    path = Path(path)
    write_text(path, as_json(tree_of(series, SERIES, name=path.name)))


def load_series(path: str | Path) -> Series:
    """Read a series file; older versions are brought to the current one.

    Raises
    ------
    ReviewFileError
        Not a series file, damaged, too new, or not fitting the schema; the place is named.
    """
    path = Path(path)
    # Of each visit a series may hold as much as a review.
    tree = read_json(path, ReviewFileError, most=MOST_VISITS * MAX_VALUES)
    document = migrated(tree, SERIES, STEPS)
    refuse(document, str(SERIES_SCHEMA_PATH), name=path.name, error=ReviewFileError)
    series: Series = converter().structure(document["series"], Series)
    return series


def read_series_marks(path: str | Path) -> SeriesMarks:
    """Read the marks of a series from TOML, or from a series file.

    Raises
    ------
    RecallError
        The file is damaged, or an entry is missing, unknown or not allowed.
    ReviewFileError
        A series file was given and it is not valid.
    """
    from cattrs import BaseValidationError, transform_error

    path = Path(path)
    if path.suffix.lower() != ".toml":
        return load_series(path).marks
    tree = read_toml(path, RecallError)
    try:
        marks: SeriesMarks = converter().structure(tree, SeriesMarks)
    except BaseValidationError as fault:
        raise RecallError(
            found=f"{path.name} does not fit: {transform_error(fault)[0][:300]}.",
            needed="visits with image, date, lesions and scores.",
            next_step="Correct that entry.",
        ) from fault
    return marks
