"""How far a line stands out of what lies on both its sides, at every point and direction.

The film is smoothed along each of :data:`DIRECTIONS` directions. A bright line is brighter than
*both* its sides: the lesser of the two differences counts, so that an edge (crown, root,
restoration) answers nothing, however bright it is. Idea: the two-sided line operator
(Dixon and Taylor 1979), as ridge of a steered filter bank.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from rxmeasure.proposals.film_grid import FilmGrid

#: Directions over half a turn.
DIRECTIONS = 16
#: Smoothing along and across the line, one standard deviation (mm).
ALONG_MM = 0.5
ACROSS_MM = 0.08
#: Where a line's sides are looked at, from its axis (mm): thin to wide fills.
SIDES_MM = (0.35, 0.55, 0.8, 1.1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineResponse:
    """Answer of the filter bank.

    Attributes
    ----------
    smooth : ndarray, shape (directions, rows, cols)
        Film smoothed along each direction.
    contrast : ndarray, shape (directions, rows, cols)
        Lesser difference to the two sides, at the best of `SIDES_MM`; grey levels.
    best : ndarray, shape (rows, cols)
        Largest contrast over all directions.
    fine : ndarray, shape (rows, cols)
        Film smoothed a little, the same in all directions.
    direction : ndarray of int, shape (rows, cols)
        Index of that direction; direction k runs along (cos, sin)(pi k / directions).
    """

    smooth: np.ndarray
    contrast: np.ndarray
    best: np.ndarray
    fine: np.ndarray
    direction: np.ndarray


def unit_directions() -> np.ndarray:
    """Unit vectors (row, col) of the directions, shape (DIRECTIONS, 2)."""
    angle = np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    return np.column_stack([np.cos(angle), np.sin(angle)])


def line_response(grid: FilmGrid) -> LineResponse:
    """Filter bank over the film."""
    pad = int(3.0 * ALONG_MM / grid.step) + int(max(SIDES_MM) / grid.step) + 2
    picture = np.pad(grid.grey, pad, mode="edge")
    shape = tuple(fft.next_fast_len(n, real=True) for n in picture.shape)
    spectrum = fft.rfft2(picture, shape)
    f_row = fft.fftfreq(shape[0])[:, None].astype(np.float32)
    f_col = fft.rfftfreq(shape[1])[None, :].astype(np.float32)
    along_px, across_px = ALONG_MM / grid.step, ACROSS_MM / grid.step
    rows, cols = grid.grey.shape
    smooth = np.empty((DIRECTIONS, rows, cols), np.float32)
    contrast = np.empty_like(smooth)
    for k, (cr, cc) in enumerate(unit_directions()):
        fa = f_row * cr + f_col * cc
        fn = f_row * cc - f_col * cr
        gain = np.exp(-2.0 * np.pi**2 * ((along_px * fa) ** 2 + (across_px * fn) ** 2))
        line = fft.irfft2(spectrum * gain, shape).astype(np.float32)
        middle = line[pad : pad + rows, pad : pad + cols]
        best = np.full((rows, cols), -1.0, np.float32)
        for side in SIDES_MM:
            dr, dc = (round(v * side / grid.step) for v in (cc, -cr))
            one = line[pad + dr : pad + dr + rows, pad + dc : pad + dc + cols]
            two = line[pad - dr : pad - dr + rows, pad - dc : pad - dc + cols]
            np.maximum(best, middle - np.maximum(one, two), out=best)
        smooth[k], contrast[k] = middle, best
    direction = contrast.argmax(axis=0)
    top = np.take_along_axis(contrast, direction[None], 0)[0]
    top[~ndimage.binary_erosion(grid.inside, iterations=max(1, round(0.5 / grid.step)))] = 0.0
    fine = ndimage.gaussian_filter(grid.grey, 0.1 / grid.step, mode="nearest")
    return LineResponse(smooth=smooth, contrast=contrast, best=top, fine=fine, direction=direction)
