"""Unique identifiers by the standard's own grammar: they become file names here."""

from __future__ import annotations

import re

from rxmeasure.errors import ArchiveError

#: PS3.5 section 9.1: numbers without leading zeros, dots between, 64 characters at most.
_UID = re.compile(r"(0|[1-9][0-9]*)(\.(0|[1-9][0-9]*))+")
_LONGEST = 64


def is_uid(text: str) -> bool:
    """Whether a text is a unique identifier."""
    return len(text) <= _LONGEST and _UID.fullmatch(text) is not None


def check_uid(text: str) -> None:
    """Refuse what is none.

    Raises
    ------
    ArchiveError
    """
    if not is_uid(text):
        raise ArchiveError(
            found="a text that is no unique identifier of DICOM.",
            needed="numbers with dots between, 64 characters at most (PS3.5 section 9.1).",
            next_step="Copy the identifier from the list of studies.",
        )
