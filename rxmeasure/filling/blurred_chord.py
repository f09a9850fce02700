"""The shape that a round (or elliptical) filling shows across itself, after blur.

A rod of circular or elliptical section of radius 1 has the thickness
sqrt(1 - x^2) at distance x from its axis (times its depth, which only scales
it). The picture shows this chord convolved with the blur. One table, computed
once from that definition, serves all widths.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage

from rxmeasure.geometry import FloatArray

_X_MAX = 4.0
_X_STEP = 0.005
_BLUR_MAX = 1.5
_BLUR_STEPS = 61


@cache
def _table() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Abscissae, blurs (in radii) and blurred chords, shape (blurs, abscissae)."""
    x = np.arange(-_X_MAX, _X_MAX + _X_STEP / 2, _X_STEP)
    # Mean of the chord over each cell, from its antiderivative: the vertical edge is exact.
    edge = np.clip(np.concatenate((x - _X_STEP / 2, [x[-1] + _X_STEP / 2])), -1.0, 1.0)
    integral = 0.5 * (edge * np.sqrt(1.0 - edge**2) + np.arcsin(edge))
    chord = np.diff(integral) / _X_STEP
    blurs = np.linspace(0.0, _BLUR_MAX, _BLUR_STEPS)
    rows = [
        ndimage.gaussian_filter1d(chord, b / _X_STEP, mode="constant", truncate=5.0)
        if b > 0
        else chord
        for b in blurs
    ]
    return x, blurs, np.stack(rows)


def blurred_chord(x: ArrayLike, blur: ArrayLike) -> FloatArray:
    """Blurred chord of a rod of radius 1.

    Parameters
    ----------
    x : array_like
        Distance from the axis in radii.
    blur : array_like
        Standard deviation of the blur in radii (0 to 1.5, clipped); broadcast with ``x``.
    """
    _, _, rows = _table()
    x, blur = np.broadcast_arrays(
        np.asarray(x, dtype=np.float64), np.asarray(blur, dtype=np.float64)
    )
    i = np.clip(blur, 0.0, _BLUR_MAX) * (_BLUR_STEPS - 1) / _BLUR_MAX
    j = (x + _X_MAX) / _X_STEP
    where = np.stack([np.atleast_1d(i), np.atleast_1d(j)])
    values = ndimage.map_coordinates(rows, where, order=1, mode="constant", cval=0.0)
    return np.asarray(values).reshape(x.shape)
