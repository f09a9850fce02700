"""Tip of a file and the edges of its stop, on the picture straightened along the file."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, optimize, special

from rxmeasure.geometry import FloatArray
from rxmeasure.tracing.straighten import PictureCrop, straighten

#: Step along the file (mm).
STEP_MM = 0.03
#: Step across the file when its tip is fitted (mm).
FIT_STEP_MM = 0.05
#: Share of the line from its coronal end in which no tip is looked for (choice).
NO_TIP_SHARE = 0.45
#: How far the picture is looked at beyond the end of the followed line (mm).
BEYOND_MM = 4.5
#: Half of the taper of a hand file, 0.02 (ISO 3630-1).
HALF_TAPER = 0.01
#: A file's tip closes over about this length (mm; choice).
TIP_ROUND_MM = 0.2
#: The fit is made again about its own result as long as that lies far from where it began.
MOST_TIP_FITS = 4
#: Window of the fit, coronal and apical of the tip, and to either side (mm).
TIP_WINDOW_MM = (3.0, 1.8, 0.3)

#: Thickness of a silicone stop about 1 mm (Kim 2010), with a spread of 0.2 mm (choice).
STOP_THICKNESS_MM, STOP_THICKNESS_SD_MM = 1.0, 0.2
#: Where a stop of 2.5 to 4 mm diameter shows beside the shaft, and where it no longer does (mm).
STOP_COLUMNS_MM, BESIDE_COLUMNS_MM = (0.45, 1.2), (2.1, 2.7)
#: Half-length over which an edge is fitted, and its blur (mm).
EDGE_HALF_MM, EDGE_BLUR_MM = 0.33, 0.05
#: Share of the variation that an edge explains from which the edge counts as seen, and what
#: both edges and the thickness together need (read off random phantoms).
EDGE_SEEN, STOP_SEEN = 0.25, 0.85
#: A second place, at least this far off (mm), that lacks less clearness than this leaves the
#: first one in doubt (choice).
OTHER_STOP_MM, HARDLY_CLEARER = 0.2, 0.25
#: Standard uncertainty of an edge that is seen (mm; read off random phantoms).
EDGE_U_MM = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class TipFit:
    """Tip found by a blurred rod: place along the line, standard uncertainty, contrast to noise.

    ``other_s``: where the line's contrast ends by the first, simpler look.
    """

    s: float
    u: float
    clearness: float
    other_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StopFit:
    """Apical face of the stop.

    ``edges``: which were seen, ``"both"``, ``"apical"`` or ``"coronal"``. ``bow``: by how much the
    edge lies farther out at the shaft than at the stop's rim, mm. ``other_s``: another place
    that is hardly less clear.
    """

    s: float
    u: float
    clearness: float
    edges: str
    thickness: float | None
    bow: float | None
    other_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileStrip:
    """The picture along a file: rows every `STEP_MM` from beyond its coronal end to past its tip.

    ``s``: place of each row along the line; 0 at the line's coronal end.
    """

    crop: PictureCrop
    line: FloatArray
    s: FloatArray
    length: float

    def pixels(self, offsets: FloatArray) -> FloatArray:
        """Grey levels, shape (rows, offsets)."""
        return straighten(self.crop, self.line, offsets, order=1)


# --- tip --------------------------------------------------------------------------------------


def find_tip(strip: FileStrip, sigma: float) -> TipFit | None:
    """Tip of the file: where its steel ends, or None when no end shows.

    First the row from which on the line's contrast is best called none; then a blurred,
    rounded, tapering rod on a smooth background is fitted there.

    Parameters
    ----------
    strip : FileStrip
    sigma : float
        Ridge scale of the thin part of the file, mm.
    """
    first = rough = contrast_end(strip, sigma)
    tip = None
    for _ in range(MOST_TIP_FITS):
        if rough is None:
            return None
        tip = _rod_fit(strip, rough)
        if tip is None or abs(tip.s - rough) < 0.6:
            break
        rough = tip.s
    return None if tip is None or first is None else replace(tip, other_s=first)


def contrast_end(strip: FileStrip, sigma: float) -> float | None:
    """Row from which on the line's contrast is best called none; see `find_tip`."""
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


def _rod_fit(strip: FileStrip, rough: float) -> TipFit | None:
    before, after, side = TIP_WINDOW_MM
    near = np.flatnonzero((strip.s > rough - before) & (strip.s < rough + after))
    offsets = np.arange(-side, side + 1e-9, FIT_STEP_MM)
    s, seen = strip.s[near], strip.pixels(offsets)[near]
    if len(s) < 40 or s[-1] < rough + 0.4:
        return None
    across, _ = np.linalg.qr(np.stack([offsets**k for k in range(3)], axis=1))

    def without_background(picture: FloatArray) -> FloatArray:
        """What a quadratic across the file leaves of each row: no root, no bone edge along it."""
        return np.asarray((picture - (picture @ across) @ across.T).ravel())

    target = without_background(seen - seen.mean())

    def model(p: FloatArray) -> tuple[FloatArray, float]:
        shape = without_background(_rod(p, s, offsets, rough))
        return shape, float(shape @ target / (shape @ shape + 1e-12))

    def residual(p: FloatArray) -> FloatArray:
        shape, contrast = model(p)
        return target - contrast * shape

    starts = [
        np.array([rough + shift, 0.0, 0.0, half_tip, 0.05])
        for shift in np.arange(-2.5, 1.51, 0.25)
        for half_tip in (0.05, 0.09)
    ]
    start = min(starts, key=lambda p: float((residual(p) ** 2).sum()))
    low = [rough - before + 0.3, -0.25, -0.2, 0.025, 0.02]
    high = [rough + after - 0.2, 0.25, 0.2, 0.22, 0.12]
    fit = optimize.least_squares(
        residual, start, bounds=(low, high), x_scale=(0.1, 0.03, 0.03, 0.02, 0.02), max_nfev=20
    )
    left = float((residual(fit.x) ** 2).mean())
    # Texture is alike over about 0.15 mm: so many pixels count as one.
    alike = 0.15**2 / (STEP_MM * FIT_STEP_MM)
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * left * alike
    shape, contrast = model(fit.x)
    return TipFit(
        s=float(fit.x[0]),
        u=float(np.sqrt(covariance[0, 0])),
        clearness=float(contrast * np.ptp(shape) / (np.sqrt(left) + 1e-9)),
        other_s=rough,
    )


def _rod(p: FloatArray, s: FloatArray, offsets: FloatArray, rough: float) -> FloatArray:
    """Thickness of a blurred rod with a rounded tip: end, side offset, slope, half-width, blur."""
    end, middle, slope, half_tip, blur = p
    to_end = end - s
    half = (half_tip + HALF_TAPER * np.clip(to_end, 0.0, None)) * np.sqrt(
        1.0 - np.clip(1.0 - to_end / TIP_ROUND_MM, 0.0, 1.0) ** 2
    )
    fine = np.arange(-2, 3) / 5.0 * FIT_STEP_MM
    d = offsets[None, :, None] - middle - slope * (s[:, None, None] - rough) + fine
    chord = np.sqrt(np.clip(half[:, None, None] ** 2 - d**2, 0.0, None)).mean(axis=2)
    sigma = (blur / STEP_MM, blur / FIT_STEP_MM)
    return np.asarray(ndimage.gaussian_filter(chord, sigma, mode="nearest", truncate=3.0))


# --- stop -------------------------------------------------------------------------------------


def find_stop(strip: FileStrip, tip_s: float) -> StopFit | None:
    """Apical face of the stop, or None when neither of its edges shows.

    A stop is a block across the shaft: its edges cross the shaft at right angles, the same on
    both sides, and end some way from it. At each row a blurred step on a smooth background is
    fitted in each column beside the shaft; columns vote with the step over its uncertainty, and
    columns farther out, which a crown's outline reaches and a stop does not, vote against.
    """
    step = 0.06
    inner = np.arange(STOP_COLUMNS_MM[0], STOP_COLUMNS_MM[1] + 1e-9, step)
    outer = np.arange(BESIDE_COLUMNS_MM[0], BESIDE_COLUMNS_MM[1] + 1e-9, step)
    offsets = np.concatenate([-inner, inner, -outer, outer])
    rows = strip.pixels(offsets)
    sides = np.repeat([0, 1, 2, 3], [len(inner)] * 2 + [len(outer)] * 2)
    strength = step_strength(rows)
    votes = np.sign(strength) * strength**2
    left, right, out_left, out_right = (votes[:, sides == k].mean(axis=1) for k in range(4))
    outside = 0.5 * (out_left + out_right)
    searched = (strip.s > 0.0) & (strip.s < 0.5 * tip_s)
    apical, coronal = (
        0.5 * (np.clip(sign * left, 0.0, None) + np.clip(sign * right, 0.0, None))
        - np.clip(sign * outside, 0.0, None)
        for sign in (-1.0, 1.0)
    )
    return _best_pair(strip.s, np.where(searched, apical, 0.0), coronal, votes, offsets)


def step_strength(rows: FloatArray) -> FloatArray:
    """Correlation of each column with a step at each row; shape as ``rows``.

    A blurred step and a quadratic background are fitted over `EDGE_HALF_MM` to either side.
    """
    half = round(EDGE_HALF_MM / STEP_MM)
    x = np.arange(-half, half + 1) / half
    shape = 0.5 * special.erf(x * EDGE_HALF_MM / (np.sqrt(2.0) * EDGE_BLUR_MM))
    smooth, _ = np.linalg.qr(np.stack([np.ones_like(x), x, x**2], axis=1))
    edge = shape - smooth @ (smooth.T @ shape)
    edge /= np.linalg.norm(edge)

    def along(kernel: FloatArray) -> FloatArray:
        return np.asarray(ndimage.correlate1d(rows, kernel, axis=0, mode="nearest"))

    amplitude = along(edge)
    mean = ndimage.uniform_filter1d(rows, 2 * half + 1, axis=0, mode="nearest")
    energy = (2 * half + 1) * (
        ndimage.uniform_filter1d((rows - mean.mean()) ** 2, 2 * half + 1, axis=0, mode="nearest")
    )
    centred = rows - mean.mean()
    explained = amplitude**2
    for k in range(smooth.shape[1]):
        explained = (
            explained + ndimage.correlate1d(centred, smooth[:, k], axis=0, mode="nearest") ** 2
        )
    left = np.clip(energy - explained, 0.0, None)
    floor = 1e-6 * float(np.var(rows)) + 1e-12
    return np.asarray(amplitude / np.sqrt(amplitude**2 + left + floor))


def _best_pair(
    s: FloatArray, apical: FloatArray, coronal: FloatArray, votes: FloatArray, offsets: FloatArray
) -> StopFit | None:
    """The two edges, a stop's thickness apart, that are seen best together."""
    lag = np.arange(int(0.5 / STEP_MM), int(2.2 / STEP_MM))
    prior = -0.1 * ((lag * STEP_MM - STOP_THICKNESS_MM) / STOP_THICKNESS_SD_MM) ** 2
    prior = np.maximum(prior, -0.5)
    above = np.full((len(lag), len(s)), -np.inf)
    for row, gap in enumerate(lag):
        above[row, gap:] = np.clip(coronal[:-gap], 0.0, None) + prior[row]
    pair = np.where(apical != 0.0, np.clip(apical, 0.0, None) + above.max(axis=0), -np.inf)
    best = int(np.argmax(pair))
    n = int(lag[int(np.argmax(above[:, best]))])
    a, c = float(apical[best]), float(coronal[best - n])
    clearness = float(pair[best])
    if clearness < STOP_SEEN:
        return None
    elsewhere = np.where(np.abs(np.arange(len(s)) - best) > OTHER_STOP_MM / STEP_MM, pair, -np.inf)
    second = int(np.argmax(elsewhere))
    other = float(s[second]) if clearness - elsewhere[second] < HARDLY_CLEARER else None
    if a < EDGE_SEEN:
        return StopFit(
            s=float(s[best - n]) + STOP_THICKNESS_MM, u=STOP_THICKNESS_SD_MM, clearness=clearness,
            edges="coronal", thickness=None, bow=None, other_s=other,
        )  # fmt: skip
    two = c >= EDGE_SEEN
    return StopFit(
        s=float(s[best]) + STEP_MM * _peak_shift(apical, best),
        u=EDGE_U_MM if two else 2.0 * EDGE_U_MM,
        clearness=clearness,
        edges="both" if two else "apical",
        thickness=n * STEP_MM if two else None,
        bow=_bow(votes, offsets, best, best - n) if two else None,
        other_s=other,
    )


def _peak_shift(score: FloatArray, k: int) -> float:
    """Place of a peak between rows, in rows from row ``k`` (parabola)."""
    if not 0 < k < len(score) - 1:
        return 0.0
    left, middle, right = score[k - 1 : k + 2]
    bend = left - 2.0 * middle + right
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0


def _bow(votes: FloatArray, offsets: FloatArray, apical: int, coronal: int) -> float | None:
    """How far both edges bulge at the shaft against near the rim, mm; positive outwards."""
    side = np.abs(offsets)
    near_shaft = side <= 0.7
    near_rim = (side >= 0.95) & (side <= STOP_COLUMNS_MM[1])
    reach = round(0.35 / STEP_MM)
    found = []
    for row, sign in ((apical, -1.0), (coronal, 1.0)):
        window = slice(max(0, row - reach), row + reach + 1)
        places = []
        for columns in (near_shaft, near_rim):
            score = sign * votes[window][:, columns].mean(axis=1)
            if float(score.max()) < 0.5:
                return None
            places.append(int(np.argmax(score)))
        found.append(-sign * (places[0] - places[1]) * STEP_MM)
    # A tilted disc bulges at both edges; one alone is an outline that crosses it.
    return float(min(found)) if min(found) > 0.0 else 0.0
