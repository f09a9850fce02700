"""Whether a bright line is a filled canal, and what speaks against it.

Each question has a soft answer between 0 and 1; the confidence is their product. The limits are
those of fills (a choice after ISO 3630-1 sizes and common tooth lengths) with the tolerance that
an unknown scale asks for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from rxmeasure.geometry import FloatArray
from rxmeasure.proposals.ends import FillCandidate
from rxmeasure.proposals.film_grid import FilmGrid

#: What goes on beyond the coronal end is still the same thing up to so many times its width.
REST_WIDENING = 1.3


#: A filling is among the brightest of a film: all its grey levels count as so many heights of
#: the texture.
BRIGHT_TEXTURES = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """Confidence 0..1, and the questions that were not answered clearly, worst first."""

    confidence: float
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFacts:
    """What is asked about a line.

    Attributes
    ----------
    contrast : float
        Median height over both sides, in typical heights of the film's texture.
    length_mm, width_mm : float
        Of the fill; the width is the median.
    side_drop : float
        Lowest side level as a share of the median one: small where the line leaves the teeth.
    along : float
        Cosine of its angle with the common direction of the film's roots.
    seen : float
        Share of the length on which it stands out.
    side : float
        Lowest level of the sides; that of air is near 0.
    width_change : float
        Standard deviation of the width as a share of the width.
    to_border_mm : float
        Nearest distance of an end to the picture's border.
    middle : float
        Grey level, 0..1 of what the film uses.
    bend_mm : float
        Departure from a smooth curve of third order, root mean square.
    """

    contrast: float
    length_mm: float
    width_mm: float
    side_drop: float
    along: float
    seen: float
    side: float
    width_change: float
    to_border_mm: float
    middle: float
    bend_mm: float


def facts_of(
    candidate: FillCandidate, grid: FilmGrid, texture: float, crown_way: FloatArray
) -> LineFacts:
    """Facts of a candidate; ``crown_way`` is the unit vector from apices to crowns."""
    c = candidate.sections
    fill = slice(candidate.start, candidate.end + 1)
    line = c.line[fill]
    height = c.height[fill]
    width = c.width[fill]
    side = c.side[_with_narrow_rest(candidate)]
    typical = float(np.median(height))
    chord = line[0] - line[-1]
    chord = chord / max(float(np.hypot(*chord)), 1e-9)
    s = np.linspace(-1.0, 1.0, len(line))
    residual = [line[:, k] - np.polyval(np.polyfit(s, line[:, k], 3), s) for k in (0, 1)]
    border = min(_to_border(grid, line[0]), _to_border(grid, line[-1]))
    return LineFacts(
        contrast=typical / texture,
        length_mm=candidate.length_mm,
        width_mm=float(np.median(width)),
        side_drop=float(np.percentile(side, 3.0) / max(float(np.median(side)), 1e-6)),
        along=float(chord @ crown_way),
        seen=float((height > 0.4 * typical).mean()),
        side=float(np.percentile(side, 3.0)),
        width_change=float(np.std(width) / max(float(np.mean(width)), 1e-6)),
        to_border_mm=border,
        middle=float(np.median(c.rows[fill][:, np.abs(c.t) < 0.1])),
        bend_mm=float(np.sqrt(sum(np.var(r) for r in residual))) * grid.step,
    )


def _with_narrow_rest(candidate: FillCandidate) -> slice:
    """Rows of the fill and of what goes on coronally without widening, as a file does."""
    c = candidate.sections
    first = c.width[candidate.start : candidate.start + 20]
    limit = REST_WIDENING * float(np.median(first))
    low = 0.3 * float(np.median(c.height[candidate.start : candidate.end + 1]))
    on = (c.width[: candidate.start] < limit) & (c.height[: candidate.start] > low)
    gap = np.flatnonzero(~ndimage.binary_closing(np.pad(on, 10), np.ones(9, dtype=bool))[10:-10])
    return slice(int(gap[-1]) + 1 if len(gap) else 0, candidate.end + 1)


def _to_border(grid: FilmGrid, point: FloatArray) -> float:
    edges = np.concatenate([point, np.array(grid.grey.shape) - 1 - point])
    row, col = np.clip(np.rint(point).astype(int), 0, np.array(grid.grey.shape) - 1)
    near = max(1, round(1.0 / grid.step))
    window = grid.inside[max(0, row - near) : row + near + 1, max(0, col - near) : col + near + 1]
    return float(edges.min() * grid.step) if window.all() else 0.0


def judge(facts: LineFacts) -> Judgement:
    """Confidence that a line is a filled canal."""
    dense = facts.contrast + BRIGHT_TEXTURES * (facts.middle - 0.5)
    answers = [
        (rising(facts.contrast, 2.0, 0.15), "it stands out of the bone's texture by little"),
        (rising(dense, 3.2, 0.3), "it is not dense enough for a filling"),
        (rising(facts.length_mm, 4.0, 0.6), "it is short for a fill"),
        (falling(facts.length_mm, 18.5, 0.8), "it is longer than a fill: a file or a wire"),
        (rising(facts.width_mm, 0.38, 0.02), "it is thinner than a fill: a file"),
        (falling(facts.width_mm, 1.6, 0.12), "it is wider than a fill: a restoration"),
        (rising(facts.side_drop, 0.5, 0.06), "it leaves the teeth: a file, a clamp or an edge"),
        (rising(facts.side, 0.13, 0.02), "it lies in air"),
        (rising(facts.width_change, 0.06, 0.01), "its width does not change: a wire"),
        (rising(facts.along, 0.6, 0.08), "it lies across the roots"),
        (rising(facts.seen, 0.6, 0.08), "it is interrupted"),
        (rising(facts.to_border_mm, 0.5, 0.15), "it ends at the film's edge"),
        (falling(facts.bend_mm, 0.35, 0.06), "it is not smooth"),
    ]  # fmt: skip
    return judged(answers)


def judged(answers: list[tuple[float, str]]) -> Judgement:
    """Product of soft answers, and what was not answered clearly."""
    confidence = float(np.prod([p for p, _ in answers]))
    worst = sorted((p, text) for p, text in answers if p < 0.9)
    return Judgement(confidence=confidence, reasons=tuple(text for _, text in worst))


def rising(value: float, middle: float, spread: float) -> float:
    """From 0 to 1, a half at the middle."""
    return float(1.0 / (1.0 + np.exp(-np.clip((value - middle) / spread, -40.0, 40.0))))


def falling(value: float, middle: float, spread: float) -> float:
    """From 1 to 0, a half at the middle."""
    return 1.0 - rising(value, middle, spread)
