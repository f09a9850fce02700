"""Bootstrap intervals: units, or whole clusters of units, are drawn again with a fixed seed.

References
----------
Percentile interval: Efron and Tibshirani 1993, An Introduction to the Bootstrap
(value from memory). Drawing whole clusters: Field and Welsh 2007,
doi:10.1111/j.1467-9868.2007.00593.x (from memory). For alpha and kappa of several
raters: Zapf et al. 2016, doi:10.1186/s12874-016-0200-9 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmeasure.agreement.ratings import Ratings
from rxmeasure.agreement.results import Interval
from rxmeasure.errors import AgreementError
from rxmeasure.values import Warned

#: Fewer units or clusters than this are too few to stand for those not seen (choice).
FEWEST_TO_DRAW = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalChoice:
    """How intervals are reckoned.

    Attributes
    ----------
    level : float
        Confidence, above 0 and below 1.
    bootstrap : bool
        Draw again even where a published formula exists. Ratings with clusters
        are always drawn again, cluster by cluster.
    draws, seed : int
        Number of draws, and where their random numbers start.
    """

    level: float = 0.95
    bootstrap: bool = False
    draws: int = 2000
    seed: int = 0

    def __post_init__(self) -> None:
        """Refuse a level or a number of draws that gives no interval."""
        if not 0.0 < self.level < 1.0 or self.draws < 100:
            raise AgreementError(
                found=f"a level of {self.level:g} and {self.draws} draws.",
                needed="a level between 0 and 1, and 100 draws or more.",
                next_step="Take 0.95 and 2000.",
            )

    @property
    def tail(self) -> float:
        """Probability left out at either end."""
        return (1.0 - self.level) / 2.0


DEFAULT = IntervalChoice()


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """Intervals from one set of draws, one for each value of the statistic, and cautions."""

    intervals: tuple[Interval, ...]
    cautions: tuple[Warned, ...]


def interval_of(
    ratings: Ratings,
    statistic: Callable[[Ratings], float],
    choice: IntervalChoice,
    formula: Callable[[], Interval | None] | None = None,
) -> tuple[Interval | None, tuple[Warned, ...]]:
    """The interval by its formula, or drawn where there is none, where asked, or with clusters.

    None, with a caution that says why, where the ratings allow neither.
    """
    if formula is not None and ratings.clusters is None and not choice.bootstrap:
        interval = formula()
        return interval, () if interval is not None else (_no_interval(_FORMULA_FAILS),)

    def one(rows: NDArray[np.intp]) -> tuple[float]:
        return (statistic(ratings.of_units(rows)),)

    (drawn,), cautions = drawn_intervals(one, ratings, choice, number=1)
    return drawn, cautions


def drawn_intervals(
    statistics: Callable[[NDArray[np.intp]], Sequence[float]],
    ratings: Ratings,
    choice: IntervalChoice,
    *,
    number: int,
) -> tuple[tuple[Interval | None, ...], tuple[Warned, ...]]:
    """Intervals of so many statistics, each None with a caution where none can be drawn."""
    try:
        drawn = draw_again(statistics, len(ratings.units), ratings.clusters, choice)
    except AgreementError as error:
        return (None,) * number, (_no_interval(error.found),)
    return drawn.intervals, drawn.cautions


_FORMULA_FAILS = "the formula does not hold for these few ratings."


def _no_interval(why: str) -> Warned:
    return Warned(code="no-interval", text=f"No interval: {why}")


def draw_again(
    statistics: Callable[[NDArray[np.intp]], Sequence[float]],
    number: int,
    clusters: Sequence[str] | NDArray[np.str_] | None,
    choice: IntervalChoice,
) -> Drawn:
    """Percentile intervals of statistics over draws of rows.

    Parameters
    ----------
    statistics : callable
        Takes row numbers, returns values; raises AgreementError where a draw allows none.
    number : int
        Number of rows.
    clusters : sequence of str or None
        For each row its cluster; whole clusters are drawn. None: rows are drawn.
    choice : IntervalChoice

    Raises
    ------
    AgreementError
        Fewer than two clusters, or fewer than half of the draws allow the statistic.
    """
    groups = _groups(number, clusters)
    what = "units" if clusters is None else "clusters"
    if len(groups) < 2:
        raise AgreementError(
            found=f"{len(groups)} {what} to draw from.",
            needed=f"two {what} or more for an interval.",
            next_step="Rate more.",
        )
    values, undefined = _draws(statistics, groups, choice)
    low, high = np.quantile(values, [choice.tail, 1.0 - choice.tail], axis=0)
    method = (
        f"bootstrap of {what}, percentiles of {choice.draws} draws, seed {choice.seed} "
        "(Efron and Tibshirani 1993)"
    )
    return Drawn(
        intervals=tuple(
            Interval(low=float(a), high=float(b), level=choice.level, method=method)
            for a, b in zip(low, high, strict=True)
        ),
        cautions=_cautions(len(groups), what, undefined, choice.draws),
    )


def _groups(
    number: int, clusters: Sequence[str] | NDArray[np.str_] | None
) -> list[NDArray[np.intp]]:
    if clusters is None:
        return [np.array([row]) for row in range(number)]
    _, place = np.unique(np.asarray(clusters), return_inverse=True)
    return [np.flatnonzero(place == k) for k in range(place.max() + 1)]


def _draws(
    statistics: Callable[[NDArray[np.intp]], Sequence[float]],
    groups: list[NDArray[np.intp]],
    choice: IntervalChoice,
) -> tuple[NDArray[np.float64], int]:
    random = np.random.default_rng(choice.seed)
    values: list[Sequence[float]] = []
    for _ in range(choice.draws):
        drawn = random.integers(len(groups), size=len(groups))
        try:
            values.append(statistics(np.concatenate([groups[k] for k in drawn])))
        except AgreementError:
            continue
    undefined = choice.draws - len(values)
    if undefined > choice.draws / 2:
        raise AgreementError(
            found=f"the statistic is not defined in {undefined} of {choice.draws} draws.",
            needed="ratings that differ in more units.",
            next_step="Rate more units of the rare categories.",
        )
    return np.array(values), undefined


def _cautions(groups: int, what: str, undefined: int, draws: int) -> tuple[Warned, ...]:
    found = []
    if groups < FEWEST_TO_DRAW:
        found.append(
            Warned(
                code="few-to-draw",
                text=f"The interval rests on {groups} {what}; it is likely too narrow.",
            )
        )
    if undefined:
        found.append(
            Warned(
                code="undefined-draws",
                text=f"In {undefined} of {draws} draws the statistic is not defined; these are "
                "left out of the interval.",
            )
        )
    return tuple(found)
