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
from dataclasses import dataclass, field
from pathlib import Path

from rxmeasure.atomic import write_text
from rxmeasure.audit.cells import day, one_of, wrong
from rxmeasure.audit.rows import AuditRow, AuditSource, KeptVerdict, RefusedRecord
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.rules import RuleSet
from rxmeasure.csv_table import Columns, read_table
from rxmeasure.csv_text import csv_text
from rxmeasure.errors import AuditError
from rxmeasure.marks import FilmKind
from rxmeasure.measure_names import MEASURES, MeasureName
from rxmeasure.values import MeasureValue

U = ":u"
_NEEDED = ("patient", "tooth", "canal", "film", "film_kind")
_PLAIN = (*_NEEDED, "taken", "reader", "operator", "confirmed")
_VERDICT = ("rule_id", "rule_version", "outcome", "why", "overridden")
_OPTIONAL = (*_PLAIN[len(_NEEDED) :], "scale", *_VERDICT)
#: Where these cells begin in a line as `_Reader` takes it.
_VERDICT_AT = len(_PLAIN)
_SCALE_AT = _VERDICT_AT + len(_VERDICT)
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
        wanted = tuple(MEASURES[name] for name in sorted(measures & table.names))
        reader = _Reader(rule_set=rule_set, wanted=wanted, comma=table.decimal_comma)
        return (reader.row(line, cells) for line, cells in table.picked(reader.columns))


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


_Cells = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reader:
    """Makes rows of lines. Verdicts and measures come again and again: equal ones are one."""

    rule_set: RuleSet
    wanted: tuple[MeasureName, ...]
    comma: bool
    verdicts: dict[_Cells, KeptVerdict | None] = field(default_factory=dict)
    measures: dict[_Cells, tuple[MeasureValue, ...]] = field(default_factory=dict)

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns that `row` takes, in this order."""
        measured = (column for one in self.wanted for column in (one.name, one.name + U))
        return (*_PLAIN, *_VERDICT, "scale", *measured)

    def row(self, line: int, cells: _Cells) -> AuditRow:
        """The row of one line."""
        patient, tooth, canal, film, kind, taken, reader, operator, confirmed = cells[:_VERDICT_AT]
        if kind not in _FILM_KINDS:
            raise wrong(line, f"the film kind '{kind}'.", f"{', '.join(_FILM_KINDS)}.")
        calibrated = _yes_no(line, "scale", cells[_SCALE_AT])
        return AuditRow(
            patient=patient,
            tooth=tooth,
            canal=canal,
            film=film,
            film_kind=_FILM_KINDS[kind],
            taken=day(line, "taken", taken),
            reader=reader,
            operator=operator,
            confirmed=_yes_no(line, "confirmed", confirmed),
            calibrated=calibrated,
            verdict=self._verdict(line, cells[_VERDICT_AT:_SCALE_AT]),
            measures=self._measures(line, cells[_SCALE_AT:], calibrated),
        )

    def _verdict(self, line: int, cells: _Cells) -> KeptVerdict | None:
        if cells not in self.verdicts:
            self.verdicts[cells] = _verdict(line, self.rule_set, *cells)
        return self.verdicts[cells]

    def _measures(self, line: int, cells: _Cells, calibrated: bool) -> tuple[MeasureValue, ...]:
        """Of the cells from the scale on."""
        found = self.measures.get(cells)
        if found is None:
            found = self.measures[cells] = tuple(
                _measure(line, name, text, spread, calibrated=calibrated, comma=self.comma)
                for name, text, spread in zip(self.wanted, cells[1::2], cells[2::2], strict=True)
            )
        return found


def _yes_no(line: int, column: str, text: str, *, default: bool = True) -> bool:
    if not text:
        return default
    if text not in _YES_NO:
        raise wrong(line, f"'{text}' under {column}.", "yes or no, or nothing.")
    return _YES_NO[text]


def _verdict(
    line: int,
    rule_set: RuleSet,
    rule_id: str,
    rule_version: str,
    outcome: str,
    why: str,
    overridden: str,
) -> KeptVerdict | None:
    if not one_of(line, "outcome", outcome, _OUTCOMES):
        return None
    if not (rule_id and rule_version):
        raise wrong(line, "an outcome without its rule set.", "rule_id and rule_version too.")
    if (rule_id, rule_version) != (rule_set.id, rule_set.version):
        return None
    return KeptVerdict(
        outcome=_OUTCOMES[outcome],
        why=why,
        overridden=_yes_no(line, "overridden", overridden, default=False),
    )


def _measure(
    line: int, measure: MeasureName, text: str, spread: str, *, calibrated: bool, comma: bool
) -> MeasureValue:
    name, unit = measure.name, measure.unit
    u = _number(line, name + U, spread, comma)
    if not text:
        in_mm = unit.startswith("mm")
        why = "this film has no scale" if in_mm and not calibrated else "no value in the table"
        return MeasureValue(name=name, value=None, unit=unit, why_missing=why)
    if unit == "bool":
        return MeasureValue(name=name, value=_yes_no(line, name, text), unit=unit, p_true=u)
    if unit == "code":
        return MeasureValue(name=name, value=text, unit=unit)
    return MeasureValue(
        name=name,
        value=_number(line, name, text, comma),
        unit=unit,
        u=u,
        scale_source="stated in the table" if calibrated else None,
    )


def _number(line: int, column: str, text: str, comma: bool) -> float | None:
    if not text:
        return None
    try:
        number = float(text.replace(",", ".") if comma else text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise wrong(line, f"'{text}' under {column}.", "a number.")
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
