"""Bright lines followed from their clearest points, both ways.

A line is followed in small steps along its own direction, so that it goes straight on where
another one crosses or joins it: two canals that share their last millimetres are two lines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import KDTree

from rxmeasure.geometry import FloatArray
from rxmeasure.proposals.oriented import DIRECTIONS, LineResponse

#: Length of a step (mm).
STEP_MM = 0.14
#: How far a line may lie beside where it is expected after one step (mm).
ASIDE_MM = 0.1
#: A line that is not seen over this length ends (mm).
GAP_MM = 1.0
#: Share of the line's own contrast from which it counts as seen.
SEEN_SHARE = 0.35
#: A start must stand out of the texture this many times.
START_TEXTURES = 2.0
#: A point this near to a followed line is on it; one further off is beside it, and a line of its
#: own only with a darker valley between (mm, mm, grey level).
OWN_MM = 0.15
BESIDE_MM = 0.9
VALLEY = 0.015
#: A line must run so far beside all others (mm).
OWN_LENGTH_MM = 2.0
#: Shorter lines are no candidates (mm).
SHORTEST_MM = 3.0
#: Sharpest turn that is followed: radius of curvature (mm).
RADIUS_MM = 4.0
#: Share of the crests of a film that are texture, not lines.
TEXTURE_PERCENTILE = 75.0
#: Less texture than this share of the film's grey levels is taken for this much.
LEAST_TEXTURE = 0.015
#: The line through a clicked point is looked for so far from it (mm).
SEED_REACH_MM = 0.7
#: More lines than this are not followed on one film.
MOST_LINES = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BrightLine:
    """A followed line: grid points, shape (N, 2), about `STEP_MM` apart, and contrasts there."""

    points: FloatArray
    contrast: FloatArray


def crest(response: LineResponse) -> np.ndarray:
    """Where the film, smoothed along the best direction, is highest across that direction."""
    rows, cols = response.best.shape
    found = np.zeros((rows, cols), dtype=bool)
    angle = np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    for k in range(DIRECTIONS):
        dr, dc = round(np.sin(angle[k])), round(-np.cos(angle[k]))
        smooth = response.smooth[k]
        inner = smooth[1:-1, 1:-1]
        one = smooth[1 + dr : rows - 1 + dr, 1 + dc : cols - 1 + dc]
        two = smooth[1 - dr : rows - 1 - dr, 1 - dc : cols - 1 - dc]
        found[1:-1, 1:-1] |= (response.direction[1:-1, 1:-1] == k) & (inner >= one) & (inner >= two)
    return found & (response.best > 0.0)


def texture_height(response: LineResponse) -> float:
    """Typical contrast of the clearer lines of the bone's texture."""
    values = response.best[crest(response)]
    return (
        max(float(np.percentile(values, TEXTURE_PERCENTILE)), LEAST_TEXTURE) if len(values) else 1.0
    )


def follow_lines(
    response: LineResponse, step: float, seed: FloatArray | None = None
) -> list[BrightLine]:
    """All bright lines of a film, clearest start first; before them the one nearest to a seed.

    Parameters
    ----------
    response : LineResponse
    step : float
        Grid step in millimetres.
    seed : ndarray, shape (2,), optional
        Grid point on a line that is to be followed even where it stands out by little.
    """
    ridge = crest(response)
    texture = texture_height(response)
    enough = START_TEXTURES * texture
    where = np.argwhere(ridge & (response.best > enough))
    order = np.argsort(-response.best[tuple(where.T)], kind="stable")
    lines: list[BrightLine] = []
    known = KnownLines(response, step)
    starts = where[order]
    if seed is not None:
        near = np.argwhere(ridge)
        near = near[np.hypot(*(near - seed).T) * step < SEED_REACH_MM]
        clear = np.argsort(-response.best[tuple(near.T)], kind="stable")[:1]
        starts = np.concatenate([near[clear], starts])
    while len(starts) and len(lines) < MOST_LINES:
        row, col = starts[0]
        k = int(response.direction[row, col])
        start = np.array([row, col], dtype=np.float64)
        line = follow(response, start, k, step, texture)
        fresh = ~known.has(line.points)
        known.add(line.points)
        if fresh.sum() * STEP_MM >= OWN_LENGTH_MM and len(line.points) * STEP_MM >= SHORTEST_MM:
            lines.append(line)
        starts = starts[1:][~known.has(starts[1:].astype(np.float64))]
    return lines


class KnownLines:
    """Points of the lines followed so far."""

    def __init__(self, response: LineResponse, step: float) -> None:
        self.grey = response.fine
        self.step = step
        self.points = np.empty((0, 2))
        self.tree: KDTree | None = None

    def add(self, points: FloatArray) -> None:
        """Remember the points of a line."""
        self.points = np.concatenate([self.points, points])
        self.tree = KDTree(self.points)

    def has(self, points: FloatArray) -> np.ndarray:
        """Which points lie on a known line: near it, and no darker valley between."""
        if self.tree is None:
            return np.zeros(len(points), dtype=bool)
        found = self.tree.query(points, distance_upper_bound=BESIDE_MM / self.step)
        distance, index = (np.asarray(v) for v in found)
        near = np.isfinite(distance)
        same = np.zeros(len(points), dtype=bool)
        other = self.points[index[near]]
        way = np.linspace(0.0, 1.0, 9)[None, :, None]
        between = points[near][:, None] * (1.0 - way) + other[:, None] * way
        grey = ndimage.map_coordinates(self.grey, np.moveaxis(between, -1, 0), order=1)
        valley = np.minimum(grey[:, 0], grey[:, -1]) - grey.min(axis=1)
        same[near] = (valley < VALLEY) | (distance[near] * self.step < OWN_MM)
        return same


def follow(
    response: LineResponse, start: FloatArray, k: int, step: float, texture: float
) -> BrightLine:
    """Follow the line through a grid point both ways."""
    angle = np.pi * k / DIRECTIONS
    ahead = _one_way(response, start, angle, step, texture)
    back = _one_way(response, start, angle + np.pi, step, texture)
    points = np.array([*(p for p, _ in back[::-1]), start, *(p for p, _ in ahead)])
    row, col = np.rint(start).astype(int)
    values = [
        *(c for _, c in back[::-1]),
        float(response.contrast[k, row, col]),
        *(c for _, c in ahead),
    ]
    return BrightLine(points=points, contrast=np.array(values))


def _one_way(
    response: LineResponse, start: FloatArray, angle: float, step: float, texture: float
) -> list[tuple[FloatArray, float]]:
    """Points and contrasts from a start in one direction, a vanished tail cut off."""
    here = start
    k0 = round(angle / np.pi * DIRECTIONS) % DIRECTIONS
    own = _value(response.contrast[k0], start)
    way: list[tuple[FloatArray, float]] = []
    last_seen, gap = 0, 0
    for _ in range(400):
        t = np.array([np.cos(angle), np.sin(angle)])
        ahead = here + t * (STEP_MM / step)
        k = round(angle / np.pi * DIRECTIONS) % DIRECTIONS
        ahead = _to_crest(response.smooth[k], ahead, np.array([t[1], -t[0]]), ASIDE_MM / step)
        if not _inside(response.best, ahead):
            break
        answers = [_value(response.contrast[(k + d) % DIRECTIONS], ahead) for d in (-1, 0, 1)]
        contrast = max(answers)
        seen = contrast > max(SEEN_SHARE * own, texture)
        gap = 0 if seen else gap + 1
        way.append((ahead, contrast))
        if seen:
            last_seen = len(way)
            own = 0.95 * own + 0.05 * contrast
            weights = np.clip(np.array(answers) - 0.5 * contrast, 0.0, None)
            turn = float(weights @ (-1.0, 0.0, 1.0) / weights.sum()) * np.pi / DIRECTIONS
            centred = round(angle / np.pi * DIRECTIONS) * np.pi / DIRECTIONS
            change = 0.35 * (centred + turn - angle)
            angle += float(np.clip(change, -STEP_MM / RADIUS_MM, STEP_MM / RADIUS_MM))
        elif gap * STEP_MM > GAP_MM:
            break
        here = ahead
    return way[:last_seen]


def _to_crest(image: np.ndarray, point: FloatArray, normal: FloatArray, reach: float) -> FloatArray:
    """Up the slope across the line, at most ``reach``."""
    at = np.array([-1.0, 0.0, 1.0])
    left, middle, right = (_value(image, point + d * reach * normal) for d in at)
    bend = left - 2.0 * middle + right
    if bend >= 0.0:
        return point + reach * normal * float(np.sign(right - left))
    return point + reach * normal * float(np.clip(0.5 * (left - right) / bend, -1.0, 1.0))


def _inside(image: np.ndarray, point: FloatArray) -> bool:
    return bool((point >= 1).all() and (point <= np.array(image.shape) - 3).all())


def _value(image: np.ndarray, point: FloatArray) -> float:
    """Bilinear value; the border goes on outside."""
    r = min(max(float(point[0]), 0.0), image.shape[0] - 1.001)
    c = min(max(float(point[1]), 0.0), image.shape[1] - 1.001)
    i, j = int(r), int(c)
    u, v = r - i, c - j
    return float(
        (image[i, j] * (1 - v) + image[i, j + 1] * v) * (1 - u)
        + (image[i + 1, j] * (1 - v) + image[i + 1, j + 1] * v) * u
    )
