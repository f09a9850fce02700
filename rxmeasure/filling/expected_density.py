"""What a fill without voids would show: its outline and its density along the canal.

Model: a rod whose outline, and the density that a given width shows, change slowly.
Density follows a power of the width times a slow curve, and falls over a bright
background, because grey scales are not linear in thickness. Everything is fitted
robustly over the whole fill, so that a void does not describe itself.

A waist or a step narrows both walls and lowers the density of the middle; a gap at
one wall leaves the middle as it is. Where both edges come in, the density says which
of the two it is: the traced line itself gives way to a wall gap, so that a gap of one
wall shows as a dent of both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from rxmeasure.filling.blurred_chord import blurred_chord
from rxmeasure.filling.fill_end import FillExtent
from rxmeasure.filling.strip import CanalStrip
from rxmeasure.filling.width import WidthProfile
from rxmeasure.geometry import FloatArray

#: Stretch at either end of the fill that does not describe it (mm).
LEFT_OUT_MM = 0.2
#: Shortest stretch that can be described (mm).
LEAST_MM = 2.0
#: Places across the fill, in half-widths, and their distance.
ACROSS = np.linspace(-1.3, 1.3, 37)
ACROSS_STEP = float(ACROSS[1] - ACROSS[0])
#: Part of the section in which the density is read (half-widths). Voids only lower it: it is
#: an upper quantile there, a higher one where a wall gap may reach the middle.
INNER = 0.6
DENSITY_QUANTILE = 0.6
MIDDLE_QUANTILE = 0.75
#: Polynomial degree of the edges and of the density along the fill.
DEGREE = 2
#: Stretch over which a change of outline is read (mm), and how far one edge alone may leave
#: its smooth course: share of the width, and in mm.
OUTLINE_MM = 0.8
EDGE_LEAVE_SHARE = 0.03
EDGE_LEAVE_MM = 0.01
#: Dent of both edges from which its cause is asked for (mm).
LEAST_DENT_MM = 0.02
#: A dent of both edges is a waist or a step as far as the density falls with it (share of the
#: fall expected) and as far as both dents are alike (share); where it begins and is sure.
LIKENESS_WEIGHT = 1.2
WAIST_EVIDENCE = (1.05, 1.25)
#: Power with which density follows width, with its standard deviation: 1 for a linear grey
#: scale and a round section.
WIDTH_POWER = (0.9, 0.15)
#: Standard deviations that the bend of the density and the pull of the background may have.
BEND_SD, BACKGROUND_SD = 0.3, 0.5
#: Rounds of the robust fits.
ROUNDS = 7
#: Length over which the grain of the film makes rows alike (mm).
ALIKE_MM = 0.2
#: Smoothing of outline and background along the canal, and its slow part (mm).
ALONG_MM = 0.1
SLOW_MM = 1.0
#: Stretch to either side that carries the edge across a gap (mm).
CARRY_MM = 1.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FillDensity:
    """A fill normalised in width: expected and missing density; plane units.

    Attributes
    ----------
    s : ndarray, shape (N,)
        Arc distances of the rows described.
    rows : ndarray of int, shape (N,)
        Their rows in the strip.
    left, right : ndarray, shape (N,)
        Expected edges.
    density : ndarray, shape (N,)
        Grey level of the middle over the background.
    expected : ndarray, shape (N,)
        What the whole fill lets one expect there.
    missing : ndarray, shape (N, M)
        Expected minus found density, positive where something is missing.
    template : ndarray, shape (N, M)
        Expected density.
    width : WidthProfile
    blur : float
        Standard deviation of the picture's blur.
    """

    s: FloatArray
    rows: NDArray[np.int_]
    left: FloatArray
    right: FloatArray
    density: FloatArray
    expected: FloatArray
    missing: FloatArray
    template: FloatArray
    width: WidthProfile
    blur: float

    @property
    def half(self) -> FloatArray:
        """Expected half-width, shape (N,)."""
        return np.maximum((self.right - self.left) / 2.0, 0.05)

    @property
    def centre(self) -> FloatArray:
        """Middle between the expected edges, shape (N,)."""
        return (self.left + self.right) / 2.0

    @property
    def step(self) -> float:
        """Step along the canal."""
        return float(self.s[1] - self.s[0])

    @property
    def share(self) -> FloatArray:
        """Missing density as a share of the expected one of the middle, shape (N, M)."""
        return self.missing / self.expected[:, None]


def describe_density(
    strip: CanalStrip,
    width: WidthProfile,
    extent: FillExtent,
    without: NDArray[np.bool_] | None = None,
) -> FillDensity | None:
    """Expected and missing density of a fill, or None when it is too short (2 mm).

    Parameters
    ----------
    strip : CanalStrip
    width : WidthProfile
    extent : FillExtent
    without : ndarray of bool, shape (N, 2), optional
        Described rows in which the left, the right edge is that of a gap; as from an
        earlier description of the same fill.
    """
    last = min(extent.core_s, extent.end_s) - LEFT_OUT_MM
    rows = np.flatnonzero((strip.s > extent.start_s + LEFT_OUT_MM) & (strip.s < last))
    if len(rows) * strip.s_step < LEAST_MM:
        return None
    s = strip.s[rows]
    left, right = _outline(strip, width, rows, without)
    half = np.maximum((right - left) / 2.0, 0.05)
    t = (left + right)[:, None] / 2.0 + ACROSS[None, :] * half[:, None]
    slow, fine = _background(strip, rows, left, right, width.blur, t)
    over = _sampled(strip, rows, t) - slow
    inner = np.abs(ACROSS) < INNER
    chord = blurred_chord(ACROSS[None, :], (width.blur / half)[:, None])
    density = np.quantile(over[:, inner] / chord[:, inner], DENSITY_QUANTILE, axis=1)
    expected = _expected(s, density, half, np.median(slow[:, inner], axis=1), strip.s_step)
    shape = np.median(over / expected[:, None] - chord, axis=0)
    template = expected[:, None] * (chord + shape[None, :])
    missing = template - over
    missing += _shown_through(fine, missing, inner) * fine
    return FillDensity(
        s=s,
        rows=rows,
        left=left,
        right=right,
        density=density,
        expected=expected,
        missing=missing,
        template=template,
        width=width,
        blur=width.blur,
    )


def robust_curve(x: FloatArray, y: FloatArray, degree: int, weight: FloatArray) -> FloatArray:
    """Polynomial through ``y`` that a minority of departures does not pull (Tukey weights)."""
    basis = np.polynomial.legendre.legvander(_centred(x), degree)
    # Repeated medians (Siegel 1982) start the fit: they bear departures on up to half of it.
    used = np.flatnonzero(weight > 0.0)[::3]
    slope, intercept = stats.siegelslopes(y[used], x[used])
    fitted = np.asarray(intercept + slope * x)
    for k in range(ROUNDS):
        r = y - fitted
        sd = 1.4826 * float(np.median(np.abs(r[weight > 0.0]))) + 1e-9
        cut = max(4.7 - 0.4 * k, 3.0) * sd
        w = weight * np.clip(1.0 - (r / cut) ** 2, 0.0, 1.0) ** 2 + 1e-9
        fitted = basis @ np.linalg.solve((basis * w[:, None]).T @ basis, basis.T @ (w * y))
    return np.asarray(fitted)


def _outline(
    strip: CanalStrip,
    width: WidthProfile,
    rows: NDArray[np.int_],
    without: NDArray[np.bool_] | None,
) -> tuple[FloatArray, FloatArray]:
    """Expected edges: a smooth course, what both walls do together, and little else."""
    s = strip.s[rows]
    seen = [width.left[rows], width.right[rows]]
    trust = np.clip(width.edge_strength[rows] / 5.0, 0.05, 1.0)
    weights = [trust, trust]
    if without is not None:
        weights = [np.where(without[:, k], 0.0, trust) for k in (0, 1)]
        seen = [_carried(s, seen[k], without[:, k]) for k in (0, 1)]
    left, right = (
        robust_curve(s, edge, DEGREE, weight) for edge, weight in zip(seen, weights, strict=True)
    )

    def middle(values: FloatArray, length: float) -> FloatArray:
        return _running_median(values, length, strip.s_step)

    def smooth(values: FloatArray) -> FloatArray:
        return ndimage.gaussian_filter1d(values, ALONG_MM / strip.s_step, mode="nearest")

    dents = [middle(d, OUTLINE_MM / 2.0) for d in (seen[0] - left, right - seen[1])]
    both = np.where(dents[0] * dents[1] > 0.0, np.sign(dents[0]), 0.0)
    both = middle(both * np.minimum(*np.abs(dents)), OUTLINE_MM)
    waist = _waist(strip, width, rows, (left, right), dents, both)
    # A wall gap that the traced line gave way to: the outline moves back over the gap.
    aside = smooth((1.0 - waist) * both) * np.where(smooth(dents[0] - dents[1]) > 0.0, 1.0, -1.0)
    narrower = smooth(waist * both)
    left, right = left + narrower - aside, right - narrower - aside
    leave = EDGE_LEAVE_SHARE * (right - left) + EDGE_LEAVE_MM
    if without is not None:
        leave = leave + EDGE_LEAVE_MM
    own = [np.clip(middle(d, OUTLINE_MM), -leave, leave) for d in (seen[0] - left, right - seen[1])]
    return left + smooth(own[0]), right - smooth(own[1])


def _waist(
    strip: CanalStrip,
    width: WidthProfile,
    rows: NDArray[np.int_],
    edges: tuple[FloatArray, FloatArray],
    dents: list[FloatArray],
    both: FloatArray,
) -> FloatArray:
    """How far (0 to 1) each dent of both edges is a narrower fill, not a wall gap."""
    half = np.maximum((edges[1] - edges[0]) / 2.0, 0.05)
    u = np.linspace(-INNER, INNER, 13)
    t = (edges[0] + edges[1])[:, None] / 2.0 + u[None, :] * half[:, None]
    over = _sampled(strip, rows, t) - width.background[rows][:, None]
    density = np.quantile(over / np.sqrt(1.0 - u * u), MIDDLE_QUANTILE, axis=1)
    expected = np.log(_expected(strip.s[rows], density, half, None, strip.s_step))
    lack = _running_median(_log(density) - expected, OUTLINE_MM, strip.s_step)
    narrow = WIDTH_POWER[0] * np.log(np.clip(1.0 - both / half, 0.2, 1.0))
    small, large = np.sort(np.abs(dents), axis=0)
    waist = np.ones_like(both)
    labels, count = ndimage.label(both > LEAST_DENT_MM)
    low, high = WAIST_EVIDENCE
    for label in range(1, count + 1):
        dent = labels == label
        evidence = float(lack[dent].sum() / narrow[dent].sum())
        evidence += LIKENESS_WEIGHT * float(small[dent].sum() / large[dent].sum())
        # The dent's rim belongs to it.
        waist[ndimage.binary_dilation(dent, iterations=round(OUTLINE_MM / strip.s_step))] = np.clip(
            (evidence - low) / (high - low), 0.0, 1.0
        )
    return waist


def _expected(
    s: FloatArray,
    density: FloatArray,
    half: FloatArray,
    background: FloatArray | None,
    step: float,
) -> FloatArray:
    """Density that the whole fill lets one expect in each row.

    Robust regression (Tukey weights) of the logarithm on place, logarithm of the width
    and background, with Gaussian priors on what a short fill does not tell apart.
    """
    y = _log(density)
    columns = [
        *np.polynomial.legendre.legvander(_centred(s), DEGREE).T,
        np.log(half / np.median(half)),
    ]
    power, power_sd = WIDTH_POWER
    prior = np.zeros(len(columns) + (background is not None))
    penalty = np.zeros_like(prior)
    prior[DEGREE + 1], penalty[DEGREE + 1] = power, power_sd**-2
    penalty[DEGREE] = BEND_SD**-2
    if background is not None:
        columns.append((background - background.mean()) / np.exp(np.median(y)))
        penalty[-1] = BACKGROUND_SD**-2
    basis = np.column_stack(columns)
    fitted = power * columns[DEGREE + 1]
    fitted = fitted + np.quantile(y - fitted, DENSITY_QUANTILE)
    for k in range(ROUNDS):
        r = y - fitted
        sd = max(1.4826 * float(np.median(np.abs(r))), 0.01)
        cut = max(4.7 - 0.4 * k, 3.0) * sd
        w = (np.clip(1.0 - (r / cut) ** 2, 0.0, 1.0) ** 2 + 1e-6) * step / (ALIKE_MM * sd**2)
        normal = (basis * w[:, None]).T @ basis + np.diag(penalty)
        fitted = basis @ np.linalg.solve(normal, basis.T @ (w * y) + penalty * prior)
    return np.asarray(np.exp(fitted))


def _log(density: FloatArray) -> FloatArray:
    """Logarithm, held up where nothing is left of the fill."""
    return np.asarray(np.log(np.maximum(density, 0.05 * float(np.median(np.abs(density))) + 1e-6)))


def _background(
    strip: CanalStrip,
    rows: NDArray[np.int_],
    left: FloatArray,
    right: FloatArray,
    blur: float,
    t: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Grey level behind the fill from both its sides: the slow part, and the finer one."""
    slow, fine, places = [], [], []
    for edge, sign in ((left, -1.0), (right, 1.0)):
        near = edge + sign * (1.6 * blur + 0.02)
        samples = near[:, None] + sign * np.linspace(0.0, 0.2, 5)[None, :]
        level = _sampled(strip, rows, samples).mean(axis=1)
        calm = ndimage.gaussian_filter1d(
            _running_median(level, SLOW_MM, strip.s_step),
            2.0 * ALONG_MM / strip.s_step,
            mode="nearest",
        )
        slow.append(calm)
        fine.append(
            ndimage.gaussian_filter1d(level, ALONG_MM / strip.s_step, mode="nearest") - calm
        )
        places.append(samples.mean(axis=1))
    share = (t - places[0][:, None]) / (places[1] - places[0])[:, None]
    between = [a[:, None] * (1.0 - share) + b[:, None] * share for a, b in (slow, fine)]
    return np.asarray(between[0]), np.asarray(between[1])


def _shown_through(fine: FloatArray, missing: FloatArray, inner: NDArray[np.bool_]) -> float:
    """Share (0 to 1) of the texture beside the fill that also shows over it."""
    beside = fine[:, inner].mean(axis=1)
    over = -missing[:, inner].mean(axis=1)
    beside, over = beside - np.median(beside), over - np.median(over)
    limit = 3.0 * 1.4826 * float(np.median(np.abs(over))) + 1e-9
    share = float(beside @ np.clip(over, -limit, limit)) / (float(beside @ beside) + 1e-9)
    return float(np.clip(share, 0.0, 1.0))


def _carried(s: FloatArray, edge: FloatArray, gap: NDArray[np.bool_]) -> FloatArray:
    """An edge with its gaps bridged by a parabola through the stretches beside them."""
    edge = edge.copy()
    labels, count = ndimage.label(gap)
    for label in range(1, count + 1):
        inside = labels == label
        lo, hi = float(s[inside][0]), float(s[inside][-1])
        before = ~gap & (s < lo) & (s > lo - CARRY_MM)
        after = ~gap & (s > hi) & (s < hi + CARRY_MM)
        beside = before | after
        if beside.sum() < 6:
            continue
        degree = 2 if before.sum() > 6 and after.sum() > 6 else 1
        middle = (lo + hi) / 2.0
        edge[inside] = np.polyval(
            np.polyfit(s[beside] - middle, edge[beside], degree), s[inside] - middle
        )
    return edge


def _sampled(strip: CanalStrip, rows: NDArray[np.int_], t: FloatArray) -> FloatArray:
    """Grey levels at places ``t`` across the given rows, shape of ``t``."""
    column = (t - strip.t[0]) / strip.t_step
    index = np.broadcast_to(rows[:, None], column.shape)
    return np.asarray(
        ndimage.map_coordinates(strip.values, np.stack([index, column]), order=1, mode="nearest")
    )


def _running_median(values: FloatArray, length: float, step: float) -> FloatArray:
    return np.asarray(
        ndimage.median_filter(values, max(3, round(length / step) | 1), mode="nearest")
    )


def _centred(x: FloatArray) -> FloatArray:
    """``x`` mapped to -1..1."""
    return np.asarray(2.0 * (x - x.min()) / max(float(np.ptp(x)), 1e-9) - 1.0)
