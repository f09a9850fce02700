"""Where the fill starts and ends along the canal.

Three ways look at the apical end: the change point of the density along the
line, the steepest fall of that density, and a two-dimensional fit of a blurred
cone with a rounded tip to the picture round the end. The cone's answer is
taken when the fit is good; how far the three lie apart is kept, and beyond
:data:`DISAGREE_MM` the end is flagged. The tip of a point is thin and its shape
unknown: that, not noise, limits the answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, optimize

from rxmeasure.filling.strip import CanalStrip
from rxmeasure.filling.width import WidthProfile
from rxmeasure.geometry import FloatArray

#: Methods further apart than this are flagged (mm).
DISAGREE_MM = 0.25
#: Gaps of the fill shorter than this do not end it (mm): joints and voids.
BRIDGE_MM = 1.2
#: Window of the cone fit, coronal and apical of the first guess (mm).
CONE_WINDOW_MM = (1.6, 1.2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FillExtent:
    """Rows of the strip that belong to the fill, and its two ends; plane units.

    Attributes
    ----------
    start_s, end_s : float
        Arc distance of the coronal and of the apical end of the core.
    start_u, end_u : float
        Standard uncertainties.
    end_spread : float
        Largest distance between the three answers at the apical end.
    end_t : float
        Place of the end across the line.
    how : str
        Which answer was taken.
    present : ndarray of bool, shape (N,)
        Rows in which the fill is seen.
    """

    start_s: float
    end_s: float
    start_u: float
    end_u: float
    end_spread: float
    end_t: float
    how: str
    present: np.ndarray


def find_extent(strip: CanalStrip, width: WidthProfile) -> FillExtent | None:
    """Find the fill along the line, or None when no fill is seen."""
    expected = expected_width(strip, width)
    signal, noise = axial_density(strip, expected)
    present = _presence(strip, width, signal, noise)
    if present is None:
        return None
    run = np.flatnonzero(present)
    first, last = int(run[0]), int(run[-1])
    change = _change_point(strip, signal, noise, first, last)
    fall = _steepest_fall(strip, signal, change)
    cone = _cone_fit(strip, width, expected, change)
    answers = [change, fall]
    how = "change point of the density"
    end, end_t, fit_u = change, float(width.centre[strip.index(change - 0.3)]), 0.1
    if cone is not None and abs(cone[0] - change) < 0.8:
        end, end_t, fit_u = cone
        answers.append(end)
        how = "rounded cone fitted to the picture"
    spread = max(answers) - min(answers)
    return FillExtent(
        start_s=float(strip.s[first]),
        end_s=float(end),
        start_u=0.2,
        end_u=float(np.sqrt(fit_u**2 + 0.05**2 + (spread / 3.0) ** 2)),
        end_spread=float(spread),
        end_t=end_t,
        how=how,
        present=present,
    )


def expected_width(strip: CanalStrip, width: WidthProfile) -> FloatArray:
    """Width in each row, carried on by a straight line where no fill is seen."""
    seen = (width.edge_strength > 4.0) & (width.contrast > 0)
    seen &= (strip.s > -0.3) & (strip.s < strip.s_apex + 1.0)
    if seen.sum() < 10:
        return np.full(len(strip.s), 0.4)
    slope, intercept = robust_line(strip.s[seen], width.width[seen])
    line = np.clip(intercept + slope * strip.s, 0.12, 2.0)
    near = np.abs(width.width - line) < 0.35 * line + 0.1
    return np.where(seen & near, width.width, line)


def robust_line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope and intercept of a straight line by iteratively reweighted least squares (Huber)."""
    w = np.ones_like(x)
    slope = intercept = 0.0
    for _ in range(8):
        slope, intercept = np.polyfit(x, y, 1, w=np.sqrt(w))
        r = np.abs(y - slope * x - intercept)
        k = 1.345 * 1.4826 * np.median(r) + 1e-9
        w = np.minimum(1.0, k / np.maximum(r, 1e-12))
    return float(slope), float(intercept)


def axial_density(strip: CanalStrip, expected: FloatArray) -> tuple[FloatArray, float]:
    """Grey level of the canal's middle over its sides, row by row, and its noise."""
    t = np.abs(strip.t)[None, :]
    half = expected[:, None] / 2.0
    inner = np.exp(-0.5 * (t / np.maximum(0.5 * half, 0.06)) ** 2)
    outer = (t > half + 0.1) & (t < half + 0.4)
    middle = (strip.values * inner).sum(1) / inner.sum(1)
    sides = (strip.values * outer).sum(1) / np.maximum(outer.sum(1), 1)
    signal = middle - sides
    rough = np.diff(signal, 2)
    noise = 1.4826 * float(np.median(np.abs(rough))) / np.sqrt(6.0) + 1e-9
    return signal, noise


def _presence(
    strip: CanalStrip, width: WidthProfile, signal: FloatArray, noise: float
) -> np.ndarray | None:
    """Rows with fill: one run, small gaps bridged; None when there is too little."""
    inside = (strip.s > -0.3) & (strip.s < strip.s_apex + 3.0)
    smooth = ndimage.gaussian_filter1d(signal, 0.15 / strip.s_step, mode="nearest")
    candidates = inside & (width.edge_strength > 3.0) & (smooth > 4.0 * noise)
    if candidates.sum() < 8:
        return None
    typical = float(np.median(smooth[candidates]))
    candidates &= smooth > 0.2 * typical
    gap = max(1, round(BRIDGE_MM / strip.s_step))
    closed = ndimage.binary_closing(
        np.pad(candidates, gap), structure=np.ones(gap, dtype=bool)
    )[gap:-gap]
    labels, count = ndimage.label(closed)
    if count == 0:
        return None
    sizes = ndimage.sum_labels(candidates, labels, np.arange(1, count + 1))
    best = labels == 1 + int(np.argmax(sizes))
    if best.sum() * strip.s_step < 0.8:
        return None
    return np.asarray(best)


def _change_point(
    strip: CanalStrip, signal: FloatArray, noise: float, first: int, last: int
) -> float:
    """End that best splits the density into a sloping fill and nothing (least squares)."""
    step = strip.s_step
    back, ahead = round(2.5 / step), round(1.5 / step)
    low = max(first + round(0.6 / step), last - round(1.5 / step))
    high = min(len(signal) - 3, last + round(1.0 / step))
    best, best_cost = last, np.inf
    for e in range(low, high):
        a, b = max(first, e - back), min(len(signal), e + ahead)
        x = np.arange(a, e) - e
        if len(x) < 5 or b - e < 3:
            continue
        inside = signal[a:e]
        fit = np.polyfit(x, inside, 1)
        after = signal[e:b]
        cost = float(((inside - np.polyval(fit, x)) ** 2).sum() + ((after - after.mean()) ** 2).sum())
        # Windows differ in length: compare against the spread of the whole window.
        whole = signal[a:b]
        cost /= float(((whole - whole.mean()) ** 2).sum()) + noise**2
        if fit[1] > after.mean() and cost < best_cost:
            best, best_cost = e, cost
    return float(strip.s[best] - step / 2.0)


def _steepest_fall(strip: CanalStrip, signal: FloatArray, near: float) -> float:
    """Steepest fall of the density within 0.6 mm of ``near``."""
    slope = -ndimage.gaussian_filter1d(signal, 0.1 / strip.s_step, order=1, mode="nearest")
    window = np.flatnonzero(np.abs(strip.s - near) <= 0.6)
    k = int(window[np.argmax(slope[window])])
    if 0 < k < len(slope) - 1:
        a, b, c = slope[k - 1 : k + 2]
        bow = a - 2 * b + c
        shift = float(np.clip(0.5 * (a - c) / bow, -0.5, 0.5)) if bow < 0 else 0.0
    else:
        shift = 0.0
    return float(strip.s[k] + shift * strip.s_step)


def _cone_fit(
    strip: CanalStrip, width: WidthProfile, expected: FloatArray, guess: float
) -> tuple[float, float, float] | None:
    """Fit a blurred rod with a rounded tip; (end, place across, standard uncertainty) or None.

    Unknown: end, half-width at the end, taper, place across, and linearly the
    density per thickness and a background that may tilt both ways.
    """
    near_s = np.flatnonzero(
        (strip.s > guess - CONE_WINDOW_MM[0]) & (strip.s < guess + CONE_WINDOW_MM[1])
    )
    half0 = float(np.interp(guess - 0.3, strip.s, expected)) / 2.0
    near_t = np.flatnonzero(np.abs(strip.t) < max(0.55, half0 + 0.4))
    if len(near_s) < 20 or len(near_t) < 8:
        return None
    s = strip.s[near_s][:, None]
    t = strip.t[near_t][None, :]
    y = strip.values[np.ix_(near_s, near_t)]
    ones = np.ones_like(y)
    background = [ones, ones * (s - guess), ones * t]
    blur_px = (width.blur / strip.s_step, width.blur / strip.t_step)

    def design(p: FloatArray) -> FloatArray:
        end, half, taper, across = p
        depth = end - s  # distance coronal of the tip's extremity
        radius = np.maximum(half + taper * np.maximum(depth, 0.0), 0.02)
        tip = np.clip(depth / np.maximum(half, 0.02), 0.0, 1.0)
        profile = radius * np.sqrt(1.0 - (1.0 - tip) ** 2)
        chord = np.sqrt(np.maximum(profile**2 - (t - across) ** 2, 0.0))
        blurred = ndimage.gaussian_filter(chord, blur_px, mode="nearest")
        return np.stack([blurred, *background], axis=-1).reshape(-1, 4)

    flat = y.ravel()

    def residual(p: FloatArray) -> FloatArray:
        matrix = design(p)
        solution, *_ = np.linalg.lstsq(matrix, flat, rcond=None)
        return np.asarray(flat - matrix @ solution)

    start = np.array([guess, max(half0, 0.06), 0.02, 0.0])
    lower = [guess - 0.9, 0.03, -0.02, -0.3]
    upper = [guess + 0.9, max(0.6, 2 * half0), 0.12, 0.3]
    best: optimize.OptimizeResult | None = None
    for shift in (0.0, -0.3, 0.3):
        trial = start + [shift, 0.0, 0.0, 0.0]
        result = optimize.least_squares(
            residual, trial, bounds=(lower, upper), diff_step=1e-2, max_nfev=12, x_scale=[0.1, 0.05, 0.02, 0.05]
        )
        if best is None or result.cost < best.cost:
            best = result
        if shift == 0.0 and abs(result.x[0] - guess) < 0.15:
            break
    if best is None:
        return None
    matrix = design(best.x)
    solution, *_ = np.linalg.lstsq(matrix, flat, rcond=None)
    if solution[0] <= 0:
        return None
    variance = 2.0 * best.cost / max(len(flat) - 8, 1)
    information = best.jac.T @ best.jac
    try:
        # Neighbouring samples of the strip share their noise (about 4 each way).
        u = float(np.sqrt(np.linalg.inv(information)[0, 0] * variance * 4.0))
    except np.linalg.LinAlgError:
        return None
    return float(best.x[0]), float(best.x[3]), min(u, 1.0)
