"""Proposals from what the network sees, held against what the film itself shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import KDTree
from skimage.measure import find_contours

from rxmeasure.geometry import FloatArray, polygon_area
from rxmeasure.proposals.cross_sections import cross_sections
from rxmeasure.proposals.ends import stands_out
from rxmeasure.proposals.film_grid import FilmGrid
from rxmeasure.proposals.judging import Judgement, falling, judged, rising
from rxmeasure.proposals.network import Maps, to_cells, to_grid
from rxmeasure.proposals.network_apex import SeenApex, see_apex
from rxmeasure.proposals.pairing import FoundFill, found_fills

#: How much a fill's own brightness counts beside how far it stands out of the root.
BRIGHTNESS_WEIGHT = 0.25
#: Confidence of an apex from `SeenApex.mass` and `SeenApex.height`: logistic regression on the 153
#: canals of the phantoms of seeds 7000 to 7090.
APEX_LOGIT = (-2.92, 2.79, 6.77)
#: The apex is proposed from this confidence.
LEAST_APEX_CONFIDENCE = 0.6
#: Points of a tooth's outline are so far apart (cells).
OUTLINE_STEP = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenCanal:
    """A fill with its judgement, its apex and the outline of its tooth (grid points)."""

    fill: FoundFill
    judgement: Judgement
    apex: SeenApex
    apex_confidence: float
    outline: FloatArray | None


def seen_canals(grid: FilmGrid, maps: Maps) -> list[SeenCanal]:
    """All fills that the network sees, surest first."""
    canals = [_canal(grid, maps, fill) for fill in found_fills(maps, grid.step)]
    return sorted(canals, key=lambda c: -c.judgement.confidence)


def _canal(grid: FilmGrid, maps: Maps, fill: FoundFill) -> SeenCanal:
    apex = see_apex(maps, fill, grid.step)
    return SeenCanal(
        fill=fill, judgement=judge_seen(grid, maps, fill), apex=apex,
        apex_confidence=_apex_confidence(grid, apex), outline=_outline(maps, fill),
    )  # fmt: skip


def judge_seen(grid: FilmGrid, maps: Maps, fill: FoundFill) -> Judgement:
    """Confidence that a fill is one: the network's answers, and the film's own contrast.

    The limits lie between the fills of random phantoms (seeds 7000 to 7090) and what else is found.
    """
    sections = cross_sections(grid, fill.line)
    where = to_cells(fill.line).T
    axis = float(ndimage.map_coordinates(maps.axis, where, order=1, mode="nearest").mean())
    tooth = float(ndimage.map_coordinates(maps.tooth, where, order=1, mode="nearest").mean())
    middle = float(np.median(sections.rows[:, np.abs(sections.t) < 0.1]))
    out = float(np.median(stands_out(sections)))
    return judged(
        [
            (rising(axis, 0.6, 0.03), "it is no single line"),
            (rising(tooth, 0.7, 0.05), "it leaves the teeth: a file, a clamp or an edge"),
            (
                rising(out + BRIGHTNESS_WEIGHT * (middle - 0.5), 0.07, 0.005),
                "it is not dense enough for a filling",
            ),
            (rising(fill.spots[0], 0.16, 0.015), "its coronal end is not seen"),
            (rising(fill.spots[1], 0.11, 0.01), "its apical end is not seen"),
            (rising(fill.length_mm, 2.5, 0.3), "it is short for a fill"),
            (falling(fill.length_mm, 19.0, 0.8), "it is longer than a fill: a file or a wire"),
            (rising(float(sections.inside.mean()), 0.9, 0.02), "it leaves the film"),
        ]
    )


def _apex_confidence(grid: FilmGrid, apex: SeenApex) -> float:
    row, col = np.rint(apex.point).astype(int)
    rows, cols = grid.grey.shape
    if not (0 <= row < rows and 0 <= col < cols and grid.inside[row, col]):
        return 0.0
    constant, mass, height = APEX_LOGIT
    return rising(constant + mass * apex.mass + height * apex.height, 0.0, 1.0)


def why_no_apex(canal: SeenCanal) -> str | None:
    """Why the apex is not proposed, or None."""
    if canal.apex_confidence >= LEAST_APEX_CONFIDENCE:
        return None
    if canal.apex_confidence == 0.0:
        return "The root's tip may lie outside the film."
    return "The outline of the root's tip does not stand out of the bone."


def _outline(maps: Maps, fill: FoundFill) -> FloatArray | None:
    """Outline of the teeth round a fill, grid points; None where the fill lies in none."""
    framed = np.pad(maps.tooth, 1)
    end = to_cells(fill.line[len(fill.line) // 2])
    around = [c - 1.0 for c in find_contours(framed, 0.5) if _holds(c - 1.0, end)]
    if not around:
        return None
    return to_grid(min(around, key=polygon_area)[::OUTLINE_STEP])


def _holds(contour: FloatArray, point: FloatArray) -> bool:
    """Whether a closed contour goes round a point (crossings of a ray)."""
    a, b = contour[:-1], contour[1:]
    crosses = (a[:, 0] > point[0]) != (b[:, 0] > point[0])
    a, b = a[crosses], b[crosses]
    at = a[:, 1] + (point[0] - a[:, 0]) * (b[:, 1] - a[:, 1]) / (b[:, 0] - a[:, 0])
    return bool((at > point[1]).sum() % 2)


def distance_mm(grid: FilmGrid, canal: SeenCanal, point: FloatArray) -> float:
    """Distance of a grid point from a fill's axis."""
    return float(KDTree(canal.fill.line).query(point)[0]) * grid.step
