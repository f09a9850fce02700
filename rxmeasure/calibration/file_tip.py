"""Tip of a file, on the picture straightened along the file.

Two looks at the same end. The contrast along the file's middle is held against what a
tapering rod of each usual tip size would show, for each place of the tip: this gives odds
of every place, and tells when texture or another file leaves several. A blurred rod
fitted to the picture then gives the fraction of a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize
from scipy.signal import savgol_filter

from rxmeasure.calibration.file_strip import STEP_MM, FileStrip
from rxmeasure.geometry import FloatArray

#: Steps along and across the file when its tip is looked at (mm).
ROW_MM, FIT_STEP_MM = 2.0 * STEP_MM, 0.05
#: Share of the line from its coronal end in which no tip is looked for (choice).
NO_TIP_SHARE = 0.45
#: Taper of a hand file, and the length over which it tapers (mm; ISO 3630-1).
TAPER, TAPERED_MM = 0.02, 16.0
#: Tip diameters that are tried (mm; sizes 06 to 40 of ISO 3630-1).
TIP_SIZES_MM = (0.06, 0.08, 0.10, 0.15, 0.20, 0.25, 0.30, 0.40)
#: A file's tip closes over about this length (mm; choice).
TIP_ROUND_MM = 0.2
#: Blur of an intra-oral film from which the fit starts, standard deviation (mm; choice).
BLUR_MM = 0.055
#: Window of the fit, coronal and apical of the tip, and to either side (mm).
TIP_WINDOW_MM = (3.0, 1.8, 0.3)

#: How far coronal and apical of the rough end the contrast is looked at (mm; choice).
LOOK_MM = (6.0, 4.5)
#: Ridge scale across the file near its tip (mm).
RIDGE_MM = 0.08
#: How far the file may lie from the followed line, and where lines without a file are drawn to
#: learn what texture alone gives (mm; choice).
OFF_LINE_MM, BESIDE_MM = 0.45, 1.1
#: What lying off by that much costs a row, as a share of the file's contrast (choice).
OFF_LINE_COST = 0.2
#: Rows joined for the odds: over this length texture is alike (mm).
BIN_MM = 0.12
#: Blades and an uneven root change the contrast by about this share from place to place, and
#: over 5 mm by about that much (linear, quadratic; read off random phantoms).
UNEVEN, DRIFT = 0.08, (0.25, 0.15)
#: A bin farther off than this many standard deviations counts no more (choice).
CLIPPED_SD = 3.5


@dataclass(frozen=True, slots=True, kw_only=True)
class TipFit:
    """Tip of a file.

    Attributes
    ----------
    s, u : float
        Place along the line and its standard uncertainty, mm.
    clearness : float
        Contrast over what the fit leaves.
    sure : float
        Odds that the tip lies within `NEAR_MM` of ``s``, 0..1.
    other_s : float or None
        Another place that has hardly smaller odds.
    rival_mm : float
        Length of the last 6 mm along which another line of half the contrast lies close by.
    """

    s: float
    u: float
    clearness: float
    sure: float
    other_s: float | None
    rival_mm: float


#: Places of the tip this near to each other are the same (mm; choice, as for the end of a fill).
NEAR_MM = 0.25


def contrast_end(strip: FileStrip, sigma: float) -> float | None:
    """Row from which on the line's contrast is best called none; a first, rough look.

    Parameters
    ----------
    strip : FileStrip
    sigma : float
        Ridge scale of the thin part of the file, mm.
    """
    step = sigma / 4.0
    offsets = np.arange(-16.0, 17.0) * step
    rows = strip.pixels(offsets)
    bowed = -16.0 * ndimage.gaussian_filter1d(rows, 4.0, axis=1, order=2, mode="nearest")
    contrast = bowed[:, 13:20].max(axis=1)
    first = int(np.searchsorted(strip.s, NO_TIP_SHARE * strip.length))
    if len(contrast) - first < 60:
        return None
    m = ndimage.gaussian_filter1d(contrast, 2.0)[first:]
    x = np.linspace(-1.0, 1.0, len(m))
    basis = np.stack([np.ones_like(x), x, x**2], axis=1)
    gram = np.cumsum(basis[:, :, None] * basis[:, None, :], axis=0)
    right = np.cumsum(basis * m[:, None], axis=0)
    explained = np.full(len(m), -np.inf)
    solved = np.linalg.solve(gram[20:], right[20:, :, None])[..., 0]
    explained[20:] = (right[20:] * solved).sum(axis=1)
    # Rows after the end cost their own square; rows before it only what the fit leaves. A row
    # more before the end has to explain more than texture would.
    level = float(np.median(m[:60]))
    penalty = (0.25 * level) ** 2 * np.arange(len(m))
    return float(strip.s[first + int(np.argmax(explained - penalty))])


def find_tip(strip: FileStrip, rough: float) -> TipFit | None:
    """Tip of the file near a rough end, or None when no end shows.

    Parameters
    ----------
    strip : FileStrip
    rough : float
        Place along the line, some millimetres off at most.
    """
    seen = _contrast(strip, rough)
    if seen is None:
        return None
    odds = _tip_odds(seen, rough)
    likely = float(odds.s[int(np.argmax(odds.odds))])
    free = _rod_fit(strip, seen, likely, np.arange(-2.5, 1.51, 0.25))
    if free is None:
        return None
    fits = [free]
    if abs(free.s - likely) > NEAR_MM:
        near = _rod_fit(strip, seen, likely, np.arange(-0.25, 0.26, 0.25))
        fits += [near] if near is not None else []
    best = max(fits, key=lambda fit: odds.near(fit.s) * fit.fits)
    rest = [fit.s for fit in fits if abs(fit.s - best.s) > NEAR_MM]
    if abs(likely - best.s) > NEAR_MM:
        rest.append(likely)
    sure = odds.near(best.s)
    return TipFit(
        s=best.s,
        u=float(np.hypot(best.u, odds.spread(best.s))),
        clearness=best.clearness,
        sure=sure if not rest else 0.5 * sure,
        other_s=rest[0] if rest else None,
        rival_mm=seen.rival_before(best.s),
    )


# --- contrast along the file ------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Contrast:
    """Contrast along the file's middle, as a share of that of its thicker part.

    ``beside``: the same along lines where there is no file. ``middle``: offset of the file from
    the strip's line. ``rival``: largest contrast of other lines close by.
    """

    s: FloatArray
    along: FloatArray
    beside: FloatArray
    middle: FloatArray
    rival: FloatArray

    def middle_near(self, tip: float, s: FloatArray) -> FloatArray:
        """Offset of the file, smooth, that goes on straight from the tip."""
        near = (self.s > tip - 3.0) & (self.s < tip - 0.1)
        if near.sum() < 10:
            return np.zeros_like(s)
        bend = np.polynomial.Polynomial.fit(self.s[near], self.middle[near], 2)
        last = min(tip - 0.1, float(self.s[near][-1]))
        inside = np.clip(s, tip - 3.0, last)
        return np.asarray(bend(inside) + (s - inside) * bend.deriv()(inside))

    def rival_before(self, tip: float) -> float:
        near = (self.s > tip - LOOK_MM[0]) & (self.s < tip - 0.1)
        return float(ROW_MM * (self.rival > 0.5 * self.along)[near].sum())


def _contrast(strip: FileStrip, rough: float) -> _Contrast | None:
    near = np.flatnonzero((strip.s > rough - LOOK_MM[0]) & (strip.s < rough + LOOK_MM[1]))[::2]
    if len(near) < 60:
        return None
    reach = OFF_LINE_MM + BESIDE_MM
    offsets = np.arange(-reach, reach + 1e-9, FIT_STEP_MM)
    rows = strip.pixels(offsets, near)
    scale = RIDGE_MM / FIT_STEP_MM
    ridge = -(scale**2) * ndimage.gaussian_filter1d(rows, scale, axis=1, order=2, mode="nearest")
    level = float(np.median(ridge[:40][:, np.abs(offsets) < 0.11].max(axis=1)))
    if level <= 0.0:
        return None
    ridge /= level
    bands = [
        np.abs(offsets - centre) <= OFF_LINE_MM + 1e-9 for centre in (0.0, -BESIDE_MM, BESIDE_MM)
    ]
    away = (offsets[bands[0]] / OFF_LINE_MM) ** 2
    pictures = np.stack([ridge[:, band] for band in bands]).clip(-0.3, 1.0)
    tracks = _tracks(pictures - OFF_LINE_COST * away)
    middles = [
        savgol_filter(offsets[band][track], 11, 2, mode="interp")
        for band, track in zip(bands, tracks, strict=True)
    ]

    def at(offset: FloatArray) -> FloatArray:
        columns = (offset - offsets[0]) / FIT_STEP_MM
        where = np.broadcast_arrays(np.arange(len(near))[:, None], columns)
        return np.asarray(ndimage.map_coordinates(ridge, where, order=1, mode="nearest"))

    aside = np.arange(0.25, 0.91, FIT_STEP_MM)
    return _Contrast(
        s=strip.s[near],
        along=at(middles[0][:, None])[:, 0],
        beside=np.concatenate([at(m[:, None])[:, 0] for m in middles[1:]]),
        middle=middles[0],
        rival=at(middles[0][:, None] + np.concatenate([-aside, aside])).max(axis=1),
    )


def _tracks(ridge: FloatArray) -> list[NDArray[np.intp]]:
    """The clearest smooth track through each picture; shape (pictures, rows, columns)."""
    bend_cost = 0.3
    best = ridge[:, 0].copy()
    came = np.zeros(ridge.shape, dtype=np.intp)
    edge = np.full((len(ridge), 1), -np.inf)
    for k in range(1, ridge.shape[1]):
        options = np.stack(
            [
                np.concatenate([edge, best[:, :-1]], axis=1) - bend_cost,
                best,
                np.concatenate([best[:, 1:], edge], axis=1) - bend_cost,
            ]
        )
        choice = options.argmax(axis=0)
        came[:, k] = choice - 1
        best = np.take_along_axis(options, choice[None], axis=0)[0] + ridge[:, k]
    tracks = []
    for picture in range(len(ridge)):
        track = np.empty(ridge.shape[1], dtype=np.intp)
        track[-1] = best[picture].argmax()
        for k in range(len(track) - 1, 0, -1):
            track[k - 1] = track[k] + came[picture, k, track[k]]
        tracks.append(track)
    return tracks


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _TipOdds:
    """Odds of each place of the tip; they sum to 1."""

    s: FloatArray
    odds: FloatArray

    def near(self, tip: float) -> float:
        """Odds that the tip lies near a place."""
        return float(self.odds[np.abs(self.s - tip) <= NEAR_MM].sum())

    def spread(self, tip: float) -> float:
        """Root mean square distance from a place of the tips that lie elsewhere, mm."""
        far = np.abs(self.s - tip) > NEAR_MM
        return float(np.sqrt((self.odds[far] * (self.s[far] - tip) ** 2).sum()))


def _tip_odds(seen: _Contrast, rough: float) -> _TipOdds:
    """Odds of each place of the tip, from the contrast along the file.

    Before the tip the contrast is that of a rod of one of `TIP_SIZES_MM`, changing slowly;
    beyond it that of texture. Least squares with priors, each size equally likely.
    """
    per_bin = round(BIN_MM / ROW_MM)
    bins = len(seen.s) // per_bin
    s, along = (
        values[: bins * per_bin].reshape(bins, per_bin).mean(axis=1)
        for values in (seen.s, seen.along)
    )
    none = float(np.median(seen.beside))
    texture = max(0.03, 1.4826 * float(np.median(np.abs(seen.beside - none))))
    sd = np.hypot(texture, UNEVEN * ndimage.gaussian_filter1d(along, 2.0).clip(0.0, 1.5))
    places = np.arange(s[0] + 2.0, s[-1] - 0.4, 0.5 * BIN_MM)
    to_tip = places[:, None] - s
    drift = (to_tip - 3.0) / 5.0
    known = np.array([0.0, DRIFT[0] ** -2, DRIFT[1] ** -2, (0.5 * texture) ** -2])
    expected = np.array([0.0, 0.0, 0.0, none])
    log_odds = np.full((len(places), len(TIP_SIZES_MM)), -np.inf)
    for k, size in enumerate(TIP_SIZES_MM):
        rod = np.interp(to_tip, *_rod_contrast(size))
        terms = np.stack([rod, rod * drift, rod * drift**2, np.ones_like(rod)], axis=2)
        terms /= sd[:, None]
        normal = np.einsum("tki,tkj->tij", terms, terms) + np.diag(known)
        right = np.einsum("tki,k->ti", terms, along / sd) + known * expected
        solved = np.linalg.solve(normal, right[..., None])[..., 0]
        left = along / sd - np.einsum("tki,ti->tk", terms, solved)
        cost = (left.clip(-CLIPPED_SD, CLIPPED_SD) ** 2).sum(axis=1)
        log_odds[:, k] = -0.5 * (cost + (known * (solved - expected) ** 2).sum(axis=1))
    odds = np.exp(log_odds - log_odds.max()).sum(axis=1)
    return _TipOdds(s=places, odds=odds / odds.sum())


@cache
def _rod_contrast(size_mm: float) -> tuple[FloatArray, FloatArray]:
    """Distance from the tip (negative beyond it) and the contrast there; 1 at 5 mm."""
    step = 0.01
    to_tip = np.arange(-14.0, 22.0, step)
    across = np.linspace(-1.5, 1.5, 301)
    wide = float(np.hypot(RIDGE_MM, BLUR_MM))
    bell = np.exp(-0.5 * (across / wide) ** 2) * (1.0 - (across / wide) ** 2)
    diameters = np.linspace(0.0, 0.8, 81)
    chords = 2.0 * np.sqrt((0.25 * diameters[:, None] ** 2 - across**2).clip(0.0))
    diameter = 2.0 * _half_width(to_tip, 0.5 * size_mm)
    contrast = ndimage.gaussian_filter1d(
        np.interp(diameter, diameters, chords @ bell), BLUR_MM / step
    )
    return to_tip, contrast / np.interp(5.0, to_tip, contrast)


def _half_width(to_tip: FloatArray, half_tip: float) -> FloatArray:
    """Half-width of a file with a rounded tip; none beyond it."""
    rounded = np.sqrt(1.0 - np.clip(1.0 - to_tip / TIP_ROUND_MM, 0.0, 1.0) ** 2)
    return np.asarray((half_tip + 0.5 * TAPER * np.clip(to_tip, 0.0, TAPERED_MM)) * rounded)


# --- the rod ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _RodFit:
    """Place of the tip, its uncertainty, contrast to noise, and the share that is explained."""

    s: float
    u: float
    clearness: float
    fits: float


def _rod_fit(
    strip: FileStrip, seen: _Contrast, likely: float, shifts: FloatArray
) -> _RodFit | None:
    """A blurred, tapering, rounded rod on a smooth background, tried at each shift."""
    before, after, side = TIP_WINDOW_MM
    near = np.flatnonzero((strip.s > likely - before) & (strip.s < likely + after))[::2]
    offsets = np.arange(-side, side + 1e-9, FIT_STEP_MM)
    s = strip.s[near]
    if len(s) < 20 or s[-1] < likely + 0.4:
        return None
    picture = strip.pixels(offsets + seen.middle_near(likely, s)[:, None], near)
    across, _ = np.linalg.qr(np.stack([offsets**k for k in range(3)], axis=1))

    def without_background(picture: FloatArray) -> FloatArray:
        """What a quadratic across the file leaves of each row: no root, no bone edge along it."""
        return np.asarray((picture - (picture @ across) @ across.T).ravel())

    target = without_background(picture - picture.mean())

    def model(p: FloatArray) -> tuple[FloatArray, float]:
        shape = without_background(_rod(p, s, offsets, likely))
        return shape, float(shape @ target / (shape @ shape + 1e-12))

    def residual(p: FloatArray) -> FloatArray:
        shape, contrast = model(p)
        return target - contrast * shape

    starts = [
        np.array([likely + shift, 0.0, 0.0, half_tip, BLUR_MM])
        for shift in shifts
        for half_tip in (0.05, 0.09)
    ]
    start = min(starts, key=lambda p: float((residual(p) ** 2).sum()))
    low = [likely + shifts[0] - 0.2, -0.25, -0.2, 0.025, 0.02]
    high = [likely + shifts[-1] + 0.1, 0.25, 0.2, 0.22, 0.12]
    fit = optimize.least_squares(
        residual, start, bounds=(low, high), x_scale=(0.1, 0.03, 0.03, 0.02, 0.02), max_nfev=20
    )
    left = float((residual(fit.x) ** 2).mean())
    # Texture is alike over about 0.15 mm: so many pixels count as one.
    alike = 0.15**2 / (ROW_MM * FIT_STEP_MM)
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * left * alike
    shape, contrast = model(fit.x)
    return _RodFit(
        s=float(fit.x[0]),
        u=float(np.sqrt(covariance[0, 0])),
        clearness=float(contrast * np.ptp(shape) / (np.sqrt(left) + 1e-9)),
        fits=1.0 - left / float((target**2).mean() + 1e-12),
    )


def _rod(p: FloatArray, s: FloatArray, offsets: FloatArray, about: float) -> FloatArray:
    """Thickness of a blurred rod with a rounded tip: end, side offset, slope, half-width, blur."""
    end, middle, slope, half_tip, blur = p
    half = _half_width(end - s, half_tip)
    fine = np.arange(-1, 2) / 3.0 * FIT_STEP_MM
    d = offsets[None, :, None] - middle - slope * (s[:, None, None] - about) + fine
    chord = np.sqrt(np.clip(half[:, None, None] ** 2 - d**2, 0.0, None)).mean(axis=2)
    sigma = (blur / ROW_MM, blur / FIT_STEP_MM)
    return np.asarray(ndimage.gaussian_filter(chord, sigma, mode="nearest", truncate=3.0))
