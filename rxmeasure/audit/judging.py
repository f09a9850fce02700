"""What each canal counts as: its kept verdict, or that of the audit's rule set."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rxmeasure.audit.rows import AuditRow, KeptVerdict
from rxmeasure.audit.statistics.denominators import CanalRecord
from rxmeasure.criteria.by_value import ByValue, by_value
from rxmeasure.criteria.results import Outcome, Verdict
from rxmeasure.criteria.rules import OVERALL, RuleSet
from rxmeasure.criteria.verdict import judge_canal, ruling_verdict
from rxmeasure.tooth import root_of

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
    side_of = by_value(rule_set)
    return [_judged(row, rule_set, side_of) for row in rows]


def _judged(row: AuditRow, rule_set: RuleSet, side_of: ByValue) -> JudgedCanal:
    verdict = row.verdict or kept_verdict(judge_canal(row.canal, row.measures, rule_set))
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


def _counted(row: AuditRow, verdict: KeptVerdict, side_of: ByValue) -> tuple[bool | None, str]:
    """Whether the canal counts as met, or why it cannot be counted."""
    if verdict.outcome is Outcome.MET:
        return True, ""
    if verdict.outcome is Outcome.NOT_MET:
        return False, ""
    if verdict.outcome is Outcome.BORDERLINE:
        side = side_of({m.name: m for m in row.measures})
        return side, "" if side is not None else "borderline, without values to tell the side"
    return None, verdict.why or "no reason given" if row.calibrated else NO_SCALE
