"""The apex of a fill's root: what the network sees there, and where the fill's cells see it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rxmeasure.geometry import FloatArray
from rxmeasure.proposals.network import CELL, Maps, to_grid
from rxmeasure.proposals.pairing import FoundFill

#: So many cells of the fill, the surest ones, say where the apex is.
VOTERS = 40
#: The apex is looked for so far from where they see it (mm).
REACH_MM = 4.0
#: Weight of a place where no spot is seen.
FLOOR = 0.003
#: The confidence is that of lying within this distance (mm).
WITHIN_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenApex:
    """Grid point of the apex and what speaks for it.

    ``mass``: share of all likely places within `WITHIN_MM`. ``height``: of the spot there.
    """

    point: FloatArray
    mass: float
    height: float


def see_apex(maps: Maps, fill: FoundFill, step_mm: float) -> SeenApex:
    """Most likely apex of a fill."""
    cell_mm = CELL * step_mm
    on = np.argwhere(fill.cells > 0.5 * fill.cells.max())
    where = tuple(on.T)
    surest = np.argsort(maps.spread[2][where] / fill.cells[where], kind="stable")[:VOTERS]
    seen = (on + maps.to_points[2][where])[surest]
    spread = maps.spread[2][where][surest]
    weight = 1.0 / spread**2
    vote = (seen * weight[:, None]).sum(axis=0) / weight.sum()
    scale = float(np.median(spread)) + 0.5 * float(np.median(np.linalg.norm(seen - vote, axis=1)))
    rows, cols = np.indices(maps.fill.shape)
    apart = np.hypot(rows - vote[0], cols - vote[1])
    heat = maps.spots[2]
    likely = (heat**2 + FLOOR) * np.exp(-apart / scale)
    likely[apart * cell_mm > REACH_MM] = 0.0
    total = float(likely.sum())
    if total <= 0.0:  # they see it far outside the film
        return SeenApex(point=to_grid(vote), mass=0.0, height=0.0)
    row, col = np.unravel_index(int(likely.argmax()), likely.shape)
    near = np.hypot(rows - row, cols - col) * cell_mm
    close = likely * (near <= 2.0 * cell_mm)
    point = np.array([(close * rows).sum(), (close * cols).sum()]) / close.sum()
    return SeenApex(
        point=to_grid(point),
        mass=float(likely[near <= WITHIN_MM].sum()) / total,
        height=float(heat[row, col]),
    )
