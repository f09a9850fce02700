"""What each canal counts as: its kept verdict, or that of the audit's rule set."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from rxmeasure.audit.rows import AuditRow, KeptVerdict
from rxmeasure.audit.statistics.denominators import CanalRecord
from rxmeasure.criteria.by_value import by_value
from rxmeasure.criteria.results import Outcome, Verdict
from rxmeasure.criteria.rules import OVERALL, RuleSet
from rxmeasure.criteria.verdict import judge_canal, ruling_verdict
from rxmeasure.tooth import root_of
from rxmeasure.values import MeasureValue

_Measures = tuple[MeasureValue, ...]
_Found = TypeVar("_Found")

NOT_CONFIRMED = "marks not confirmed by a person"
NO_SCALE = "film without a scale"


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedCanal:
    """One canal and what it counts as.

    Attributes
    ----------
    row : AuditRow
    record : CanalRecord
        A borderline canal is on the side on which its values lie.
    borderline : bool
    says_met : bool
        What the verdict says, whether a person confirmed the marks or not.
    """

    row: AuditRow
    record: CanalRecord
    borderline: bool
    says_met: bool


def kept_verdict(verdicts: Sequence[Verdict]) -> KeptVerdict:
    """The verdict that a canal counts by, with the reason of the field that was not judged."""
    ruling = ruling_verdict(verdicts)
    why = ruling.why
    if ruling.outcome is Outcome.CANNOT_BE_JUDGED and ruling.field == OVERALL:
        why = next(
            (v.why for v in verdicts if v.field != OVERALL and v.outcome is ruling.outcome), why
        )
    return KeptVerdict(outcome=ruling.outcome, why=why, overridden=bool(ruling.overridden_by))


def judge_rows(rows: Iterable[AuditRow], rule_set: RuleSet) -> list[JudgedCanal]:
    """Judge canals; marks that no person confirmed give no outcome, only ``says_met``."""
    judge = _once_for_each(lambda measures: kept_verdict(judge_canal("", measures, rule_set)))
    side_of = side_of_measures(rule_set)
    return [_judged(row, row.verdict or judge(row.measures), side_of) for row in rows]


def side_of_measures(rule_set: RuleSet) -> Callable[[_Measures], bool | None]:
    """A function that judges the measures of rows as `by_value` does."""
    side_of = by_value(rule_set)
    return _once_for_each(lambda measures: side_of({m.name: m for m in measures}))


def _once_for_each(judge: Callable[[_Measures], _Found]) -> Callable[[_Measures], _Found]:
    """The same function, with one call for measures that many rows share as one object."""
    known: dict[int, tuple[_Measures, _Found]] = {}

    def judged(measures: _Measures) -> _Found:
        found = known.get(id(measures))
        if found is None:
            # Measures stay beside what was found: as long as they live, their id is theirs alone.
            found = known[id(measures)] = (measures, judge(measures))
        return found[1]

    return judged


def _judged(
    row: AuditRow, verdict: KeptVerdict, side_of: Callable[[_Measures], bool | None]
) -> JudgedCanal:
    met, why = _counted(row, verdict, side_of)
    says_met = met is True
    if not row.confirmed:
        met, why = None, NOT_CONFIRMED
    return JudgedCanal(
        row=row,
        record=CanalRecord(
            patient=row.patient,
            tooth=row.tooth,
            root=root_of(row.tooth, row.canal),
            canal=row.canal,
            met=met,
            why_not_judged=why,
        ),
        borderline=verdict.outcome is Outcome.BORDERLINE and met is not None,
        says_met=says_met,
    )


def _counted(
    row: AuditRow, verdict: KeptVerdict, side_of: Callable[[_Measures], bool | None]
) -> tuple[bool | None, str]:
    """Whether the canal counts as met, or why it cannot be counted."""
    if verdict.outcome is Outcome.MET:
        return True, ""
    if verdict.outcome is Outcome.NOT_MET:
        return False, ""
    if verdict.outcome is Outcome.BORDERLINE:
        side = side_of(row.measures)
        return side, "" if side is not None else "borderline, without values to tell the side"
    return None, verdict.why or "no reason given" if row.calibrated else NO_SCALE
