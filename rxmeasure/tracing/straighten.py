"""Resampling of the picture along a line or a grid in the plane."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rxmeasure.geometry import FloatArray, normals
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.frame import MeasuringFrame

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
        pitch = np.array([frame.scale.row, frame.scale.col])
        low = np.floor((points.min(axis=0) - reach) / pitch).astype(int) - _MARGIN_PX
        high = np.ceil((points.max(axis=0) + reach) / pitch).astype(int) + _MARGIN_PX + 1
        low = np.maximum(low, 0)
        high = np.minimum(high, radiograph.shape)
        self._pitch = pitch
        self._low = low
        self.pixels = np.ascontiguousarray(
            radiograph.pixels[low[0] : high[0], low[1] : high[1]], dtype=np.float32
        )
        self._coefficients: NDArray[np.float32] | None = None

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
