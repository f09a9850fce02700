"""Canals that a record store lists in bulk, as audit rows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence, Set
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rxmeasure.audit.dates import iso_date
from rxmeasure.audit.rows import AuditRow, AuditSource, KeptVerdict, RefusedRecord
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.rules import RuleSet
from rxmeasure.criteria.verdict import ruling_verdict
from rxmeasure.marks import FilmKind
from rxmeasure.measure_names import MEASURES
from rxmeasure.values import MeasureValue

if TYPE_CHECKING:
    from rxmeasure.store.header import ReviewRow, VerdictRow
    from rxmeasure.store.store import Store

#: Value, standard uncertainty, probability of yes.
StoredMeasure = tuple[float | bool | str, float | None, float | None]


@dataclass(frozen=True, slots=True)
class StoreSource(AuditSource):
    """The newest revision of every review that a person may see in a store.

    ``name`` is what the report calls it.
    """

    store: Store
    name: str

    def rows(self, rule_set: RuleSet, measures: Set[str]) -> Iterator[AuditRow | RefusedRecord]:
        """All canals of all reviews.

        Raises
        ------
        StoreError
            The store is damaged, busy or out of reach.
        """
        return stored_rows(self.store.review_rows(), rule_set, measures)


def stored_rows(
    canals: Iterable[ReviewRow], rule_set: RuleSet, measures: Set[str]
) -> Iterator[AuditRow]:
    """Turn what a store lists into audit rows.

    A film is named by the SHA-256 of its image, for a store keeps no file names; the clinic's
    log has to name films likewise.
    """
    for stored in canals:
        rule = (rule_set.id, rule_set.version)
        own = [v for v in stored.verdicts if (v.rule_id, v.rule_version) == rule]
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
            verdict=_verdict(own),
            fields=tuple((v.field, Outcome(v.outcome)) for v in own),
            measures=tuple(
                _measure(name, stored.measures[name], stored.calibrated)
                for name in sorted(measures & stored.measures.keys())
            ),
        )


def _verdict(own: Sequence[VerdictRow]) -> KeptVerdict | None:
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
