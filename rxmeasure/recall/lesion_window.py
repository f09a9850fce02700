"""A square of the film round a lesion on a grid in millimetres, with what is no bone left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from rxmeasure.geometry import FloatArray, PixelScale, feet_on_polyline, polyline_length
from rxmeasure.radiograph import Radiograph

Mask = NDArray[np.bool_]

#: Half-width of what is left out round a canal's line: at the apex, within about 1 mm of it,
#: and its growth further coronally (mm, mm, mm/mm; choice: a root with its ligament).
_ROOT_AT_TIP, _ROOT_BEHIND_TIP, _ROOT_GROWTH, _ROOT_MOST = 0.45, 0.95, 0.13, 3.0
_TIP_LENGTH, _LINE_STEP = 0.8, 0.5
#: Bright patches of this area (mm2) and height (SD of the bone) are teeth or fillings (choice).
_BRIGHT_AREA, _BRIGHT_SD, _BRIGHT_BLUR = 3.0, 2.0, 0.6
#: Anything this bright is no bone, however small: a puff, a point's tip (choice).
_GLARING_SD = 4.0
#: What is left out round anything bright, for its blur (mm, choice).
_BRIGHT_MARGIN = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """Values on a square grid.

    Attributes
    ----------
    centre : ndarray, shape (2,)
        Of the grid on the film's plane, in mm.
    step : float
        Distance of neighbouring values in mm.
    y, x, values : ndarray, shape (N, N)
        Place from the centre along rows and columns (mm), and grey level.
    on_film : ndarray of bool, shape (N, N)
        Where the film shows anything.
    bone : ndarray of bool, shape (N, N)
        Where it shows neither tooth nor filling.
    """

    centre: FloatArray
    step: float
    y: FloatArray
    x: FloatArray
    values: FloatArray
    on_film: Mask
    bone: Mask


def cut_window(
    radiograph: Radiograph,
    plane: PixelScale,
    centre: FloatArray,
    *,
    half: float,
    step: float,
    root_lines: Sequence[FloatArray],
) -> Window:
    """Sample the film round ``centre`` (plane, mm), averaged over about one step."""
    count = 2 * round(half / step) + 1
    along = (np.arange(count) - count // 2) * step
    y, x = np.meshgrid(along, along, indexing="ij")
    places = plane.to_px(np.stack([y, x], axis=-1) + centre)
    values, on_film = _sampled(radiograph, places, _spread(plane, step))
    window = Window(
        centre=centre, step=step, y=y, x=x, values=values, on_film=on_film, bone=on_film
    )
    return _without_teeth(window, root_lines)


def window_on_other_film(
    window: Window,
    radiograph: Radiograph,
    plane: PixelScale,
    places_px: FloatArray,
    *,
    root_lines: Sequence[FloatArray],
) -> Window:
    """The same window seen on another film, at ``places_px``, shape (N, N, 2)."""
    values, on_film = _sampled(radiograph, places_px, _spread(plane, window.step))
    seen = replace(window, values=values, on_film=on_film, bone=on_film)
    return _without_teeth(seen, root_lines)


def without(window: Window, finer: Window) -> Window:
    """The window without what a finer and larger one left out as bright."""
    place = [
        (v + window.centre[k] - finer.centre[k]) / finer.step + finer.y.shape[0] // 2
        for k, v in enumerate((window.y, window.x))
    ]
    bright = (finer.on_film & ~finer.bone).astype(np.float64)
    inside = ndimage.map_coordinates(bright, place, order=1, mode="nearest") > 0.5
    return replace(window, bone=window.bone & ~inside)


def _spread(plane: PixelScale, step: float) -> tuple[float, float]:
    """Standard deviation of the averaging over about one step, in pixels."""
    return (0.5 * step / plane.row, 0.5 * step / plane.col)


def _sampled(
    radiograph: Radiograph, places_px: FloatArray, spread: tuple[float, float]
) -> tuple[FloatArray, Mask]:
    """Averaged grey levels at places, and whether the film shows anything there."""
    part, corner = _part(radiograph, places_px, spread)
    seen = _holds_picture(radiograph, part)
    share = ndimage.gaussian_filter(seen.astype(np.float64), spread, mode="constant")
    smooth = ndimage.gaussian_filter(np.where(seen, part, 0.0), spread, mode="constant")
    at = np.moveaxis(places_px - corner, -1, 0)
    weight = ndimage.map_coordinates(share, at, order=1, mode="constant")
    values = ndimage.map_coordinates(smooth, at, order=1, mode="constant")
    return values / np.maximum(weight, 1e-6), weight > 0.9


def _without_teeth(window: Window, root_lines: Sequence[FloatArray]) -> Window:
    window = replace(window, bone=window.on_film & ~_roots(window, root_lines))
    return replace(window, bone=window.bone & ~_bright(window))


def _part(
    radiograph: Radiograph, places_px: FloatArray, spread: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """The piece of the film that the places need, with its first row and column."""
    margin = 4.0 * np.array(spread)
    last = np.array(radiograph.shape) - 1
    first = np.clip(np.floor(places_px.min(axis=(0, 1)) - margin), 0, last).astype(int)
    end = np.clip(np.ceil(places_px.max(axis=(0, 1)) + margin), first, last).astype(int)
    part = radiograph.pixels[first[0] : end[0] + 1, first[1] : end[1] + 1]
    return part.astype(np.float64), first.astype(np.float64)


def _holds_picture(radiograph: Radiograph, part: FloatArray) -> Mask:
    """Without plain black or white, which is rim or saturated."""
    low, high = radiograph.value_min, radiograph.value_max
    margin = 1e-3 * (high - low)
    return np.asarray((part > low + margin) & (part < high - margin))


def _roots(window: Window, root_lines: Sequence[FloatArray]) -> Mask:
    points = np.column_stack([window.y.ravel(), window.x.ravel()]) + window.centre
    inside = np.zeros(len(points), bool)
    for line in root_lines:
        s, away = feet_on_polyline(line, points)
        coronal = polyline_length(line) - s
        half = _ROOT_AT_TIP + _ROOT_BEHIND_TIP * (1.0 - np.exp(-coronal / _TIP_LENGTH))
        inside |= away < np.minimum(half + _ROOT_GROWTH * coronal, _ROOT_MOST)
    return np.asarray(inside.reshape(window.y.shape))


def _bright(window: Window) -> Mask:
    if not window.bone.any():
        return np.zeros_like(window.bone)
    bone = window.values[window.bone]
    middle = float(np.median(bone))
    sd = 1.4826 * float(np.median(np.abs(bone - middle)))
    plain = np.where(window.bone, window.values, middle)
    high = ndimage.gaussian_filter(plain, _BRIGHT_BLUR / window.step) > middle + _BRIGHT_SD * sd
    labels, count = ndimage.label(high)
    areas = ndimage.sum_labels(high, labels, np.arange(1, count + 1)) * window.step**2
    large = np.isin(labels, 1 + np.flatnonzero(np.asarray(areas) > _BRIGHT_AREA))
    glaring = window.bone & (window.values > middle + _GLARING_SD * sd)
    margin = max(1, round(_BRIGHT_MARGIN / window.step))
    return np.asarray(ndimage.binary_dilation(large | glaring, iterations=margin))


def as_lines(plane: PixelScale, lines_px: Sequence[ArrayLike]) -> tuple[FloatArray, ...]:
    """Canals' lines on the plane, with points about 0.5 mm apart."""
    return tuple(thinned(plane.to_plane(line)) for line in lines_px)


def thinned(line: FloatArray) -> FloatArray:
    """A line with fewer points, its ends among them."""
    count = max(2, round(polyline_length(line) / _LINE_STEP) + 1)
    kept = np.unique(np.linspace(0, len(line) - 1, min(count, len(line))).astype(int))
    return np.asarray(line[kept])
