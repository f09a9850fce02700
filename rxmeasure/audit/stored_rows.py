"""Canals that a record store lists in bulk, as audit rows."""

# ruff: noqa: D102 - what the fields mean is said where a store lists them.

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from typing import Protocol

from rxmeasure.audit.dates import iso_date
from rxmeasure.audit.rows import AuditRow, KeptVerdict
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.rules import RuleSet
from rxmeasure.criteria.verdict import ruling_verdict
from rxmeasure.marks import FilmKind
from rxmeasure.measure_names import MEASURES
from rxmeasure.values import MeasureValue

#: Value, standard uncertainty, probability of yes.
StoredMeasure = tuple[float | bool | str, float | None, float | None]


class StoredVerdict(Protocol):
    """One field of one rule set."""

    @property
    def rule_id(self) -> str: ...

    @property
    def rule_version(self) -> str: ...

    @property
    def field(self) -> str: ...

    @property
    def outcome(self) -> str: ...


class StoredCanal(Protocol):
    """One canal of the newest revision of a review, as a store lists it."""

    @property
    def image_sha256(self) -> str: ...

    @property
    def owner(self) -> str: ...

    @property
    def patient(self) -> str | None: ...

    @property
    def date(self) -> str: ...

    @property
    def tooth(self) -> str: ...

    @property
    def film_kind(self) -> str: ...

    @property
    def canal(self) -> str: ...

    @property
    def confirmed(self) -> bool: ...

    @property
    def calibrated(self) -> bool: ...

    @property
    def measures(self) -> Mapping[str, StoredMeasure]: ...

    @property
    def verdicts(self) -> Sequence[StoredVerdict]: ...


def stored_rows(
    canals: Iterable[StoredCanal], rule_set: RuleSet, measures: Set[str]
) -> Iterator[AuditRow]:
    """Turn what a store lists into audit rows.

    A film is named by the SHA-256 of its image, for a store keeps no file names; the clinic's
    log has to name films likewise.
    """
    for stored in canals:
        yield AuditRow(
            patient=stored.patient or "",
            tooth=stored.tooth,
            canal=stored.canal,
            film=stored.image_sha256,
            film_kind=FilmKind(stored.film_kind),
            taken=iso_date(stored.date),
            reader=stored.owner,
            confirmed=stored.confirmed,
            calibrated=stored.calibrated,
            verdict=_verdict(stored, rule_set),
            measures=tuple(
                _measure(name, stored.measures[name], stored.calibrated)
                for name in sorted(measures & stored.measures.keys())
            ),
        )


def _verdict(stored: StoredCanal, rule_set: RuleSet) -> KeptVerdict | None:
    rule = (rule_set.id, rule_set.version)
    own = [v for v in stored.verdicts if (v.rule_id, v.rule_version) == rule]
    if not own:
        return None
    outcome = Outcome(ruling_verdict(own).outcome)
    open_fields = [v.field for v in own if v.outcome == Outcome.CANNOT_BE_JUDGED]
    why = f"{open_fields[0]} could not be judged" if outcome == Outcome.CANNOT_BE_JUDGED else ""
    return KeptVerdict(outcome=outcome, why=why)


def _measure(name: str, stored: StoredMeasure, calibrated: bool) -> MeasureValue:
    value, u, p_true = stored
    return MeasureValue(
        name=name,
        value=value,
        unit=MEASURES[name].unit,
        u=u,
        p_true=p_true,
        scale_source="kept in the store" if calibrated else None,
    )
