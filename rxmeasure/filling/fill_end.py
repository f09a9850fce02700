"""Where the fill starts and ends along the canal.

Two ways give a first guess of the apical end: the change point of the density along the
line, and a two-dimensional fit of a blurred cone with a rounded tip to the picture round
it. :mod:`rxmeasure.filling.end_posterior` then weighs every place in the apical part against
the background beside the root: the most probable place is the end. An end that is not known
to :data:`DISAGREE_MM` is flagged. The tip of a point is thin and its shape unknown: that, not
noise, limits the answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from rxmeasure.filling.blurred_chord import blurred_chord
from rxmeasure.filling.end_posterior import EndPosterior, end_posterior
from rxmeasure.filling.least_squares import Fit, height, levenberg_marquardt, without
from rxmeasure.filling.straight_line import weighted_line
from rxmeasure.filling.strip import CanalStrip, RowBands
from rxmeasure.filling.width import WidthProfile, sides_level
from rxmeasure.geometry import FloatArray

#: An end that lies within this distance (mm) of its mark with less than this probability
#: is flagged.
DISAGREE_MM = 0.25
SURE_SHARE = 0.85
#: Gaps of the fill shorter than this do not end it (mm): joints and voids.
BRIDGE_MM = 0.7
#: Share of the expected density from which a row counts as filled.
PRESENT_SHARE = 0.4
#: Doubt about the end of a fill that runs into another one (mm).
MERGED_U_MM = 0.75
#: Share of the usual slope that both edges of a filled row must show.
EDGE_SHARE = 0.15
#: A puff is at least so bright beside the fill's course, as a share of its middle.
SHOULDER_SHARE = 0.5
#: A puff begins no farther coronal of the radiographic apex than this (mm): foramen and apex lie
#: up to 2 mm apart (Martos 2009, doi:10.1111/j.1365-2591.2008.01513.x), and a click may be half a
#: millimetre off.
PUFF_REACH_MM = 2.5
#: Doubt about the end of a fill that goes on into a puff (mm).
PUFF_U_MM = 0.32
#: Another bright thing along one side of so much of the last stretch (mm) puts the end in
#: doubt (mm): it may be another canal's fill.
BESIDE_MM = 5.0
BESIDE_SHARE = 0.2
BESIDE_U_MM = 0.4
#: A thinner or less dense line that shows on at least so much (mm) of the way from the end to the
#: apex: what was taken for the fill may be a post.
GOES_ON_MM = 1.5
#: What the unknown shape of the tip leaves open at the apical end, and the blend with the
#: restoration at the coronal end (mm, one standard deviation).
END_U_MM = 0.06
START_U_MM = 0.2
#: A stretch beyond a gap must be this long (mm) and this clear to belong to the fill.
BEYOND_GAP_MM = 0.7
#: Share of the density by which a step at the core's end or the fill's start shows.
STEP_SHARE = 0.1
#: Half-normal spread of the sealer beyond the core where no step tells them apart (mm). A core
#: that is fitted to the constriction and sealer that runs anywhere between there and the apex
#: leave on average half of their distance of 0.89 mm (Dummer 1984, Int Endod J 17:192, from
#: memory); a half-normal distribution has its mean at 0.80 of its spread.
UNSEEN_SEALER_SD_MM = 0.56
#: How often a long tail of sealer shows no step. Sealers were read with 3.0 to 13.2 mm Al per mm,
#: points have 6 to 10 (from memory): of sealers spread evenly over that range this share lies
#: within :data:`STEP_SHARE` of a point of 8 (calculation).
SEALER_ALIKE_SHARE = 0.16
#: Doubt about a step's place (mm): half its width in the picture.
STEP_U_MM = 0.12
#: How often a step is not the core's end but a joint or a void: not known, so one in two.
FALSE_STEP_SHARE = 0.5
#: How far coronal of the marked orifice a fill is looked for (mm).
ORIFICE_MM = 1.0
#: A step must last on this stretch (mm), or to the fill's end: a joint does not.
STEP_REACH_MM = 0.9
#: How much sealer is looked for beyond the core (mm).
SEALER_ZONE_MM = 4.5
#: Window of the cone fit, coronal and apical of the first guess (mm).
CONE_WINDOW_MM = (1.6, 1.2)
#: Steps by which its slopes are read: end, half-width, taper, place across (mm; mm/mm).
CONE_STEP = (0.02, 0.005, 0.002, 0.01)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FillExtent:
    """Rows of the strip that belong to the fill, and its ends; plane units.

    Attributes
    ----------
    start_s, end_s : float
        Arc distance of the coronal and of the apical end of the visible fill.
    start_u, end_u : float
        Standard uncertainties.
    end_spread : float
        Distance from the apical end within which it lies with :data:`SURE_SHARE`.
    other_s : float or None
        Another place that may be the end.
    likely : EndPosterior
        How probable each place is as the apical end.
    end_t : float
        Place of the end across the line.
    how : str
        Which answer was taken.
    core_s, core_u : float
        Apical end of the core: where the density steps because only sealer goes on;
        ``end_s`` when no such step is seen.
    core_likely : EndPosterior
        How probable each place is as the core's end; leans coronally.
    core_how : str
    present : ndarray of bool, shape (N,)
        Rows in which the fill is seen.
    """

    start_s: float
    end_s: float
    start_u: float
    end_u: float
    end_spread: float
    other_s: float | None
    likely: EndPosterior
    end_t: float
    how: str
    core_s: float
    core_u: float
    core_likely: EndPosterior
    core_how: str
    present: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FillRows:
    """Rows of the strip that belong to the fill, to the nearest row; plane units.

    Attributes
    ----------
    expected : ndarray, shape (N,)
        Width of the fill to be expected in each row.
    signal : ndarray, shape (N,)
        Density along the line, and ``noise``, its standard deviation.
    present : ndarray of bool, shape (N,)
        Rows in which the fill is seen.
    first, last : int
    puff_doubt : float or None
        When the fill runs into a puff: on how long a stretch coronal of the radiographic apex
        either may be seen.
    merged : bool
        Whether the fill runs into another fill.
    goes_on : float
        On how much of the way to the apex a fainter line shows; 0 when on little.
    """

    expected: FloatArray
    signal: FloatArray
    noise: float
    present: np.ndarray
    first: int
    last: int
    puff_doubt: float | None
    merged: bool
    goes_on: float


def find_rows(
    strip: CanalStrip, width: WidthProfile, from_s: float | None = None
) -> FillRows | None:
    """Find the rows of the fill, or None when no fill is seen.

    Parameters
    ----------
    strip : CanalStrip
    width : WidthProfile
    from_s : float, optional
        Arc distance of a marked orifice or post end: what shows further coronally in line
        with the canal is a restoration or the post, unless the fill ends there.
    """
    expected = expected_width(strip, width)
    signal, noise, texture = axial_density(strip, expected)
    seen = _presence(strip, width, expected, signal, noise, texture, from_s)
    if seen is None:
        return None
    present, puff_doubt, merged, goes_on = seen
    run = np.flatnonzero(present)
    first, last = int(run[0]), int(run[-1])
    if from_s is not None and strip.s[last] > from_s + 1.0:
        first = max(first, strip.index(from_s - ORIFICE_MM))
    first = _below_restoration(strip, width, signal, first, last)
    first = _coronal_start(strip, signal, first, last)
    return FillRows(
        expected=expected,
        signal=signal,
        noise=noise,
        present=present & (np.arange(len(present)) >= first),
        first=first,
        last=last,
        puff_doubt=puff_doubt,
        merged=merged,
        goes_on=goes_on,
    )


def find_extent(
    strip: CanalStrip, width: WidthProfile, rows: FillRows, *, sealed: bool = True
) -> FillExtent:
    """Locate both ends of a fill, or of a file or cone, round which no sealer lies."""
    first, last = rows.first, rows.last
    if rows.puff_doubt is not None:
        end_t = float(width.centre[strip.index(float(strip.s[last]) - 0.3)])
        how = "where a puff begins"
        likely = EndPosterior.normal(
            float(strip.s[last]), float(np.hypot(PUFF_U_MM, rows.puff_doubt / 2.0))
        )
    else:
        change = _change_point(strip, rows.signal, rows.noise, first, last)
        likely, end_t, how = _apical_end(strip, width, rows, change)
    end = likely.place
    beside = (strip.s > end - BESIDE_MM) & (strip.s < end + 0.5)
    if width.one_sided[beside].mean() > BESIDE_SHARE:
        likely = likely.widened(BESIDE_U_MM)
    if rows.merged:
        likely = likely.widened(MERGED_U_MM)
    if rows.goes_on:
        likely = likely.widened(rows.goes_on / 2.0)
    end = likely.place
    if abs(end - strip.s[last]) > DISAGREE_MM:
        last = strip.index(end)
    core_s, core, core_how = end, likely, "a file or cone has no sealer beyond it"
    if sealed:
        core_s, core, core_how = _core_end(strip, rows.signal, first, likely)
    row = np.arange(len(strip.s))
    return FillExtent(
        start_s=float(strip.s[first]),
        end_s=end,
        start_u=START_U_MM,
        end_u=likely.u,
        end_spread=likely.reach(SURE_SHARE),
        other_s=likely.other,
        likely=likely,
        end_t=end_t,
        how=how,
        core_s=core_s,
        core_u=core.reach(0.95, core_s) / 1.96,
        core_likely=core,
        core_how=core_how,
        present=(row >= first) & (row <= last),
    )


def _apical_end(
    strip: CanalStrip, width: WidthProfile, rows: FillRows, change: float
) -> tuple[EndPosterior, float, str]:
    """Where the fill may end, place across, and how it was found."""
    guess, end_t, fit_u = change, float(width.centre[strip.index(change - 0.3)]), 0.1
    how = "change point of the density"
    cone = _cone_fit(strip, width, rows.expected, change)
    if cone is not None and abs(cone[0] - change) < 0.8:
        guess, end_t, fit_u = cone
        how = "rounded cone fitted to the picture"
    first_s, last_s = (float(strip.s[row]) for row in (rows.first, rows.last))
    likely = end_posterior(strip, rows.expected, width.blur, first_s, (guess, last_s))
    if likely is None:
        u = float(np.hypot(np.hypot(fit_u, END_U_MM), (guess - change) / 2.0))
        return EndPosterior.normal(guess, u), end_t, how
    return likely, end_t, f"most probable end; first guess: {how}"


def expected_width(strip: CanalStrip, width: WidthProfile) -> FloatArray:
    """Width in each row, carried on by a straight line where no fill is seen."""
    seen = strip.seen & (width.edge_strength > 4.0) & (width.contrast > 0)
    if seen.sum() < 10:
        return np.full(len(strip.s), 0.4)
    slope, intercept = robust_line(strip.s[seen], width.width[seen])
    if slope > 0.0:
        slope, intercept = 0.0, float(np.median(width.width[seen]))
    line = np.clip(intercept + slope * strip.s, 0.14, 2.0)
    near = np.abs(width.width - line) < 0.35 * line + 0.1
    return np.where(seen & near, width.width, line)


def robust_line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope and intercept of a straight line by iteratively reweighted least squares (Huber)."""
    w = np.ones_like(x)
    slope = intercept = 0.0
    for _ in range(8):
        slope, intercept = weighted_line(x, y, w)
        r = np.abs(y - slope * x - intercept)
        k = 1.345 * 1.4826 * np.median(r) + 1e-9
        w = np.minimum(1.0, k / np.maximum(r, 1e-12))
    return slope, intercept


def axial_density(strip: CanalStrip, expected: FloatArray) -> tuple[FloatArray, float, float]:
    """Grey level of the canal's middle over its sides, row by row.

    Returns
    -------
    signal : ndarray, shape (N,)
    noise : float
        Its standard deviation by pixel noise.
    texture : float
        How far the same reading strays beside the canal, by bone and root texture.
    """
    half = expected / 2.0
    sigma = np.maximum(0.5 * half, 0.06)
    bands = RowBands(strip.values, strip.t)

    def reading(shift: float) -> FloatArray:
        near = np.abs(strip.t - shift) < 6.0 * sigma.max()
        inner = np.exp(-0.5 * ((strip.t[near] - shift) / sigma[:, None]) ** 2)
        middle = (strip.values[:, near] * inner).sum(1) / inner.sum(1)
        left = bands.mean(shift - half - 0.4, shift - half - 0.1)
        right = bands.mean(shift + half + 0.1, shift + half + 0.4)
        level = sides_level(middle, left, right) if shift == 0.0 else (left + right) / 2
        return np.asarray(middle - level)

    signal = reading(0.0)
    noise = 1.4826 * float(np.median(np.abs(np.diff(signal, 2)))) / np.sqrt(6.0) + 1e-9
    beside = np.concatenate([reading(d) for d in (-1.2, 1.2)])
    lag = round(0.5 / strip.s_step)
    strays = np.abs(beside[lag:] - beside[:-lag])
    texture = float(np.median(strays)) / 0.6745 / np.sqrt(2.0) + 1e-9
    return signal, noise, texture


def _presence(
    strip: CanalStrip,
    width: WidthProfile,
    expected: FloatArray,
    signal: FloatArray,
    noise: float,
    texture: float,
    from_s: float | None,
) -> tuple[np.ndarray, float | None, bool, float] | None:
    """Rows with fill, small gaps bridged, and what is doubtful about its end (see `FillRows`).

    None when there is too little.

    A row belongs to the fill when its density reaches :data:`PRESENT_SHARE` of what the
    fill's typical density per width gives for the width expected there, and stands out
    of noise and texture. From the stretch that the trace saw the fill goes on in both
    directions as long as a gap is short and what follows it is long and clear enough.
    """
    smooth = ndimage.gaussian_filter1d(signal, 0.12 / strip.s_step, mode="nearest")
    # Blur takes more of a thin fill's height than of a wide one's.
    share = blurred_chord(0.0, width.blur / np.maximum(expected / 2.0, 0.05))
    per_width = smooth / (expected * share)
    base = strip.seen & (width.edge_strength > 3.0) & (smooth > 3.0 * noise)
    if from_s is not None:
        # What the trace saw may have been the post or the restoration.
        below = (strip.s > from_s + 0.2) & (strip.s < strip.s_apex + 1.0)
        below &= (width.edge_strength > 3.0) & (smooth > 3.0 * noise)
        if below.sum() * strip.s_step >= 0.8:
            base = below
    if base.sum() * strip.s_step < 0.8:
        return None
    typical = float(np.median(per_width[base]))
    floor = np.maximum(PRESENT_SHARE * typical * expected * share, 2.0 * texture)
    inside = (strip.s > -0.3) & (strip.s < strip.s_apex + 3.5)
    edged = width.edge_strength > EDGE_SHARE * float(np.median(width.edge_strength[base]))
    edged = ndimage.binary_closing(edged, np.ones(round(0.6 / strip.s_step), dtype=bool))
    filled = inside & edged & (smooth > floor) & (per_width < 3.0 * typical)
    labels, count = ndimage.label(filled)
    if count == 0:
        return None
    sizes = ndimage.sum_labels(filled & base, labels, np.arange(1, count + 1))
    core = 1 + int(np.argmax(sizes))
    rows = np.flatnonzero(labels == core)
    first, last = int(rows[0]), int(rows[-1])
    bridge = round(BRIDGE_MM / strip.s_step)
    clear = round(BEYOND_GAP_MM / strip.s_step)
    strong = smooth > 1.5 * floor
    for label in range(core + 1, count + 1):
        part = np.flatnonzero(labels == label)
        if part[0] - last > bridge:
            break
        if len(part) >= clear and strong[part].mean() > 0.5:
            last = int(part[-1])
    for label in range(core - 1, 0, -1):
        part = np.flatnonzero(labels == label)
        if first - part[-1] > bridge:
            break
        if len(part) >= clear and strong[part].mean() > 0.5:
            first = int(part[0])
    # Dense and much wider than the fill's course: a puff, and no longer the canal.
    bulge = (width.free_half > 1.35 * width.course + 0.07) & (per_width > 0.8 * typical)
    bulge &= _shoulders(strip, width) > SHOULDER_SHARE
    bulge &= np.arange(len(bulge)) > first
    bulge &= strip.s > strip.s_apex - PUFF_REACH_MM
    bulge = ndimage.binary_opening(bulge, np.ones(max(3, round(0.2 / strip.s_step)), dtype=bool))
    puff_doubt = None
    if bulge[: last + round(0.4 / strip.s_step)].any():
        begins = min(last, int(np.argmax(bulge)))
        dense_until = min(float(strip.s[last]), strip.s_apex)
        puff_doubt = max(0.0, dense_until - float(strip.s[begins]))
        last = begins
    if (last - first) * strip.s_step < 0.8:
        return None
    line = inside & (strip.s < strip.s_apex) & (smooth > 2.0 * texture)
    goes_on = float(line[last + 1 :].sum()) * strip.s_step
    present = np.zeros(len(strip.s), dtype=bool)
    present[first : last + 1] = True
    # Dense, but one of its edges is lost for a while: it has run into another fill, and what
    # goes on from there may be the other one.
    merged = (
        present
        & (width.edge_strength < 1.0)
        & (np.arange(len(present)) > last - round(6.0 / strip.s_step))
    )
    merged = ndimage.binary_opening(merged, np.ones(round(0.35 / strip.s_step), dtype=bool))
    return present, puff_doubt, bool(merged.any()), goes_on if goes_on >= GOES_ON_MM else 0.0


def _shoulders(strip: CanalStrip, width: WidthProfile) -> FloatArray:
    """Grey just beside the fill's course over that farther out, as a share of the middle's.

    A puff is bright there; a thin fill before a root with bright edges is not.
    """
    away = np.abs(strip.t[None, :] - width.centre[:, None])
    course, free = width.course[:, None], width.free_half[:, None]

    def level(low: FloatArray, high: FloatArray) -> FloatArray:
        band = (away >= low) & (away <= high)
        return np.asarray((strip.values * band).sum(axis=1) / np.maximum(band.sum(axis=1), 1))

    outside = level(free + 0.1, free + 0.4)
    middle = level(0.0 * course, 0.5 * course + strip.t_step) - outside
    shoulder = level(course + 0.03, np.maximum(0.5 * (course + free), course + 0.1)) - outside
    return np.asarray(shoulder / np.maximum(middle, 1e-9))


def _below_restoration(
    strip: CanalStrip, width: WidthProfile, signal: FloatArray, first: int, last: int
) -> int:
    """First row below a restoration that is wider than the fill's course, and below its gap.

    An empty stretch within 1.2 mm of the start parts the fill from what lies on it.
    """
    step = strip.s_step
    wide = width.free_half > 1.35 * width.course + 0.15
    wide = ndimage.binary_opening(wide, np.ones(round(0.4 / step), dtype=bool))
    half_way = first + (last - first) // 2
    rows = first + np.flatnonzero(wide[first:half_way])
    below = int(rows[-1]) + 1 if len(rows) else first
    if below > last - round(3.0 / step):
        return first
    ahead = round(1.2 / step)
    level = 0.75 * float(np.median(signal[below + ahead : below + 2 * ahead]))
    low = np.flatnonzero(signal[below : below + ahead] < level)
    return below + (int(low[-1]) + 1 if len(low) else 0)


def _coronal_start(strip: CanalStrip, signal: FloatArray, first: int, last: int) -> int:
    """First row of the fill: a step up in density near the coronal end, if there is one.

    Above the cut fill the canal may hold a restoration of other density and the
    same width.
    """
    step = strip.s_step
    stop = min(first + round(3.5 / step), last - round(2.0 / step))
    steps = _steps(strip, signal, first, stop, last)
    up = [row for row, size in steps if size > STEP_SHARE and row > first + 2]
    return max(up) if up else first


def _core_end(
    strip: CanalStrip, signal: FloatArray, first: int, likely: EndPosterior
) -> tuple[float, EndPosterior, str]:
    """Apical end of the core: the last lasting step of density before the fill's end.

    Without a step the visible end stands for it, and what sealer may go on unseen makes
    its distribution lean coronally.
    """
    step, end = strip.s_step, likely.place
    unseen = _unseen_core(likely)
    last = strip.index(end - 0.3)
    start = max(first + round(1.0 / step), last - round(SEALER_ZONE_MM / step))
    steps = _steps(strip, signal, start, last, strip.index(end - 0.05))
    if not steps:
        return end, unseen, "no step of density: core and sealer cannot be told apart"
    at = float(strip.s[steps[-1][0]])
    core = EndPosterior.normal(at, STEP_U_MM).mixed(unseen, FALSE_STEP_SHARE)
    return at, core, "step of density: only sealer goes on"


def _unseen_core(likely: EndPosterior) -> EndPosterior:
    """Where the core ends when no step of density is seen.

    No sealer beyond it, a little, or a long tail were equally likely before looking; a long
    tail is only left as far as its sealer is as dense as the core.
    """
    little = likely.mixed(likely.short_by(UNSEEN_SEALER_SD_MM), 0.5)
    tail = SEALER_ALIKE_SHARE / (2.0 + SEALER_ALIKE_SHARE)
    return little.mixed(likely.short_within(SEALER_ZONE_MM), tail)


def _steps(
    strip: CanalStrip, signal: FloatArray, start: int, stop: int, limit: int
) -> list[tuple[int, float]]:
    """Lasting steps of the density between two rows: (row, share of the level, signed apically).

    ``limit``: last row that still belongs to the fill.

    A step is a narrow peak of the slope that the levels before and after keep; the two
    flanks of a void cancel and are left out. Sign: positive when denser apically.
    """
    if stop - start < 8:
        return []
    sigma = 0.1 / strip.s_step
    slope = ndimage.gaussian_filter1d(signal, sigma, order=1, mode="nearest")
    noise = 1.4826 * float(np.median(np.abs(slope[start:stop]))) + 1e-9
    found: list[tuple[int, float]] = []
    reach = round(STEP_REACH_MM / strip.s_step)
    skip = round(0.12 / strip.s_step)
    for row in range(start + 1, stop):
        if abs(slope[row]) < abs(slope[row - 1]) or abs(slope[row]) < abs(slope[row + 1]):
            continue
        if abs(slope[row]) < 4.0 * noise:
            continue
        before = signal[max(row - skip - reach, 0) : max(row - skip, 1)]
        after = signal[row + skip : min(row + skip + reach, limit)]
        if len(before) < 3 or len(after) < 3:
            continue
        # Levels carried on to the step, so that a taper is not a step.
        level_before = float(np.median(before))
        level_after = float(np.median(after))
        size = (level_after - level_before) / max(abs(level_before), abs(level_after), 1e-9)
        trend = float(np.median(slope[start:stop])) * (reach + 2 * skip)
        trend /= max(abs(level_before), abs(level_after), 1e-9)
        if abs(size - trend) > STEP_SHARE and np.sign(size) == np.sign(slope[row]):
            found.append((row, float(size)))
    return found


def _change_point(
    strip: CanalStrip, signal: FloatArray, noise: float, first: int, last: int
) -> float:
    """End that best splits the density into a sloping fill and nothing (least squares)."""
    step = strip.s_step
    back, ahead = round(2.5 / step), round(1.5 / step)
    low = max(first + round(0.6 / step), last - round(1.5 / step))
    high = min(len(signal) - 3, last + round(1.0 / step))
    # One window for all candidates, so that their sums of squares compare.
    a, b = max(first, low - back), min(len(signal), high + ahead)
    ends = np.arange(max(low, a + 5), min(high, b - 2))
    if len(ends) == 0:
        return float(strip.s[last] - step / 2.0)
    y = signal[a:b] - signal[a:b].mean()
    i = np.arange(b - a, dtype=np.float64)
    n = ends - a
    sum_y, sum_iy = (np.cumsum(v)[n - 1] for v in (y, i * y))
    # Straight line through the first n values, and one level through the others.
    power = n * (n**2 - 1.0) / 12.0
    slope = (sum_iy - (n - 1) / 2.0 * sum_y) / power
    at_end = sum_y / n + slope * (n + 1) / 2.0
    after = -sum_y / (b - ends)
    cost = -(sum_y**2 / n + slope**2 * power + after**2 * (b - ends))
    clear = at_end > after + noise
    best = ends[int(np.argmin(np.where(clear, cost, np.inf)))] if clear.any() else last
    return float(strip.s[best] - step / 2.0)


def _rod(s: FloatArray, t: FloatArray, parameters: FloatArray) -> FloatArray:
    """Thickness of a tapering round rod with a rounded tip.

    Parameters
    ----------
    s : ndarray, shape (N, 1)
    t : ndarray, shape (1, M)
    parameters : ndarray, shape (K, 4)
        End, half-width there, taper to either side, place across.

    Returns
    -------
    ndarray, shape (K, N, M)
    """
    end, half, taper, across = parameters.T[:, :, None, None]
    depth = end - s  # distance coronal of the tip's extremity
    radius = np.maximum(half + taper * np.maximum(depth, 0.0), 0.02)
    tip = np.clip(depth / np.maximum(half, 0.02), 0.0, 1.0)
    profile = radius**2 * (1.0 - (1.0 - tip) ** 2)
    return np.asarray(np.sqrt(np.maximum(profile - (t - across) ** 2, 0.0)))


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
    tilts = np.broadcast_arrays(1.0, s - s.mean(), t - t.mean())
    background = np.stack([v.ravel() / np.linalg.norm(v) for v in tilts], axis=-1)
    data = without(background, strip.values[np.ix_(near_s, near_t)].ravel())
    blur_px = (0.0, width.blur / strip.s_step, width.blur / strip.t_step)

    def shapes(parameters: FloatArray) -> FloatArray:
        blurred = ndimage.gaussian_filter(_rod(s, t, parameters), blur_px, mode="nearest")
        return without(background, blurred.reshape(len(parameters), -1))

    def residuals(parameters: FloatArray) -> FloatArray:
        shape = shapes(parameters)
        return np.asarray(data - height(shape, data) * shape)

    best: Fit | None = None
    for shift in (0.0, -0.3, 0.3):
        fit = levenberg_marquardt(
            residuals,
            (guess + shift, max(half0, 0.06), 0.02, 0.0),
            low=(guess - 0.9, 0.04, -0.01, -0.3),
            high=(guess + 0.9, max(0.4, 2 * half0), 0.12, 0.3),
            step=CONE_STEP,
        )
        if best is None or fit.cost < best.cost:
            best = fit
        if shift == 0.0 and abs(float(fit.parameters[0]) - guess) < 0.15:
            break
    if best is None or height(shapes(best.parameters[None]), data)[0, 0] <= 0.0:
        return None
    variance = best.cost / max(len(data) - 8, 1)
    information = best.jacobian.T @ best.jacobian
    try:
        # Neighbouring samples of the strip share their noise (about 4 each way).
        u = float(np.sqrt(np.linalg.inv(information)[0, 0] * variance * 4.0))
    except np.linalg.LinAlgError:
        return None
    return float(best.parameters[0]), float(best.parameters[3]), min(u, 1.0)
