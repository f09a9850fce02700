"""The film on one coarse grid, in millimetres or assumed millimetres.

Filter widths belong to teeth, so they are stated in millimetres. Without a calibration the
film's area counts as :data:`ASSUMED_SIDE_MM` squared: the sensors and plates for the mouth lie
between 20 x 30 and 31 x 41 mm. It chooses filter widths only and is never reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from rxmeasure.calibration.scale import Calibration
from rxmeasure.geometry import FloatArray, PixelScale
from rxmeasure.radiograph import Radiograph

#: Side of the square of the same area as a film of unknown scale (mm).
ASSUMED_SIDE_MM = 31.0
#: Pixel pitches that sensors, plates and scans for the mouth have (mm).
PITCH_RANGE_MM = (0.02, 0.06)
#: Step of the grid (mm).
GRID_STEP_MM = 0.07


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilmGrid:
    """A film on a square grid.

    Attributes
    ----------
    grey : ndarray of float32, shape (rows, cols)
        Mean grey levels, 0 to 1 over the range that the film uses.
    inside : ndarray of bool, shape (rows, cols)
        Where the receptor holds a picture.
    scale : PixelScale
        Pixel pitch of the film in the grid's millimetres.
    step : float
        Distance between grid points in millimetres.
    """

    grey: np.ndarray
    inside: np.ndarray
    scale: PixelScale
    step: float

    def to_grid(self, points_px: ArrayLike) -> FloatArray:
        """Pixel points, shape (N, 2), to grid coordinates."""
        return (self.scale.to_plane(np.asarray(points_px) + 0.5)) / self.step - 0.5

    def to_px(self, points: ArrayLike) -> FloatArray:
        """Grid coordinates, shape (N, 2), to pixel points. Inverse of `to_grid`."""
        return self.scale.to_px((np.asarray(points) + 0.5) * self.step) - 0.5


def film_scale(radiograph: Radiograph, calibration: Calibration | None) -> PixelScale:
    """Scale of the film in millimetres, or assumed millimetres without a calibration."""
    if calibration is not None:
        return calibration.scale
    rows, cols = radiograph.shape
    aspect = radiograph.pixel_aspect
    pitch = ASSUMED_SIDE_MM / np.sqrt(rows * aspect * cols)
    col = float(np.clip(pitch, *PITCH_RANGE_MM))
    return PixelScale(row=col * aspect, col=col, unit="mm (assumed, never reported)")


def film_grid(radiograph: Radiograph, calibration: Calibration | None) -> FilmGrid:
    """Resample a film to the grid."""
    scale = film_scale(radiograph, calibration)
    step = max(GRID_STEP_MM, scale.mean)
    rows, cols = radiograph.shape
    shape = (int(rows * scale.row / step), int(cols * scale.col / step))
    window = tuple(max(1, round(step / pitch)) for pitch in (scale.row, scale.col))
    pixels = ndimage.uniform_filter(radiograph.pixels, window, mode="nearest")
    r = (np.arange(shape[0]) + 0.5) * step / scale.row - 0.5
    c = (np.arange(shape[1]) + 0.5) * step / scale.col - 0.5
    grey = _bilinear(pixels, r, c)
    inside = _inside(radiograph.pixels, radiograph.value_min, radiograph.value_max)
    inside = inside[np.clip(np.rint(r), 0, rows - 1).astype(int)][
        :, np.clip(np.rint(c), 0, cols - 1).astype(int)
    ]
    low, high = np.percentile(grey[inside], (0.5, 99.5)) if inside.any() else (0.0, 1.0)
    grey = (grey - low) / max(float(high - low), 1e-9)
    return FilmGrid(grey=grey.astype(np.float32), inside=inside, scale=scale, step=step)


def _bilinear(pixels: np.ndarray, r: NDArray[Any], c: NDArray[Any]) -> np.ndarray:
    """Values at a grid of rows and columns."""
    i = np.clip(np.floor(r).astype(int), 0, max(pixels.shape[0] - 2, 0))
    j = np.clip(np.floor(c).astype(int), 0, max(pixels.shape[1] - 2, 0))
    u = np.clip(r - i, 0.0, 1.0)[:, None].astype(np.float32)
    v = np.clip(c - j, 0.0, 1.0)[None, :].astype(np.float32)
    rows = pixels[i] * (1 - u) + pixels[np.minimum(i + 1, pixels.shape[0] - 1)] * u
    return np.asarray(rows[:, j] * (1 - v) + rows[:, np.minimum(j + 1, pixels.shape[1] - 1)] * v)


def _inside(pixels: np.ndarray, value_min: float, value_max: float) -> np.ndarray:
    """False on the rim that holds no picture: end values connected to the border."""
    inside = np.ones(pixels.shape, dtype=bool)
    for end in (
        pixels <= max(value_min, float(pixels.min())),
        pixels >= min(value_max, float(pixels.max())),
    ):
        labels, count = ndimage.label(end)
        if count == 0:
            continue
        border = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
        inside &= ~np.isin(labels, np.unique(border[border > 0]))
    return inside
