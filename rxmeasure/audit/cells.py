"""Cells of an audit's tables, checked; a mistake names its line."""

from __future__ import annotations

from collections.abc import Collection

from rxmeasure.audit.dates import iso_date
from rxmeasure.csv_table import wrong_line
from rxmeasure.errors import AuditError, RxMeasureError


def filled(line: int, column: str, text: str) -> str:
    """A cell that must not be empty."""
    if not text:
        raise wrong(line, f"nothing under {column}.", "an entry.")
    return text


def one_of(line: int, column: str, text: str, words: Collection[str]) -> str:
    """One of some words, or empty."""
    if text and text not in words:
        raise wrong(line, f"'{text}' under {column}.", f"one of {', '.join(words)}, or nothing.")
    return text


def day(line: int, column: str, text: str) -> str:
    """A date as YYYY-MM-DD, or empty."""
    found = iso_date(text)
    if found != text:
        raise wrong(line, f"'{text}' under {column}.", "a date as YYYY-MM-DD.")
    return found


def wrong(line: int, found: str, needed: str) -> RxMeasureError:
    """The error that points at a line."""
    return wrong_line(line, found, needed, AuditError)
