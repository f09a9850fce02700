"""A round brush on the outline of a lesion: paint and erase."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rxmeasure.geometry import FloatArray, as_points, resample
from rxmeasure.recall.size import outline_of_mask

#: How far the outline may lie from the edge of what was painted, px (choice: under the
#: steps of the pixels themselves).
SIMPLER_BY_PX = 0.5


def brushed(
    outline_px: ArrayLike,
    stroke_px: ArrayLike,
    *,
    radius_px: float,
    shape: tuple[int, int],
    pixel_aspect: float = 1.0,
    erase: bool = False,
) -> FloatArray:
    """An outline after one stroke of the brush.

    Parameters
    ----------
    outline_px : array_like, shape (N, 2)
        Closed outline that was there; fewer than three points for none.
    stroke_px : array_like, shape (M, 2)
        Way of the brush's middle.
    radius_px : float
        Radius of the brush in column pitches.
    shape : tuple of int
        Of the film; nothing is painted beyond it.
    pixel_aspect : float
        Row pitch over column pitch.
    erase : bool
        Take away in place of adding.

    Returns
    -------
    ndarray, shape (K, 2)

    Raises
    ------
    MarksError
        Nothing is left, or several patches.
    """
    from skimage.draw import polygon2mask
    from skimage.measure import approximate_polygon

    outline = np.asarray(outline_px, dtype=np.float64).reshape(-1, 2)
    stroke = as_points(stroke_px, what="a stroke")
    reach = np.array([radius_px / pixel_aspect, radius_px]) + 2.0
    everything = np.vstack([outline, stroke - reach, stroke + reach])
    corner = np.clip(np.floor(everything.min(axis=0)), 0, np.array(shape) - 1).astype(int)
    end = np.clip(np.ceil(everything.max(axis=0)) + 1, corner + 1, shape).astype(int)
    size = (int(end[0] - corner[0]), int(end[1] - corner[1]))
    painted = np.zeros(size, dtype=bool)
    if len(outline) > 2:
        painted = polygon2mask(size, outline - corner)
    touched = _touched(stroke - corner, size, radius_px, pixel_aspect)
    painted = painted & ~touched if erase else painted | touched
    found = outline_of_mask(painted)
    simpler = approximate_polygon(np.vstack([found, found[:1]]), tolerance=SIMPLER_BY_PX)
    return np.asarray(simpler[:-1] + corner, dtype=np.float64)


def _touched(
    stroke: FloatArray, size: tuple[int, int], radius_px: float, pixel_aspect: float
) -> NDArray[np.bool_]:
    """Pixels that the brush went over."""
    from scipy.ndimage import distance_transform_edt

    way = resample(stroke, step=0.5) if len(stroke) > 1 else stroke
    places = np.rint(way).astype(int)
    inside = np.all((places >= 0) & (places < np.array(size)), axis=1)
    free = np.ones(size, dtype=bool)
    free[tuple(places[inside].T)] = False
    if free.all():
        return ~free
    away = distance_transform_edt(free, sampling=(pixel_aspect, 1.0))
    return np.asarray(away <= radius_px)
