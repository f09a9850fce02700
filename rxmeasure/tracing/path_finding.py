"""A rough path between clicks: ridge measure in a corridor, then the cheapest path.

The picture is resampled to a coarse grid aligned with the chord from the first
to the last click, so the search costs the same at any rotation and with
unequal pixel pitch. The ridge measure is the larger negative principal
curvature of the grey surface over two scales (Steger 1998, IEEE PAMI 20:113,
doi:10.1109/34.659930); the path is the cheapest one on an 8-connected grid
(Dijkstra). The path is only a start: its steps are too long by 3-5 % and are
never measured.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from rxmeasure.geometry import FloatArray
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.frame import MeasuringFrame
from rxmeasure.tracing.straighten import PictureCrop

#: Grid step, about half the resolution of a common sensor (mm).
GRID_STEP_MM = 0.07
#: Free space beside the clicks (mm): covers the sagitta of a strong curve.
CORRIDOR_MM = 3.0
#: Scales of the ridge measure (mm): a thin apical and a wide coronal fill.
RIDGE_SIGMAS_MM = (0.14, 0.28)
#: A click is moved to the strongest ridge within this distance (mm).
SNAP_MM = 0.45


def ridge_measure(image: FloatArray, sigmas: tuple[float, ...]) -> FloatArray:
    """Largest scale-normalised bright-ridge strength over ``sigmas``; shape as ``image``.

    Flip, transpose and rotation of the image flip, transpose and rotate the result.
    """
    best = np.zeros_like(image)
    for sigma in sigmas:
        rr = ndimage.gaussian_filter(image, sigma, order=(2, 0), mode="nearest")
        cc = ndimage.gaussian_filter(image, sigma, order=(0, 2), mode="nearest")
        rc = ndimage.gaussian_filter(image, sigma, order=(1, 1), mode="nearest")
        half_difference = np.hypot((rr - cc) / 2.0, rc)
        np.maximum(best, -(sigma**2) * ((rr + cc) / 2.0 - half_difference), out=best)
    return best


class Corridor:
    """Coarse grid round the clicks, one axis along their chord.

    ``pixels[i, j]`` lies at ``origin + i * step * along + j * step * across`` in the plane.
    """

    def __init__(self, radiograph: Radiograph, frame: MeasuringFrame, clicks: FloatArray) -> None:
        self.step = max(GRID_STEP_MM, 1.5 * frame.scale.mean)
        chord = clicks[-1] - clicks[0]
        self.along = chord / np.hypot(*chord)
        self.across = np.array([self.along[1], -self.along[0]])
        relative = clicks - clicks[0]
        a, b = relative @ self.along, relative @ self.across
        self.origin = (
            clicks[0]
            + (a.min() - CORRIDOR_MM / 2) * self.along
            + (b.min() - CORRIDOR_MM) * self.across
        )
        n_along = int((np.ptp(a) + CORRIDOR_MM) / self.step) + 1
        n_across = int((np.ptp(b) + 2 * CORRIDOR_MM) / self.step) + 1
        i, j = np.mgrid[0:n_along, 0:n_across] * self.step
        grid = self.origin + i[..., None] * self.along + j[..., None] * self.across
        crop = PictureCrop(radiograph, frame, grid.reshape(-1, 2)[:: n_across - 1 or 1], 0.0)
        window = np.maximum(
            1, np.round(self.step / np.array([frame.scale.row, frame.scale.col]))
        ).astype(int)
        crop.pixels = ndimage.uniform_filter(crop.pixels, tuple(window), mode="nearest")
        self.pixels = crop.sample(grid, order=1)

    def to_grid(self, points: FloatArray) -> FloatArray:
        """Plane points to grid coordinates."""
        relative = points - self.origin
        return np.column_stack([relative @ self.along, relative @ self.across]) / self.step

    def to_plane(self, grid_points: FloatArray) -> FloatArray:
        """Grid coordinates to plane points. Inverse of `to_grid`."""
        scaled = np.asarray(grid_points, dtype=np.float64) * self.step
        return np.asarray(self.origin + scaled[:, :1] * self.along + scaled[:, 1:] * self.across)


def rough_path(
    radiograph: Radiograph, frame: MeasuringFrame, clicks: FloatArray, *, bright: bool = True
) -> FloatArray:
    """Cheapest ridge path through the clicks.

    Parameters
    ----------
    radiograph : Radiograph
    frame : MeasuringFrame
    clicks : ndarray, shape (N, 2)
        Plane points, coronal first.
    bright : bool
        Follow a bright line (fill, file); False follows a dark one (an empty canal).

    Returns
    -------
    ndarray, shape (M, 2)
        Plane points on the coarse grid, from near the first to near the last click.
    """
    from skimage.graph import MCP_Geometric

    corridor = Corridor(radiograph, frame, clicks)
    image = corridor.pixels if bright else -corridor.pixels
    ridge = ridge_measure(image, tuple(s / corridor.step for s in RIDGE_SIGMAS_MM))
    nodes = np.clip(np.round(corridor.to_grid(clicks)).astype(int), 0, np.array(ridge.shape) - 1)
    reach = max(1, int(SNAP_MM / corridor.step))
    nodes = np.array([_snap(ridge, node, reach) for node in nodes])
    # Any ridge as clear as the clearer tenth of the corridor is as good as a metal edge.
    typical = float(np.percentile(ridge, 90.0)) or 1.0
    cost = 1.0 / (0.05 + np.minimum(ridge / typical, 1.0))
    beside = int(CORRIDOR_MM / 2 / corridor.step)
    pieces: list[FloatArray] = []
    for start, end in zip(nodes[:-1], nodes[1:], strict=True):
        # Only the rows round the two clicks: the cheapest path seldom leaves them.
        first = max(0, min(start[0], end[0]) - beside)
        part = cost[first : max(start[0], end[0]) + beside + 1]
        offset = np.array([first, 0])
        search = MCP_Geometric(part)
        search.find_costs([tuple(start - offset)], [tuple(end - offset)])
        piece = np.asarray(search.traceback(tuple(end - offset)), dtype=np.float64) + offset
        pieces.append(piece if not pieces else piece[1:])
    return corridor.to_plane(np.concatenate(pieces))


def _snap(ridge: FloatArray, node: FloatArray, reach: int) -> FloatArray:
    """Move a grid node across the corridor to the strongest ridge nearby (nearer wins ties)."""
    i, j = int(node[0]), int(node[1])
    low, high = max(0, j - reach), min(ridge.shape[1], j + reach + 1)
    distance = np.arange(low, high) - j
    score = ridge[i, low:high] * np.exp(-0.5 * (distance / (0.7 * reach)) ** 2)
    return np.array([i, low + int(np.argmax(score))])
