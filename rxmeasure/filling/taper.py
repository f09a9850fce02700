"""Taper of the fill: a straight line through its width, and what departs from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, stats

from rxmeasure.filling.density_gaps import GapCandidate
from rxmeasure.filling.fill_end import FillExtent
from rxmeasure.filling.straight_line import weighted_line
from rxmeasure.filling.strip import CanalStrip
from rxmeasure.filling.width import WidthProfile
from rxmeasure.geometry import FloatArray

#: Left out at each end of the fill (mm): tip shape and orifice (reference: taper check, choice).
END_MARGIN_MM = 1.0
#: The taper line is fitted over at most this stretch from the fill's end (mm): further
#: coronally many instruments no longer hold their taper.
UPTO_MM = 9.0
#: A local departure counts from this share of the width and this size (choice).
DEPARTURE_SHARE = 0.15
DEPARTURE_MM = 0.08
#: Slope below which a fill has no taper to speak of (mm/mm; half of the standard .02).
NO_TAPER = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TaperLine:
    """Straight line through the width over the distance from the fill's end; plane units.

    ``departures`` are (kind, distance from the end, size) with kind in
    ``"step"``, ``"hourglass"``, ``"bulge"``, ``"stripped"``, ``"no taper"``.
    """

    slope: float
    u_slope: float
    width_at_end: float
    from_end: float
    upto_end: float
    residual_rms: tuple[float, float, float]
    departures: tuple[tuple[str, float, float], ...]
    p_even: float


def fit_taper(
    strip: CanalStrip,
    width: WidthProfile,
    extent: FillExtent,
    gaps: Sequence[GapCandidate] = (),
) -> TaperLine | None:
    """Fit the taper line; None when the fill is too short (under 3 mm) for one.

    Rows in which a void narrows the fill are left out.
    """
    to_end = extent.end_s - strip.s
    length = extent.end_s - extent.start_s
    inside = (
        extent.present
        & (to_end >= END_MARGIN_MM)
        & (to_end <= length - END_MARGIN_MM)
        & (width.edge_strength > 3.0)
    )
    for gap in gaps:
        inside &= np.abs(strip.s - gap.s) > gap.length / 2.0 + 0.3
    if length < 3.0 or inside.sum() < 10:
        return None
    zone = inside & (to_end <= UPTO_MM)
    if zone.sum() < 10:
        zone = inside
    x, y = to_end[zone], width.raw_width[zone]
    slope, intercept, robust_sd = _huber(x, y)
    independent = max(3.0, (x.max() - x.min()) / 0.35)
    spread = float(np.std(x)) or 1.0
    # Slow departures from the line (sealer, section, background) are not noise: the share
    # that the running median keeps is added once over the whole stretch.
    slow = float(np.std(ndimage.median_filter(y - slope * x - intercept, 15, mode="nearest")))
    u_slope = float(np.hypot(robust_sd / np.sqrt(independent), slow / np.sqrt(3.0)) / spread)
    all_x, all_y = to_end[inside], width.width[inside]
    residual = all_y - slope * all_x - intercept
    thirds = np.clip((3.0 * all_x / length).astype(int), 0, 2)
    rms = tuple(
        float(np.sqrt(np.mean(residual[thirds == k] ** 2))) if (thirds == k).any() else 0.0
        for k in range(3)
    )
    departures, p_even = _departures(all_x, all_y, residual, slope, u_slope, width, inside)
    return TaperLine(
        slope=slope,
        u_slope=u_slope,
        width_at_end=intercept,
        from_end=float(x.min()),
        upto_end=float(x.max()),
        residual_rms=(rms[0], rms[1], rms[2]),
        departures=tuple(departures),
        p_even=p_even,
    )


def _huber(x: FloatArray, y: FloatArray) -> tuple[float, float, float]:
    w = np.ones_like(x)
    slope = intercept = sd = 0.0
    for _ in range(10):
        slope, intercept = weighted_line(x, y, w)
        r = y - slope * x - intercept
        sd = 1.4826 * float(np.median(np.abs(r - np.median(r)))) + 1e-9
        w = np.minimum(1.0, 1.345 * sd / np.maximum(np.abs(r), 1e-12))
    return slope, intercept, sd


def _departures(
    x: FloatArray,
    y: FloatArray,
    residual: FloatArray,
    slope: float,
    u_slope: float,
    width: WidthProfile,
    inside: np.ndarray,
) -> tuple[list[tuple[str, float, float]], float]:
    """Named departures and the probability that the taper is even.

    The probability is that of the largest departure staying under its limit,
    given the width's uncertainty, times that of the slope exceeding the least taper.
    """
    found: list[tuple[str, float, float]] = []
    order = np.argsort(x)
    x, y, residual = x[order], y[order], residual[order]
    u = width.u_width[inside][order]
    limit = np.maximum(DEPARTURE_SHARE * np.abs(y - residual), DEPARTURE_MM)
    step = float(np.median(np.diff(x))) if len(x) > 1 else 1.0
    smooth = ndimage.median_filter(
        residual, max(3, round(0.5 / max(step, 1e-6)) | 1), mode="nearest"
    )
    labels, count = ndimage.label(np.abs(smooth) > limit)
    for k in range(1, count + 1):
        where = np.flatnonzero(labels == k)
        if (x[where[-1]] - x[where[0]]) < 0.3:
            continue
        peak = where[int(np.argmax(np.abs(smooth[where])))]
        size = float(smooth[peak])
        at_coronal = where[-1] == len(x) - 1
        at_apical = where[0] == 0
        if size < 0:
            kind = "stripped" if at_coronal or at_apical else "hourglass"
        else:
            kind = "step" if at_coronal or at_apical else "bulge"
        found.append((kind, float(x[peak]), size))
    if slope < NO_TAPER:
        found.append(("no taper", float(np.mean(x)), slope))
    excess = np.abs(smooth) - limit
    worst = int(np.argmax(excess))
    p_smooth = float(stats.norm.cdf(-excess[worst] / max(float(u[worst]), 1e-6)))
    p_slope = float(stats.norm.cdf((slope - NO_TAPER) / max(u_slope, 1e-6)))
    return found, p_smooth * p_slope
