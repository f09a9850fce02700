"""Reading CSV tables that people keep: named columns, lines that can be pointed at."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING

from rxmeasure.errors import RxMeasureError
from rxmeasure.record.parsing import read_text

if TYPE_CHECKING:
    from _csv import Reader

_DELIMITERS = ",;\t"
#: Largest table that is read (choice: 100,000 canals of an audit need about 20 MB).
MAX_TABLE_BYTES = 64 * 2**20
#: Most columns (choice: an audit of all measures has fewer than 100).
MAX_COLUMNS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """What a table must and may hold.

    Attributes
    ----------
    needed, optional : tuple of str
    what : str
        What one line is, for messages: ``"rating"``.
    others : bool
        Whether columns of other names are passed over; else they are refused.
    """

    needed: tuple[str, ...]
    optional: tuple[str, ...]
    what: str
    others: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One line: its number in the file, and its stripped cells by column."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table that is read line by line, once through.

    Attributes
    ----------
    columns : tuple of str
        Name of each column; empty where it is passed over.
    lines : iterator of (int, list of str)
        Number of each line in the file, and its stripped cells. Raises the error where a line
        is wrong, or none is there.
    decimal_comma : bool
        Whether numbers may have one: cells are not parted by commas.
    """

    columns: tuple[str, ...]
    lines: Iterator[tuple[int, list[str]]]
    decimal_comma: bool

    @property
    def names(self) -> frozenset[str]:
        """The columns that are there, of those asked for."""
        return frozenset(self.columns) - {""}

    @property
    def rows(self) -> Iterator[TableRow]:
        """The lines, with their cells by column."""
        for line, cells in self.lines:
            row = dict(zip(self.columns, cells, strict=True))
            # Columns that are passed over share the empty name.
            row.pop("", None)
            yield TableRow(line=line, cells=row)

    def picked(self, columns: Sequence[str]) -> Iterator[tuple[int, tuple[str, ...]]]:
        """The lines, with the cells of two columns or more; empty where there is no such column.

        For tables of very many lines: faster than `rows`.
        """
        places = {name: place for place, name in enumerate(self.columns)}
        pick = itemgetter(*(places.get(name, len(self.columns)) for name in columns))
        for line, cells in self.lines:
            cells.append("")
            yield line, pick(cells)


def read_table(path: str | Path, columns: Columns, error: type[RxMeasureError]) -> Table:
    """Open a CSV file whose first line names the columns.

    UTF-8, with comma, semicolon or tab between cells. Empty lines are passed over.

    Raises
    ------
    RxMeasureError
        As ``error``: the file cannot be read, or a column is missing.
    """
    path = Path(path)
    text = _text_of(path, error)
    delimiter = max(_DELIMITERS, key=text.partition("\n")[0].count)
    # Line by line from UTF-8 this is faster than from `io.StringIO`, which takes 4 bytes a letter.
    lines = io.TextIOWrapper(io.BytesIO(text.encode()), encoding="utf-8", newline="")
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    names = _names(next(_lines(reader, error), []), columns, error)
    return Table(
        columns=names,
        lines=_filled(reader, len(names), f"{path.name} without {columns.what}s.", columns, error),
        decimal_comma=delimiter != ",",
    )


def wrong_line(line: int, found: str, needed: str, error: type[RxMeasureError]) -> RxMeasureError:
    """The error that points at a line."""
    return error(found=f"line {line}: {found}", needed=needed, next_step=f"Correct line {line}.")


def _text_of(path: Path, error: type[RxMeasureError]) -> str:
    text = read_text(path, MAX_TABLE_BYTES, error, mark_allowed=True)
    long = (line for line in text.split("\n") if len(line) >= MAX_COLUMNS)
    if any(line.count(mark) >= MAX_COLUMNS for line in long for mark in _DELIMITERS):
        raise error(
            found=f"{path.name} with a line of more than {MAX_COLUMNS} cells.",
            needed="a common table.",
            next_step="Check that this is the right file.",
        )
    return text


def _names(header: Sequence[str], columns: Columns, error: type[RxMeasureError]) -> tuple[str, ...]:
    """Names of the columns; those to be passed over are empty."""
    names = [name.strip().lower() for name in header]
    allowed = columns.needed + columns.optional
    known = [name for name in names if name in allowed]
    strange = [name for name in names if name and name not in allowed]
    missing = [name for name in columns.needed if name not in names]
    if missing or len(set(known)) != len(known) or (strange and not columns.others):
        raise error(
            found=f"the columns {', '.join(names) or '(none)'}.",
            needed=f"the columns {', '.join(columns.needed)}, each once; "
            f"{', '.join(columns.optional)} if wanted.",
            next_step="Name the columns in the first line.",
        )
    return tuple(name if name in allowed else "" for name in names)


def _lines(reader: Reader, error: type[RxMeasureError]) -> Iterator[list[str]]:
    """The cells of each line."""
    try:
        yield from reader
    except csv.Error as fault:
        needed = "cells with their quotes closed."
        raise wrong_line(reader.line_num, f"{fault}.", needed, error) from fault


def _filled(
    reader: Reader,
    width: int,
    none_found: str,
    columns: Columns,
    error: type[RxMeasureError],
) -> Iterator[tuple[int, list[str]]]:
    """The lines that are not empty."""
    empty = True
    for cells in _lines(reader, error):
        stripped = list(map(str.strip, cells))
        if not any(stripped):
            continue
        if len(cells) != width:
            needed = f"{width}, one for each column."
            raise wrong_line(reader.line_num, f"{len(cells)} cells.", needed, error)
        empty = False
        yield reader.line_num, stripped
    if empty:
        raise error(
            found=none_found,
            needed=f"one {columns.what} a line below the line of column names.",
            next_step="Fill in the lines.",
        )
