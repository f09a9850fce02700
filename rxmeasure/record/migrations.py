"""Versions of the review file and the steps from an older version to the next.

A change that an older file would not pass needs a new `VERSION` and a step in
`STEPS`. A released step is never changed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from rxmeasure.record.document import Document, DocumentKind, migrated

FORMAT = "rxmeasure-review"
VERSION = 1
MARKS_VERSION = 1

REVIEW = DocumentKind(
    format=FORMAT,
    version=VERSION,
    key="review",
    name="a review file",
    otherwise="Choose the .rxreview.json file that the program saved beside the image.",
    too_old="Measure the image again with the marks of that file.",
)

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
    return migrated(document, replace(REVIEW, version=version), steps)
