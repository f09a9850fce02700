"""Reading a CSV file of ratings: one rating a line."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from rxmeasure.csv_table import Columns, Table, read_table, wrong_line
from rxmeasure.errors import AgreementError, RxMeasureError

_COLUMNS = Columns(
    needed=("unit", "rater", "rating"),
    optional=("criterion", "session", "cluster"),
    what="rating",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingRow:
    """One line of the file; texts are stripped, a column that is not there is empty."""

    line: int
    unit: str
    rater: str
    rating: str
    criterion: str = ""
    session: str = ""
    cluster: str = ""


def read_rating_rows(path: str | Path) -> tuple[RatingRow, ...]:
    """Read a CSV file with the columns unit, rater, rating and, if wanted, more.

    UTF-8, with comma, semicolon or tab between cells; in a file with semicolons
    or tabs numbers may have a decimal comma. Further columns: criterion, session
    (a number or a date like 2025-03-14), cluster (patient or tooth). Others are
    ignored. A line with an empty rating is a rating not given.

    Raises
    ------
    AgreementError
        The file cannot be read, a column is missing, or a line is wrong.
    """
    rows = tuple(_rows(read_table(path, _COLUMNS, AgreementError)))
    if not rows:
        raise AgreementError(
            found=f"{Path(path).name} without ratings.",
            needed="one rating a line below the line of column names.",
            next_step="Fill in the ratings.",
        )
    return rows


def _rows(table: Table) -> Iterator[RatingRow]:
    for row in table.rows:
        given = row.cells
        if not given["unit"] or not given["rater"]:
            raise _wrong(row.line, "no unit or no rater.", "both.")
        rating = given["rating"].replace(",", ".") if table.decimal_comma else given["rating"]
        if rating:
            yield RatingRow(line=row.line, **(given | {"rating": rating}))


def _wrong(line: int, found: str, needed: str) -> RxMeasureError:
    return wrong_line(line, found, needed, AgreementError)


def as_number(row: RatingRow) -> float:
    """The rating as a finite number.

    Raises
    ------
    AgreementError
        It is none.
    """
    try:
        number = float(row.rating)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise _wrong(
            row.line,
            f"the rating {row.rating!r}.",
            "a number, or the categories named in their order.",
        )
    return number


def when_of(row: RatingRow) -> tuple[float, bool]:
    """The session as a number, and whether it is a date (then in days).

    Raises
    ------
    AgreementError
        It is neither a number nor a date.
    """
    if "-" in row.session.lstrip("-"):
        with suppress(ValueError):
            return float(datetime.date.fromisoformat(row.session).toordinal()), True
    try:
        number = float(row.session)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise _wrong(
            row.line,
            f"the session {row.session!r}.",
            "a number or a date like 2025-03-14, so that sessions have an order.",
        )
    return number, False
