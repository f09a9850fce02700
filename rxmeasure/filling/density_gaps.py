"""Voids: places where the fill shows less density than it should.

Model: along one fill the edges, the density and the shape of the cross-section
change slowly; each is described robustly over the whole fill, so that a void
does not describe itself. The cross-section is the blurred chord of a rod times
what this fill shows in most of its rows. What is missing against that
description is looked at on several scales, each measured in its own robust
noise, column by column.

A void at the very end of the fill cannot be told from the end
(:data:`BLIND_APICAL_MM`); one that accompanies the whole fill describes the fill.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, special, stats

from rxmeasure.filling.blurred_chord import blurred_chord
from rxmeasure.filling.fill_end import FillExtent
from rxmeasure.filling.strip import CanalStrip
from rxmeasure.filling.width import WidthProfile
from rxmeasure.geometry import FloatArray

#: Stretch at the apical and at the coronal end of the fill that is not searched (mm): the
#: shape of the tip and the blend with the restoration look like voids.
BLIND_APICAL_MM = 0.7
BLIND_CORONAL_MM = 0.4
#: Within this distance of the apical and the coronal end (mm) a void has to be so many times
#: clearer.
END_ZONE_MM = (1.5, 1.2)
END_STRICTNESS = 2.0
#: Places across the fill, in half-widths.
ACROSS = np.linspace(-1.25, 1.25, 36)
#: Polynomial degree of the edges and of the density along the fill.
EDGE_DEGREE = 2
DENSITY_DEGREE = 3
#: How far either edge may leave its smooth course: share of the width, and in mm; and the
#: stretch over which it is read (mm).
EDGE_LEAVE_SHARE = 0.03
EDGE_LEAVE_MM = 0.01
EDGE_LOCAL_MM = 0.8
#: How far the shape of the cross-section may change along the fill.
LOCAL_SHARE = 0.5
#: Scales of the search: standard deviations along the canal (mm) and across (half-widths).
SCALES = ((0.07, 0.10), (0.12, 0.16), (0.12, 0.45), (0.22, 0.22), (0.45, 0.16))
#: Noise standard deviations from which a lack of density counts as a candidate.
THRESHOLD_SD = 6.0
#: Confidence that a candidate is a void: logistic in the logarithm of its clearness; half of
#: those this clear (noise SD) were real on random phantoms, and how fast that share grows.
CONFIDENCE = (8.0, 3.5)
#: Scale (as above) and share of the whole density at which a lack is a void in any case.
BROAD = (0.3, 0.2)
BROAD_CONTRAST = 0.25
#: Share of its depth at which a gap's outline is put (half the depth under-reads a blurred
#: sphere or lens).
REGION_SHARE = 0.35
#: Least lack of density, as a share of the expected one (choice).
LEAST_CONTRAST = 0.06


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FillDensity:
    """A fill normalised in width: expected and missing density; plane units.

    Attributes
    ----------
    s : ndarray, shape (N,)
        Arc distances of the rows searched.
    rows : ndarray of int, shape (N,)
        Their rows in the strip.
    left, right : ndarray, shape (N,)
        Robust edges.
    density : ndarray, shape (N,)
        Grey level of the middle over the background.
    expected : ndarray, shape (N,)
        What the whole fill lets one expect there.
    missing : ndarray, shape (N, M)
        Expected minus found density, positive where something is missing.
    template : ndarray, shape (N, M)
        Expected density.
    at_scales : tuple of ndarray, shape (N, M)
        ``missing``, smoothed at each of `SCALES`.
    """

    s: FloatArray
    rows: np.ndarray
    left: FloatArray
    right: FloatArray
    density: FloatArray
    expected: FloatArray
    missing: FloatArray
    template: FloatArray
    at_scales: tuple[FloatArray, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GapCandidate:
    """One lack of density; plane units. ``outline`` is closed, in (s, t)."""

    kind: str
    side: int
    s: float
    t: float
    length: float
    width: float
    area: float
    contrast: float
    contrast_sd: float
    confidence: float
    outline: FloatArray


def robust_curve(
    x: FloatArray,
    y: FloatArray,
    degree: int,
    weight: FloatArray,
    besides: FloatArray | None = None,
) -> FloatArray:
    """Polynomial through ``y`` that a minority of departures does not pull (Tukey weights).

    ``besides``: a second explaining quantity, entering linearly.
    """
    centred = 2.0 * (x - x.min()) / max(float(np.ptp(x)), 1e-9) - 1.0
    basis = np.polynomial.legendre.legvander(centred, degree)
    if besides is not None and float(np.ptp(besides)) > 0.0:
        basis = np.column_stack([basis, (besides - besides.mean()) / np.ptp(besides)])
    w = weight.copy()
    # Repeated medians (Siegel 1982) start the fit: they bear departures on up to half of it.
    slope, intercept = stats.siegelslopes(y[::2], x[::2])
    fitted = np.asarray(intercept + slope * x)
    for k in range(12):
        if k:
            root = np.sqrt(w)[:, None]
            solution, *_ = np.linalg.lstsq(basis * root, y * root[:, 0], rcond=None)
            fitted = basis @ solution
        r = y - fitted
        sd = 1.4826 * float(np.median(np.abs(r))) + 1e-9
        cut = max(4.7 - 0.3 * k, 3.0) * sd
        w = weight * np.clip(1.0 - (r / cut) ** 2, 0.0, 1.0) ** 2 + 1e-6
    return np.asarray(fitted)


def describe_density(
    strip: CanalStrip, width: WidthProfile, extent: FillExtent
) -> FillDensity | None:
    """Expected and missing density of a fill, or None when it is too short (2 mm)."""
    last = min(extent.core_s, extent.end_s) - BLIND_APICAL_MM
    searched = (strip.s > extent.start_s + BLIND_CORONAL_MM) & (strip.s < last)
    rows = np.flatnonzero(searched)
    if len(rows) * strip.s_step < 2.0:
        return None
    s = strip.s[rows]
    trust = np.clip(width.edge_strength[rows] / 5.0, 0.05, 1.0)
    left = robust_curve(s, width.left[rows], EDGE_DEGREE, trust)
    right = robust_curve(s, width.right[rows], EDGE_DEGREE, trust)
    # Small departures from the smooth course are the fill's shape (tip, flare); the rest of
    # a large one is for the search to explain.
    window = max(3, round(EDGE_LOCAL_MM / strip.s_step) | 1)
    leave = EDGE_LEAVE_SHARE * (right - left) + EDGE_LEAVE_MM
    left = left + np.clip(
        ndimage.median_filter(width.left[rows], window, mode="nearest") - left, -leave, leave
    )
    right = right + np.clip(
        ndimage.median_filter(width.right[rows], window, mode="nearest") - right, -leave, leave
    )
    half = np.maximum((right - left) / 2.0, 0.05)
    centre = (left + right) / 2.0
    t = centre[:, None] + ACROSS[None, :] * half[:, None]
    column = (t - strip.t[0]) / strip.t_step
    index = np.broadcast_to(rows[:, None], column.shape)
    found = ndimage.map_coordinates(
        strip.values, np.stack([index, column]), order=1, mode="nearest"
    )
    background = _background(strip, rows, left, right, width.blur, t)
    over = found - background
    inner = np.abs(ACROSS) < 0.45
    density = np.median(over[:, inner], axis=1)
    # A brighter background takes height from the fill wherever the grey scale is not
    # linear in thickness.
    behind = ndimage.gaussian_filter1d(
        np.median(background[:, inner], axis=1), 0.1 / strip.s_step, mode="nearest"
    )
    expected = robust_curve(s, density, DENSITY_DEGREE, np.ones_like(s), besides=behind)
    expected = np.maximum(expected, 0.1 * float(np.median(np.abs(density))) + 1e-6)
    chord = blurred_chord(ACROSS[None, :], (width.blur / half)[:, None])
    chord = chord / np.mean(chord[:, inner], axis=1, keepdims=True)
    ratio = over / expected[:, None]
    shape = np.median(ratio - chord, axis=0)
    window = max(3, round(6.0 / strip.s_step) | 1)
    window = min(window, 2 * (len(s) // 2) - 1)
    local = _median_along(ratio - chord, window)
    # Slow changes of the shape may follow the picture half-way, so that a long gap
    # at a wall still shows against the rest of the fill.
    template = expected[:, None] * (
        chord + (1 - LOCAL_SHARE) * shape[None, :] + LOCAL_SHARE * local
    )
    missing = template - over
    return FillDensity(
        s=s,
        rows=rows,
        left=left,
        right=right,
        density=density,
        expected=expected,
        missing=missing,
        template=template,
        at_scales=tuple(_smoothed(missing, strip, *scale) for scale in SCALES),
    )


def _smoothed(missing: FloatArray, strip: CanalStrip, along: float, across: float) -> FloatArray:
    """Missing density, smoothed by ``along`` (plane units) and ``across`` (half-widths)."""
    step = float(ACROSS[1] - ACROSS[0])
    return np.asarray(
        ndimage.gaussian_filter(missing, (along / strip.s_step, across / step), mode="nearest")
    )


def _median_along(values: FloatArray, window: int) -> FloatArray:
    """Running median down each column, the end values going on.

    All columns in one long row: a filter of one axis is many times faster than one of two.
    """
    reach = window // 2
    long = np.pad(values, ((reach, reach), (0, 0)), mode="edge").T
    filtered = ndimage.median_filter(long.ravel(), window, mode="nearest").reshape(long.shape)
    return np.asarray(filtered[:, reach : reach + len(values)].T)


def _background(
    strip: CanalStrip,
    rows: np.ndarray,
    left: FloatArray,
    right: FloatArray,
    blur: float,
    t: FloatArray,
) -> FloatArray:
    """Grey level of what lies behind the fill: a line between its two sides."""
    places, levels = [], []
    for edge, sign in ((left, -1.0), (right, 1.0)):
        near = edge + sign * (1.6 * blur + 0.02)
        samples = near[:, None] + sign * np.linspace(0.0, 0.2, 5)[None, :]
        column = (samples - strip.t[0]) / strip.t_step
        index = np.broadcast_to(rows[:, None], column.shape)
        level = ndimage.map_coordinates(
            strip.values, np.stack([index, column]), order=1, mode="nearest"
        ).mean(axis=1)
        levels.append(
            ndimage.median_filter(level, max(3, round(0.4 / strip.s_step) | 1), mode="nearest")
        )
        places.append(samples.mean(axis=1))
    share = (t - places[0][:, None]) / (places[1] - places[0])[:, None]
    return np.asarray(levels[0][:, None] * (1.0 - share) + levels[1][:, None] * share)


def find_gaps(strip: CanalStrip, fill: FillDensity, extent: FillExtent) -> list[GapCandidate]:
    """Find the voids of one fill, strongest first."""
    score, smooth = _score(strip, fill)
    inside = np.abs(ACROSS) < 1.05
    near = np.minimum(
        (extent.end_s - fill.s) / END_ZONE_MM[0], (fill.s - extent.start_s) / END_ZONE_MM[1]
    )
    strict = np.where(near < 1.0, END_STRICTNESS, 1.0)
    score = np.where(inside[None, :], score / strict[:, None], 0.0)
    labels, count = ndimage.label(score > THRESHOLD_SD)
    half = (fill.right - fill.left) / 2.0
    centre = (fill.left + fill.right) / 2.0
    found: list[GapCandidate] = []
    taken = np.zeros(score.shape, dtype=bool)
    order = np.argsort(
        -ndimage.maximum(score, labels, np.arange(1, count + 1)) if count else np.array([])
    )
    for label in order + 1:
        peak = np.unravel_index(
            int(np.argmax(np.where(labels == label, score, -np.inf))), score.shape
        )
        if taken[peak]:
            continue
        depth = float(smooth[peak])
        contrast = depth / float(max(fill.template[peak], 0.3 * fill.expected[peak[0]]))
        if contrast < LEAST_CONTRAST:
            continue
        region = _region(smooth, peak, REGION_SHARE * depth, inside)
        taken |= region
        i, j = np.nonzero(region)
        weight = smooth[i, j]
        si = float(np.average(fill.s[i], weights=weight))
        ui = float(np.average(ACROSS[j], weights=weight))
        row = int(np.clip(np.searchsorted(fill.s, si), 0, len(fill.s) - 1))
        length = (np.ptp(i) + 1) * strip.s_step
        span = float(np.ptp(ACROSS[j])) + float(ACROSS[1] - ACROSS[0])
        width = span * half[row]
        cell = strip.s_step * (ACROSS[1] - ACROSS[0]) * half[i]
        z = float(score[peak])
        kind, side = _kind(ui, span, float(length), float(width))
        found.append(
            GapCandidate(
                kind=kind,
                side=side,
                s=si,
                t=float(centre[row] + ui * half[row]),
                length=float(length),
                width=float(width),
                area=float(cell.sum()),
                contrast=float(min(contrast, 1.0)),
                contrast_sd=z,
                confidence=float(special.expit(CONFIDENCE[1] * np.log(z / CONFIDENCE[0]))),
                outline=_outline(region, fill, centre, half),
            )
        )
    return found


def _score(strip: CanalStrip, fill: FillDensity) -> tuple[FloatArray, FloatArray]:
    """Missing density in noise standard deviations (largest over scales), and smoothed."""
    best = np.zeros_like(fill.missing)
    for (along, _), filtered in zip(SCALES, fill.at_scales, strict=True):
        centred = filtered - np.median(filtered, axis=0, keepdims=True)
        column = 1.4826 * np.median(np.abs(centred), axis=0)
        overall = 1.4826 * float(np.median(np.abs(centred)))
        noise = np.maximum(ndimage.gaussian_filter1d(column, 2.0), 0.7 * overall) + 1e-9
        # A gap as long as half the fill is no noise: differences along the fill cancel it.
        lag = min(round(3.0 * along / strip.s_step), len(filtered) - 2)
        change = np.abs(filtered[lag:] - filtered[:-lag])
        short = 1.4826 * np.median(change, axis=0) / np.sqrt(2.0)
        short = np.maximum(ndimage.gaussian_filter1d(short, 2.0), 0.7 * np.median(short)) + 1e-9
        noise = np.sqrt(noise * np.minimum(short, noise))
        np.maximum(best, filtered / noise[None, :], out=best)
    smooth = _smoothed(fill.missing, strip, 0.06, 0.08)
    # A lack of this share of the whole density over this size is a void whatever the rest
    # of the fill does to the noise.
    broad = _smoothed(fill.missing, strip, *BROAD)
    plain = broad / (BROAD_CONTRAST * fill.expected[:, None]) * THRESHOLD_SD
    return np.maximum(best, np.where(best > 0.5 * THRESHOLD_SD, plain, 0.0)), smooth


def _region(
    smooth: FloatArray, peak: tuple[np.intp, ...], level: float, inside: np.ndarray
) -> np.ndarray:
    """Connected part above ``level`` that contains the peak."""
    labels, _ = ndimage.label((smooth > level) & inside[None, :])
    region = labels == labels[peak] if labels[peak] else np.zeros(smooth.shape, dtype=bool)
    region[peak] = True
    return np.asarray(region)


def _kind(u: float, span: float, length: float, width: float) -> tuple[str, int]:
    """Name a gap from where it lies and how it is shaped."""
    if span > 1.3 and length < 1.2 * width:
        return "joint", 0
    if abs(u) > 0.45 and (length > 1.2 * width or abs(u) > 0.7):
        return "wall", 1 if u > 0 else -1
    return "internal", 0


def _outline(
    region: np.ndarray, fill: FillDensity, centre: FloatArray, half: FloatArray
) -> FloatArray:
    """Closed outline of a region in (s, t): one side down, the other side up."""
    rows = np.flatnonzero(region.any(axis=1))
    first = np.argmax(region[rows], axis=1)
    last = region.shape[1] - 1 - np.argmax(region[rows][:, ::-1], axis=1)
    step = (ACROSS[1] - ACROSS[0]) / 2.0
    a = np.column_stack([fill.s[rows], centre[rows] + (ACROSS[first] - step) * half[rows]])
    b = np.column_stack([fill.s[rows], centre[rows] + (ACROSS[last] + step) * half[rows]])
    return np.concatenate([a, b[::-1], a[:1]])


def smallest_visible(
    strip: CanalStrip, fill: FillDensity, blur: float, threshold_sd: float
) -> float:
    """Diameter of the smallest round void that would reach ``threshold_sd`` in this fill.

    A sphere of diameter d takes away at most d of the fill's depth; the depth is
    taken as the fill's width (round section), and the median noise of the fill
    at the scale nearest to d decides.
    """
    width = float(np.median(fill.right - fill.left))
    density = float(np.median(fill.expected))
    step = float(ACROSS[1] - ACROSS[0])
    scaled_step = step * width / 2.0
    x = np.arange(-40, 41)[:, None] * strip.s_step
    y = np.arange(-40, 41)[None, :] * scaled_step
    distance = np.hypot(x, y)
    noises, weights = [], []
    for (along, across), filtered in zip(SCALES, fill.at_scales, strict=True):
        noises.append(1.4826 * float(np.median(np.abs(filtered - np.median(filtered)))) + 1e-9)
        rows = _weights_in_middle(len(x), np.hypot(blur, along) / strip.s_step)
        columns = _weights_in_middle(y.size, np.hypot(blur / scaled_step, across / step))
        weights.append((rows, columns))

    def reaches(diameter: float) -> bool:
        dip = 2.0 * np.sqrt(np.maximum((diameter / 2.0) ** 2 - distance**2, 0.0))
        dip = density * dip / width
        # The filtered dip is deepest in its middle.
        return any(
            float(rows @ dip @ columns) >= threshold_sd * noise
            for (rows, columns), noise in zip(weights, noises, strict=True)
        )

    low, high = 0.0, 1.5
    for _ in range(7):
        middle = (low + high) / 2.0
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return high


def _weights_in_middle(count: int, sigma: float) -> FloatArray:
    """Weights by which a Gaussian filter takes ``count`` places into the middle one."""
    return np.asarray(ndimage.gaussian_filter1d(np.eye(count), sigma, axis=1)[:, count // 2])
