"""The draft: unfinished work on one image, kept so that a crash loses none of it.

``NAME.rxdraft.json`` holds the marks as they stand, finished or not, and where
the person was. It has no results; they are computed again. Floats return
exactly as they were. The finished work is the review file's.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rxmeasure.atomic import write_bytes
from rxmeasure.errors import ReviewFileError, WriteError
from rxmeasure.marks import ReviewMarks
from rxmeasure.radiograph import ImageSource
from rxmeasure.record.parsing import check_tree, read_json, refuse
from rxmeasure.values import as_plain

if TYPE_CHECKING:
    from cattrs import Converter

SUFFIX = ".rxdraft.json"
FORMAT = "rxmeasure-draft"
VERSION = 1
DRAFT_SCHEMA_PATH = Path(__file__).with_name("draft.schema.json")

#: Version of the file -> function that returns the same draft in the next version.
#: A released step is never changed.
STEPS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """Unfinished work on one image.

    Attributes
    ----------
    image : ImageSource
        The image that the marks belong to.
    inverted : bool
        The user's switch to invert.
    marks : ReviewMarks
        As they stand: a canal may have one click, a reference no length.
    canal, step : str
        The canal and the step in front; empty for none.
    saved_utc : str
        ISO 8601.
    software_version : str
    """

    image: ImageSource
    inverted: bool
    marks: ReviewMarks
    canal: str
    step: str
    saved_utc: str
    software_version: str


def draft_path(image_path: str | Path) -> Path:
    """Return where the draft of an image is kept: beside it, ``NAME.rxdraft.json``."""
    image_path = Path(image_path)
    return image_path.with_name(image_path.name + SUFFIX)


def draft_bytes(draft: Draft) -> bytes:
    """Return the text of a draft file. Equal drafts give equal bytes.

    Raises
    ------
    ReviewFileError
        A value cannot be kept (NaN, infinity, broken text); the place is named.
    """
    document = {
        "format": FORMAT,
        "format_version": VERSION,
        "draft": as_plain(_converter().unstructure(draft)),
    }
    check_tree(document, name="the draft", error=ReviewFileError)
    text = json.dumps(document, ensure_ascii=False, allow_nan=False)
    return text.encode("utf-8") + b"\n"


def save_draft(draft: Draft, path: str | Path) -> None:
    """Write a draft file, whole or not at all. Inverse of `load_draft`.

    Raises
    ------
    ReviewFileError
        A value cannot be kept (NaN, infinity, broken text); the place is named.
    WriteError
        The file cannot be written; an older draft stays as it was.
    """
    write_bytes(path, draft_bytes(draft))


def load_draft(path: str | Path) -> Draft:
    """Read a draft file; older versions are brought to the current one.

    Raises
    ------
    ReviewFileError
        Not a draft, damaged, too new, or not fitting the schema; the place is named.
    """
    path = Path(path)
    tree = read_json(path, ReviewFileError)
    document = _migrated(tree if isinstance(tree, dict) else {})
    refuse(document, str(DRAFT_SCHEMA_PATH), name=path.name, error=ReviewFileError)
    draft: Draft = _converter().structure(document["draft"], Draft)
    return draft


def drop_draft(path: str | Path) -> None:
    """Take a draft away, once its work is kept or given up. None there is well.

    Raises
    ------
    WriteError
        The file cannot be taken away.
    """
    path = Path(path)
    try:
        path.unlink(missing_ok=True)
    except OSError as fault:
        raise WriteError(
            found=f"{path.name} cannot be taken away: {fault.strerror}.",
            needed="the right to change its folder.",
            next_step="Delete the file by hand; else its work is offered again.",
        ) from fault


def _migrated(document: dict[str, Any]) -> dict[str, Any]:
    found = document.get("format_version")
    if document.get("format") != FORMAT or type(found) is not int or found < 0:
        raise ReviewFileError(
            found="a JSON file without the heading of a draft.",
            needed=f'"format": "{FORMAT}" and a whole "format_version".',
            next_step="Leave it; the work begins from the review file or anew.",
        )
    if found > VERSION:
        raise ReviewFileError(
            found=f"a draft of version {found}, made by a newer program.",
            needed=f"version {VERSION} or older.",
            next_step="Open it with the newer program; this one would lose part of it.",
        )
    while found < VERSION:
        if found not in STEPS:
            raise ReviewFileError(
                found=f"a draft of version {found}.",
                needed=f"a version that can be brought to version {VERSION}.",
                next_step="Mark the image again.",
            )
        document = {**STEPS[found](document), "format_version": found + 1}
        found += 1
    return document


@cache
def _converter() -> Converter:
    from cattrs import Converter

    return Converter(forbid_extra_keys=True)
