"""The radiographic apex beyond a fill, from the outline of the root round it.

Dentine thins to nothing at a root's tip, so that the edge that the eye sees lies coronal of it.
A whole root end is compared with the picture instead: what a tapered rod with a rounded end, in
a ligament space, in a thin plate of compact bone, adds to the shadow of the bone round it
(thickness of each along the beam, times how far it attenuates more or less than spongy bone). The
place of its tip along the line, its width and taper are tried; the fit at each place, in units of
what the texture of the bone does to it, gives how sure the place is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rxmeasure.geometry import FloatArray, cumulative_length, resample
from rxmeasure.proposals.cross_sections import ROW_MM, cross_sections
from rxmeasure.proposals.ends import FillCandidate
from rxmeasure.proposals.film_grid import FilmGrid

#: Part of the fill's line that is looked at, and how far beyond its end (mm).
BEFORE_MM = 4.0
BEYOND_MM = 6.5
#: How far the tip may lie coronal and apical of the fill's end (mm).
REACH_MM = (1.6, 4.6)
#: Half-width of what is looked at (mm) and its sampling (mm).
SIDE_MM = 1.8
SAMPLE_MM = 0.14
#: Every so many rows of the line are compared.
THIN = 2
#: Half-width of a root just before its rounded end, and how it grows coronally (mm, mm per mm).
TIP_MM = (0.55, 0.75, 0.95)
GROWTH = (0.05, 0.11, 0.18)
ROUND_MM = 1.3
#: Ligament space and compact plate (mm); what they add to the shadow of spongy bone, dentine = 1.
#: From linear attenuations near 35 keV (dentine 0.13, soft tissue 0.03, compact bone 0.15, spongy
#: bone 0.06 per mm) -0.45 and 1.1 would follow; less is better on random phantoms, because the
#: plate's thickness varies and the bone before and behind a root covers it.
LIGAMENT_MM = 0.22
PLATE_MM = 0.22
LIGAMENT, PLATE = -0.3, 0.5
#: Sideways shifts (mm) and tilts of the root against the line that are tried.
SHIFTS_MM = (-0.3, 0.0, 0.3)
TILTS = (-0.15, 0.0, 0.15)
#: One texture element of the bone covers so many samples: the fit's noise is the residual's
#: times the root of this (read off random phantoms).
TEXTURE_SAMPLES = 15.0
#: The apex is proposed from this confidence.
LEAST_CONFIDENCE = 0.7
#: The confidence is that of lying within this distance (mm).
WITHIN_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ApexGuess:
    """Grid point of the apex, its confidence 0..1, and a reason when it is not to be trusted."""

    point: tuple[float, float]
    confidence: float
    why_not: str | None


def find_apex(grid: FilmGrid, candidate: FillCandidate) -> ApexGuess:
    """Look for the tip of the root round the apical end of a fill."""
    line, at_end = _line_beyond(candidate, grid.step)
    sections = cross_sections(grid, line)
    columns = np.abs(sections.t) <= SIDE_MM
    thin = max(1, round(SAMPLE_MM / grid.step))
    t = sections.t[columns][::thin]
    grey = ndimage.uniform_filter1d(sections.rows, thin, axis=1)[:, columns][:, ::thin]
    weight = _weights(sections.inside, grey, t, at_end, candidate)
    shifts = np.arange(-round(REACH_MM[0] / ROW_MM), round(REACH_MM[1] / ROW_MM) + 1)
    best = None
    field = _Field(grey[::THIN], weight[::THIN], t)
    for tip in TIP_MM:
        for growth in GROWTH:
            fit = field.fit(_template(tip, growth, 0.0, 0.0, tuple(t)), at_end, shifts)
            if best is None or fit.max() > best[0]:
                best = (float(fit.max()), tip, growth)
    assert best is not None
    _, tip, growth = best
    fits = {
        (shift, tilt): field.fit(_template(tip, growth, shift, tilt, tuple(t)), at_end, shifts)
        for shift in SHIFTS_MM
        for tilt in TILTS
    }
    gain = np.max(list(fits.values()), axis=0)
    shift, tilt = max(fits, key=lambda key: fits[key].max())
    likely = np.exp(np.clip((gain - gain.max()) / (2.0 * TEXTURE_SAMPLES), -60.0, 0.0))
    likely /= likely.sum()
    k = int(np.argmax(np.convolve(likely, np.ones(2 * round(0.25 / ROW_MM) + 1), mode="same")))
    near = np.abs(np.arange(len(shifts)) - k) * ROW_MM <= WITHIN_MM
    confidence = float(likely[near].sum())
    row = min(max(at_end + int(shifts[k]), 0), len(line) - 1)
    normal = _normal(line, row)
    point = line[row] + normal * (shift / grid.step)
    why = None
    if not _on_picture(grid, point):
        why = "The root's tip may lie outside the film."
        confidence = 0.0
    elif confidence < LEAST_CONFIDENCE:
        why = "The outline of the root's tip does not stand out of the bone."
    return ApexGuess(point=(float(point[0]), float(point[1])), confidence=confidence, why_not=why)


def _normal(line: FloatArray, row: int) -> FloatArray:
    d = line[min(row + 2, len(line) - 1)] - line[max(row - 2, 0)]
    d = d / max(float(np.hypot(*d)), 1e-9)
    return np.array([d[1], -d[0]])


def _on_picture(grid: FilmGrid, point: FloatArray) -> bool:
    row, col = np.rint(point).astype(int)
    rows, cols = grid.grey.shape
    return bool(0 <= row < rows and 0 <= col < cols and grid.inside[row, col])


def _line_beyond(candidate: FillCandidate, step: float) -> tuple[FloatArray, int]:
    """The last part of the fill's line, going on with half its bend, and the row of its end."""
    line = candidate.line
    n = min(len(line) - 1, round(BEFORE_MM / ROW_MM))
    last = line[-1 - n :]
    s = cumulative_length(last)
    s = s - s[-1]
    row_fit, col_fit = (np.polyfit(s, last[:, k], 2) for k in (0, 1))
    direction = np.array([row_fit[1], col_fit[1]])
    size = float(np.hypot(*direction))
    bend = float(2.0 * (row_fit[0] * col_fit[1] - col_fit[0] * row_fit[1])) / size**3
    angle = float(np.arctan2(direction[1], direction[0]))
    gap = ROW_MM / step
    way = np.arange(1, round(BEYOND_MM / ROW_MM) + 1) * gap
    # Roots bend on, but less: the bend fades out over 3 mm.
    fade = 3.0 / step
    heading = angle - bend * fade * (1.0 - np.exp(-way / fade)) * 0.7
    beyond = last[-1] + gap * np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
    return np.concatenate([resample(last, gap), beyond]), len(resample(last, gap)) - 1


def _weights(
    inside: np.ndarray, grey: FloatArray, t: FloatArray, at_end: int, candidate: FillCandidate
) -> FloatArray:
    """0 on fills and outside the picture, else 1."""
    fill = slice(max(candidate.start, candidate.end - round(3.0 / ROW_MM)), candidate.end)
    width = float(np.median(candidate.sections.width[fill]))
    height = float(np.median(candidate.sections.height[fill]))
    rows = np.arange(len(grey))[:, None]
    own = (rows < at_end + round(0.3 / ROW_MM)) & (np.abs(t)[None] < 0.5 * width + 0.25)
    level = float(np.median(grey[:at_end][:, np.abs(t) > 0.5 * width + 0.25]))
    bright = ndimage.binary_dilation(grey > level + 0.6 * height, iterations=2)
    return np.where(own | bright | ~inside[:, None], 0.0, 1.0)


class _Field:
    """The picture round the end of a fill, freed of its broad course."""

    def __init__(self, grey: FloatArray, weight: FloatArray, t: FloatArray) -> None:
        self.weight = weight
        y = np.linspace(-1.0, 1.0, len(grey))[:, None] * np.ones_like(t)
        x = (t / SIDE_MM)[None, :] * np.ones_like(y)
        broad = np.stack([np.ones_like(y), y, x, y * y, x * y, x * x])
        flat = (broad * weight).reshape(len(broad), -1).T
        self.basis, _ = np.linalg.qr(flat)
        masked = (grey * weight).ravel()
        self.rest = masked - self.basis @ (self.basis.T @ masked)
        self.variance = float((self.rest**2).sum() / max(weight.sum() - len(broad), 1.0))

    def fit(self, template: FloatArray, at_end: int, shifts: np.ndarray) -> FloatArray:
        """What a root end at each shift explains of the picture, in residual variances."""
        rows = THIN * len(self.weight)
        tip = len(template) // 2
        first = tip - (at_end + shifts)
        stack = np.stack([template[f : f + rows : THIN] for f in first])
        stack = (stack * self.weight).reshape(len(shifts), -1)
        own = stack @ self.basis
        power = (stack**2).sum(axis=1) - (own**2).sum(axis=1)
        answer = stack @ self.rest
        gain = np.clip(answer, 0.0, None) ** 2 / np.maximum(power, 1e-9)
        return np.asarray(gain / max(self.variance, 1e-12))


@cache
def _template(
    tip: float, growth: float, shift: float, tilt: float, t: tuple[float, ...]
) -> FloatArray:
    """Shadow of a root end whose tip lies in the middle row; coronal rows first."""
    half = round((BEFORE_MM + BEYOND_MM + max(REACH_MM)) / ROW_MM)
    u = np.arange(half, -half - 1, -1)[:, None] * ROW_MM
    d = np.asarray(t)[None, :] - shift - tilt * -u
    root = _chord(tip, growth, u, d, 0.0)
    socket = _chord(tip, growth, u, d, LIGAMENT_MM)
    plate = _chord(tip, growth, u, d, LIGAMENT_MM + PLATE_MM)
    return root + LIGAMENT * (socket - root) + PLATE * (plate - socket)


def _chord(tip: float, growth: float, u: NDArray[Any], d: NDArray[Any], grow: float) -> FloatArray:
    """Thickness along the beam of a round root end grown by ``grow``; u coronal of its tip."""
    above = u + grow
    around = ROUND_MM + grow
    close = np.sqrt(np.clip(1.0 - (1.0 - np.clip(above / around, 0.0, 1.0)) ** 2, 0.0, 1.0))
    half_width = (tip + growth * np.clip(u, 0.0, None) + grow) * close
    inner = np.clip(1.0 - (d / np.maximum(half_width, 1e-6)) ** 2, 0.0, 1.0)
    return np.asarray(2.0 * half_width * np.sqrt(inner))
