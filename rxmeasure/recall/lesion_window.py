"""A square of the film round a lesion on a grid in millimetres, with what is no bone left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, ndimage

from rxmeasure.geometry import FloatArray, PixelScale, feet_on_polyline, polyline_length
from rxmeasure.radiograph import Radiograph

Mask = NDArray[np.bool_]

#: Half-width of what is left out round a canal's line: at the apex, within about 1 mm of it,
#: and its growth further coronally (mm, mm, mm/mm; choice: a root with its ligament).
_ROOT_AT_TIP, _ROOT_BEHIND_TIP, _ROOT_GROWTH, _ROOT_MOST = 0.45, 0.8, 0.13, 3.0
_TIP_LENGTH = 0.8
#: Bright patches of this area (mm2) and height (SD of the bone) are teeth or fillings (choice).
_BRIGHT_AREA, _BRIGHT_SD, _BRIGHT_BLUR = 3.0, 2.0, 0.6
#: Anything this bright is no bone, however small: a puff, a file's tip (choice).
_GLARING_SD = 5.0


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
    rows, cols = (centre[0] + along) / plane.row, (centre[1] + along) / plane.col
    spread = (0.5 * step / plane.row, 0.5 * step / plane.col)
    part, top, left = part_of(radiograph, rows, cols, spread)
    at = np.stack(np.meshgrid(rows - top, cols - left, indexing="ij"))
    values, on_film = sampled(radiograph, part, spread, at)
    window = Window(
        centre=centre, step=step, y=y, x=x, values=values, on_film=on_film, bone=on_film
    )
    window = replace(window, bone=on_film & ~_roots(window, root_lines))
    return replace(window, bone=window.bone & ~bright(window))


def sampled(
    radiograph: Radiograph, part: FloatArray, spread: tuple[float, float], at: FloatArray
) -> tuple[FloatArray, Mask]:
    """Gaussian means of a piece of a film at places, and where they are of what it shows.

    ``spread``: standard deviation along rows and columns; ``at``: rows and columns in the piece,
    shape (2, ...); both in pixels.
    """
    seen = _holds_picture(radiograph, part)
    share = ndimage.gaussian_filter(seen.astype(np.float64), spread, mode="constant")
    smooth = ndimage.gaussian_filter(np.where(seen, part, 0.0), spread, mode="constant")
    weight = ndimage.map_coordinates(share, at, order=1, mode="constant")
    values = ndimage.map_coordinates(smooth, at, order=1, mode="constant")
    return values / np.maximum(weight, 1e-6), weight > 0.9


def without(window: Window, wider: Window) -> Window:
    """The window without what the wider one left out as bright."""
    place = [
        (v + window.centre[k] - wider.centre[k]) / wider.step + wider.y.shape[0] // 2
        for k, v in enumerate((window.y, window.x))
    ]
    bright = (wider.on_film & ~wider.bone).astype(np.float64)
    inside = ndimage.map_coordinates(bright, place, order=1, mode="nearest") > 0.5
    return replace(window, bone=window.bone & ~inside)


def correlation(values: FloatArray, where: Mask, step: float, reach: float) -> FloatArray:
    """Mean product of two places at 0, 1, 2 ... steps from each other, up to ``reach``."""
    size = 2 * values.shape[0]
    field = fft.rfft2(np.where(where, values, 0.0), (size, size))
    mask = fft.rfft2(where.astype(np.float64), (size, size))
    products = fft.irfft2(np.abs(field) ** 2, (size, size))
    pairs = fft.irfft2(np.abs(mask) ** 2, (size, size))
    lag = np.rint(distances(values.shape[0], 1.0)).astype(int)
    near = lag <= int(reach / step)
    total = np.bincount(lag[near], products[near])
    return np.asarray(total / np.maximum(np.bincount(lag[near], pairs[near]), 1e-9))


def distances(count: int, step: float) -> FloatArray:
    """Distance from the first place on a periodic grid of twice ``count``."""
    axis = fft.fftfreq(2 * count, 1.0 / (2 * count)) * step
    return np.asarray(np.hypot(axis[:, None], axis[None, :]))


def grain_area(values: FloatArray, where: Mask, step: float) -> float:
    """Area in which bone texture repeats itself: the integral of its correlation (mm2)."""
    c = correlation(values, where, step, 4.0)
    end = int(np.argmax(c < 0.05 * c[0])) or len(c)
    lags = np.maximum(np.arange(end) * step, 0.25 * step)
    return float(np.sum(c[:end] / c[0] * 2.0 * np.pi * lags) * step)


def part_of(
    radiograph: Radiograph, rows: FloatArray, cols: FloatArray, spread: tuple[float, float]
) -> tuple[FloatArray, int, int]:
    """The piece of the film that rows and columns of a grid need, its first row and column.

    ``spread``: standard deviation of the means to be taken, in pixels.
    """
    edges = []
    for places, s, size in zip((rows, cols), spread, radiograph.shape, strict=True):
        first = int(np.clip(np.floor(places[0] - 4.0 * s), 0, size - 1))
        last = int(np.clip(np.ceil(places[-1] + 4.0 * s), first, size - 1))
        edges.append((first, last))
    (top, bottom), (left, right) = edges
    part = radiograph.pixels[top : bottom + 1, left : right + 1].astype(np.float64)
    return part, top, left


def _holds_picture(radiograph: Radiograph, part: FloatArray) -> Mask:
    """Without plain black or white, which is rim or saturated."""
    low, high = radiograph.value_min, radiograph.value_max
    margin = 1e-3 * (high - low)
    return np.asarray((part > low + margin) & (part < high - margin))


def _roots(window: Window, root_lines: Sequence[FloatArray]) -> Mask:
    points = np.column_stack([window.y.ravel(), window.x.ravel()]) + window.centre
    return (beyond_roots(points, root_lines, most=1.0) < 0.0).reshape(window.y.shape)


def beyond_roots(
    points: FloatArray, root_lines: Sequence[FloatArray], *, most: float
) -> FloatArray:
    """How far points lie outside what counts as root round canals' lines (mm), at most ``most``.

    ``points``: shape (N, 2), in the lines' plane. Negative inside.
    """
    least = np.full(len(points), most)
    for line in root_lines:
        s, away = feet_on_polyline(line, points)
        coronal = polyline_length(line) - s
        half = _ROOT_AT_TIP + _ROOT_BEHIND_TIP * (1.0 - np.exp(-coronal / _TIP_LENGTH))
        least = np.minimum(least, away - np.minimum(half + _ROOT_GROWTH * coronal, _ROOT_MOST))
    return least


def bright(window: Window) -> Mask:
    """Teeth, fillings and other patches too bright for bone, with a rim of two steps."""
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
    return np.asarray(ndimage.binary_dilation(large | glaring, iterations=2))


def as_lines(plane: PixelScale, lines_px: Sequence[ArrayLike]) -> tuple[FloatArray, ...]:
    """Canals' lines on the plane."""
    return tuple(plane.to_plane(line) for line in lines_px)
