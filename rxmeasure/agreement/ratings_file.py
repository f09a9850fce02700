"""Reading a CSV file of ratings: one rating a line."""

from __future__ import annotations

import csv
import datetime
import io
import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rxmeasure.errors import AgreementError

if TYPE_CHECKING:
    from _csv import Reader

NEEDED = ("unit", "rater", "rating")
OPTIONAL = ("criterion", "session", "cluster")

_DELIMITERS = ",;\t"


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
    text = _text_of(Path(path))
    delimiter = max(_DELIMITERS, key=text.partition("\n")[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        rows = tuple(_rows(reader, decimal_comma=delimiter != ","))
    except csv.Error as error:
        raise _wrong(reader.line_num, f"{error}.", "cells with their quotes closed.") from error
    if not rows:
        raise AgreementError(
            found="a file without ratings.",
            needed="one rating a line below the line of column names.",
            next_step="Fill in the ratings.",
        )
    return rows


def _text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise AgreementError(
            found=f"{path.name} is not UTF-8 text.",
            needed="a CSV file in UTF-8.",
            next_step="Save the sheet as 'CSV UTF-8'.",
        ) from error
    except OSError as error:
        raise AgreementError(
            found=f"{path.name} cannot be read: {error.strerror}.",
            needed="a CSV file of ratings.",
            next_step="Correct the path.",
        ) from error


def _rows(reader: Reader, *, decimal_comma: bool) -> Iterator[RatingRow]:
    names = [name.strip().lower() for name in next(reader, [])]
    missing = [name for name in NEEDED if name not in names]
    known = [name for name in names if name in NEEDED + OPTIONAL]
    if missing or len(set(known)) != len(known):
        raise AgreementError(
            found=f"the columns {', '.join(names) or '(none)'}.",
            needed=f"the columns {', '.join(NEEDED)}, each once; {', '.join(OPTIONAL)} if wanted.",
            next_step="Name the columns in the first line.",
        )
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(names):
            raise _wrong(
                reader.line_num, f"{len(cells)} cells.", f"{len(names)}, one for each column."
            )
        given = dict(zip(names, (cell.strip() for cell in cells), strict=True))
        if not given["unit"] or not given["rater"]:
            raise _wrong(reader.line_num, "no unit or no rater.", "both.")
        rating = given["rating"].replace(",", ".") if decimal_comma else given["rating"]
        if rating:
            chosen = {name: given[name] for name in known} | {"rating": rating}
            yield RatingRow(line=reader.line_num, **chosen)


def _wrong(line: int, found: str, needed: str) -> AgreementError:
    return AgreementError(
        found=f"line {line}: {found}", needed=needed, next_step=f"Correct line {line}."
    )


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
