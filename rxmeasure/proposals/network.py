"""What the trained network sees in a film: fills, their ends, apices, teeth.

The network is a residual U-Net (Ronneberger et al. 2015, doi:10.1007/978-3-319-24574-4_28) trained
on phantoms alone by ``.tools/train_proposals``; onnxruntime runs it. Without onnxruntime or without
the file of its weights `network_maps` is None and the explicit method proposes alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rxmeasure.geometry import FloatArray
from rxmeasure.proposals.film_grid import FilmGrid
from rxmeasure.trained_network import trained_network

MODEL_FILE = "canals.onnx"
#: A cell of the maps is so many grid points wide.
CELL = 2
#: Sides of the network's input are multiples of this.
MULTIPLE = 32
#: Unit of the network's offsets, in cells.
OFFSET_UNIT = 16.0
#: Grey levels beyond these were never seen in training.
GREY_RANGE = (-0.2, 1.3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Maps:
    """Answers of the network, one for each cell of `CELL` x `CELL` grid points.

    Attributes
    ----------
    fill, axis, tooth : ndarray, shape (rows, cols)
        Probability of a fill, of its axis, of a tooth.
    spots : ndarray, shape (3, rows, cols)
        Probability of a fill's coronal end, its apical end, a root's apex.
    to_points : ndarray, shape (3, rows, cols, 2)
        The way (row, col) in cells from a cell of a fill to its own coronal end, apical end and
        apex.
    spread : ndarray, shape (3, rows, cols)
        Scale of their error in cells (two-dimensional Laplace distribution).
    """

    fill: FloatArray
    axis: FloatArray
    tooth: FloatArray
    spots: FloatArray
    to_points: FloatArray
    spread: FloatArray


def to_grid(cells: FloatArray) -> FloatArray:
    """Cell coordinates to grid coordinates."""
    return np.asarray((cells + 0.5) * CELL - 0.5)


def to_cells(points: FloatArray) -> FloatArray:
    """Grid coordinates to cell coordinates. Inverse of `to_grid`."""
    return np.asarray((points + 0.5) / CELL - 0.5)


def network_maps(grid: FilmGrid) -> Maps | None:
    """Run the network on a film; None where it cannot run."""
    session = trained_network("rxmeasure.proposals", MODEL_FILE)
    if session is None:
        return None
    rows, cols = grid.grey.shape
    size = [-(-n // MULTIPLE) * MULTIPLE for n in (rows, cols)]
    picture = np.zeros((1, 1, *size), np.float32)
    picture[0, 0, :rows, :cols] = np.clip(grid.grey, *GREY_RANGE)
    answer = _mean_of_both_sides(session, picture)
    answer = answer[:, : -(-rows // CELL), : -(-cols // CELL)]
    seen = 1.0 / (1.0 + np.exp(-np.clip(answer[:6], -30.0, 30.0)))
    ways = OFFSET_UNIT * answer[6:12].reshape(3, 2, *answer.shape[1:])
    return Maps(
        fill=seen[0], axis=seen[1], tooth=seen[2], spots=seen[3:6],
        to_points=np.moveaxis(ways, 1, -1), spread=np.exp(np.clip(answer[12:15], -4.0, 6.0)),
    )  # fmt: skip


def _mean_of_both_sides(session: Any, picture: np.ndarray) -> FloatArray:
    """Mean answer on the film and on its mirror image."""
    plain, mirrored = (
        np.asarray(session.run(None, {"film": np.ascontiguousarray(p)})[0][0], np.float64)
        for p in (picture, picture[..., ::-1])
    )
    mirrored = mirrored[..., ::-1]
    mirrored[7:12:2] *= -1.0
    return 0.5 * (plain + mirrored)
