"""Where the fill on a bright line begins and ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from rxmeasure.geometry import FloatArray
from rxmeasure.proposals.cross_sections import (
    ROW_MM,
    CrossSections,
    cross_sections,
    extended,
)
from rxmeasure.proposals.film_grid import FilmGrid

#: The fill ends coronally where it widens so suddenly (times, and mm)
WIDENING = 1.45
WIDENING_MM = 0.12
#: on so long a stretch (mm), or by less (times, and mm) but from all of a stretch below to all of
#: one above (mm above, mm below), at least so far from the apical end (mm) ...
LASTING_MM = 0.4
WIDER, WIDER_MM = 1.2, 0.08
STEP_MM = (2.5, 3.0)
LEAST_BELOW_MM = 4.0
#: ... or loses its height over its sides (share) on so long a stretch (mm): voids are shorter.
HEIGHT_LOST = 0.4
GAP_MM = 1.2
#: Looked for from the clearest place on this stretch before the apical end (mm).
APICAL_MM = 8.0
#: A puff is so many times higher than the fill before it, and not longer (mm).
PUFF_HEIGHT = 1.25
PUFF_MM = 2.2
#: The running width and height are means over this length (mm).
MEMORY_MM = 2.0
#: A step of the height below the coronal end, as a share of it, is where the restoration's base
#: meets the fill; looked for on this stretch (mm).
BASE_STEP = 0.25
BASE_MM = 1.8
#: How far beyond the followed line, and back along it, the apical end is looked for (mm).
AHEAD_MM = 2.5
BACK_MM = 6.0
#: Stretches before and behind the apical end that are compared (mm).
BEFORE_MM = 2.5
BEHIND_MM = 1.5
#: Widths of fills, and where their sides are looked at from the edge (mm).
WIDTHS_MM = (0.3, 1.6)
SIDE_FROM_MM, SIDE_TO_MM = 0.08, 0.4
#: What lies behind an end is less than this share of what lies before it, and on most of the
#: stretch behind less than so many heights of the texture.
FALLEN_SHARE = 0.6
AFTER_TEXTURES = 1.5
#: Shorter lines hold no fill (mm).
LEAST_MM = 2.0
#: Stretch straight ahead of a point that is looked at (mm), and what a fill shows there: share of
#: what it showed before, and heights of the texture.
AHEAD_MM_LOOKED = (0.3, 1.4)
AHEAD_SHARE = 0.4
AHEAD_TEXTURES = 0.8
#: The typical height of a line, low enough not to be that of a restoration in line with the fill.
TYPICAL_PERCENTILE = 50.0
#: Among the places where the line may end the last one counts that is so clear (share of the
#: clearest), with those so near before it (mm).
LAST_CLEAR = 0.75
GROUP_MM = 1.5
#: How much the depth of the fall counts beside its clearness.
FALL_POWER = 0.5
#: Nor does it stand out on most of so long a stretch behind (mm): else that was a void.
REST_MM = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FillCandidate:
    """A bright line that may be a fill, coronal end first.

    Attributes
    ----------
    sections : CrossSections
        Along the fill and some millimetres beyond its apical end.
    start, end : int
        Rows of the fill's coronal and apical end.
    end_drop_sd : float
        How clearly the fill ends there, in standard deviations of what lies beyond.
    """

    sections: CrossSections
    start: int
    end: int
    end_drop_sd: float

    @property
    def length_mm(self) -> float:
        """Length of the fill, in the grid's millimetres."""
        return (self.end - self.start) * ROW_MM

    @property
    def line(self) -> FloatArray:
        """Grid points along the fill."""
        return self.sections.line[self.start : self.end + 1]


def find_ends(grid: FilmGrid, line: FloatArray, texture: float) -> FillCandidate | None:
    """Trim a smooth line (coronal end first) to the fill on it; None when nothing is left.

    Parameters
    ----------
    grid : FilmGrid
    line : ndarray, shape (N, 2)
        Grid points every `ROW_MM`.
    texture : float
        Typical height of the clearer lines of the film's texture.
    """
    line = without_wandering(grid, line, texture)
    if (len(line) - 1) * ROW_MM < LEAST_MM:
        return None
    beyond = AHEAD_MM + BEHIND_MM
    sections = cross_sections(grid, extended(line, grid.step, 0.0, beyond))
    end = _apical_end(sections, 0, len(sections.line) - 1, texture)
    if end is None:
        return None
    # The line may have gone on along the texture: from just before its end it goes on straight.
    keep = max(end[0] - round(0.4 / ROW_MM), round(1.5 / ROW_MM))
    course = sections.line[: keep + 1]
    straight = extended(course, grid.step, 0.0, beyond + 0.4)
    from_end = cross_sections(grid, straight)
    again = _apical_end(
        from_end, max(0, keep - round(BACK_MM / ROW_MM)), len(straight) - 1, texture
    )
    row, drop = end
    if again is not None:
        sections, (row, drop) = from_end, again
    row = _before_puff(sections, row)
    start = _coronal_end(sections, row)
    if (row - start) * ROW_MM < LEAST_MM:
        return None
    return FillCandidate(sections=sections, start=start, end=row, end_drop_sd=drop)


def without_wandering(grid: FilmGrid, line: FloatArray, texture: float) -> FloatArray:
    """The part of a line that lies straight ahead of itself; its coronal end stays.

    A followed line goes on beyond a fill from one line of the texture to the next. A fill does
    not turn so fast: what is straight ahead of it still belongs to it.
    """
    n = round(1.0 / ROW_MM)
    if len(line) <= n:
        return line
    here = line[n:]
    way = here - line[:-n]
    way = way / np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)[:, None]
    across = np.column_stack([way[:, 1], -way[:, 0]])
    width = np.clip(cross_sections(grid, line).width[n:], *WIDTHS_MM)
    width = ndimage.minimum_filter1d(ndimage.median_filter(width, n), n)
    middle = _level(grid, here, way, across, np.zeros(len(here)))
    side = 0.5 * width + 0.5 * (SIDE_FROM_MM + SIDE_TO_MM)
    one = _level(grid, here, way, across, side)
    two = _level(grid, here, way, across, -side)
    ahead = middle - 0.5 * (one + two)
    before = ndimage.uniform_filter1d(ahead, 2 * n, origin=n - 1, mode="nearest")
    on = ahead > np.maximum(AHEAD_SHARE * before, AHEAD_TEXTURES * texture)
    gap = round(GAP_MM / ROW_MM)
    closed = ndimage.binary_closing(np.pad(on, gap), np.ones(gap, dtype=bool))[gap:-gap]
    labels, count = ndimage.label(closed)
    if count == 0:
        return line[: n + 1]
    weight = ndimage.sum_labels(np.clip(ahead, 0.0, None), labels, np.arange(1, count + 1))
    last = int(np.flatnonzero(labels == 1 + int(np.argmax(weight)))[-1])
    return line[: n + last + round(AHEAD_MM_LOOKED[1] / ROW_MM) + 1]


def _level(
    grid: FilmGrid, here: FloatArray, way: FloatArray, across: FloatArray, t: FloatArray
) -> FloatArray:
    """Mean grey level ahead of each point, at a distance to its side."""
    ahead = np.arange(*AHEAD_MM_LOOKED, 0.2)
    beside = np.array([-0.1, 0.0, 0.1])
    along = (ahead / grid.step)[None, :, None, None] * way[:, None, None, :]
    aside = (t[:, None] + beside[None, :]) / grid.step
    where = here[:, None, None, :] + along + aside[:, None, :, None] * across[:, None, None, :]
    values = ndimage.map_coordinates(
        grid.grey, np.moveaxis(where, -1, 0), order=1, mode="nearest", prefilter=False
    )
    return np.asarray(values.mean(axis=(1, 2)), dtype=np.float64)


def stands_out(sections: CrossSections) -> FloatArray:
    """Middle of each row over the mean of both its sides, close to the fill's edges.

    Close, because a narrow root is a broad bright line itself. A fill does not widen apically.
    """
    t = sections.t
    middle = sections.rows[:, np.abs(t) < 0.12].mean(axis=1)
    width = ndimage.median_filter(np.clip(sections.width, *WIDTHS_MM), round(1.0 / ROW_MM))
    width = np.minimum.accumulate(width)
    near, far = 0.5 * width + SIDE_FROM_MM, 0.5 * width + SIDE_TO_MM
    away = np.abs(t)[None, :]
    beside = (away > near[:, None]) & (away < far[:, None])
    left = np.where(beside & (t < 0)[None], sections.rows, 0.0).sum(axis=1)
    right = np.where(beside & (t > 0)[None], sections.rows, 0.0).sum(axis=1)
    count = np.maximum(beside.sum(axis=1) / 2.0, 1.0)
    return np.asarray(middle - 0.5 * (left + right) / count)


def _apical_end(
    sections: CrossSections, first: int, last: int, texture: float
) -> tuple[int, float] | None:
    """Row where the line stops to stand out, and how clearly (standard deviations).

    Change point between a straight course before and a level behind; what lies behind must be
    less than half of what lies before.
    """
    signal = stands_out(sections)
    before, behind, rest = (round(v / ROW_MM) for v in (BEFORE_MM, BEHIND_MM, REST_MM))
    typical = float(np.percentile(signal[first : last + 1], TYPICAL_PERCENTILE))
    if typical <= 0.0:
        return None
    found: list[tuple[float, int, float]] = []
    lowest = max(first, round(1.5 / ROW_MM))
    for row in range(lowest, last - round(0.5 / ROW_MM)):
        one = signal[max(0, row - before) : row]
        two = signal[row : row + behind]
        x = np.arange(len(one)) - len(one)
        slope = _slope(x, one)
        at_end = float(one.mean() - slope * x.mean())
        at_end = max(at_end, 0.3 * float(one.mean()))
        level = float(two.mean())
        fall = at_end - level
        after = float(np.median(signal[row : row + rest]))
        if one.mean() < 0.2 * typical or max(level, after) > FALLEN_SHARE * at_end:
            continue
        if after > AFTER_TEXTURES * texture:
            continue
        noise = np.hypot(np.std(one - slope * x), np.std(two)) + 0.02 * typical
        clear = fall / noise
        found.append((clear * (fall / typical) ** FALL_POWER, row, clear))
    return _last_clear(found)


def _last_clear(found: list[tuple[float, int, float]]) -> tuple[int, float] | None:
    """The clearest (score, row, clearness) of the last group of about equally clear ones."""
    if not found:
        return None
    enough = LAST_CLEAR * max(score for score, _, _ in found)
    last = [f for f in found if f[0] >= enough]
    last = [f for f in last if (last[-1][1] - f[1]) * ROW_MM < GROUP_MM]
    _, row, clear = max(last)
    return row, float(clear)


def _slope(x: np.ndarray, y: FloatArray) -> float:
    d = x - x.mean()
    return float(d @ y / max(float(d @ d), 1e-9))


def _coronal_end(sections: CrossSections, end: int) -> int:
    """Row where the fill begins, looked for from its apical half upwards."""
    lasting, gone, memory = (round(v / ROW_MM) for v in (LASTING_MM, GAP_MM, MEMORY_MM))
    apical = max(end - round(APICAL_MM / ROW_MM), 0)
    clearest = ndimage.uniform_filter1d(sections.height, round(1.0 / ROW_MM))
    zone = slice(apical, max(end - round(2.0 / ROW_MM), apical + 1))
    row = apical + int(np.argmin(np.abs(clearest[zone] - np.median(clearest[zone]))))
    wide = low = 0
    while row > 0:
        broken = max(wide, low)
        past = slice(row + broken + 1, row + broken + 1 + memory)
        width = float(np.median(sections.width[past]))
        height = float(np.median(sections.height[past]))
        widened = sections.width[row] > WIDENING * width + WIDENING_MM
        lost = sections.height[row] < HEIGHT_LOST * height
        if (end - row) * ROW_MM > LEAST_BELOW_MM and _steps_wider(sections.width, row):
            break
        wide = wide + 1 if widened or not sections.inside[row] else 0
        low = low + 1 if lost else 0
        if wide >= lasting or low >= gone:
            row += max(wide, low)
            break
        row -= 1
    return _below_base(sections, row, end)


def _steps_wider(width: FloatArray, row: int) -> bool:
    """Whether all that lies coronal of a row is wider than all that lies apical: no taper does."""
    above = width[max(row - round(STEP_MM[0] / ROW_MM), 0) : row]
    below = width[row : row + round(STEP_MM[1] / ROW_MM)]
    if len(above) < round(0.5 * STEP_MM[0] / ROW_MM):
        return False
    return bool(np.percentile(above, 25.0) > WIDER * np.percentile(below, 90.0) + WIDER_MM)


def _before_puff(sections: CrossSections, end: int) -> int:
    """Row where a fill runs into a wider and brighter patch, or its end."""
    memory, lasting = round(MEMORY_MM / ROW_MM), round(LASTING_MM / ROW_MM)
    for row in range(max(end - round(PUFF_MM / ROW_MM), memory), end - lasting):
        past, ahead = slice(row - memory, row), slice(row, row + lasting)
        wider = sections.width[ahead] > WIDENING * np.median(sections.width[past]) + WIDENING_MM
        higher = sections.height[ahead] > PUFF_HEIGHT * np.median(sections.height[past])
        if (wider & higher).all():
            return row
    return end


def _below_base(sections: CrossSections, row: int, end: int) -> int:
    """Below a short stretch of another density that leads to the restoration."""
    n = round(0.4 / ROW_MM)
    zone = range(row + n, min(row + round(BASE_MM / ROW_MM), end - 2 * n))
    best, found = BASE_STEP, row
    for k in zone:
        above = float(np.median(sections.height[k - n : k]))
        below = float(np.median(sections.height[k : k + 2 * n]))
        step = abs(above - below) / max(below, 1e-6)
        if step > best:
            best, found = step, k
    return found
