"""Width of the fill along the canal, to a fraction of a pixel.

The edge is taken at the steepest slope across the canal, found as one smooth
symmetric track down the straightened picture and then refined on either side.
The slope of a blurred rod is steepest inside its true edge; by how much is
fitted on the fill itself (:mod:`rxmeasure.filling.edge_model`). Half-maximum
widths are not used: the root's own edge enters their background.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from rxmeasure.filling.edge_model import fit_edge
from rxmeasure.filling.strip import CanalStrip, RowBands
from rxmeasure.geometry import FloatArray
from rxmeasure.tracing.canal_trace import best_track, unsteadiness

#: Smoothing along the canal before the slope is taken (mm).
ALONG_SIGMA_MM = 0.12
#: Derivative filter across the canal (mm).
ACROSS_SIGMA_MM = 0.05
#: Running median of the width along the canal (mm).
MEDIAN_MM = 1.0
#: Apical share of the seen line that sets the course of the width.
COURSE_SHARE = 0.7
#: What the unknown film at the wall leaves open in the width (mm, one standard deviation).
EDGE_U_MM = 0.02
#: Narrowest and widest half-width looked for (mm): size 06 to a wide chamber.
HALF_WIDTH_RANGE_MM = (0.03, 1.4)
#: Search for either edge beside the symmetric track (mm).
SIDE_SEARCH_MM = 0.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WidthProfile:
    """Edges of the fill in each row of a strip; plane units.

    Attributes
    ----------
    left, right : ndarray, shape (N,)
        Places of the two edges across the line (left < right).
    width : ndarray, shape (N,)
        Running median of ``right - left``.
    raw_width : ndarray, shape (N,)
    u_width : ndarray, shape (N,)
        Standard uncertainty of ``width``.
    contrast : ndarray, shape (N,)
        Grey level of the fill over what lies beside it.
    background : ndarray, shape (N,)
    one_sided : ndarray of bool, shape (N,)
        Rows in which one side of the fill is much brighter than the other.
    edge_strength : ndarray, shape (N,)
        Steepest slope of the fainter side, in noise standard deviations.
    free_half : ndarray, shape (N,)
        Half-width of the widest clear symmetric shape in each row, whatever the fill's
        course lets expect: a puff shows here.
    course : ndarray, shape (N,)
        Half-width that the fill's course lets expect.
    blur : float
        Standard deviation of the picture's blur.
    """

    left: FloatArray
    right: FloatArray
    width: FloatArray
    raw_width: FloatArray
    u_width: FloatArray
    contrast: FloatArray
    background: FloatArray
    one_sided: NDArray[np.bool_]
    edge_strength: FloatArray
    free_half: FloatArray
    course: FloatArray
    blur: float

    @property
    def centre(self) -> FloatArray:
        """Middle between the edges."""
        return (self.left + self.right) / 2.0


def measure_width(strip: CanalStrip) -> WidthProfile:
    """Edges and width of the fill in each row of ``strip``.

    The edges are found in every row, also where there is no fill; the caller
    decides from ``contrast`` and ``edge_strength`` where the fill is.
    """
    t, step = strip.t, strip.t_step
    rows = ndimage.gaussian_filter1d(
        strip.values, ALONG_SIGMA_MM / strip.s_step, axis=0, mode="nearest"
    )
    across = max(ACROSS_SIGMA_MM, 1.2 * step)
    slope = ndimage.gaussian_filter1d(rows, across / step, axis=1, order=1, mode="nearest") / step
    noise = unsteadiness(slope, max(1, round(5 * ALONG_SIGMA_MM / strip.s_step)))
    middle = len(t) // 2
    half = t[middle:]
    rising = slope[:, middle::-1] / noise  # walking to the left edge
    falling = -slope[:, middle:] / noise  # walking to the right edge
    allowed = (half >= HALF_WIDTH_RANGE_MM[0]) & (half <= HALF_WIDTH_RANGE_MM[1])
    both = np.minimum(np.maximum(rising, 0.0), np.maximum(falling, 0.0)) + 0.25 * (rising + falling)
    # Clear edges count for 25 at the most, whatever the noise, so that a path still bends.
    unit = max(1.0, float(np.percentile(both[:, allowed].max(axis=1), 75.0)) / 25.0)
    track = best_track(np.where(allowed, np.clip(both / unit, -5.0, 40.0), -50.0), max_step=2)
    # A first look gives the course of the width; around it either side is followed alone,
    # so that a neighbour or the root's own edge cannot take its place.
    course = _course(strip, half[track])
    off = (half[None, :] - course[:, None]) / (0.25 * course + 0.06)[:, None]
    prior = np.where(allowed, -2.0 * off**2, -200.0)
    reach = max(1, round(SIDE_SEARCH_MM / (2 * step)))
    k = np.arange(len(strip.s))
    both_sides = np.stack([rising, falling], axis=1)
    own = best_track(np.clip(both_sides / unit, -5.0, 40.0) + prior[:, None, :], max_step=1)
    sides = [_refine(both_sides[:, i], own[:, i], reach) * step for i in (0, 1)]
    strengths = [both_sides[k, i, own[:, i]] for i in (0, 1)]
    left_inside, right_inside = -sides[0], sides[1]
    half_inside = (right_inside - left_inside) / 2.0
    edge_strength = np.minimum(strengths[0], strengths[1])
    edge = fit_edge(strip, rows, left_inside, right_inside, edge_strength, across)
    radius = edge.radius(half_inside)
    grow = radius - half_inside
    left, right = left_inside - grow, right_inside + grow
    blur = edge.blur
    total = float(np.hypot(blur, across))
    raw = right - left
    window = max(3, int(MEDIAN_MM / strip.s_step) | 1)
    width = ndimage.median_filter(raw, window, mode="nearest")
    scatter = 1.4826 * ndimage.median_filter(np.abs(raw - width), window, mode="nearest")
    independent = MEDIAN_MM / (2.0 * ALONG_SIGMA_MM)
    u_width = np.hypot(1.25 * scatter / np.sqrt(independent), EDGE_U_MM)
    contrast, background, one_sided = _contrast(strip, rows, left, right, total)
    return WidthProfile(
        left=left,
        right=right,
        width=width,
        raw_width=raw,
        u_width=u_width,
        contrast=contrast,
        background=background,
        one_sided=one_sided,
        edge_strength=edge_strength,
        free_half=half[track],
        course=course,
        blur=blur,
    )


def _course(strip: CanalStrip, half: FloatArray) -> FloatArray:
    """Half-width that the seen part of the fill lets one expect in every row.

    A robust straight line (repeated medians, Siegel 1982, doi:10.1093/biomet/69.1.242)
    that does not widen towards the apex.
    """
    rows = np.flatnonzero(strip.seen)
    # Coronally the line may run through a restoration: the apical part sets the course.
    rows = rows[round((1.0 - COURSE_SHARE) * len(rows)) :]
    if len(rows) < 10:
        return np.full(len(strip.s), 0.25)
    fitted = stats.siegelslopes(half[rows[::2]], strip.s[rows[::2]])
    slope = float(np.clip(fitted[0], -0.06, 0.0))
    intercept = float(np.median(half[rows] - slope * strip.s[rows]))
    return np.clip(intercept + slope * strip.s, 0.06, 1.2)


def _refine(slope: FloatArray, track: NDArray[np.int_], reach: int) -> FloatArray:
    """Sub-step place of the steepest slope within ``reach`` columns of the track."""
    n, m = slope.shape
    columns = track[:, None] + np.arange(-reach, reach + 1)[None, :]
    inside = (columns >= 1) & (columns < m - 1)
    values = np.where(
        inside, np.take_along_axis(slope, np.clip(columns, 0, m - 1), axis=1), -np.inf
    )
    # A gentle preference for the track keeps a neighbouring edge out.
    values = values * (1.0 - 0.25 * (np.arange(-reach, reach + 1) / (reach + 1)) ** 2)
    best = np.clip(track + np.argmax(values, axis=1) - reach, 1, m - 2)
    k = np.arange(n)
    a, b, c = slope[k, best - 1], slope[k, best], slope[k, best + 1]
    bow = a - 2 * b + c
    shift = np.where(bow < 0, 0.5 * (a - c) / np.where(bow < 0, bow, -1.0), 0.0)
    return np.asarray(best + np.clip(shift, -0.5, 0.5))


def _contrast(
    strip: CanalStrip, rows: FloatArray, left: FloatArray, right: FloatArray, blur: float
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Mean grey of the middle of the fill over the mean of two bands beside it."""
    bands = RowBands(rows, strip.t)
    centre, half = (left + right) / 2.0, (right - left) / 2.0
    inner = np.maximum(0.4 * half, strip.t_step * 0.75)
    near, far = half + 1.2 * blur, half + 1.2 * blur + 0.25
    middle = bands.mean(centre - inner, centre + inner)
    left_side = bands.mean(centre - far, centre - near)
    right_side = bands.mean(centre + near, centre + far)
    background = sides_level(middle, left_side, right_side)
    return middle - background, background, sides_differ(middle, left_side, right_side)


def sides_level(middle: FloatArray, left: FloatArray, right: FloatArray) -> FloatArray:
    """Level beside the fill: the mean of both sides, or the darker one.

    The darker one is taken where the sides differ by more than half of what the
    fill stands out: the brighter side is then another filling or a crown.
    """
    apart = sides_differ(middle, left, right)
    return np.where(apart, np.minimum(left, right), (left + right) / 2.0)


def sides_differ(middle: FloatArray, left: FloatArray, right: FloatArray) -> NDArray[np.bool_]:
    """Rows in which the two sides differ by more than half of what the fill stands out."""
    lower = np.minimum(left, right)
    return np.asarray(np.abs(left - right) > 0.5 * np.maximum(middle - lower, 0.0))
