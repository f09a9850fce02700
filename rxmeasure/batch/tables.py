"""The results as tables: a line for each measure and verdict of each canal."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from rxmeasure.batch.ledger import LedgerRow
from rxmeasure.csv_text import safe_cell
from rxmeasure.errors import WriteError

COLUMNS = (
    "film", "image_sha256", "settings_sha256", "quarantined", "canal", "confirmed",
    "calibrated", "kind", "name", "value", "text", "u", "unit",
)  # fmt: skip
_NUMBERS = ("value", "u")
_YES_NO = ("confirmed", "calibrated")
#: Lines that are held at once (choice: a few MB).
_AT_ONCE = 20_000

Line = tuple[Any, ...]


def lines_of(row: LedgerRow) -> Iterator[Line]:
    """Yield the lines of a film; one with the reason where it is quarantined."""
    film = (row.name, row.image_sha256, row.settings_sha256, row.reason)
    if row.review is None:
        yield (*film, *[None] * (len(COLUMNS) - len(film)))
        return
    calibrated = row.review["calibration"] is not None
    confirmed = {c["name"]: c["origin"] != "not confirmed" for c in row.review["marks"]["canals"]}
    for canal in row.review["canals"]:
        name = canal["name"]
        for measure in canal["measures"]:
            value, text = _split(measure["value"])
            yield (*film, name, confirmed[name], calibrated, "measure", measure["name"], value,
                   text or measure.get("why_missing"), measure["u"], measure["unit"])  # fmt: skip
    for verdict in row.review["verdicts"]:
        rule = f"{verdict['rule_id']}/{verdict['field']}"
        yield (*film, verdict["canal"], confirmed.get(verdict["canal"]), calibrated, "verdict",
               rule, verdict.get("probability_met"), verdict["outcome"], None, None)  # fmt: skip


def _split(value: Any) -> tuple[float | None, str | None]:
    """A value as number or text; yes and no are 1 and 0."""
    return (None, value) if isinstance(value, str) or value is None else (float(value), None)


def write_csv(rows: Iterable[LedgerRow], path: Path) -> None:
    """Write all lines as CSV, whole or not at all.

    Raises
    ------
    WriteError
        It cannot be written.
    """

    def write(part: Path) -> None:
        with part.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(COLUMNS)
            for row in rows:
                writer.writerows([safe_cell(cell) for cell in line] for line in lines_of(row))

    _whole(path, write)


def write_parquet(rows: Iterable[LedgerRow], path: Path) -> None:
    """Write all lines as Parquet, whole or not at all.

    Raises
    ------
    WriteError
        It cannot be written.
    """
    import pyarrow as pa
    from pyarrow import parquet

    def kind(name: str) -> Any:
        return pa.float64() if name in _NUMBERS else pa.bool_() if name in _YES_NO else pa.string()

    schema = pa.schema([(name, kind(name)) for name in COLUMNS])

    def write(part: Path) -> None:
        lines = (line for row in rows for line in lines_of(row))
        with parquet.ParquetWriter(part, schema) as writer:
            while some := list(islice(lines, _AT_ONCE)):
                by_column = dict(zip(COLUMNS, zip(*some, strict=True), strict=True))
                writer.write_table(pa.table(by_column, schema=schema))

    _whole(path, write)


def _whole(path: Path, write: Any) -> None:
    part = path.with_name(f".{path.name}.part")
    try:
        write(part)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise WriteError(
            found=f"{path.name} cannot be written: {error.strerror or error}.",
            needed="a folder with space; what is measured is kept.",
            next_step="Free some space, then give the same command again.",
        ) from error
