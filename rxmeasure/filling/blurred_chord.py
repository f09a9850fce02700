"""The shape that a round (or elliptical) filling shows across itself, after blur.

A rod of circular or elliptical section of radius 1 has the thickness
sqrt(1 - x^2) at distance x from its axis (times its depth, which only scales
it). The picture shows this chord convolved with the blur. Two tables, computed
once from that definition, serve all widths: the blurred chord itself, and where
its steepest slope lies, which is inside the true edge.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage
from scipy.interpolate import PchipInterpolator

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
    return np.asarray(
        ndimage.map_coordinates(rows, np.stack([i, j]), order=1, mode="constant", cval=0.0)
    )


@cache
def _steepest() -> PchipInterpolator:
    """Radius over blur as a function of (steepest-slope position) over blur."""
    x, blurs, rows = _table()
    right = x > 0
    ratio, radius = [], []
    for b, row in zip(blurs[2:], rows[2:], strict=True):
        slope = -np.gradient(row, _X_STEP)[right]
        k = int(np.argmax(slope))
        a, m, c = slope[k - 1 : k + 2]
        position = x[right][k] + 0.5 * (a - c) / (a - 2 * m + c) * _X_STEP
        ratio.append(position / b)
        radius.append(1.0 / b)
    order = np.argsort(ratio)
    return PchipInterpolator(np.array(ratio)[order], np.array(radius)[order], extrapolate=False)


def radius_from_steepest(position: ArrayLike, blur: float) -> FloatArray:
    """True radius from the place of the steepest slope.

    Parameters
    ----------
    position : array_like
        Distance of the steepest slope from the axis.
    blur : float
        Standard deviation of the whole blur (picture and derivative filter), same unit.

    Returns
    -------
    ndarray
        Radius in the same unit; for a rod much wider than the blur it exceeds
        ``position`` by a fixed share of the blur, for one much thinner the
        slope only shows the blur and the radius is reported as 0.
    """
    table = _steepest()
    low, high = float(table.x[0]), float(table.x[-1])
    q = np.asarray(position, dtype=np.float64) / blur
    inside = table(np.clip(q, low, high))
    # Far from the axis the edge is locally the same: a constant distance in blurs.
    beyond = q - high + float(table(high))
    return np.asarray(np.where(q > high, beyond, np.where(q < low, 0.0, inside)) * blur)
