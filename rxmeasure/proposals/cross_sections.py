"""What a line and its surroundings look like: the film straightened along it, row by row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from rxmeasure.geometry import FloatArray, cumulative_length, normals, resample
from rxmeasure.proposals.film_grid import FilmGrid

#: Distance between rows (mm) and how far a row reaches to either side (mm).
ROW_MM = 0.1
REACH_MM = 2.8
#: Smoothing of rows along the line, one standard deviation (mm).
ALONG_MM = 0.2
#: Widest fill (mm).
WIDEST_MM = 1.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossSections:
    """Film along a line. Lengths in the grid's millimetres, grey levels of the grid.

    Attributes
    ----------
    line : ndarray, shape (N, 2)
        Grid points.
    s : ndarray, shape (N,)
        Arc distance.
    t : ndarray, shape (M,)
        Distance along the normal.
    rows : ndarray, shape (N, M)
    inside : ndarray of bool, shape (N,)
        Whether the line is on the picture there.
    height : ndarray, shape (N,)
        Middle over the brighter side.
    side : ndarray, shape (N,)
        Level of the darker side.
    width : ndarray, shape (N,)
        Width at half height.
    """

    line: FloatArray
    s: FloatArray
    t: FloatArray
    rows: FloatArray
    inside: np.ndarray
    height: FloatArray
    side: FloatArray
    width: FloatArray


def smoothed(points: FloatArray, step: float, sigma_mm: float = 0.5) -> FloatArray:
    """A followed line without its steps, resampled every `ROW_MM`; its ends stay."""
    even = resample(points, ROW_MM / step)
    sigma = sigma_mm / ROW_MM
    pad = int(3 * sigma)
    head = 2.0 * even[0] - even[1 : pad + 1][::-1]
    tail = 2.0 * even[-1] - even[-pad - 1 : -1][::-1]
    whole = np.concatenate([head, even, tail])
    soft = ndimage.gaussian_filter1d(whole, sigma, axis=0, mode="nearest")
    return resample(soft[len(head) : len(head) + len(even)], ROW_MM / step)


def extended(line: FloatArray, step: float, start_mm: float, end_mm: float) -> FloatArray:
    """A line carried on straight at both ends, in the mean direction of its last millimetre."""
    n = min(len(line) - 1, round(1.0 / ROW_MM))
    first, last = line[0] - line[n], line[-1] - line[-1 - n]
    gap = ROW_MM / step
    back = np.arange(round(start_mm / ROW_MM), 0, -1)[:, None] * gap
    ahead = np.arange(1, round(end_mm / ROW_MM) + 1)[:, None] * gap
    before = line[0] + back * first / np.hypot(*first)
    after = line[-1] + ahead * last / np.hypot(*last)
    return np.concatenate([before, line, after])


def cross_sections(grid: FilmGrid, line: FloatArray) -> CrossSections:
    """Straighten the film along a smooth line of grid points."""
    t = np.arange(-REACH_MM, REACH_MM + 1e-9, grid.step)
    where = line[:, None, :] + (t[None, :, None] / grid.step) * normals(line)[:, None, :]
    rows = ndimage.map_coordinates(
        grid.grey, np.moveaxis(where, -1, 0), order=1, mode="nearest", prefilter=False
    ).astype(np.float64)
    soft = ndimage.gaussian_filter1d(rows, ALONG_MM / ROW_MM, axis=0, mode="nearest")
    nearest = np.rint(line).astype(int)
    on = (nearest >= 0).all(axis=1) & (nearest < grid.grey.shape).all(axis=1)
    clipped = np.clip(nearest, 0, np.array(grid.grey.shape) - 1)
    on &= grid.inside[tuple(clipped.T)]
    height, side, width = _shape(soft, t, grid.step)
    return CrossSections(
        line=line, s=cumulative_length(line) * grid.step, t=t, rows=rows, inside=on,
        height=height, side=side, width=width,
    )  # fmt: skip


def _shape(
    rows: FloatArray, t: FloatArray, step: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Height over the brighter side, level of the darker side, width at half height."""
    middle = rows[:, np.abs(t) < 0.1].mean(axis=1)
    zone = 0.5 * WIDEST_MM + 0.3
    left = rows[:, (t < 0.0) & (t > -zone)].min(axis=1)
    right = rows[:, (t > 0.0) & (t < zone)].min(axis=1)
    height = middle - np.maximum(left, right)
    centre = len(t) // 2
    width = np.zeros(len(rows))
    for way, low in ((slice(centre, None), right), (slice(centre, None, -1), left)):
        half = 0.5 * (middle + low)
        side = rows[:, way]
        below = side < half[:, None]
        first = np.where(below.any(axis=1), below.argmax(axis=1), below.shape[1] - 1)
        k = np.arange(len(rows))
        inner, outer = side[k, np.maximum(first - 1, 0)], side[k, first]
        share = (inner - half) / np.where(inner > outer, inner - outer, 1.0)
        width += np.clip(first - 1 + np.clip(share, 0.0, 1.0), 0.0, None) * step
    return height, np.minimum(left, right), width
