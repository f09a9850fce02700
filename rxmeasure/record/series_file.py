"""The series file: the visits of one tooth, their lesions and what changed, in one JSON.

``NAME.rxseries.json`` holds the marks and results of a :class:`~rxmeasure.recall.series.Series`.
The marks of a series are written by hand as TOML: each ``[[visits]]`` names its image,
date, symptoms, lesions and scores. Floats return exactly as they were.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rxmeasure.atomic import write_text
from rxmeasure.errors import RecallError, ReviewFileError
from rxmeasure.recall.series import Series, SeriesMarks
from rxmeasure.record.parsing import check_tree, read_json, read_toml, refuse
from rxmeasure.record.sidecar import SERIES_SUFFIX
from rxmeasure.values import as_plain

if TYPE_CHECKING:
    from cattrs import Converter

FORMAT = "rxmeasure-series"
VERSION = 1
SERIES_SCHEMA_PATH = Path(__file__).with_name("series.schema.json")

#: Version of the file -> function that returns the same series in the next version.
#: A released step is never changed.
STEPS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {}


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
    document = {
        "format": FORMAT,
        "format_version": VERSION,
        "series": as_plain(_converter().unstructure(series)),
    }
    check_tree(document, name=path.name, error=ReviewFileError)
    write_text(path, json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def load_series(path: str | Path) -> Series:
    """Read a series file; older versions are brought to the current one.

    Raises
    ------
    ReviewFileError
        Not a series file, damaged, too new, or not fitting the schema; the place is named.
    """
    path = Path(path)
    tree = read_json(path, ReviewFileError)
    document = _migrated(tree if isinstance(tree, dict) else {})
    refuse(document, str(SERIES_SCHEMA_PATH), name=path.name, error=ReviewFileError)
    series: Series = _converter().structure(document["series"], Series)
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
        marks: SeriesMarks = _converter().structure(tree, SeriesMarks)
    except BaseValidationError as fault:
        raise RecallError(
            found=f"{path.name} does not fit: {transform_error(fault)[0][:300]}.",
            needed="visits with image, date, lesions and scores.",
            next_step="Correct that entry.",
        ) from fault
    return marks


def _migrated(document: dict[str, Any]) -> dict[str, Any]:
    found = document.get("format_version")
    if document.get("format") != FORMAT or type(found) is not int or found < 0:
        raise ReviewFileError(
            found="a JSON file without the heading of a series file.",
            needed=f'"format": "{FORMAT}" and a whole "format_version".',
            next_step=f"Choose a file NAME{SERIES_SUFFIX} that the program saved.",
        )
    if found > VERSION:
        raise ReviewFileError(
            found=f"a series file of version {found}, made by a newer program.",
            needed=f"version {VERSION} or older.",
            next_step="Open it with the newer program; this one would lose part of it.",
        )
    while found < VERSION:
        if found not in STEPS:
            raise ReviewFileError(
                found=f"a series file of version {found}.",
                needed=f"a version that can be brought to version {VERSION}.",
                next_step="Compare the visits again.",
            )
        document = {**STEPS[found](document), "format_version": found + 1}
        found += 1
    return document


@cache
def _converter() -> Converter:
    from cattrs import Converter

    converter = Converter(forbid_extra_keys=True)
    # The one field that may be number, yes/no or text keeps what JSON gave.
    converter.register_structure_hook(float | bool | str | None, lambda value, _: value)
    return converter
