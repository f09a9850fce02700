"""Grey level of a region that should be even: level, noise and what is uneven about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from rxmeasure.errors import MarksError
from rxmeasure.geometry import FloatArray, as_points
from rxmeasure.marks import PointPx
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.frame import check_inside

#: Fewest pixels of a region (choice).
FEWEST_PIXELS = 30
#: Share of a circle's radius that is read, so that its rim stays out (choice).
INNER_SHARE = 0.7
#: Share of a region's pixels at an end of the grey range from which it is saturated (choice).
SATURATED_SHARE = 0.02
#: Blocks along each axis whose means give the noise of a region's level.
_BLOCKS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Circle:
    """A round region: its centre and a point on its rim, (row, col) in pixels."""

    centre_px: PointPx
    rim_px: PointPx


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionReading:
    """Grey level of one region.

    Attributes
    ----------
    centre_px : PointPx
    pixels : int
    grey : float
        Interquartile mean: as robust as needed, and finer than a grey level.
    noise : float
        Robust standard deviation of a pixel about the smooth part.
    u_grey : float
        Standard uncertainty of ``grey`` from noise and rounding to grey levels.
    unevenness : float
        Range of the smooth part (a quadratic surface) over the whole of what is marked, of
        which only the inner part is read: heel effect, scatter, a background that is not flat.
    saturated : bool
        Pixels lie at an end of the grey range.
    """

    centre_px: PointPx
    pixels: int
    grey: float
    noise: float
    u_grey: float
    unevenness: float
    saturated: bool


def read_circle(radiograph: Radiograph, circle: Circle) -> RegionReading:
    """Read the inner part of a circle.

    Raises
    ------
    MarksError
        The circle is too small or reaches out of the picture.
    """
    points = as_points([circle.centre_px, circle.rim_px], what="clicks on the specimen")
    check_inside(radiograph, points)
    centre, rim = radiograph.px_scale.to_plane(points)
    radius = INNER_SHARE * float(np.hypot(*(rim - centre)))
    where, offset = pixels_near(radiograph, centre, radius)
    inside = np.hypot(offset[:, 0], offset[:, 1]) <= radius
    return read_pixels(
        radiograph,
        where[inside],
        offset[inside],
        inner_share=INNER_SHARE,
        centre_px=circle.centre_px,
        name="The specimen",
    )


def pixels_near(
    radiograph: Radiograph, centre: FloatArray, reach: float
) -> tuple[NDArray[np.int_], FloatArray]:
    """Pixels of a square round a plane point.

    Returns
    -------
    where : ndarray of int, shape (N, 2)
        (row, col) of the pixels inside the picture.
    offset : ndarray, shape (N, 2)
        Their places from ``centre`` in column pitches.
    """
    pitch = np.array([radiograph.px_scale.row, radiograph.px_scale.col])
    low = np.maximum(np.floor((centre - reach) / pitch).astype(int), 0)
    high = np.minimum(np.ceil((centre + reach) / pitch).astype(int) + 1, radiograph.shape)
    rows, cols = (np.arange(a, b) for a, b in zip(low, high, strict=True))
    where = np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1).reshape(-1, 2)
    return where, where * pitch - centre


def read_pixels(
    radiograph: Radiograph,
    where: NDArray[np.int_],
    offset: FloatArray,
    *,
    inner_share: float,
    centre_px: PointPx,
    name: str,
) -> RegionReading:
    """Read pixels ``where``, shape (N, 2), that lie at ``offset`` from the region's centre.

    ``inner_share``: size of what is read over the size of the whole region.

    Raises
    ------
    MarksError
        Too few pixels.
    """
    if len(where) < FEWEST_PIXELS:
        raise MarksError(
            found=f"{name} covers {len(where)} pixels.",
            needed=f"at least {FEWEST_PIXELS} pixels to tell its grey level from noise.",
            next_step="Mark its whole size, or use a picture with more pixels.",
        )
    values = radiograph.pixels[where[:, 0], where[:, 1]].astype(np.float64)
    grey = float(stats.trim_mean(values, 0.25))
    smooth, whole = _smooth_part(values, offset, 1.0 / inner_share)
    residual = values - smooth
    noise = float(stats.median_abs_deviation(residual, scale="normal"))
    at_end = (values <= radiograph.value_min) | (values >= radiograph.value_max)
    return RegionReading(
        centre_px=centre_px,
        pixels=len(values),
        grey=grey,
        noise=noise,
        u_grey=float(np.hypot(_u_of_level(residual, offset), _u_of_rounding(values, residual))),
        unevenness=float(np.ptp(whole)),
        saturated=bool(at_end.mean() > SATURATED_SHARE),
    )


def _smooth_part(
    values: FloatArray, offset: FloatArray, grow: float
) -> tuple[FloatArray, FloatArray]:
    """Quadratic surface through the values, at their places and ``grow`` times as far out."""

    def terms(place: FloatArray) -> FloatArray:
        r, c = place.T
        return np.column_stack([np.ones_like(r), r, c, r * r, r * c, c * c])

    place = offset / np.abs(offset).max()
    surface, *_ = np.linalg.lstsq(terms(place), values, rcond=None)
    return terms(place) @ surface, terms(grow * place) @ surface


def _u_of_level(residual: FloatArray, offset: FloatArray) -> float:
    """Standard error of the mean from block means, so that correlated noise counts fully."""
    size = np.ptp(offset, axis=0) + 1e-9
    k = ((offset - offset.min(axis=0)) / size * _BLOCKS).astype(int).clip(0, _BLOCKS - 1)
    block = k[:, 0] * _BLOCKS + k[:, 1]
    count = np.bincount(block, minlength=_BLOCKS**2)
    total = np.bincount(block, residual, minlength=_BLOCKS**2)
    full = count > 0.5 * count.max()
    means = total[full] / count[full]
    return float(means.std(ddof=1) / np.sqrt(full.sum()))


def _u_of_rounding(values: FloatArray, residual: FloatArray) -> float:
    """What rounding to grey levels hides; noise of half a level or more reveals it."""
    levels = np.unique(values)
    if len(levels) < 2:
        return 0.0
    step = float(np.diff(levels).min())
    return step / np.sqrt(12.0) if residual.std() < 0.5 * step else 0.0
