"""Resampling of the picture along a line or a grid in the plane."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from scipy.spatial import KDTree

from rxmeasure.errors import MarksError
from rxmeasure.geometry import (
    FloatArray,
    PixelScale,
    as_points,
    cumulative_length,
    normals,
    tangents,
)
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.frame import MeasuringFrame, check_inside

#: Pixels kept round a crop so that the cubic spline's boundary does not reach in.
_MARGIN_PX = 8


class PictureCrop:
    """A part of the picture, ready to be sampled with cubic splines at plane points.

    Parameters
    ----------
    radiograph : Radiograph
    frame : MeasuringFrame
    points : ndarray, shape (N, 2)
        Plane points the crop has to contain.
    reach : float
        Distance round these points that may be sampled, in plane units.
    """

    def __init__(
        self, radiograph: Radiograph, frame: MeasuringFrame, points: FloatArray, reach: float
    ) -> None:
        self._pitch = np.array([frame.scale.row, frame.scale.col])
        self._shape = radiograph.shape
        self._low, self._high = low, high = self._corners(points, reach)
        self.pixels = np.ascontiguousarray(
            radiograph.pixels[low[0] : high[0], low[1] : high[1]], dtype=np.float32
        )
        self._coefficients: NDArray[np.float32] | None = None

    def _corners(self, points: FloatArray, reach: float) -> tuple[NDArray[np.int_], ...]:
        """First pixel of the crop, and the one past its last."""
        low = np.floor((points.min(axis=0) - reach) / self._pitch).astype(int) - _MARGIN_PX
        high = np.ceil((points.max(axis=0) + reach) / self._pitch).astype(int) + _MARGIN_PX + 1
        return np.maximum(low, 0), np.minimum(high, self._shape)

    def covers(self, points: FloatArray, reach: float) -> bool:
        """Whether another crop of the same picture, round these points, lies in this one."""
        low, high = self._corners(points, reach)
        return bool((low >= self._low).all() and (high <= self._high).all())

    def sample(self, points: FloatArray, *, order: Literal[1, 3] = 3) -> FloatArray:
        """Grey levels at plane points of shape (..., 2); the border value goes on outside."""
        where = points / self._pitch - self._low
        coordinates = np.moveaxis(where, -1, 0)
        if order == 1:
            source: NDArray[Any] = self.pixels
        else:
            if self._coefficients is None:
                self._coefficients = ndimage.spline_filter(
                    self.pixels, order=3, output=np.float32, mode="nearest"
                )
            source = self._coefficients
        return np.asarray(
            ndimage.map_coordinates(
                source, coordinates, order=order, mode="nearest", prefilter=False
            ),
            dtype=np.float64,
        )


def straighten(
    crop: PictureCrop, line: FloatArray, offsets: FloatArray, *, order: Literal[1, 3] = 3
) -> FloatArray:
    """Picture along a smooth line: row k is the cross-section at ``line[k]``.

    Parameters
    ----------
    crop : PictureCrop
    line : ndarray, shape (N, 2)
        Plane points.
    offsets : ndarray, shape (M,)
        Distances along the normal (see :func:`rxmeasure.geometry.normals`), plane units.

    Returns
    -------
    ndarray, shape (N, M)
    """
    across = line[:, None, :] + offsets[None, :, None] * normals(line)[:, None, :]
    return crop.sample(across, order=order)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StraightenedCanal:
    """The picture along a centre line, for the eye: nothing is measured on it.

    Attributes
    ----------
    pixels : ndarray of float32, shape (N, M)
        Grey levels; NaN outside the picture (past the centres of its outermost pixels).
    s_px : ndarray, shape (N,)
        Arc distance from the line's first point, in column pitches; negative before it.
    offset_px : ndarray, shape (M,)
        Distance from the line in column pitches, positive towards the line's normal
        (see :func:`rxmeasure.geometry.normals`): the picture is turned, never mirrored.
    line_px : ndarray, shape (N, 2)
        Picture point (row, col) under the middle of each row.
    normal : ndarray, shape (N, 2)
        Unit normal of each row in the plane of column pitches.
    scale : PixelScale
    """

    pixels: NDArray[np.float32]
    s_px: FloatArray
    offset_px: FloatArray
    line_px: FloatArray
    normal: FloatArray
    scale: PixelScale

    def places(self, points_px: ArrayLike) -> FloatArray:
        """Where picture points lie in the straightened picture.

        Parameters
        ----------
        points_px : array_like, shape (K, 2)
            (row, col) points.

        Returns
        -------
        ndarray, shape (K, 2)
            ``s_px`` and ``offset_px`` of each; on the inner side of a bend, beyond its
            centre, those of the nearest part of the line.
        """
        line = self.scale.to_plane(self.line_px)
        points = self.scale.to_plane(as_points(points_px))
        _, nearest = KDTree(line).query(points)
        away = points - line[nearest]
        across = self.normal[nearest]
        along = np.column_stack([-across[:, 1], across[:, 0]])
        return np.column_stack(
            [self.s_px[nearest] + (away * along).sum(axis=1), (away * across).sum(axis=1)]
        )


def straightened_canal(
    radiograph: Radiograph,
    line_px: ArrayLike,
    *,
    half_width_px: float,
    step_px: float = 1.0,
    beyond_px: float = 0.0,
) -> StraightenedCanal:
    """Picture along a centre line that goes on straight beyond both its ends.

    Parameters
    ----------
    radiograph : Radiograph
    line_px : array_like, shape (N, 2)
        (row, col) points of a smooth line inside the picture.
    half_width_px, beyond_px : float
        How far to look to either side and past either end, in column pitches.
    step_px : float
        Distance between samples along and across, in column pitches.

    Raises
    ------
    MarksError
        Fewer than two different points, or points outside the picture.
    """
    scale = radiograph.px_scale
    given = as_points(line_px, at_least=2, what="points of a centre line")
    check_inside(radiograph, given)
    plane = scale.to_plane(given)
    plane = plane[np.concatenate(([True], np.diff(cumulative_length(plane)) > 0.0))]
    if len(plane) < 2:
        raise MarksError(
            found="a centre line whose points lie all in one place.",
            needed="at least two different points.",
            next_step="Click along the canal again.",
        )
    s, line, direction = _equal_steps(plane, step_px, beyond_px)
    normal = np.column_stack([direction[:, 1], -direction[:, 0]])
    half = int(half_width_px / step_px)
    offset = np.arange(-half, half + 1, dtype=np.float64) * step_px
    line_px, normal_px = scale.to_px(line), scale.to_px(normal)
    where = [line_px[:, k, None] + normal_px[:, k, None] * offset for k in (0, 1)]
    return StraightenedCanal(
        pixels=ndimage.map_coordinates(
            radiograph.pixels, where, order=1, mode="constant", cval=np.nan, prefilter=False
        ),
        s_px=s,
        offset_px=offset,
        line_px=line_px,
        normal=normal,
        scale=scale,
    )


def _equal_steps(
    points: FloatArray, step: float, beyond: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Arc distances, points and unit tangents at equal steps, one of them at the first point."""
    given = cumulative_length(points)
    last = int((given[-1] + beyond) / step)
    s = np.arange(-int(beyond / step), last + 1, dtype=np.float64) * step
    inside = np.clip(s, 0.0, given[-1])
    bend = tangents(points)
    direction = np.column_stack([np.interp(inside, given, bend[:, k]) for k in (0, 1)])
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    line = np.column_stack([np.interp(inside, given, points[:, k]) for k in (0, 1)])
    line += (s - inside)[:, None] * direction
    return s, np.asarray(line), np.asarray(direction)
