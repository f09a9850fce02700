"""Which films of the clinic's log an audit looks at."""

from __future__ import annotations

from collections.abc import Sequence

from rxmeasure.audit.clinic_log import FilmEntry
from rxmeasure.audit.dates import Period
from rxmeasure.audit.statistics.sampling import (
    Case,
    SamplingMethod,
    SamplingPlan,
    consecutive_sample,
    random_sample,
)


def plan_films(
    films: Sequence[FilmEntry],
    method: SamplingMethod,
    *,
    per_kind: int,
    seed: str,
    period: Period,
) -> SamplingPlan:
    """Choose films of each kind; a film that was repeated is not among them.

    Raises
    ------
    AgreementError
        No films in the period, no seed for a random sample, or a number below one.
    """
    repeated = {entry.retake_of for entry in films}
    cases = [
        Case(case_id=entry.film, date=entry.date, group=entry.kind)
        for entry in films
        if entry.film not in repeated and period.holds(entry.date)
    ]
    if method is SamplingMethod.RANDOM:
        return random_sample(cases, per_group=per_kind, seed=seed)
    return consecutive_sample(cases, per_group=per_kind, start_date=period.since)
