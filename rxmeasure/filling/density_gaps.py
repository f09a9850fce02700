"""Voids: places where the fill shows less density than its own width lets expect.

What is missing against the expected fill (:mod:`rxmeasure.filling.expected_density`) is
filtered at several sizes, each measured in its own robust noise, column by column.
Peaks above a threshold that follows from the false alarms wanted are held against the
shapes that voids have (:mod:`rxmeasure.filling.void_shapes`).

A void at the very end of the fill cannot be told from the end
(:data:`BLIND_MM`); one that accompanies the whole fill describes the fill.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special, stats

from rxmeasure.filling.expected_density import (
    ACROSS,
    ACROSS_STEP,
    FillDensity,
    describe_density,
)
from rxmeasure.filling.fill_end import FillExtent
from rxmeasure.filling.strip import CanalStrip
from rxmeasure.filling.void_shapes import (
    WHOLE,
    FittedVoid,
    Noise,
    fit_bubble,
    fit_joint,
    fit_wall_gap,
    wall_rows,
)
from rxmeasure.geometry import FloatArray

__all__ = [
    "BLIND_MM",
    "THRESHOLD_SD",
    "FillDensity",
    "GapCandidate",
    "describe_density",
    "find_gaps",
    "smallest_visible",
]

#: Stretch at either end of the fill that is not searched (mm): the shape of the tip and the
#: blend with the restoration look like voids.
BLIND_MM = 0.4
#: Sizes searched: standard deviations along the canal (mm) and across (half-widths).
SIZES = ((0.06, 0.1), (0.06, 0.2), (0.1, 0.16), (0.1, 0.32), (0.16, 0.3), (0.16, 0.6), (0.4, 0.2))
#: False alarms of the search per canal for Gaussian noise (choice), and the independent places
#: of a fill (10 mm x 0.7 mm, the smallest filter, twice for the two backgrounds).
FALSE_ALARMS = 0.05
PLACES = 1000
#: Noise standard deviations from which a lack of density counts as a candidate.
THRESHOLD_SD = float(stats.norm.isf(FALSE_ALARMS / PLACES))
#: Least clearness times quality of a void; texture of bone is clear, but not of a void's shape.
LEAST_STRENGTH = 1.0
#: Within this distance of the apical end (mm) a void has to be so many times clearer.
END_ZONE_MM = 1.5
END_STRICTNESS = 2.0
#: A joint goes as deep as its thickness lets expect, on the left as on the right.
JOINT_FITNESS = 0.7
JOINT_EVEN = 0.6
#: The edge has to come in by this share of what a wall gap's missing density lets expect.
WALL_FITNESS = 0.3
WALL_ROUNDS = 3
#: A bubble reaches a wall from this place on (half-widths), and lies off the middle by so much.
AT_WALL = 0.85
OFF_CENTRE = 0.3
#: Confidence that a candidate is a void: logistic in the logarithm of its strength; half of
#: those this strong were real on random phantoms, and how fast that share grows.
CONFIDENCE = (1.0, 2.5)
#: Peaks nearer to each other than this along the canal (mm) are one, and so many are looked at.
APART_MM = 0.4
MOST_PEAKS = 8

_INSIDE = np.abs(ACROSS) < 1.05
_INNER = np.abs(ACROSS) < 0.85
#: What a change of a whole row looks like across it.
_SECTION = np.clip(1.2 - np.abs(ACROSS) / 1.2, 0.0, 1.0)[None, :]


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


def find_gaps(strip: CanalStrip, fill: FillDensity, extent: FillExtent) -> list[GapCandidate]:
    """Find the voids of one fill, strongest first."""
    share = fill.share
    searched = _searched(fill, extent)
    score, level = clearness(fill, share, searched)
    rest = share - level[:, None] * _SECTION
    noise = Noise(place=_spread(rest[:, _INNER]), row=_spread(level))
    peaks = _peaks(fill, searched, score)
    shapes = [_best_shape(fill, share, peak, noise) for peak in peaks]
    refined = _without_gaps(strip, fill, extent, shapes, peaks, noise)
    found: list[tuple[float, GapCandidate]] = []
    for peak, shape, fine in zip(peaks, shapes, refined, strict=True):
        best = fine or shape
        z = float(score[peak])
        strength = z * quality(best)
        if extent.end_s - best.s < END_ZONE_MM:
            strength /= END_STRICTNESS
        if strength < LEAST_STRENGTH or any(_touch(best, other) for _, other in found):
            continue
        found.append((strength, _candidate(fill, share, best, z, strength)))
    return [gap for _, gap in sorted(found, key=lambda pair: -pair[0])]


def quality(shape: FittedVoid) -> float:
    """How well a shape accounts for what is missing, 0 to 1."""
    return max(shape.explained, 0.0) * float(np.clip(shape.fitness, 0.0, 1.0))


def _best_shape(
    fill: FillDensity, share: FloatArray, peak: tuple[int, int], noise: Noise
) -> FittedVoid:
    """The shape that accounts best for a peak."""
    joint = fit_joint(fill, share, peak[0])
    if joint is not None and joint.fitness > JOINT_FITNESS and joint.explained > JOINT_EVEN:
        return joint
    bubble = fit_bubble(fill, share, peak, noise)
    wall = fit_wall_gap(fill, share, peak, noise)
    if wall is not None and wall.fitness > WALL_FITNESS and wall.explained > bubble.explained:
        return wall
    return bubble


def _without_gaps(
    strip: CanalStrip,
    fill: FillDensity,
    extent: FillExtent,
    shapes: list[FittedVoid],
    peaks: list[tuple[int, int]],
    noise: Noise,
) -> list[FittedVoid | None]:
    """Wall gaps against a fill whose outline was drawn without them, else None.

    A long gap draws the outline towards itself, so this is done again with what was found.
    """
    refined: list[FittedVoid | None] = [s if s.kind == "wall" else None for s in shapes]
    for _ in range(WALL_ROUNDS):
        walls = [w for w in refined if w is not None]
        if not walls:
            break
        without = np.any([wall_rows(fill, w) for w in walls], axis=0)
        again = describe_density(strip, fill.width, extent, without)
        assert again is not None
        share = again.share
        for k, wall in enumerate(refined):
            if wall is not None:
                refined[k] = fit_wall_gap(again, share, peaks[k], noise) or wall
    return refined


def _place(fill: FillDensity, shape: FittedVoid, row: int) -> tuple[str, int]:
    """Kind and side; a bubble that reaches one wall alone lies at that wall."""
    off = shape.t - float(fill.centre[row])
    half, radius = float(fill.half[row]), shape.width / 2.0
    if shape.kind != "internal" or not abs(off) + radius > AT_WALL * half > radius - abs(off):
        return shape.kind, shape.side
    if abs(off) < OFF_CENTRE * half:
        return "internal", 0
    return "wall", 1 if off > 0.0 else -1


def _touch(shape: FittedVoid, other: GapCandidate) -> bool:
    """Whether two shapes overlap: the clearer one stands."""
    along = abs(shape.s - other.s) - (shape.length + other.length) / 2.0
    across = abs(shape.t - other.t) - (shape.width + other.width) / 2.0
    return along < 0.0 and across < 0.0


def _candidate(
    fill: FillDensity, share: FloatArray, shape: FittedVoid, z: float, strength: float
) -> GapCandidate:
    row = int(np.clip(np.searchsorted(fill.s, shape.s), 1, len(fill.s) - 2))
    column = int(
        np.argmin(np.abs(ACROSS - (shape.t - float(fill.centre[row])) / float(fill.half[row])))
    )
    near = (slice(row - 1, row + 2), slice(max(column - 1, 0), column + 2))
    whole = (fill.template / fill.expected[:, None])[near]
    contrast = float(np.mean(share[near]) / max(float(np.mean(whole)), 0.3))
    kind, side = _place(fill, shape, row)
    return GapCandidate(
        kind=kind,
        side=side,
        s=shape.s,
        t=shape.t,
        length=shape.length,
        width=shape.width,
        area=shape.area,
        contrast=float(np.clip(contrast, 0.0, 1.0)),
        contrast_sd=z,
        confidence=float(
            special.expit(CONFIDENCE[1] * np.log(max(strength, 1e-3) / CONFIDENCE[0]))
        ),
        outline=np.concatenate([shape.outline, shape.outline[:1]]),
    )


def clearness(
    fill: FillDensity, share: FloatArray, searched: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """What is missing in noise standard deviations, largest over sizes; and rows' levels."""
    level = np.median(share[:, _INNER], axis=1)
    best = np.zeros_like(share)
    for both in _at_sizes(fill, share, level):
        for filtered in both:
            column = _column_noise(filtered[searched])
            overall = float(np.median(column[_INSIDE]))
            noise = np.maximum(ndimage.gaussian_filter1d(column, 2.0), 0.7 * overall) + 1e-9
            np.maximum(best, filtered / noise, out=best)
    best[:, ~_INSIDE] = 0.0
    return best, level


def _at_sizes(
    fill: FillDensity, share: FloatArray, level: FloatArray
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """The missing share filtered at each size, with and without what whole rows lack."""
    rows = {
        along: ndimage.gaussian_filter1d(
            np.column_stack([share, level]), along / fill.step, axis=0, mode="nearest"
        )
        for along in {along for along, _ in SIZES}
    }
    for along, across in SIZES:
        weights = _across_weights(across)
        whole = rows[along][:, :-1] @ weights
        yield whole, whole - rows[along][:, -1:] * (_SECTION @ weights)


@cache
def _across_weights(across: float) -> FloatArray:
    """Matrix that filters rows of places across the fill, its own border value going on."""
    places = np.eye(len(ACROSS))
    return np.asarray(
        ndimage.gaussian_filter1d(places, across / ACROSS_STEP, axis=1, mode="nearest")
    )


def _column_noise(values: FloatArray) -> FloatArray:
    """Robust standard deviation of each column.

    The smaller one of that of all values and that of the lower side: voids only add to the
    upper one.
    """
    columns = np.sort(np.ascontiguousarray(values.T), axis=1)
    last = columns.shape[1] - 1
    low, some, middle = (columns[:, round(q * last)] for q in (0.1, 0.4, 0.5))
    away = np.abs(columns - middle[:, None])
    spread = 1.4826 * np.partition(away, last // 2, axis=1)[:, last // 2]
    return np.asarray(np.minimum(spread, (some - low) / 1.028))


def _searched(fill: FillDensity, extent: FillExtent) -> NDArray[np.bool_]:
    """Rows that are searched: neither end, nor what may lie beyond an unsure one."""
    blind = max(BLIND_MM, min(extent.end_spread, 1.0))
    last = min(extent.core_s, extent.end_s) - blind
    return np.asarray((fill.s > extent.start_s + BLIND_MM) & (fill.s < last))


def _peaks(
    fill: FillDensity, searched: NDArray[np.bool_], score: FloatArray
) -> list[tuple[int, int]]:
    """Places of the clearest peaks, strongest first."""
    top = (score == ndimage.maximum_filter(score, 13)) & (score > THRESHOLD_SD)
    places = np.argwhere(top & searched[:, None])
    order = np.argsort(-score[tuple(places.T)])
    kept: list[tuple[int, int]] = []
    for i, j in places[order]:
        if all(abs(fill.s[i] - fill.s[k]) >= APART_MM for k, _ in kept):
            kept.append((int(i), int(j)))
    return kept[:MOST_PEAKS]


def _spread(values: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values)))) + 1e-6


def smallest_visible(
    strip: CanalStrip, fill: FillDensity, blur: float, threshold_sd: float
) -> float:
    """Diameter of the smallest round void that would reach ``threshold_sd`` in this fill.

    A sphere of diameter d takes away at most d of the fill's depth; the depth is
    taken as the fill's width (round section). The median noise of the fill decides.
    """
    width = 2.0 * float(np.median(fill.half))
    share = fill.share
    level = np.median(share[:, _INNER], axis=1)
    step = ACROSS_STEP * width / 2.0
    x = np.arange(-30, 31)[:, None] * fill.step
    y = np.arange(-30, 31)[None, :] * step
    filters = []
    for (along, across), (_, rest) in zip(SIZES, _at_sizes(fill, share, level), strict=True):
        response = np.exp(-0.5 * (x / np.hypot(blur, along)) ** 2) * np.exp(
            -0.5 * (y / np.hypot(blur, across * width / 2)) ** 2
        )
        filters.append(response.ravel() / response.sum() / _spread(rest[:, _INNER]))
    weights = np.stack(filters)
    away = (4.0 * (x**2 + y**2)).ravel()

    def reaches(diameter: float) -> bool:
        dip = np.sqrt(np.maximum(diameter**2 - away, 0.0)) / width * WHOLE
        return bool((weights @ dip).max() >= threshold_sd)

    low, high = 0.0, 1.5
    for _ in range(7):
        middle = (low + high) / 2.0
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return high
