"""Rows and sources of an invented clinic."""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass, replace

import pytest

from rxmeasure.audit.audit import AuditRequest, run_audit
from rxmeasure.audit.results import Audit
from rxmeasure.audit.rows import AuditRow, KeptVerdict, RefusedRecord
from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.rules import RuleSet
from rxmeasure.marks import FilmKind
from rxmeasure.phantom.clinic import Clinic, make_clinic
from rxmeasure.values import MeasureValue

ZERO_TWO = published_rule_sets()["zero_two"]


@dataclass(frozen=True, slots=True)
class RowList:
    """Rows that are there already, as a source."""

    records: Sequence[AuditRow | RefusedRecord]
    name: str = "rows"

    def rows(self, rule_set: RuleSet, measures: Set[str]) -> Iterator[AuditRow | RefusedRecord]:
        return iter(self.records)


def row(
    place: str, outcome: Outcome | None = Outcome.MET, *, short_mm: float | None = 1.0, **changes
) -> AuditRow:
    """A canal by "patient tooth canal", with its verdict by 0 to 2 mm."""
    patient, tooth, canal = place.split()
    measures = (
        MeasureValue(
            name="fill_to_apex_core_mm", value=short_mm, u=0.1, unit="mm", scale_source="a file"
        ),
        MeasureValue(name="void_free", value=True, unit="bool", p_true=1.0),
        MeasureValue(name="taper_even", value=True, unit="bool", p_true=1.0),
    )
    plain = AuditRow(
        patient=patient,
        tooth=tooth,
        canal=canal,
        film=f"{patient}-{tooth}.png",
        film_kind=FilmKind.POSTOPERATIVE,
        taken="2025-03-14",
        reader="reader-1",
        verdict=None if outcome is None else KeptVerdict(outcome=outcome),
        measures=measures,
    )
    return replace(plain, **changes)


def audit_of(records: Sequence[AuditRow | RefusedRecord], **more) -> Audit:
    logs = {name: more.pop(name) for name in ("films", "recalls") if name in more}
    request = AuditRequest(**{"rule_set": ZERO_TWO, **more})
    return run_audit(RowList(records), request, **logs)


@pytest.fixture(scope="session")
def clinic() -> Clinic:
    return make_clinic(seed=10063, patients=70)
