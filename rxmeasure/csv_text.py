"""Text as it may stand in a CSV file that a spreadsheet will open."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence

from rxmeasure.report.numbers import clean

#: A cell that begins so would be run as a formula.
_FORMULA = re.compile(r"""((?:^|;)["\s]*)(?=[=+\-@\uff1d\uff0b\uff0d\uff20])""")


def safe_cell(value: object) -> object:
    """A cell that no spreadsheet takes for a formula.

    Numbers stay numbers; None and an open end (infinity) are empty; text that a
    spreadsheet would run gets an apostrophe before it, also behind a semicolon, where
    spreadsheets of countries with a decimal comma begin a new cell.
    """
    if value is None or isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    text = clean(str(value))
    return _FORMULA.sub(r"\1'", text)


def csv_text(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A header and rows as CSV: comma, decimal point, each line ended by CR LF (RFC 4180)."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(header)
    writer.writerows([safe_cell(cell) for cell in row] for row in rows)
    return out.getvalue()
