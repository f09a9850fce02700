"""Grey levels of one visit in those of another, without a model of either grey scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rxmeasure.errors import RxMeasureError
from rxmeasure.geometry import FloatArray

_POINTS = 129


class AlignmentError(RxMeasureError):
    """Two films cannot be compared from what was given."""

    exit_code = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastCurve:
    """A rising curve: grey levels of the second visit, and those of the first that match them."""

    second: tuple[float, ...]
    first: tuple[float, ...]

    def apply(self, grey: ArrayLike) -> FloatArray:
        """Grey levels of the second visit in those of the first."""
        return np.interp(np.asarray(grey, dtype=np.float64), self.second, self.first)


def match_contrast(
    first: ArrayLike, second: ArrayLike, weight: NDArray[np.bool_] | None = None
) -> ContrastCurve:
    """Curve that gives the second film the distribution of grey levels of the first.

    Equal ranks are matched, so any rising grey scale is undone.

    Parameters
    ----------
    first, second : array_like
        Grey levels of the same places, which did not change between the visits.
    weight : ndarray of bool, optional
        Places to use; all without it.

    Raises
    ------
    AlignmentError
        With fewer than 100 places.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    a, b = (a.ravel(), b.ravel()) if weight is None else (a[weight], b[weight])
    if a.size < 100:
        raise AlignmentError(
            found=f"{a.size} unchanged pixels that both films show.",
            needed="at least 100.",
            next_step="Choose films that show the same teeth.",
        )
    share = np.linspace(0.0, 1.0, _POINTS)
    grey_b, grey_a = np.quantile(b, share), np.quantile(a, share)
    # Equal levels of the second film, as where it is clipped, share the mean of their matches.
    levels, index = np.unique(grey_b, return_inverse=True)
    matched = np.bincount(index, grey_a) / np.bincount(index)
    return ContrastCurve(second=tuple(map(float, levels)), first=tuple(map(float, matched)))
