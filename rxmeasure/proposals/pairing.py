"""Fills from the network's maps: which coronal end goes with which apical end, and the way there.

Every cell of a fill tells where it sees the two ends of its own fill (voting as in part
association; Papandreou et al. 2018, doi:10.1007/978-3-030-01264-9_17). So two fills that lie over
one another, or share an end, are still two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.optimize import linear_sum_assignment
from scipy.spatial import KDTree
from skimage.graph import route_through_array

from rxmeasure.geometry import FloatArray
from rxmeasure.proposals.cross_sections import ROW_MM, smoothed
from rxmeasure.proposals.network import CELL, Maps, to_cells, to_grid

#: Cells from this probability belong to a fill.
FILL = 0.5
#: Spots from this height are looked at, apart from one another by at least so much (mm).
SPOT, SPOT_APART_MM = 0.1, 0.45
#: Weight of the answer that a cell belongs to none of the spots.
NONE = 0.003
#: So many square millimetres of votes make a fill ...
VOTES_MM2 = 0.5
#: ... and so many another reading of the apical end of one that is known already.
READING_MM2 = 0.2
#: Two fills from one coronal end are two only where each runs so far beside the other (mm), at
#: least so far from it (mm), to a spot of at least this height.
OWN_MM, BESIDE_MM, BRANCH_SPOT = 2.5, 0.35, 0.3
#: A fill goes on to a farther end that is at least so clear as the nearer one (share).
CLEAR_SHARE = 0.5
#: Fills are one when less than this share of one lies beside the other.
SAME_COURSE = 0.04


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FoundFill:
    """A fill that the network sees.

    Attributes
    ----------
    line : ndarray, shape (N, 2)
        Grid points every `ROW_MM`, coronal end first.
    cells : ndarray, shape (rows, cols)
        Share of each cell's votes that is for it.
    votes_mm2 : float
        Their area.
    seen : float
        Mean probability along it.
    spots : tuple of float
        Heights of its coronal and apical spot.
    """

    line: FloatArray
    cells: FloatArray
    votes_mm2: float
    seen: float
    spots: tuple[float, float]

    @property
    def length_mm(self) -> float:
        """Length, in the grid's millimetres."""
        return (len(self.line) - 1) * ROW_MM


def peaks(heat: FloatArray, cell_mm: float, least: float = SPOT) -> tuple[FloatArray, FloatArray]:
    """Places of spots, to a fraction of a cell, shape (N, 2), and their heights."""
    apart = max(1, round(SPOT_APART_MM / cell_mm))
    top = (ndimage.maximum_filter(heat, 2 * apart + 1) == heat) & (heat >= least)
    at = np.argwhere(top)
    exact = [_centre(heat, row, col) for row, col in at]
    return np.array(exact).reshape(-1, 2), heat[top]


def _centre(heat: FloatArray, row: int, col: int) -> FloatArray:
    """Vertex of the parabola through the logarithms round a peak."""
    point = np.array([row, col], dtype=np.float64)
    for k in (0, 1):
        if 0 < point[k] < heat.shape[k] - 1:
            step = np.eye(2, dtype=int)[k]
            a, b, c = (
                np.log(max(float(heat[row + d * step[0], col + d * step[1]]), 1e-6))
                for d in (-1, 0, 1)
            )
            bend = a - 2.0 * b + c
            if bend < 0.0:
                point[k] += float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))
    return point


def found_fills(maps: Maps, step_mm: float) -> list[FoundFill]:
    """All fills, clearest coronal end first."""
    cell_mm = CELL * step_mm
    starts, start_heights = peaks(maps.spots[0], cell_mm)
    ends, end_heights = peaks(maps.spots[1], cell_mm)
    if len(starts) == 0 or len(ends) == 0:
        return []
    on = np.argwhere(maps.fill >= FILL)
    from_start = _votes(maps, 0, on, starts, start_heights)
    from_end = _votes(maps, 1, on, ends, end_heights)
    votes = cell_mm**2 * from_start.T @ from_end
    by_start: dict[int, list[FoundFill]] = {}
    for a, b in _pairs(votes):
        cells = np.zeros(maps.fill.shape)
        cells[tuple(on.T)] = from_start[:, a] * np.sqrt(from_end[:, b])
        path = _way(maps, cells, starts[a], ends[b])
        fill = FoundFill(
            line=smoothed(to_grid(path), step_mm), cells=cells, votes_mm2=float(votes[a, b]),
            seen=_seen(maps, path), spots=(float(start_heights[a]), float(end_heights[b])),
        )  # fmt: skip
        by_start.setdefault(a, []).append(fill)
    fills = [f for readings in by_start.values() for f in _told_apart(maps, readings, step_mm)]
    return _without_second_starts(sorted(fills, key=lambda f: -f.spots[0]), step_mm)


def _without_second_starts(fills: list[FoundFill], step_mm: float) -> list[FoundFill]:
    """One fill for each course: of two coronal ends in one line the clearer one counts."""
    kept: list[FoundFill] = []
    for fill in fills:
        on_one = any(
            min(
                _beside(fill.line, k.line, step_mm).mean(),
                _beside(k.line, fill.line, step_mm).mean(),
            )
            < SAME_COURSE
            for k in kept
        )
        if not on_one:
            kept.append(fill)
    return kept


def _seen(maps: Maps, path: FloatArray) -> float:
    limit = np.array(maps.fill.shape) - 1
    return float(maps.fill[tuple(np.clip(np.rint(path), 0, limit).astype(int).T)].mean())


def _told_apart(maps: Maps, readings: list[FoundFill], step_mm: float) -> list[FoundFill]:
    """Fills that begin at one coronal end; of two readings of one fill the better one."""
    kept: list[FoundFill] = []
    for new in sorted(readings, key=lambda f: -f.votes_mm2):
        same = [k for k in kept if not _branches(new, k, step_mm)]
        if not same:
            kept.append(new)
        elif len(same) == 1 and _goes_on(maps, new, same[0], step_mm):
            kept[kept.index(same[0])] = new
    return kept


def _beside(line: FloatArray, other: FloatArray, step_mm: float) -> np.ndarray:
    apart = np.asarray(KDTree(other).query(line)[0]) * step_mm
    return np.asarray(apart > BESIDE_MM)


def _branches(new: FoundFill, known: FoundFill, step_mm: float) -> bool:
    """Whether two fills part and both run on."""
    apart = min(
        _beside(new.line, known.line, step_mm).sum(), _beside(known.line, new.line, step_mm).sum()
    )
    return bool(apart * ROW_MM >= OWN_MM and min(new.spots[1], known.spots[1]) >= BRANCH_SPOT)


def _goes_on(maps: Maps, new: FoundFill, known: FoundFill, step_mm: float) -> bool:
    """Whether the fill goes on to the new end, or ends already there.

    It goes on where no cell between the two ends is free of it, and the far end is no less clear.
    """
    longer, shorter = (new, known) if new.length_mm > known.length_mm else (known, new)
    rest = to_cells(longer.line[_beside(longer.line, shorter.line, step_mm)])
    filled = len(rest) > 0 and ndimage.map_coordinates(maps.fill, rest.T, order=1).min() >= FILL
    on = bool(filled and longer.spots[1] >= CLEAR_SHARE * shorter.spots[1])
    return on if longer is new else not on


def _votes(
    maps: Maps, kind: int, on: np.ndarray, spots: FloatArray, heights: FloatArray
) -> FloatArray:
    """Share of each fill cell's vote that each spot gets, shape (cells, spots).

    A cell that is unsure where its end lies believes the higher spot.
    """
    where = tuple(on.T)
    seen = on + maps.to_points[kind][where]
    apart = np.linalg.norm(seen[:, None] - spots[None], axis=-1)
    likely = heights * np.exp(-apart / maps.spread[kind][where][:, None])
    return np.asarray(likely / (likely.sum(axis=1, keepdims=True) + NONE))


def _pairs(votes: FloatArray) -> list[tuple[int, int]]:
    """Coronal and apical ends that may belong together.

    First each end to one other, so that the votes agree best. A coronal end that is left over
    shares the apical end that has most of its votes; an apical end that is left over may be
    another reading of where a fill ends.
    """
    one_to_one = linear_sum_assignment(votes, maximize=True)
    pairs = [(int(a), int(b)) for a, b in zip(*one_to_one, strict=True) if votes[a, b] >= VOTES_MM2]
    for a in sorted(set(range(votes.shape[0])) - {a for a, _ in pairs}):
        b = int(votes[a].argmax())
        if votes[a, b] >= VOTES_MM2:
            pairs.append((a, b))
    for b in sorted(set(range(votes.shape[1])) - {b for _, b in pairs}):
        a = int(votes[:, b].argmax())
        if votes[a, b] >= READING_MM2:
            pairs.append((a, b))
    return pairs


def _way(maps: Maps, cells: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Cells from one end to the other along the axis that its own cells lie on."""
    near = ndimage.gaussian_filter(cells, 1.0)
    easy = maps.axis * (0.25 + 0.75 * np.clip(2.0 * near, 0.0, 1.0)) + 0.1 * maps.fill
    limit = np.array(maps.fill.shape) - 1
    first, last = (tuple(int(v) for v in np.clip(np.rint(p), 0, limit)) for p in (start, end))
    path, _ = route_through_array(1.0 / (0.02 + easy), first, last, geometric=True)
    inner = np.array(path, dtype=np.float64)[1:-1]
    return np.concatenate([start[None], inner, end[None]])
