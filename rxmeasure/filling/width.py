"""Width of the fill along the canal, to a fraction of a pixel.

The edge is taken at the steepest slope across the canal, found as one smooth
symmetric track down the straightened picture and then refined on either side.
The slope of a blurred rod is steepest inside its true edge; the shift is known
from the blurred chord (:mod:`rxmeasure.filling.blurred_chord`) once the blur is
known, and the blur is fitted on the fill itself. Half-maximum widths are not
used: the root's own edge enters their background.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from rxmeasure.filling.blurred_chord import blurred_chord, radius_from_steepest
from rxmeasure.filling.strip import CanalStrip
from rxmeasure.geometry import FloatArray
from rxmeasure.tracing.canal_trace import _best_track

#: Smoothing along the canal before the slope is taken (mm).
ALONG_SIGMA_MM = 0.12
#: Derivative filter across the canal (mm).
ACROSS_SIGMA_MM = 0.05
#: Running median of the width along the canal (mm).
MEDIAN_MM = 1.0
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
    edge_strength : ndarray, shape (N,)
        Steepest slope, mean of both sides, in noise standard deviations.
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
    edge_strength: FloatArray
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
    slope = (
        ndimage.gaussian_filter1d(rows, across / step, axis=1, order=1, mode="nearest") / step
    )
    noise = 1.4826 * np.median(np.abs(slope - np.median(slope))) + 1e-12
    middle = len(t) // 2
    half = t[middle:]
    rising = slope[:, middle::-1]  # walking to the left edge
    falling = -slope[:, middle:]  # walking to the right edge
    allowed = (half >= HALF_WIDTH_RANGE_MM[0]) & (half <= HALF_WIDTH_RANGE_MM[1])
    both = np.minimum(np.maximum(rising, 0.0), np.maximum(falling, 0.0)) + 0.25 * (
        rising + falling
    )
    score = np.where(allowed, np.clip(both / noise, -5.0, 25.0), -50.0)
    track = _best_track(score, max_step=1)
    reach = max(1, round(SIDE_SEARCH_MM / step))
    k = np.arange(len(strip.s))
    left_inside = -_refine(rising, track, reach) * step
    right_inside = _refine(falling, track, reach) * step
    edge_strength = 0.5 * (rising[k, track] + falling[k, track]) / noise
    half_inside = (right_inside - left_inside) / 2.0
    blur = _fit_blur(strip, rows, half_inside, left_inside, right_inside, edge_strength, across)
    total = float(np.hypot(blur, across))
    radius = radius_from_steepest(half_inside, total)
    grow = radius - half_inside
    left, right = left_inside - grow, right_inside + grow
    raw = right - left
    window = max(3, int(MEDIAN_MM / strip.s_step) | 1)
    width = ndimage.median_filter(raw, window, mode="nearest")
    scatter = 1.4826 * ndimage.median_filter(np.abs(raw - width), window, mode="nearest")
    independent = MEDIAN_MM / (2.0 * ALONG_SIGMA_MM)
    u_width = np.hypot(1.25 * scatter / np.sqrt(independent), 0.15 * blur)
    contrast, background = _contrast(strip, rows, left, right, total)
    return WidthProfile(
        left=left,
        right=right,
        width=width,
        raw_width=raw,
        u_width=u_width,
        contrast=contrast,
        background=background,
        edge_strength=edge_strength,
        blur=blur,
    )


def _refine(slope: FloatArray, track: FloatArray, reach: int) -> FloatArray:
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


def _fit_blur(
    strip: CanalStrip,
    rows: FloatArray,
    half_inside: FloatArray,
    left: FloatArray,
    right: FloatArray,
    strength: FloatArray,
    across: float,
) -> float:
    """Blur of the picture, from how well blurred rods explain clear rows of the fill."""
    clear = np.flatnonzero(
        (strength > np.percentile(strength, 50)) & (half_inside > 0.1) & (half_inside < 0.9)
    )
    if len(clear) < 5:
        return 0.06
    picked = clear[np.linspace(0, len(clear) - 1, 24).astype(int)]
    trials = np.linspace(0.02, 0.2, 10)
    misfit = np.zeros(len(trials))
    for n, blur in enumerate(trials):
        radius = np.maximum(
            radius_from_steepest(half_inside[picked], float(np.hypot(blur, across))), 0.02
        )
        for row, r in zip(picked, radius, strict=True):
            centre = (left[row] + right[row]) / 2.0
            near = np.abs(strip.t - centre) < r + 0.3
            x = strip.t[near] - centre
            design = np.column_stack(
                [blurred_chord(x / r, blur / r), np.ones_like(x), x]
            )
            y = rows[row, near]
            _, rest, _, _ = np.linalg.lstsq(design, y, rcond=None)
            if rest.size:
                misfit[n] += float(rest[0]) / max(float(np.var(y)) * len(y), 1e-12)
    k = int(np.clip(np.argmin(misfit), 1, len(trials) - 2))
    a, b, c = misfit[k - 1 : k + 2]
    bow = a - 2 * b + c
    shift = float(np.clip(0.5 * (a - c) / bow, -1.0, 1.0)) if bow > 0 else 0.0
    return float(trials[k] + shift * (trials[1] - trials[0]))


def _contrast(
    strip: CanalStrip, rows: FloatArray, left: FloatArray, right: FloatArray, blur: float
) -> tuple[FloatArray, FloatArray]:
    """Mean grey of the middle of the fill over the mean of two bands beside it."""
    t = strip.t[None, :]
    centre, half = ((left + right) / 2.0)[:, None], ((right - left) / 2.0)[:, None]
    inner = np.abs(t - centre) <= np.maximum(0.4 * half, strip.t_step * 0.75)
    away = np.abs(t - centre) - half
    beside = (away > 1.2 * blur) & (away < 1.2 * blur + 0.25)
    middle = (rows * inner).sum(1) / np.maximum(inner.sum(1), 1)
    sides = []
    for side in (t < centre, t > centre):
        mask = beside & side
        sides.append((rows * mask).sum(1) / np.maximum(mask.sum(1), 1))
    background = np.mean(sides, axis=0)
    return middle - background, background
