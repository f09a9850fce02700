"""Audit rows as a CSV table: what a clinic without review files fills in, or another program.

One canal a line. Columns: ``patient``, ``tooth``, ``canal``, ``film``, ``film_kind``; if wanted
``taken``, ``reader``, ``operator``, ``confirmed`` and ``scale`` (yes or no; left out: yes),
the verdict in ``rule_id``, ``rule_version``, ``outcome``, ``why`` and ``overridden``, and for
each measure a column of its name and one with ``:u`` after it: its standard uncertainty, or for
a yes/no measure the probability of yes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Set
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

from rxmeasure.atomic import write_text
from rxmeasure.audit.cells import day, one_of, wrong
from rxmeasure.audit.rows import AuditRow, AuditSource, KeptVerdict, RefusedRecord
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.rules import RuleSet
from rxmeasure.csv_table import Columns, TableRow, read_table
from rxmeasure.csv_text import csv_text
from rxmeasure.errors import AuditError
from rxmeasure.marks import FilmKind
from rxmeasure.measure_names import MEASURES, MeasureName
from rxmeasure.values import MeasureValue

U = ":u"
_NEEDED = ("patient", "tooth", "canal", "film", "film_kind")
_OPTIONAL = (
    "taken", "reader", "operator", "confirmed", "scale", "rule_id", "rule_version", "outcome",
    "why", "overridden",
)  # fmt: skip
_COLUMNS = Columns(
    needed=_NEEDED,
    optional=(*_OPTIONAL, *MEASURES, *(name + U for name in MEASURES)),
    what="canal",
    others=False,
)
_FILM_KINDS = {str(kind): kind for kind in FilmKind}
_YES_NO = {"yes": True, "no": False}
_OUTCOMES = {str(outcome): outcome for outcome in Outcome}


@dataclass(frozen=True, slots=True)
class RowsFile(AuditSource):
    """A table of audit rows."""

    path: Path

    @property
    def name(self) -> str:
        """Name of the file."""
        return self.path.name

    def rows(self, rule_set: RuleSet, measures: Set[str]) -> Iterator[AuditRow | RefusedRecord]:
        """Read the table; a line that is wrong stops the audit.

        Raises
        ------
        AuditError
            The file cannot be read, or a line is wrong; the line is named.
        """
        table = read_table(self.path, _COLUMNS, AuditError)
        wanted = [MEASURES[name] for name in sorted(measures & table.names)]
        return (_row(row, rule_set, wanted, comma=table.decimal_comma) for row in table.rows)


def write_rows(
    path: str | Path, rows: Iterable[AuditRow], rule_set: RuleSet, measures: Iterable[str]
) -> None:
    """Write rows as a table that `RowsFile` reads; the verdicts are of the rule set.

    Raises
    ------
    WriteError
        The file cannot be written.
    """
    names = sorted(measures)
    header = (*_NEEDED, *_OPTIONAL, *(column for name in names for column in (name, name + U)))
    write_text(path, csv_text(header, (tuple(_cells(row, rule_set, names)) for row in rows)))


def _row(
    row: TableRow, rule_set: RuleSet, wanted: Iterable[MeasureName], *, comma: bool
) -> AuditRow:
    cells = row.cells
    if cells["film_kind"] not in _FILM_KINDS:
        raise wrong(row, f"the film kind '{cells['film_kind']}'.", f"{', '.join(_FILM_KINDS)}.")
    calibrated = _yes_no(row, "scale")
    return AuditRow(
        patient=cells["patient"],
        tooth=cells["tooth"],
        canal=cells["canal"],
        film=cells["film"],
        film_kind=_FILM_KINDS[cells["film_kind"]],
        taken=day(row, "taken"),
        reader=cells.get("reader", ""),
        operator=cells.get("operator", ""),
        confirmed=_yes_no(row, "confirmed"),
        calibrated=calibrated,
        verdict=_verdict(row, rule_set),
        measures=tuple(_measure(row, name, calibrated, comma) for name in wanted),
    )


def _yes_no(row: TableRow, column: str, *, default: bool = True) -> bool:
    text = row.cells.get(column, "")
    if not text:
        return default
    if text not in _YES_NO:
        raise wrong(row, f"'{text}' under {column}.", "yes or no, or nothing.")
    return _YES_NO[text]


def _verdict(row: TableRow, rule_set: RuleSet) -> KeptVerdict | None:
    outcome = one_of(row, "outcome", _OUTCOMES)
    if not outcome:
        return None
    rule = (row.cells.get("rule_id", ""), row.cells.get("rule_version", ""))
    if not all(rule):
        raise wrong(row, "an outcome without its rule set.", "rule_id and rule_version too.")
    if rule != (rule_set.id, rule_set.version):
        return None
    overridden = _yes_no(row, "overridden", default=False)
    return _kept(_OUTCOMES[outcome], row.cells.get("why", ""), overridden)


def _measure(row: TableRow, measure: MeasureName, calibrated: bool, comma: bool) -> MeasureValue:
    text = row.cells[measure.name]
    spread = _number(row, measure.name + U, comma)
    if not text:
        return _missing(measure.name, measure.unit, calibrated)
    if measure.unit == "bool":
        return _answer(measure.name, _yes_no(row, measure.name), spread)
    if measure.unit == "code":
        return _code(measure.name, text)
    return MeasureValue(
        name=measure.name,
        value=_number(row, measure.name, comma),
        unit=measure.unit,
        u=spread,
        scale_source="stated in the table" if calibrated else None,
    )


# Values that come again and again are made once: a table has many lines.


@lru_cache(maxsize=10_000)
def _kept(outcome: Outcome, why: str, overridden: bool) -> KeptVerdict:
    return KeptVerdict(outcome=outcome, why=why, overridden=overridden)


@cache
def _missing(name: str, unit: str, calibrated: bool) -> MeasureValue:
    in_mm = unit.startswith("mm")
    why = "this film has no scale" if in_mm and not calibrated else "no value in the table"
    return MeasureValue(name=name, value=None, unit=unit, why_missing=why)


@lru_cache(maxsize=10_000)
def _answer(name: str, yes: bool, p_true: float | None) -> MeasureValue:
    return MeasureValue(name=name, value=yes, unit="bool", p_true=p_true)


@lru_cache(maxsize=10_000)
def _code(name: str, code: str) -> MeasureValue:
    return MeasureValue(name=name, value=code, unit="code")


def _number(row: TableRow, column: str, comma: bool) -> float | None:
    text = row.cells.get(column, "")
    if not text:
        return None
    try:
        number = float(text.replace(",", ".") if comma else text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise wrong(row, f"'{text}' under {column}.", "a number.")
    return number


def _cells(row: AuditRow, rule_set: RuleSet, names: Iterable[str]) -> Iterator[object]:
    verdict = row.verdict
    yield from (row.patient, row.tooth, row.canal, row.film, row.film_kind, row.taken)
    yield from (row.reader, row.operator, _word(row.confirmed), _word(row.calibrated))
    if verdict is None:
        yield from ("",) * 5
    else:
        yield from (rule_set.id, rule_set.version, verdict.outcome, verdict.why)
        yield _word(verdict.overridden)
    known: Mapping[str, MeasureValue] = {m.name: m for m in row.measures}
    for name in names:
        measure = known.get(name)
        if measure is None or measure.value is None:
            yield from ("", "")
        elif isinstance(measure.value, bool):
            yield from (_word(measure.value), measure.p_true)
        else:
            yield from (measure.value, measure.u)


def _word(answer: bool) -> str:
    return "yes" if answer else "no"
