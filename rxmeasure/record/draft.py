"""The draft: unfinished work on one image, kept so that a crash loses none of it.

``NAME.rxdraft.json`` holds the marks as they stand, finished or not, and where
the person was. It has no results; they are computed again. Floats return
exactly as they were. The finished work is the review file's.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from rxmeasure.atomic import write_bytes
from rxmeasure.errors import ReviewFileError, WriteError
from rxmeasure.marks import ReviewMarks
from rxmeasure.radiograph import ImageSource
from rxmeasure.record.document import Document, DocumentKind, converter, migrated, tree_of
from rxmeasure.record.parsing import read_json, refuse

SUFFIX = ".rxdraft.json"
FORMAT = "rxmeasure-draft"
VERSION = 1
DRAFT_SCHEMA_PATH = Path(__file__).with_name("draft.schema.json")

DRAFT = DocumentKind(
    format=FORMAT,
    version=VERSION,
    key="draft",
    name="a draft",
    otherwise="Leave it; the work begins from the review file or anew.",
    too_old="Mark the image again.",
)

#: Version of the file -> function that returns the same draft in the next version.
#: A released step is never changed.
STEPS: dict[int, Callable[[Document], Document]] = {}


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


class _Kept(Protocol):
    """What every sort of draft has."""

    @property
    def image(self) -> ImageSource:
        """The image that it lies beside."""

    @property
    def saved_utc(self) -> str:
        """ISO 8601."""


AnyDraft = TypeVar("AnyDraft", bound=_Kept)
#: Of a sort whose files may lie elsewhere.
_Sorted = TypeVar("_Sorted")


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftSort(Generic[_Sorted]):
    """One sort of drafts: how its files are named, written and read."""

    kind: type[_Sorted]
    suffix: str
    document: DocumentKind
    schema_path: Path
    steps: dict[int, Callable[[Document], Document]]

    def path(self, image_path: str | Path) -> Path:
        """Return where the draft of an image is kept: beside it, its name with the suffix."""
        image_path = Path(image_path)
        return image_path.with_name(image_path.name + self.suffix)

    def as_bytes(self, draft: _Sorted) -> bytes:
        """Return the text of a draft file. Equal drafts give equal bytes.

        Raises
        ------
        ReviewFileError
            A value cannot be kept (NaN, infinity, broken text); the place is named.
        """
        document = tree_of(draft, self.document, name="the draft")
        text = json.dumps(document, ensure_ascii=False, allow_nan=False)
        return text.encode("utf-8") + b"\n"

    def load(self, path: str | Path) -> _Sorted:
        """Read a draft file; older versions are brought to the current one.

        Raises
        ------
        ReviewFileError
            Not a draft, damaged, too new, or not fitting the schema; the place is named.
        """
        path = Path(path)
        document = migrated(read_json(path, ReviewFileError), self.document, self.steps)
        refuse(document, str(self.schema_path), name=path.name, error=ReviewFileError)
        draft: _Sorted = converter().structure(document[self.document.key], self.kind)
        return draft


FILM_DRAFTS = DraftSort(
    kind=Draft, suffix=SUFFIX, document=DRAFT, schema_path=DRAFT_SCHEMA_PATH, steps=STEPS
)


def draft_path(image_path: str | Path) -> Path:
    """Return where the draft of an image is kept: beside it, ``NAME.rxdraft.json``."""
    return FILM_DRAFTS.path(image_path)


def save_draft(draft: Draft, path: str | Path) -> None:
    """Write a draft file, whole or not at all. Inverse of `load_draft`.

    Raises
    ------
    ReviewFileError
        A value cannot be kept (NaN, infinity, broken text); the place is named.
    WriteError
        The file cannot be written; an older draft stays as it was.
    """
    write_bytes(path, FILM_DRAFTS.as_bytes(draft))


def load_draft(path: str | Path) -> Draft:
    """Read a draft file; see `DraftSort.load`."""
    return FILM_DRAFTS.load(path)


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
