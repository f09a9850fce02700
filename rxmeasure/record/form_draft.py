"""The draft of a marking: a rubric's form that is not handed in, so that a crash loses none of it.

It lies in the user's own state folder, never beside the films, which a class may share.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rxmeasure.record.document import Document, DocumentKind
from rxmeasure.record.draft import DraftSort

FORMAT = "rxmeasure-form-draft"
VERSION = 1

#: Version of the file -> function that returns the same draft in the next version.
#: A released step is never changed.
STEPS: dict[int, Callable[[Document], Document]] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class FormDraft:
    """Unfinished marking of one film of a course.

    Attributes
    ----------
    rater, role, course, ticket : str
        Whose it is, and of which film.
    based_on : int
        Number of the revision that it corrects; 0: nothing was handed in.
    levels : tuple of (str, str)
        Criterion and level, as far as chosen.
    comment : str
    saved_utc : str
        ISO 8601.
    software_version : str
    """

    rater: str
    role: str
    course: str
    ticket: str
    based_on: int
    levels: tuple[tuple[str, str], ...]
    comment: str
    saved_utc: str
    software_version: str


FORM_DRAFTS = DraftSort(
    kind=FormDraft,
    suffix=".rxformdraft.json",
    document=DocumentKind(
        format=FORMAT,
        version=VERSION,
        key="form_draft",
        name="a draft of a marking",
        otherwise="Leave it; the marking begins anew.",
        too_old="Mark the film again.",
    ),
    schema_path=Path(__file__).with_name("form_draft.schema.json"),
    steps=STEPS,
)


def form_draft_path(folder: Path, *, rater: str, role: str, course: str, ticket: str) -> Path:
    """Where the draft of one marking lies; the name tells nobody whose it is."""
    whole = "\0".join((rater, role, course, ticket))
    return folder / (hashlib.sha256(whole.encode()).hexdigest() + FORM_DRAFTS.suffix)
