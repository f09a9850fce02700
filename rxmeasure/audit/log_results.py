"""What the clinic's log says: image quality, retakes, recalls."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rxmeasure.audit.clinic_log import FilmEntry, RecallEntry, Receptor
from rxmeasure.audit.dates import Period
from rxmeasure.audit.results import LogResult, QualityResult, Reason
from rxmeasure.audit.shares import share_of
from rxmeasure.audit.yardsticks import QUALITY_TARGETS
from rxmeasure.values import Warned

NO_WORD = "not seen, no reason noted"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallCount:
    """Recalls of the period, and how many were not due in it."""

    result: LogResult | None
    not_due: int


def quality_results(
    films: Sequence[FilmEntry], period: Period, level: float
) -> tuple[QualityResult, ...]:
    """Rated films of each receptor beside its target."""
    found = []
    for receptor in Receptor:
        own = [e for e in films if e.receptor is receptor and period.holds(e.date)]
        rated = [e for e in own if e.acceptable is not None]
        if rated:
            share = share_of(
                str(receptor),
                [e.acceptable is True for e in rated],
                _patients(rated),
                level=level,
            )
            found.append(
                QualityResult(
                    share=share, target=QUALITY_TARGETS[receptor], n_unrated=len(own) - len(rated)
                )
            )
    return tuple(found)


def unsorted_quality(films: Sequence[FilmEntry], period: Period) -> tuple[Warned, ...]:
    """Tell of rated films in no quality result, because nothing says which target is theirs."""
    rated = [
        e for e in films if e.receptor is None and e.acceptable is not None and period.holds(e.date)
    ]
    if not rated:
        return ()
    good = sum(e.acceptable is True for e in rated)
    return (
        Warned(
            code="quality-without-receptor",
            text=f"{len(rated)} rated films ({good} A, {len(rated) - good} N) have no receptor in "
            "the log and are not in the image quality: fill in digital or film.",
        ),
    )


def retake_result(films: Sequence[FilmEntry], period: Period, level: float) -> LogResult | None:
    """Retakes among all exposures, with their reasons."""
    own = [e for e in films if period.holds(e.date)]
    if not own:
        return None
    return LogResult(
        share=share_of("retakes", [bool(e.retake_of) for e in own], _patients(own), level=level),
        reasons=_counted((e.reason for e in own if e.retake_of), "retakes"),
    )


def recall_result(
    recalls: Sequence[RecallEntry], period: Period, today: str, level: float
) -> RecallCount:
    """Recalls that were due in the period, at the latest today, and who came."""
    last = min(period.until or today, today)
    due = [e for e in recalls if period.since <= e.due <= last]
    not_due = len(recalls) - len(due)
    if not due:
        return RecallCount(result=None, not_due=not_due)
    result = LogResult(
        share=share_of(
            "recall", [bool(e.seen) for e in due], [e.patient for e in due], level=level
        ),
        reasons=_counted((e.lost or NO_WORD for e in due if not e.seen), "recalls"),
    )
    return RecallCount(result=result, not_due=not_due)


def _patients(films: Sequence[FilmEntry]) -> list[str]:
    """The patient of each film; a film without one stands for itself where others have one."""
    if not any(e.patient for e in films):
        return [""] * len(films)
    return [e.patient or f"\0{e.film}" for e in films]


def _counted(texts: Iterable[str], unit: str) -> tuple[Reason, ...]:
    counts = sorted(Counter(texts).items(), key=lambda item: (-item[1], item[0]))
    return tuple(Reason(text=text, unit=unit, count=count) for text, count in counts)
