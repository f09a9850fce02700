"""Planar curves, coordinates along and across them, and solids swept along them.

A swept solid has, at each arc distance ``s``, an elliptical section square to
the curve: half-width ``a`` in the picture's plane, half-depth ``b`` along the
beam. Its thickness along the beam at distance ``d`` from the curve is exactly
``2 b sqrt(1 - (d/a)**2)``, so projections need no ray tracing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from rxmeasure.geometry import FloatArray, cumulative_length, resample

Float32 = NDArray[np.float32]

#: Sampling of profiles along a curve, mm.
STEP_MM = 0.005


class Curve:
    """A smooth planar curve by arc distance, going on straight beyond both ends.

    Points are (y, x) in mm.
    """

    def __init__(self, points_mm: ArrayLike) -> None:
        points = resample(points_mm, 0.05)
        s = cumulative_length(points)
        self.length = float(s[-1])
        self._spline = CubicSpline(s, points, axis=0)
        self._slope = self._spline.derivative()
        self._turn = self._slope.derivative()

    def tangent(self, s: ArrayLike) -> FloatArray:
        """Unit tangents, shape (..., 2)."""
        t = self._slope(np.clip(s, 0.0, self.length))
        return np.asarray(t / np.linalg.norm(t, axis=-1, keepdims=True))

    def at(self, s: ArrayLike, d: ArrayLike = 0.0) -> FloatArray:
        """Point at arc distance ``s`` and signed distance ``d`` across, shape (..., 2)."""
        s = np.asarray(s, dtype=np.float64)
        inside = np.clip(s, 0.0, self.length)
        t = self.tangent(inside)
        normal = np.stack([t[..., 1], -t[..., 0]], axis=-1)
        return np.asarray(
            self._spline(inside)
            + t * (s - inside)[..., None]
            + normal * np.asarray(d, dtype=np.float64)[..., None]
        )

    def foot(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Arc distance and signed distance of points, shape (..., 2), near the curve."""
        dense = np.linspace(0.0, self.length, 200)
        on_curve = self.at(dense)
        chord = on_curve[-1] - on_curve[0]
        chord /= np.linalg.norm(chord)
        along = np.maximum.accumulate((on_curve - on_curve[0]) @ chord)
        u = (points - on_curve[0]) @ chord
        outside = np.minimum(u, 0.0) + np.maximum(u - along[-1], 0.0)
        s: FloatArray = np.asarray(np.interp(u, along, dense) + outside)
        for _ in range(8):
            t = self.tangent(s)
            away = points - self.at(s)
            d = away[..., 0] * t[..., 1] - away[..., 1] * t[..., 0]
            turn = self._turn(np.clip(s, 0.0, self.length))
            curvature = turn[..., 0] * t[..., 1] - turn[..., 1] * t[..., 0]
            curvature = np.where((s < 0.0) | (s > self.length), 0.0, curvature)
            s = s + (away * t).sum(axis=-1) / np.maximum(1.0 - curvature * d, 0.3)
        t = self.tangent(s)
        away = points - self.at(s)
        d = away[..., 0] * t[..., 1] - away[..., 1] * t[..., 0]
        return np.asarray(s, dtype=np.float64), np.asarray(d, dtype=np.float64)


def heading_curve(start_mm: tuple[float, float], length_mm: float, knots: ArrayLike) -> Curve:
    """Curve from its direction: rows of (arc distance in mm, direction in degrees).

    The direction changes evenly between knots and is measured from +y towards +x.
    """
    table = np.asarray(knots, dtype=np.float64)
    s = np.linspace(0.0, length_mm, int(np.ceil(length_mm / 0.01)) + 1)
    heading = np.deg2rad(np.interp(s, table[:, 0], table[:, 1]))
    # A running mean over 0.8 mm takes the corners off the direction.
    width = 81
    padded = np.pad(heading, width // 2, mode="edge")
    heading = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    middle = 0.5 * (heading[1:] + heading[:-1])
    step = np.diff(s)
    y = start_mm[0] + np.concatenate(([0.0], np.cumsum(np.cos(middle) * step)))
    x = start_mm[1] + np.concatenate(([0.0], np.cumsum(np.sin(middle) * step)))
    return Curve(np.column_stack([y, x]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
    """Half-width ``a``, half-depth ``b`` and lateral shift of a swept solid, at ``s``."""

    s: FloatArray
    a: FloatArray
    b: FloatArray
    shift: FloatArray | None = None

    def look_up(self, values: FloatArray, s: Float32) -> Float32:
        """Values of one of the arrays at arc distances."""
        place = np.clip((s - self.s[0]) / STEP_MM, 0.0, len(self.s) - 1.001).astype(np.float32)
        index = place.astype(np.int32)
        rest = place - index
        table = values.astype(np.float32)
        return np.asarray(table[index] * (1.0 - rest) + table[index + 1] * rest)

    def chord(self, s: Float32, d: Float32) -> Float32:
        """Thickness along the beam in mm at arc distance ``s`` and distance ``d`` across."""
        reach = float(self.a.max())
        if self.shift is not None:
            reach += float(np.abs(self.shift).max())
        near = np.flatnonzero((np.abs(d) < reach) & (s >= self.s[0]) & (s <= self.s[-1]))
        thickness = np.zeros(s.size, np.float32)
        along, across = s.ravel()[near], d.ravel()[near]
        if self.shift is not None:
            across = across - self.look_up(self.shift, along)
        ratio = across / np.maximum(self.look_up(self.a, along), 1e-6)
        root = np.sqrt(np.clip(1.0 - ratio * ratio, 0.0, None))
        thickness[near] = 2.0 * self.look_up(self.b, along) * root
        return thickness.reshape(s.shape)


def sampled(start: float, end: float) -> FloatArray:
    """Arc distances every `STEP_MM` from start to at least end."""
    count = int(np.ceil((end - start) / STEP_MM)) + 1
    return np.asarray(start + STEP_MM * np.arange(count), dtype=np.float64)


def rounded_end(s: FloatArray, end: float, length: float) -> FloatArray:
    """Factor on a half-width that closes it like half an ellipse, reaching 0 at ``end``."""
    u = np.clip((s - (end - length)) / max(length, 1e-6), 0.0, 1.0)
    return np.asarray(np.where(s > end, 0.0, np.sqrt(1.0 - u * u)), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tilt:
    """A tilted receptor: pixels move to and from ``centre`` by 1 / (1 + per_px . away)."""

    centre: FloatArray
    per_px: FloatArray

    def apply(self, points_px: FloatArray) -> FloatArray:
        """Pixels of the square receptor to pixels of the tilted one, shape (..., 2)."""
        away = points_px - self.centre
        return np.asarray(self.centre + away / (1.0 + away @ self.per_px)[..., None])

    def undo(self, points_px: FloatArray) -> FloatArray:
        """Inverse of `apply`."""
        away = points_px - self.centre
        return np.asarray(self.centre + away / (1.0 - away @ self.per_px)[..., None])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """A tooth's frame in the picture: px = matrix @ (y, x) mm + origin, then the tilt."""

    matrix: FloatArray
    origin: FloatArray
    tilt: Tilt | None = None

    def to_px(self, points_mm: ArrayLike) -> FloatArray:
        """(y, x) in mm to (row, col) in pixels."""
        square = np.asarray(points_mm, dtype=np.float64) @ self.matrix.T + self.origin
        return square if self.tilt is None else self.tilt.apply(square)

    def to_mm(self, points_px: ArrayLike) -> FloatArray:
        """(row, col) in pixels to (y, x) in mm."""
        points = np.asarray(points_px, dtype=np.float64)
        away = (points if self.tilt is None else self.tilt.undo(points)) - self.origin
        return np.asarray(away @ np.linalg.inv(self.matrix).T)

    def moved(self, offset_mm: tuple[float, float], tilt_deg: float) -> Frame:
        """The frame of a neighbour placed at an offset and tilt in this one."""
        c, s = np.cos(np.deg2rad(tilt_deg)), np.sin(np.deg2rad(tilt_deg))
        turn = np.array([[c, -s], [s, c]])
        return Frame(matrix=self.matrix @ turn, origin=self.to_px(offset_mm))

    @property
    def mm_per_px(self) -> float:
        """Size of a pixel in this frame."""
        return float(1.0 / np.sqrt(abs(np.linalg.det(self.matrix))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """Curve coordinates of the sub-pixels in a box of the picture.

    ``where`` indexes the supersampled arrays; ``s``, ``d`` are in mm.
    """

    where: tuple[slice, slice]
    s: Float32
    d: Float32


#: Feet are found on a grid this many pixels wide and interpolated between: for bends of
#: 5 mm radius and pixels of 0.03 mm that errs by 0.0004 mm.
_COARSE_PX = 4


def _box(
    points_px: FloatArray, margin_px: float, shape: tuple[int, int]
) -> tuple[int, int, int, int] | None:
    low = np.floor(points_px.min(axis=0) - margin_px).astype(int)
    high = np.ceil(points_px.max(axis=0) + margin_px).astype(int) + 1
    r0, c0 = max(0, int(low[0])), max(0, int(low[1]))
    r1, c1 = min(shape[0], int(high[0])), min(shape[1], int(high[1]))
    return (r0, r1, c0, c1) if r1 > r0 and c1 > c0 else None


def _stretch(values: FloatArray, count: int, supersampling: int, axis: int) -> FloatArray:
    """Linear interpolation from coarse nodes to the sub-pixels of ``count`` pixels."""
    place = (np.arange(count * supersampling) + 0.5) / (supersampling * _COARSE_PX)
    index = np.minimum(place.astype(int), values.shape[axis] - 2)
    rest = place - index
    shape = [1, 1]
    shape[axis] = -1
    rest = rest.reshape(shape)
    lower = np.take(values, index, axis=axis)
    return np.asarray(lower + (np.take(values, index + 1, axis=axis) - lower) * rest)


def curve_patch(
    curve: Curve,
    frame: Frame,
    *,
    from_mm: float,
    to_mm: float,
    half_width_mm: float,
    shape: tuple[int, int],
    supersampling: int,
) -> Patch | None:
    """Curve coordinates for the part of the picture near a stretch of a curve."""
    along = curve.at(np.linspace(from_mm, to_mm, 60))
    box = _box(frame.to_px(along), half_width_mm / frame.mm_per_px + 2.0, shape)
    if box is None:
        return None
    r0, r1, c0, c1 = box
    rows = r0 - 0.5 + _COARSE_PX * np.arange((r1 - r0 - 1) // _COARSE_PX + 2)
    cols = c0 - 0.5 + _COARSE_PX * np.arange((c1 - c0 - 1) // _COARSE_PX + 2)
    nodes = frame.to_mm(np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1))
    s, d = (
        _stretch(_stretch(v, r1 - r0, supersampling, 0), c1 - c0, supersampling, 1)
        for v in curve.foot(nodes)
    )
    k = supersampling
    return Patch(
        where=(slice(r0 * k, r1 * k), slice(c0 * k, c1 * k)),
        s=s.astype(np.float32),
        d=d.astype(np.float32),
    )


def plane_patch(
    frame: Frame, corners_mm: ArrayLike, *, shape: tuple[int, int], supersampling: int
) -> tuple[tuple[slice, slice], Float32, Float32] | None:
    """(y, x) in mm of the sub-pixels in the box round some points; None outside the picture."""
    box = _box(frame.to_px(corners_mm), 2.0, shape)
    if box is None:
        return None
    r0, r1, c0, c1 = box
    k = supersampling
    y, x = grid_mm(
        frame,
        r0 - 0.5 + (np.arange((r1 - r0) * k) + 0.5) / k,
        c0 - 0.5 + (np.arange((c1 - c0) * k) + 0.5) / k,
    )
    where = (slice(r0 * k, r1 * k), slice(c0 * k, c1 * k))
    return where, y.astype(np.float32), x.astype(np.float32)


def grid_mm(frame: Frame, rows: FloatArray, cols: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(y, x) in mm of the crossings of some rows and columns, each shape (rows, cols)."""
    if frame.tilt is not None:
        points = frame.to_mm(np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1))
        return points[..., 0], points[..., 1]
    r, c = rows[:, None] - frame.origin[0], cols[None, :] - frame.origin[1]
    m = np.linalg.inv(frame.matrix)
    return m[0, 0] * r + m[0, 1] * c, m[1, 0] * r + m[1, 1] * c
