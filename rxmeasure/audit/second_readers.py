"""Agreement of two readers of the same film: criterion by criterion, over canals."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rxmeasure.agreement.kappa import cohen_kappa, fleiss_kappa
from rxmeasure.agreement.ratings import Scale, ratings_of
from rxmeasure.agreement.resampling import IntervalChoice
from rxmeasure.audit.judging import kept_verdict
from rxmeasure.audit.results import ReaderAgreement
from rxmeasure.audit.rows import AuditRow
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.rules import OVERALL, RuleSet
from rxmeasure.criteria.verdict import judge_canal
from rxmeasure.errors import AgreementError

#: Name of the verdict on a canal as a whole.
ALL_CRITERIA = "all criteria"
#: Draws of an interval over patients: its ends wander by less than 0.01 (choice).
_DRAWS = 1000
#: Not met, neither, met; a reader who cannot tell has said something too.
_CODES = {Outcome.NOT_MET: 0.0, Outcome.MET: 2.0}
_NEITHER = 1.0

_Reading = tuple[AuditRow, AuditRow]


def read_twice(rows: Sequence[AuditRow]) -> tuple[_Reading, ...]:
    """Canals on one film that two readers marked or confirmed, the readers by name.

    Of more than two readers the first two by name are taken.
    """
    readings: dict[tuple[str, ...], dict[str, AuditRow]] = {}
    for row in rows:
        if row.reader and row.confirmed:
            place = (row.patient, row.film, row.tooth, row.canal)
            readings.setdefault(place, {})[row.reader] = row
    found = []
    for _, own in sorted(readings.items()):
        if len(own) > 1:
            first, second, *_ = sorted(own)
            found.append((own[first], own[second]))
    return tuple(found)


def reader_agreement(
    readings: Sequence[_Reading], rule_set: RuleSet, level: float
) -> tuple[ReaderAgreement, ...]:
    """Kappa of each criterion and of all together; its interval is over patients.

    Cohen's where two readers read all of the canals, Fleiss' where readers change. Empty
    without canals that were read twice.
    """
    if not readings:
        return ()
    both = [tuple(_outcomes(row, rule_set) for row in pair) for pair in readings]
    names = [field.name for field in rule_set.fields if field.name != OVERALL]
    return tuple(
        _agreement(name, [[own.get(name) for own in pair] for pair in both], readings, level)
        for name in (ALL_CRITERIA, *names)
    )


def _outcomes(row: AuditRow, rule_set: RuleSet) -> dict[str, Outcome]:
    """What a reader's review says of each criterion; where it keeps nothing, by its measures."""
    fields = dict(row.fields)
    verdict = row.verdict
    if verdict is None or not fields:
        judged = judge_canal(row.canal, row.measures, rule_set)
        fields = fields or {v.field: v.outcome for v in judged}
        verdict = verdict or kept_verdict(judged)
    return {**fields, ALL_CRITERIA: verdict.outcome}


def _agreement(
    name: str,
    outcomes: Iterable[Sequence[Outcome | None]],
    readings: Sequence[_Reading],
    level: float,
) -> ReaderAgreement:
    codes = [[_CODES.get(one, _NEITHER) if one else _NEITHER for one in pair] for pair in outcomes]
    readers = {(first.reader, second.reader) for first, second in readings}
    kappa = cohen_kappa if len(readers) == 1 else fleiss_kappa
    n_same = sum(first == second for first, second in codes)
    found, why = None, ""
    try:
        ratings = ratings_of(
            codes,
            scale=Scale.NOMINAL,
            clusters=[first.patient for first, _ in readings],
        )
        found = kappa(ratings, choice=IntervalChoice(level=level, draws=_DRAWS))
    except AgreementError as error:
        why = error.found
    return ReaderAgreement(
        criterion=name,
        n_canals=len(readings),
        n_same=n_same,
        n_readers=len({reader for pair in readers for reader in pair}),
        kappa=found,
        why_none=why,
    )
