"""Points, polylines and the only arithmetic between pixels and millimetres.

Order is (row, col) everywhere. A pixel's centre has whole-number coordinates:
the first pixel covers -0.5 to 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rxmeasure.errors import MarksError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelScale:
    """Size of one pixel along rows and columns.

    Attributes
    ----------
    row, col : float
        Distance between neighbouring rows and neighbouring columns (DICOM
        order: row spacing first), in ``unit``.
    unit : str
        ``"mm"``, or ``"px"`` for an uncalibrated image; then ``col`` is 1 and
        ``row`` is the ratio of row to column pitch.
    """

    row: float
    col: float
    unit: str

    def to_plane(self, points_px: ArrayLike) -> FloatArray:
        """Pixel points, shape (N, 2), to plane coordinates in ``unit``."""
        return np.asarray(points_px, dtype=np.float64) * (self.row, self.col)

    def to_px(self, points: ArrayLike) -> FloatArray:
        """Plane coordinates in ``unit``, shape (N, 2), to pixel points. Inverse of `to_plane`."""
        return np.asarray(points, dtype=np.float64) / (self.row, self.col)

    @property
    def pixel_area(self) -> float:
        """Area of one pixel in ``unit`` squared."""
        return self.row * self.col

    @property
    def mean(self) -> float:
        """Geometric mean pitch in ``unit``."""
        return float(np.sqrt(self.row * self.col))


def as_points(points: ArrayLike, *, at_least: int = 1, what: str = "points") -> FloatArray:
    """Return finite (row, col) points as an array of shape (N, 2), or raise MarksError."""
    try:
        array = np.asarray(points, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise MarksError(
            found=f"{what} that are not numbers.",
            needed="a list of (row, col) pairs.",
            next_step="Correct the points.",
        ) from error
    if array.ndim != 2 or array.shape[1] != 2 or len(array) < at_least:
        raise MarksError(
            found=f"{what} of shape {array.shape}.",
            needed=f"at least {at_least} (row, col) pairs.",
            next_step="Give more points.",
        )
    if not np.isfinite(array).all():
        raise MarksError(
            found=f"{what} that are not finite.",
            needed="finite (row, col) pairs.",
            next_step="Correct the points.",
        )
    return array


def cumulative_length(points: ArrayLike) -> FloatArray:
    """Distance along a polyline at each of its points, starting at 0; shape (N,)."""
    steps = np.diff(np.asarray(points, dtype=np.float64), axis=0)
    return np.concatenate(([0.0], np.cumsum(np.hypot(steps[:, 0], steps[:, 1]))))


def polyline_length(points: ArrayLike) -> float:
    """Length of a polyline, in the unit of its points."""
    return float(cumulative_length(points)[-1])


def resample(points: ArrayLike, step: float) -> FloatArray:
    """Points at equal arc distance along a polyline (about ``step`` apart, ends kept)."""
    points = np.asarray(points, dtype=np.float64)
    s = cumulative_length(points)
    count = max(2, round(s[-1] / step) + 1)
    wanted = np.linspace(0.0, s[-1], count)
    return np.column_stack([np.interp(wanted, s, points[:, k]) for k in (0, 1)])


def tangents(points: ArrayLike) -> FloatArray:
    """Unit tangent at each point of a smooth polyline, shape (N, 2)."""
    points = np.asarray(points, dtype=np.float64)
    direction = np.gradient(points, cumulative_length(points), axis=0)
    return np.asarray(direction / np.linalg.norm(direction, axis=1, keepdims=True))


def normals(points: ArrayLike) -> FloatArray:
    """Unit normals, shape (N, 2): the tangent (row, col) turned to (col, -row).

    Walking down the image (rows growing) the normal points to smaller columns:
    the left side of the picture.
    """
    t = tangents(points)
    return np.column_stack([t[:, 1], -t[:, 0]])


#: Points times segments that are compared at a time: some 50 MB.
_PAIRS_AT_ONCE = 1_000_000


def foot_on_polyline(points: ArrayLike, point: ArrayLike) -> tuple[float, float]:
    """Nearest place on a polyline.

    Returns
    -------
    s : float
        Arc distance of the foot from the first point.
    distance : float
        Distance of ``point`` from its foot.
    """
    s, distance = feet_on_polyline(points, np.asarray(point, dtype=np.float64)[None])
    return float(s[0]), float(distance[0])


def feet_on_polyline(points: ArrayLike, others: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Nearest place on a polyline for each of several points.

    Parameters
    ----------
    points : array_like, shape (N, 2)
        The polyline.
    others : array_like, shape (K, 2)

    Returns
    -------
    s, distance : ndarray, shape (K,)
        As of :func:`foot_on_polyline`.
    """
    points = np.asarray(points, dtype=np.float64)
    others = np.asarray(others, dtype=np.float64)
    at_once = max(1, _PAIRS_AT_ONCE // len(points))
    parts = [_feet(points, others[k : k + at_once]) for k in range(0, max(len(others), 1), at_once)]
    return np.concatenate([s for s, _ in parts]), np.concatenate([away for _, away in parts])


def _feet(points: FloatArray, others: FloatArray) -> tuple[FloatArray, FloatArray]:
    p = others[:, None, :]
    a, b = points[:-1], points[1:]
    ab = b - a
    squared = np.maximum((ab**2).sum(axis=1), 1e-300)
    t = np.clip(((p - a) * ab).sum(axis=2) / squared, 0.0, 1.0)
    away = a + t[:, :, None] * ab - p
    distance = np.hypot(away[..., 0], away[..., 1])
    nearest = np.argmin(distance, axis=1)
    k = np.arange(len(p))
    along = t[k, nearest] * np.sqrt(squared[nearest])
    return cumulative_length(points)[nearest] + along, distance[k, nearest]


def point_at(points: ArrayLike, s: float) -> FloatArray:
    """Point at arc distance ``s``; beyond either end the end tangent is followed."""
    points = np.asarray(points, dtype=np.float64)
    cumulative = cumulative_length(points)
    if s < 0.0:
        return np.asarray(points[0] + tangents(points)[0] * s)
    if s > cumulative[-1]:
        return np.asarray(points[-1] + tangents(points)[-1] * (s - cumulative[-1]))
    return np.array([np.interp(s, cumulative, points[:, k]) for k in (0, 1)])


def polygon_area(points: ArrayLike) -> float:
    """Area of a closed polygon (shoelace), in the squared unit of its points."""
    points = np.asarray(points, dtype=np.float64)
    r, c = points[:, 0], points[:, 1]
    return float(abs(np.dot(r, np.roll(c, -1)) - np.dot(c, np.roll(r, -1))) / 2.0)
