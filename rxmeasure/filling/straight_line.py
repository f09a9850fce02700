"""A straight line through weighted points."""

from __future__ import annotations

from rxmeasure.geometry import FloatArray


def weighted_line(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Slope and intercept that minimise the weighted sum of squares."""
    share = weight / weight.sum()
    middle, level = float(share @ x), float(share @ y)
    slope = float((share * (x - middle)) @ (y - level)) / float(share @ (x - middle) ** 2)
    return slope, level - slope * middle
