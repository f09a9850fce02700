"""A straight line by weighted least squares, with the interval of its slope."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from rxmeasure.agreement.results import Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """``y = level_at_mean + slope * (x - mean of x)``."""

    slope: float
    interval: Interval


def fitted_line(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    *,
    level: float,
    weights: NDArray[np.float64] | None = None,
) -> Line | None:
    """Slope and interval (Student's t, points less two degrees of freedom).

    None where fewer than three points, or all at one x, leave nothing to fit.
    """
    if len(x) < 3 or np.ptp(x) == 0.0:
        return None
    w = np.ones_like(x) if weights is None else weights
    across = x - np.average(x, weights=w)
    spread = float(np.sum(w * across**2))
    slope = float(np.sum(w * across * y)) / spread
    rest = y - np.average(y, weights=w) - slope * across
    free = len(x) - 2
    error = math.sqrt(float(np.sum(w * rest**2)) / free / spread)
    half = float(stats.t.ppf(0.5 + level / 2.0, free)) * error
    return Line(
        slope=slope,
        interval=Interval(
            low=slope - half,
            high=slope + half,
            level=level,
            method="Student's t, points of the line less two",
        ),
    )
