"""Versions of the review file and the steps from an older version to the next.

A change that an older file would not pass needs a new `VERSION` and a step in
`STEPS`. A released step is never changed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from rxmeasure.errors import ReviewFileError

FORMAT = "rxmeasure-review"
VERSION = 1
MARKS_VERSION = 1

Document = dict[str, Any]

#: Version of the file -> function that returns the same review in the next version.
STEPS: dict[int, Callable[[Document], Document]] = {}


def migrate(
    document: Document,
    *,
    steps: Mapping[int, Callable[[Document], Document]] = STEPS,
    version: int = VERSION,
) -> Document:
    """Bring a parsed review file to the current version.

    Parameters
    ----------
    document : dict
        The parsed file; it is not changed.
    steps : mapping
        Version -> function to the next version.
    version : int
        The version wanted.

    Raises
    ------
    ReviewFileError
        Not a review file, made by a newer program, or too old for any step.
    """
    found = document.get("format_version")
    if document.get("format") != FORMAT or type(found) is not int or found < 0:
        raise ReviewFileError(
            found="a JSON file without the heading of a review file.",
            needed=f'"format": "{FORMAT}" and a whole "format_version".',
            next_step="Choose the .rxreview.json file that the program saved beside the image.",
        )
    if found > version:
        raise ReviewFileError(
            found=f"a review file of version {found}, made by a newer program.",
            needed=f"version {version} or older.",
            next_step="Open it with the newer program; this one would lose part of it.",
        )
    while found < version:
        if found not in steps:
            raise ReviewFileError(
                found=f"a review file of version {found}.",
                needed=f"a version that can be brought to version {version}.",
                next_step="Measure the image again with the marks of that file.",
            )
        document = {**steps[found](document), "format_version": found + 1}
        found += 1
    return document
