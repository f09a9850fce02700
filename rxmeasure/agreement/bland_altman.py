"""Bland and Altman: bias between two readings and the limits that hold most differences.

References
----------
Bland and Altman 1986, doi:10.1016/S0140-6736(86)90837-8; variance of the limits and
differences that grow with the size: Bland and Altman 1999,
doi:10.1177/096228029900800204 (both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from rxmeasure.agreement.ratings import Ratings, paired
from rxmeasure.agreement.resampling import DEFAULT, IntervalChoice, drawn_intervals
from rxmeasure.agreement.results import Agreement, Interval, finished
from rxmeasure.agreement.straight_line import fitted_line
from rxmeasure.errors import AgreementError
from rxmeasure.values import Warned

SOURCE = "Bland and Altman 1986, 1999"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsOfAgreement:
    """Bias and limits of first reading less second.

    Attributes
    ----------
    bias, lower, upper : Agreement
        Mean difference, and the limits that hold ``share`` of differences.
    sd : float
        Standard deviation of the differences.
    share : float
        Share of differences between the limits if these are normal.
    slope : Agreement or None
        Change of the difference for each unit of the mean of both readings;
        None where the means do not differ or there are only two units.
    """

    bias: Agreement
    lower: Agreement
    upper: Agreement
    sd: float
    share: float
    slope: Agreement | None


def limits_of_agreement(
    ratings: Ratings,
    *,
    multiple: float | None = None,
    unit: str = "",
    choice: IntervalChoice = DEFAULT,
) -> LimitsOfAgreement:
    """Bias, limits and their intervals.

    Parameters
    ----------
    ratings : Ratings
        Two raters, or two readings of one rater.
    multiple : float, optional
        Limits at the bias plus and minus so many SD; left out: 1.96 (95 % of a
        normal distribution). The paper of 1986 takes 2.
    unit : str
        Of the readings, e.g. ``mm``.
    choice : IntervalChoice

    Raises
    ------
    AgreementError
        Fewer than two units read by both, or names and ranks instead of numbers.
    """
    difference, both = differences(ratings)
    width = float(stats.norm.ppf(0.975)) if multiple is None else multiple
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    intervals, cautions = _intervals(difference, both, width, choice)
    slope = _slope(both, unit, choice.level)
    if slope is not None and _excludes_zero(slope.interval):
        cautions += (_GROWS,)

    def part(name: str, value: float, interval: Interval | None, method: str) -> Agreement:
        return finished(
            Agreement(
                statistic=name,
                estimate=value,
                interval=interval,
                method=method,
                n_units=len(difference),
                n_raters=2,
                n_left_out=len(ratings.units) - len(difference),
                unit=unit,
                source=SOURCE,
                cautions=cautions,
            )
        )

    limit = f"bias and {width:.3g} SD"
    return LimitsOfAgreement(
        bias=part("bias", bias, intervals[0], f"mean of {both.raters[0]} less {both.raters[1]}"),
        lower=part("lower limit of agreement", bias - width * sd, intervals[1], limit),
        upper=part("upper limit of agreement", bias + width * sd, intervals[2], limit),
        sd=sd,
        share=float(2.0 * stats.norm.cdf(width) - 1.0),
        slope=slope,
    )


def differences(ratings: Ratings) -> tuple[NDArray[np.float64], Ratings]:
    """First less second reading of the units that have both, and these units.

    Raises
    ------
    AgreementError
        Fewer than two such units, or names and ranks instead of numbers.
    """
    if ratings.scale.has_categories:
        raise AgreementError(
            found=f"ratings on the {ratings.scale} scale.",
            needed="numbers of a measure (interval or ratio scale).",
            next_step="Use kappa or alpha, or state the scale.",
        )
    both = paired(ratings)
    return both.values[:, 0] - both.values[:, 1], both


_GROWS = Warned(
    code="difference-grows-with-size",
    text="The difference changes with the size of the reading, so one pair of limits does not hold "
    "for all sizes. Look at the plot, or take logarithms.",
)


def _intervals(
    difference: NDArray[np.float64], both: Ratings, width: float, choice: IntervalChoice
) -> tuple[tuple[Interval | None, ...], tuple[Warned, ...]]:
    if both.clusters is not None or choice.bootstrap:

        def again(rows: NDArray[np.intp]) -> tuple[float, float, float]:
            drawn = difference[rows]
            mean, sd = float(drawn.mean()), float(drawn.std(ddof=1))
            return mean, mean - width * sd, mean + width * sd

        return drawn_intervals(again, both, choice, number=3)
    number = len(difference)
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf(1.0 - choice.tail, number - 1))
    half_bias = t * sd / math.sqrt(number)
    half_limit = t * sd * math.sqrt(1.0 / number + width**2 / (2.0 * (number - 1.0)))
    places = ((mean, half_bias), (mean - width * sd, half_limit), (mean + width * sd, half_limit))
    return tuple(
        Interval(
            low=place - half,
            high=place + half,
            level=choice.level,
            method="Student's t (Bland and Altman 1999)",
        )
        for place, half in places
    ), ()


def _slope(both: Ratings, unit: str, level: float) -> Agreement | None:
    line = fitted_line(both.values.mean(axis=1), both.values[:, 0] - both.values[:, 1], level=level)
    if line is None:
        return None
    return finished(
        Agreement(
            statistic="slope of the difference over the mean",
            estimate=line.slope,
            interval=line.interval,
            method="straight line by least squares; units taken as independent",
            n_units=len(both.units),
            n_raters=2,
            unit=f"{unit}/{unit}" if unit else "",
            source="Bland and Altman 1999",
        )
    )


def _excludes_zero(interval: Interval | None) -> bool:
    return interval is not None and not interval.low <= 0.0 <= interval.high
