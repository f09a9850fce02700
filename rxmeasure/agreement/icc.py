"""Intraclass correlation in the six forms of Shrout and Fleiss, with intervals from F.

References
----------
Shrout and Fleiss 1979, doi:10.1037/0033-2909.86.2.420; McGraw and Wong 1996,
doi:10.1037/1082-989X.1.1.30 (formulas from memory, checked against published
values).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import stats

from rxmeasure.agreement.ratings import Ratings, complete
from rxmeasure.agreement.resampling import DEFAULT, IntervalChoice, interval_of
from rxmeasure.agreement.results import Agreement, Interval, finished
from rxmeasure.errors import AgreementError
from rxmeasure.values import Warned


class IccForm(StrEnum):
    """Model, and whether one rating or the mean of all k raters is meant.

    1: other raters for each unit; 2: the same raters, a sample of many, absolute
    agreement; 3: these very raters, consistency (a constant offset does not count).
    """

    ONE_SINGLE = "ICC(1,1)"
    TWO_SINGLE = "ICC(2,1)"
    THREE_SINGLE = "ICC(3,1)"
    ONE_MEAN = "ICC(1,k)"
    TWO_MEAN = "ICC(2,k)"
    THREE_MEAN = "ICC(3,k)"

    @property
    def model(self) -> int:
        """1, 2 or 3."""
        return int(self.value[4])

    @property
    def of_mean(self) -> bool:
        """Whether it is for the mean of all raters."""
        return self.value[6] == "k"


_MEANING = {
    1: "one-way random, absolute agreement",
    2: "two-way random, absolute agreement",
    3: "two-way mixed, consistency",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquares:
    """Mean squares of a complete table: units, raters, residual, and within units."""

    units: float
    raters: float
    residual: float
    within: float
    n: int
    k: int


def intraclass_correlation(
    ratings: Ratings, *, form: IccForm | str = IccForm.TWO_SINGLE, choice: IntervalChoice = DEFAULT
) -> Agreement:
    """Share of the variance that is between units.

    Needs all raters on each unit: others are left out and counted. Drawing
    units again does not draw raters again, so the F interval is the better one.

    Raises
    ------
    AgreementError
        Ratings are names or ranks, fewer than two complete units, one rater, or no spread.
    """
    if ratings.scale.has_categories:
        raise AgreementError(
            found=f"ratings on the {ratings.scale} scale.",
            needed="numbers of a measure (interval or ratio scale).",
            next_step="Use kappa or alpha, or state the scale.",
        )
    kind = IccForm(form)
    used = complete(ratings)
    squares = mean_squares(used)
    estimate = _icc(squares, kind)
    interval, cautions = interval_of(
        used,
        lambda drawn: _icc(mean_squares(drawn), kind),
        choice,
        lambda: _f_interval(squares, kind, choice.level),
    )
    if choice.bootstrap or used.clusters is not None:
        cautions += (_RATERS_NOT_DRAWN,)
    if estimate < 0.0:
        cautions += (_NEGATIVE,)
    return finished(
        Agreement(
            statistic=str(kind),
            estimate=estimate,
            interval=interval,
            method=_MEANING[kind.model]
            + (f", mean of {squares.k} raters" if kind.of_mean else ", single rating"),
            n_units=squares.n,
            n_raters=squares.k,
            n_left_out=len(ratings.units) - squares.n,
            source="Shrout and Fleiss 1979; McGraw and Wong 1996",
            cautions=cautions,
        )
    )


_RATERS_NOT_DRAWN = Warned(
    code="raters-not-drawn",
    text="Units are drawn again, raters are not: for other raters the interval is too narrow.",
)
_NEGATIVE = Warned(
    code="negative-icc",
    text="The estimate is below zero: the units differ less than the ratings of one unit do.",
)


def mean_squares(ratings: Ratings) -> MeanSquares:
    """Two-way analysis of variance without replication, and within units."""
    x = ratings.values - ratings.values[0, 0]
    n, k = x.shape
    by_unit, by_rater, middle = x.mean(axis=1), x.mean(axis=0), x.mean()
    residual = x - by_unit[:, None] - by_rater[None, :] + middle
    return MeanSquares(
        units=float(k * np.sum((by_unit - middle) ** 2) / (n - 1)),
        raters=float(n * np.sum((by_rater - middle) ** 2) / (k - 1)),
        residual=float(np.sum(residual**2) / ((n - 1) * (k - 1))),
        within=float(np.sum((x - by_unit[:, None]) ** 2) / (n * (k - 1))),
        n=n,
        k=k,
    )


def _icc(m: MeanSquares, form: IccForm) -> float:
    if form.model == 1:
        error, raters = m.within, 0.0
    elif form.model == 2:
        error, raters = m.residual, (m.raters - m.residual) / m.n
    else:
        error, raters = m.residual, 0.0
    below = m.units + (raters if form.of_mean else (m.k - 1) * error + m.k * raters)
    smallest = 1e-12 * max(m.units, m.within, m.raters)
    if below <= smallest:
        raise AgreementError(
            found=f"ratings whose units do not differ, so {form} is not defined.",
            needed="units that differ.",
            next_step="Give the within-rater error (Dahlberg) or the limits of agreement instead.",
        )
    return (m.units - error) / below


def _f_interval(m: MeanSquares, form: IccForm, level: float) -> Interval | None:
    if form.model == 2:
        low, high = _two_way_random_interval(m, level)
        method = "F with Satterthwaite's degrees of freedom"
    else:
        low, high = _simple_f_interval(m, form.model, level)
        method = "F"
    if math.isnan(low) or math.isnan(high):
        return None
    if form.of_mean:
        low, high = (_stepped_up(r, m.k) for r in (low, high))
    return Interval(low=low, high=high, level=level, method=f"{method} (Shrout and Fleiss 1979)")


def _simple_f_interval(m: MeanSquares, model: int, level: float) -> tuple[float, float]:
    """Models 1 and 3, for a single rating."""
    error = m.within if model == 1 else m.residual
    free = m.n * (m.k - 1) if model == 1 else (m.n - 1) * (m.k - 1)
    if error <= 1e-12 * m.units:
        return 1.0, 1.0
    ratio = m.units / error
    upper = 0.5 + level / 2.0
    low = ratio / float(stats.f.ppf(upper, m.n - 1, free))
    high = ratio * float(stats.f.ppf(upper, free, m.n - 1))
    return (low - 1.0) / (low + m.k - 1.0), (high - 1.0) / (high + m.k - 1.0)


def _two_way_random_interval(m: MeanSquares, level: float) -> tuple[float, float]:
    """Model 2, for a single rating; NaN where no degrees of freedom are left."""
    n, k = m.n, m.k
    if m.residual <= 1e-12 * max(m.units, m.raters):
        return (1.0, 1.0) if m.raters <= 1e-12 * m.units else (0.0, 1.0)
    rho = _icc(m, IccForm.TWO_SINGLE)
    of_raters = k * rho * m.raters / m.residual
    of_error = n * (1.0 + (k - 1) * rho) - k * rho
    spread = (n - 1) * of_raters**2 + of_error**2
    free = (k - 1) * (n - 1) * (of_raters + of_error) ** 2 / spread if spread > 0.0 else math.nan
    upper = 0.5 + level / 2.0
    f_low = float(stats.f.ppf(upper, n - 1, free))
    f_high = float(stats.f.ppf(upper, free, n - 1))
    rest = k * m.raters + (k * n - k - n) * m.residual
    low = n * (m.units - f_low * m.residual) / (f_low * rest + n * m.units)
    high = n * (f_high * m.units - m.residual) / (rest + n * f_high * m.units)
    return low, high


def _stepped_up(single: float, k: int) -> float:
    """Spearman and Brown; open below where a single rating is worse than chance can be."""
    below = 1.0 + (k - 1) * single
    return k * single / below if below > 0.0 else -math.inf
