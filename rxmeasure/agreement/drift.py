"""Drift: how a rater's distance from the key changes from session to session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmeasure.agreement.ratings import Scale
from rxmeasure.agreement.results import Agreement, finished
from rxmeasure.agreement.straight_line import fitted_line
from rxmeasure.errors import AgreementError

METHOD = "over session means, weighted by their number"
SOURCE = "least squares; session means as points (choice)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One rating beside the key's.

    ``when`` counts sessions, or days for sessions that are dates.
    """

    session: str
    when: float
    rating: float
    key: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionMean:
    """One session: share of ratings that equal the key's, mean and mean absolute difference.

    Differences are rating less key; None on a nominal scale, which has none.
    """

    session: str
    when: float
    n: int
    equal_share: float
    mean_difference: float | None
    mean_absolute_difference: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Session means and what changes per step: agreement with the key, and its sign.

    Attributes
    ----------
    sessions : tuple of SessionMean
        In their order.
    closeness : Agreement
        Slope of the share that equals the key's (categories; negative is
        worse), or of the mean absolute difference (numbers; positive is worse).
    leaning : Agreement or None
        Slope of the mean difference: the rater grows more generous or stricter.
        None on a nominal scale.
    """

    sessions: tuple[SessionMean, ...]
    closeness: Agreement
    leaning: Agreement | None


def drift(
    readings: Sequence[Reading],
    *,
    scale: Scale,
    step: float = 1.0,
    step_name: str = "session",
    level: float = 0.95,
) -> Drift:
    """Slopes over sessions with their intervals.

    Parameters
    ----------
    readings : sequence of Reading
    scale : Scale
    step, step_name : float, str
        Slopes are per so much of ``when``, and its name.
    level : float

    Raises
    ------
    AgreementError
        Fewer than three sessions.
    """
    sessions = _session_means(readings, scale)
    if len(sessions) < 3:
        raise AgreementError(
            found=f"{len(sessions)} sessions with ratings of keyed units.",
            needed="three sessions or more: two always lie on a line.",
            next_step="Rate keyed units in more sessions.",
        )
    when = np.array([s.when for s in sessions]) / step
    weights = np.array([float(s.n) for s in sessions])

    def slope(name: str, values: list[float | None]) -> Agreement:
        line = fitted_line(when, np.array(values, dtype=np.float64), level=level, weights=weights)
        assert line is not None
        return finished(
            Agreement(
                statistic=f"slope of the {name}",
                estimate=line.slope,
                interval=line.interval,
                method=METHOD,
                n_units=len(readings),
                n_raters=1,
                unit=f"per {step_name}",
                source=SOURCE,
            )
        )

    if scale.has_categories:
        closeness = slope("share equal to the key", [s.equal_share for s in sessions])
    else:
        absolute = [s.mean_absolute_difference for s in sessions]
        closeness = slope("mean absolute difference from the key", absolute)
    leaning = None
    if scale is not Scale.NOMINAL:
        leaning = slope("mean difference from the key", [s.mean_difference for s in sessions])
    return Drift(sessions=sessions, closeness=closeness, leaning=leaning)


def _session_means(readings: Sequence[Reading], scale: Scale) -> tuple[SessionMean, ...]:
    found = []
    for when, session in sorted({(r.when, r.session) for r in readings}):
        own = [r for r in readings if (r.when, r.session) == (when, session)]
        difference: NDArray[np.float64] = np.array([r.rating - r.key for r in own])
        named = scale is Scale.NOMINAL
        found.append(
            SessionMean(
                session=session,
                when=when,
                n=len(own),
                equal_share=float(np.mean(difference == 0.0)),
                mean_difference=None if named else float(difference.mean()),
                mean_absolute_difference=None if named else float(np.abs(difference).mean()),
            )
        )
    return tuple(found)
