"""Cells of an audit's tables, checked; a mistake names its line."""

from __future__ import annotations

from collections.abc import Collection

from rxmeasure.audit.dates import iso_date
from rxmeasure.csv_table import TableRow, wrong_line
from rxmeasure.errors import AuditError, RxMeasureError


def filled(row: TableRow, column: str) -> str:
    """A cell that must not be empty."""
    if not row.cells[column]:
        raise wrong(row, f"nothing under {column}.", "an entry.")
    return row.cells[column]


def one_of(row: TableRow, column: str, words: Collection[str]) -> str:
    """One of some words, or empty."""
    text = row.cells.get(column, "")
    if text and text not in words:
        raise wrong(row, f"'{text}' under {column}.", f"one of {', '.join(words)}, or nothing.")
    return text


def day(row: TableRow, column: str) -> str:
    """A date as YYYY-MM-DD, or empty."""
    text = row.cells.get(column, "")
    if iso_date(text) != text:
        raise wrong(row, f"'{text}' under {column}.", "a date as YYYY-MM-DD.")
    return text


def wrong(row: TableRow, found: str, needed: str) -> RxMeasureError:
    """The error that points at a line."""
    return wrong_line(row.line, found, needed, AuditError)
