"""Dahlberg's method error of double readings, and the least change that means something.

References
----------
Dahlberg 1940, Statistical Methods for Medical and Biological Students (from memory);
that it takes bias for error: Vieira and Corrente 2011,
doi:10.1590/S1678-77572011000500009 (read).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from rxmeasure.agreement.bland_altman import LimitsOfAgreement, differences, limits_of_agreement
from rxmeasure.agreement.ratings import Ratings
from rxmeasure.agreement.resampling import DEFAULT, IntervalChoice, drawn_intervals
from rxmeasure.agreement.results import Agreement, Interval, finished
from rxmeasure.values import Warned

#: Two readings differ by more than this many method errors in one case of twenty: 1.96 sqrt(2).
CHANGE_FACTOR = float(stats.norm.ppf(0.975)) * math.sqrt(2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodError:
    """Method error, least significant change, and bias with limits beside them.

    Attributes
    ----------
    error : Agreement
        Dahlberg's ``sqrt(sum of squared differences / 2n)``.
    least_change : Agreement
        2.77 method errors: a smaller change between two readings may be error alone.
    without_bias : float
        SD of the differences over the root of two: the error once the bias is taken off.
    limits : LimitsOfAgreement
    """

    error: Agreement
    least_change: Agreement
    without_bias: float
    limits: LimitsOfAgreement


def method_error(
    ratings: Ratings, *, unit: str = "", choice: IntervalChoice = DEFAULT
) -> MethodError:
    """Dahlberg's error of two readings of the same units.

    Raises
    ------
    AgreementError
        Fewer than two units read twice, or names and ranks instead of numbers.
    """
    difference, both = differences(ratings)
    limits = limits_of_agreement(ratings, unit=unit, choice=choice)
    error = _dahlberg(difference)
    interval, cautions = _interval(difference, both, choice)
    bias = limits.bias
    if bias.interval is None:
        biased = bias.estimate != 0.0
    else:
        biased = not bias.interval.low <= 0.0 <= bias.interval.high
    if biased:
        cautions += (_bias_caution(bias.estimate, unit),)

    def part(name: str, factor: float, method: str) -> Agreement:
        return finished(
            Agreement(
                statistic=name,
                estimate=factor * error,
                interval=_times(interval, factor),
                method=method,
                n_units=len(difference),
                n_raters=2,
                n_left_out=len(ratings.units) - len(difference),
                unit=unit,
                source="Dahlberg 1940",
                cautions=cautions,
            )
        )

    return MethodError(
        error=part("Dahlberg's method error", 1.0, "root of the halved mean squared difference"),
        least_change=part(
            "least significant change", CHANGE_FACTOR, f"{CHANGE_FACTOR:.2f} method errors, 95 %"
        ),
        without_bias=limits.sd / math.sqrt(2.0),
        limits=limits,
    )


def _dahlberg(difference: NDArray[np.float64]) -> float:
    return math.sqrt(float(np.mean(difference**2)) / 2.0)


def _interval(
    difference: NDArray[np.float64], both: Ratings, choice: IntervalChoice
) -> tuple[Interval | None, tuple[Warned, ...]]:
    """Chi-squared with n degrees of freedom: exact for normal differences without bias."""
    if both.clusters is not None or choice.bootstrap:
        (interval,), cautions = drawn_intervals(
            lambda rows: (_dahlberg(difference[rows]),), both, choice, number=1
        )
        return interval, cautions
    number = len(difference)
    total = float(np.sum(difference**2)) / 2.0
    high, low = (
        math.sqrt(total / float(stats.chi2.ppf(p, number)))
        for p in (choice.tail, 1.0 - choice.tail)
    )
    method = "chi-squared, normal differences without bias (calculation)"
    return Interval(low=low, high=high, level=choice.level, method=method), ()


def _times(interval: Interval | None, factor: float) -> Interval | None:
    if interval is None:
        return None
    return replace(interval, low=factor * interval.low, high=factor * interval.high)


def _bias_caution(bias: float, unit: str) -> Warned:
    return Warned(
        code="bias-in-method-error",
        text=f"The readings differ by {bias:.3g} {unit}".rstrip()
        + " on average. Dahlberg's error takes this bias for random error; see bias and limits.",
    )
