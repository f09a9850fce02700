"""A film round a lesion as the lesion networks see it, and their answers in eight ways."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from rxmeasure.geometry import FloatArray, PixelScale, resample
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.lesion_grid import (
    FARTHEST_MM,
    GRID,
    LINEAR_TO,
    LOG_UNIT,
    NEAR_MM,
    STEP_MM,
)
from rxmeasure.recall.lesion_window import beyond_roots, part_of, sampled

Mask = NDArray[np.bool_]
#: Fewest places of bone that say what grey level is usual (choice).
_LEAST_PLACES = 200
#: Points of a canal's line are so far apart (mm, choice).
_LINE_STEP_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """Grey levels on the networks' grid, shape (GRID, GRID).

    Attributes
    ----------
    centre : ndarray, shape (2,)
        Middle of the grid on the film's plane, in mm.
    values : ndarray
        Grey levels, or those of another film brought here.
    on_film : ndarray of bool
    beyond : ndarray
        Distance outside of what counts as root round canals' lines, in mm.
    """

    centre: FloatArray
    values: FloatArray
    on_film: Mask
    beyond: FloatArray

    @property
    def bone(self) -> Mask:
        """Where the film shows something and no root is marked."""
        return self.on_film & (self.beyond > 0.0)


def grid_mm() -> FloatArray:
    """Places of the grid round its middle, shape (GRID, GRID, 2)."""
    along = (np.arange(GRID) - (GRID - 1) / 2.0) * STEP_MM
    return np.stack(np.meshgrid(along, along, indexing="ij"), axis=-1)


def from_grid(cells: FloatArray) -> FloatArray:
    """Grid coordinates to mm round the middle."""
    return np.asarray((cells - (GRID - 1) / 2.0) * STEP_MM)


def view_of(
    radiograph: Radiograph,
    plane: PixelScale,
    centre: FloatArray,
    root_lines: Sequence[FloatArray],
) -> View:
    """The film round ``centre`` (plane, mm), averaged over about one step of the grid."""
    along = (np.arange(GRID) - (GRID - 1) / 2.0) * STEP_MM
    rows, cols = (centre[0] + along) / plane.row, (centre[1] + along) / plane.col
    spread = (0.5 * STEP_MM / plane.row, 0.5 * STEP_MM / plane.col)
    part, top, left = part_of(radiograph, rows, cols, spread)
    at = np.stack(np.meshgrid(rows - top, cols - left, indexing="ij"))
    values, on_film = sampled(radiograph, part, spread, at)
    points = (grid_mm() + centre).reshape(-1, 2)
    # Canals bend slowly: few points of their lines will do.
    lines = [resample(line, _LINE_STEP_MM) for line in root_lines]
    beyond = beyond_roots(points, lines, most=FARTHEST_MM).reshape(GRID, GRID)
    return View(centre=centre, values=values, on_film=on_film, beyond=beyond)


def usual_grey(view: View) -> tuple[float, float] | None:
    """Median and spread of the bone near the middle; None where too little shows."""
    near = np.hypot(*np.moveaxis(grid_mm(), -1, 0)) < NEAR_MM
    bone = view.values[view.bone & near]
    if len(bone) < _LEAST_PLACES:
        return None
    middle = float(np.median(bone))
    return middle, max(1.4826 * float(np.median(np.abs(bone - middle))), 1e-9)


def in_spreads(view: View, middle: float, spread: float) -> FloatArray:
    """Grey levels from the bone's median in spreads of the bone; 0 where the film ends."""
    grey = (view.values - middle) / spread
    beyond = np.maximum(np.abs(grey) - LINEAR_TO, 0.0)
    grey = np.clip(grey, -LINEAR_TO, LINEAR_TO)
    grey += np.sign(grey) * LOG_UNIT * np.log1p(beyond / LOG_UNIT)
    return np.asarray(np.where(view.on_film, grey, 0.0))


def answers_in_eight_ways(network: Any, channels: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean answer of a network on a picture turned and mirrored.

    Parameters
    ----------
    network
        An onnxruntime session.
    channels : ndarray, shape (channels, GRID, GRID)

    Returns
    -------
    shares : ndarray, shape (maps, GRID, GRID)
        Probability that a place belongs to the lesion.
    numbers : ndarray, shape (8, 5)
        See ``.tools/train_lesions/lesion_net.py``; one row for each way.
    """
    views = []
    for turn in range(4):
        turned = np.rot90(channels, turn, (1, 2))
        views += [turned, turned[:, :, ::-1]]
    maps, numbers = network.run(None, {"films": np.stack(views).astype(np.float32)})
    back = [
        np.rot90(seen[:, :, ::-1] if k % 2 else seen, -(k // 2), (1, 2))
        for k, seen in enumerate(np.asarray(maps, dtype=np.float64))
    ]
    return np.asarray(expit(np.mean(back, axis=0))), np.asarray(numbers, dtype=np.float64)
