"""Edges of a file's stop, on the picture straightened along the file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from rxmeasure.calibration.file_strip import STEP_MM, FileStrip
from rxmeasure.geometry import FloatArray

#: Thickness of a silicone stop: about 1 mm (Kim 2010); how far it may be from that, where it
#: counts as unusual, and what an unusual one has to be clearer by (choices). It only helps to
#: tell which two edges are the stop's: no edge is placed by it.
USUAL_STOP_MM, STOP_MM = 1.0, (0.6, 1.8)
USUAL_STOP_SD_MM, UNUSUAL_COST = 0.4, 0.1
#: Where a stop of 2.5 to 4 mm diameter shows beside the shaft, and where it no longer does (mm).
STOP_COLUMNS_MM, BESIDE_COLUMNS_MM = (0.45, 1.2), (2.1, 2.7)
#: Half-length over which an edge is fitted, and its blur (mm).
EDGE_HALF_MM, EDGE_BLUR_MM = 0.33, 0.05
#: Share of the variation that an edge explains from which the edge counts as seen, and what
#: both edges and the thickness together need (read off random phantoms).
EDGE_SEEN, STOP_SEEN = 0.25, 0.95
#: A second place, at least this far off (mm), that lacks less clearness than this leaves the
#: first one in doubt (choice).
OTHER_STOP_MM, HARDLY_CLEARER = 0.2, 0.12
#: Standard uncertainty of an edge that is seen (mm; read off random phantoms).
EDGE_U_MM = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class StopFit:
    """Apical face of the stop.

    Attributes
    ----------
    s, u : float
        Place along the line and its standard uncertainty, mm.
    clearness, margin : float
        Share of the variation that both edges explain, summed, and by how much it is larger
        than anywhere else.
    thickness : float or None
        None when only the apical edge is seen.
    bow : float or None
        By how much both edges lie farther out at the shaft than at the stop's rim, mm.
    other_s : float or None
        Another place that is hardly less clear.
    """

    s: float
    u: float
    clearness: float
    margin: float
    thickness: float | None
    bow: float | None
    other_s: float | None

    @property
    def unusual_mm(self) -> float:
        """By how much the thickness differs from the usual one, where that is much; else 0."""
        if self.thickness is None:
            return 0.0
        apart = abs(self.thickness - USUAL_STOP_MM)
        return apart if apart > 0.7 * USUAL_STOP_SD_MM else 0.0


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
    s = strip.s[strip.s < 0.5 * tip_s + 1.0]
    strength = step_strength(strip.pixels(offsets, np.arange(len(s))))
    votes = np.sign(strength) * strength**2
    searched = (s > 0.0) & (s < 0.5 * tip_s)
    apical, coronal = (_edge_score(sign * votes, offsets) for sign in (-1.0, 1.0))
    return _best_pair(s, np.where(searched, apical, 0.0), coronal, votes, offsets)


def _edge_score(votes: FloatArray, offsets: FloatArray) -> FloatArray:
    """How clearly an edge crosses at each row: straight on either side, and not beyond."""
    middle = 0.5 * sum(STOP_COLUMNS_MM)

    def mean(columns: NDArray[np.bool_]) -> FloatArray:
        return np.asarray(votes[:, columns].mean(axis=1).clip(0.0))

    score = np.zeros(len(votes))
    for side in (-1.0, 1.0):
        out = side * offsets
        near = mean((out > 0.0) & (out <= middle))
        far = mean((out > middle) & (out <= STOP_COLUMNS_MM[1] + 1e-9))
        # The outline of a crown runs askew: not at the same row near the shaft and farther out.
        score += 0.5 * np.minimum(near, far)
    return score - mean(np.abs(offsets) >= BESIDE_COLUMNS_MM[0])


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
    lag = np.arange(int(STOP_MM[0] / STEP_MM), int(STOP_MM[1] / STEP_MM) + 1)
    above = np.full((len(lag), len(s)), -np.inf)
    for row, gap in enumerate(lag):
        unusual = ((gap * STEP_MM - USUAL_STOP_MM) / USUAL_STOP_SD_MM) ** 2
        above[row, gap:] = np.clip(coronal[:-gap], 0.0, None) - UNUSUAL_COST * unusual
    pair = np.where(apical >= EDGE_SEEN, apical + above.max(axis=0), -np.inf)
    best = int(np.argmax(pair))
    clearness = float(pair[best])
    if clearness < STOP_SEEN:
        return None
    n = int(lag[int(np.argmax(above[:, best]))])
    elsewhere = np.where(np.abs(np.arange(len(s)) - best) > OTHER_STOP_MM / STEP_MM, pair, -np.inf)
    second = int(np.argmax(elsewhere))
    margin = clearness - max(0.0, float(elsewhere[second]))
    two = float(coronal[best - n]) >= EDGE_SEEN
    return StopFit(
        s=float(s[best]) + STEP_MM * _peak_shift(apical, best),
        u=EDGE_U_MM if two else 2.0 * EDGE_U_MM,
        clearness=clearness,
        margin=margin,
        thickness=n * STEP_MM if two else None,
        bow=_bow(votes, offsets, best, best - n) if two else None,
        other_s=float(s[second]) if margin < HARDLY_CLEARER else None,
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
