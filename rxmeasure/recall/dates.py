"""Dates of visits: their order, the time between them, and when to look again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from rxmeasure.errors import RecallError
from rxmeasure.recall.scores import Scale, published_scales
from rxmeasure.values import Warned

#: Mean length of a calendar year in days (Gregorian calendar).
DAYS_PER_YEAR = 365.2425

#: A visit that comes so much before its day counts as that check (choice): nobody is called again
#: a few days later.
EARLY = timedelta(days=30)


@dataclass(frozen=True, slots=True, kw_only=True)
class NextRecall:
    """When the published interval asks for the next visit; None for no further one.

    A proposal: symptoms, or the clinician's judgement, come first.
    """

    date: str | None
    reason: str
    source: str


def parse_date(text: str) -> date | None:
    """A date from ISO 8601 (YYYY-MM-DD); None for an empty text.

    Raises
    ------
    RecallError
        The text is no date.
    """
    if not text.strip():
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise RecallError(
            found=f"a date '{text}'.",
            needed="a date as YYYY-MM-DD.",
            next_step="Correct the date of the visit.",
        ) from error


def check_dates(dates: Sequence[str]) -> tuple[Warned, ...]:
    """Hold the visits' dates against their order.

    Raises
    ------
    RecallError
        A date cannot be read, or a visit is dated before the one that it follows.
    """
    known = [(number, day) for number, text in enumerate(dates, 1) if (day := parse_date(text))]
    for (earlier, first), (later, second) in zip(known, known[1:], strict=False):
        if second < first:
            raise RecallError(
                found=f"visit {later} of {second} after visit {earlier} of {first}.",
                needed="visits from the earliest to the latest.",
                next_step="Correct a date, or exchange the visits.",
            )
    same = [
        f"{earlier} and {later}"
        for (earlier, first), (later, second) in zip(known, known[1:], strict=False)
        if first == second
    ]
    missing = [str(number) for number, text in enumerate(dates, 1) if not text.strip()]
    warnings = []
    if same:
        warnings.append(
            Warned(
                code="visit-dates-equal",
                text=f"Visits {', '.join(same)} have the same date: nothing can have healed "
                "between them; what differs lies in the films.",
            )
        )
    if missing:
        warnings.append(
            Warned(
                code="visit-date-missing",
                text=f"No date for visit {', '.join(missing)}: the order is taken as given, and "
                "there is no rate of change and no next date.",
            )
        )
    return tuple(warnings)


def years_between(earlier: str, later: str) -> float | None:
    """Years from one date to another; None where one is missing."""
    first, second = parse_date(earlier), parse_date(later)
    if first is None or second is None:
        return None
    return (second - first).days / DAYS_PER_YEAR


def next_recall(treated: str, last_visit: str, outcome: str | None) -> NextRecall:
    """When the three-way outcome guideline asks for the next visit.

    Parameters
    ----------
    treated, last_visit : str
        Dates of the treatment and of the last visit.
    outcome : str or None
        The reader's score on ``outcome_three_way`` at the last visit.

    Notes
    -----
    First check at 1 year, then until healed, up to 4 years (source in the scale's file).
    Once a year in between is common practice without a source. A visit up to `EARLY` before its
    day counts as that check, but for the last, at which the outcome is decided.
    """
    scale = published_scales()["outcome_three_way"]
    start, last = parse_date(treated), parse_date(last_visit)
    if start is None or last is None:
        return _no_visit("The date of the treatment or of the last visit is missing.", scale)
    if last < start:
        raise RecallError(
            found=f"a last visit of {last} before the treatment of {start}.",
            needed="a visit after the treatment.",
            next_step="Correct the dates.",
        )
    first, end = scale.first_check_years, scale.last_check_years
    assert first is not None
    assert end is not None
    due = next(
        (
            day
            for k in range(int(first), int(end) + 1)
            if (day := _anniversary(start, k)) > (last + EARLY if k < int(end) else last)
        ),
        None,
    )
    if due == _anniversary(start, int(first)):
        return NextRecall(
            date=due.isoformat(), reason="First check one year after treatment.", source=_of(scale)
        )
    if outcome is None:
        return _no_visit("The outcome of the last visit is not scored.", scale)
    scale.choice(outcome)
    if outcome != "uncertain":
        return _no_visit(f"The last visit was scored {outcome}.", scale)
    if due is None:
        return _no_visit("Four years have passed: the outcome is decided now.", scale)
    return NextRecall(
        date=due.isoformat(),
        reason="Not healed: looked at again until healed or four years have passed; once a year "
        "is common practice, no source.",
        source=_of(scale),
    )


def _no_visit(reason: str, scale: Scale) -> NextRecall:
    return NextRecall(date=None, reason=reason, source=_of(scale))


def _of(scale: Scale) -> str:
    return f"{scale.source} ({scale.status})"


def _anniversary(day: date, years: int) -> date:
    """The same day of a later year; 29 February becomes 28 February."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return day.replace(year=day.year + years, day=28)
