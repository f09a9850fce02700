"""Points of the program and points of DICOM.

The program counts (row, col) from the centre of the first pixel. DICOM's spatial coordinates
and annotations count (column, row) from the outer corner of the first pixel and end at the
number of columns and rows (PS3.3, C.18.6 and C.10.5): half a pixel apart.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.geometry import FloatArray, cumulative_length, foot_on_polyline, point_at
from rxmeasure.marks import PointPx


def to_dicom(points_px: ArrayLike, shape: tuple[int, int]) -> FloatArray:
    """(row, col) as (column, row), shape (N, 2); what lies beyond the picture is put on its edge.

    Parameters
    ----------
    points_px : array_like, shape (N, 2)
    shape : (int, int)
        Rows and columns of the picture.
    """
    points = np.asarray(points_px, dtype=np.float64)[:, ::-1] + 0.5
    rows, columns = shape
    return np.asarray(np.clip(points, 0.0, (columns, rows)))


def from_dicom(points: ArrayLike) -> tuple[PointPx, ...]:
    """(column, row) of DICOM as (row, col); inverse of `to_dicom` inside the picture."""
    array = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    return tuple((float(y) - 0.5, float(x) - 0.5) for x, y in array)


def closed(points_px: ArrayLike) -> FloatArray:
    """The outline with its first point once more at the end."""
    points = np.asarray(points_px, dtype=np.float64)
    return points if np.array_equal(points[0], points[-1]) else np.vstack([points, points[:1]])


def stretch_of(line_px: ArrayLike, start: PointPx, end: PointPx) -> FloatArray:
    """The part of a line between the feet of two points, from the first to the second."""
    line = np.asarray(line_px, dtype=np.float64)
    s_start, s_end = (foot_on_polyline(line, point)[0] for point in (start, end))
    low, high = sorted((s_start, s_end))
    s = cumulative_length(line)
    inner = line[(s > low) & (s < high)]
    part = np.vstack([point_at(line, low), inner, point_at(line, high)])
    return part if s_start <= s_end else part[::-1]
