"""What Fleiss' kappa and Gwet's AC share: agreement in each unit, and the linearised interval.

Notation: ``counts`` has shape (units, categories); ``r`` ratings in a unit.

References
----------
Gwet 2008, doi:10.1348/000711006X126600; with missing ratings: Gwet 2014, Handbook
of Inter-Rater Reliability, 4th ed. (formulas from memory, checked against the
published software of the same author).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from rxmeasure.agreement.ratings import Ratings, shared
from rxmeasure.agreement.resampling import IntervalChoice, interval_of
from rxmeasure.agreement.results import Agreement, Interval, finished

Table = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """Observed and chance agreement, with what each unit adds to them.

    ``observed_by_unit`` is 0 for a unit with one rating, which adds to chance only.
    """

    observed: float
    chance: float
    observed_by_unit: Table
    chance_by_unit: Table
    rated_twice: NDArray[np.bool_]

    @property
    def coefficient(self) -> float:
        """Agreement beyond chance."""
        return beyond_chance(self.observed, self.chance)


def beyond_chance(observed: float, chance: float) -> float:
    """What is reached of the agreement that chance leaves open."""
    return (observed - chance) / (1.0 - chance)


def of_several_raters(
    ratings: Ratings,
    parts_of: Callable[[Ratings], Parts],
    choice: IntervalChoice,
    *,
    statistic: str,
    method: str,
    source: str,
) -> Agreement:
    """One coefficient of several raters with its interval.

    Raises
    ------
    AgreementError
        Fewer than two units with two ratings, or the coefficient is not defined.
    """
    used = ratings.rated_by_at_least(1)
    n_units = len(shared(used).units)
    parts = parts_of(used)

    def again(drawn: Ratings) -> float:
        shared(drawn)
        return parts_of(drawn).coefficient

    interval, cautions = interval_of(
        used, again, choice, lambda: linearised_interval(parts, choice.level)
    )
    return finished(
        Agreement(
            statistic=statistic,
            estimate=parts.coefficient,
            interval=interval,
            method=method,
            n_units=n_units,
            n_raters=len(used.raters),
            n_left_out=len(ratings.units) - n_units,
            observed=parts.observed,
            source=source,
            cautions=cautions,
        )
    )


def observed_by_unit(counts: Table, weights: Table) -> tuple[Table, NDArray[np.bool_]]:
    """Share of agreeing pairs of ratings in each unit, and which units have a pair."""
    ratings = counts.sum(axis=1)
    agreeing = (counts * (counts @ weights - 1.0)).sum(axis=1)
    twice = ratings >= 2.0
    pairs = np.where(twice, ratings * (ratings - 1.0), 1.0)
    return np.where(twice, agreeing / pairs, 0.0), twice


def category_shares(counts: Table) -> Table:
    """Mean share of each category over units."""
    shares: Table = (counts / counts.sum(axis=1, keepdims=True)).mean(axis=0)
    return shares


def linearised_interval(parts: Parts, level: float) -> Interval:
    """Interval over units for fixed raters, Student's t; never above 1."""
    number = len(parts.observed_by_unit)
    scale = number / np.count_nonzero(parts.rated_twice)
    coefficient = parts.coefficient
    room = 1.0 - parts.chance
    by_unit = scale * (parts.observed_by_unit - parts.chance * parts.rated_twice) / room
    by_unit = by_unit - 2.0 * (1.0 - coefficient) * (parts.chance_by_unit - parts.chance) / room
    variance = float(np.sum((by_unit - coefficient) ** 2)) / (number * (number - 1.0))
    half = float(stats.t.ppf(0.5 + level / 2.0, number - 1)) * math.sqrt(variance)
    return Interval(
        low=max(-1.0, coefficient - half),
        high=min(1.0, coefficient + half),
        level=level,
        method="linearised variance over units, Student's t (Gwet 2008)",
    )
