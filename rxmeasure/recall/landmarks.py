"""Alignment by points that a reader marks in both films."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.geometry import FloatArray, as_points
from rxmeasure.recall.contrast import AlignmentError
from rxmeasure.recall.plane_map import compose, inverse, mapped

#: Points that fix a map: half the number of its unknowns.
_NEEDED = {"similarity": 2, "affine": 3, "projective": 4}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LandmarkAlignment:
    """A map from marked points.

    Attributes
    ----------
    map : ndarray, shape (3, 3)
        Pixels of the second visit to pixels of the first.
    model : str
        ``"similarity"``, ``"affine"`` or ``"projective"``.
    left_out_px : ndarray, shape (N,) or None
        How far each point of the first film lies from where the others put it; None without a
        spare point. It says nothing of what lies at another depth.
    """

    map: FloatArray
    model: str
    left_out_px: FloatArray | None

    @property
    def left_out_rms_px(self) -> float | None:
        """Root mean square of ``left_out_px``."""
        return None if self.left_out_px is None else float(np.sqrt((self.left_out_px**2).mean()))


def align_landmarks(
    first_px: ArrayLike, second_px: ArrayLike, *, model: str = "affine"
) -> LandmarkAlignment:
    """Least-squares map from points of the second film to the same points of the first.

    Parameters
    ----------
    first_px, second_px : array_like, shape (N, 2)
        The same landmarks in the same order.
    model : str
        ``"similarity"`` (2 points or more), ``"affine"`` (3) or ``"projective"`` (4).

    Raises
    ------
    AlignmentError
        For unlike numbers of points, too few, points in a line, or a mirrored order.
    """
    if model not in _NEEDED:
        raise AlignmentError(
            found=f"a map of kind '{model}'.",
            needed=f"one of: {', '.join(_NEEDED)}.",
            next_step="Correct the kind of map.",
        )
    a, b = (as_points(p, what="landmarks") for p in (first_px, second_px))
    if len(a) != len(b) or len(a) < _NEEDED[model]:
        raise AlignmentError(
            found=f"{len(a)} landmarks in the first film and {len(b)} in the second.",
            needed=f"the same {_NEEDED[model]} or more in both.",
            next_step="Mark the missing points.",
        )
    solve = {"similarity": _similarity, "affine": _affine, "projective": _projective}[model]
    matrix = _fitted(solve, b, a)
    left_out = None
    if len(a) > _NEEDED[model]:
        left_out = np.array([_left_out(solve, b, a, k) for k in range(len(a))])
    return LandmarkAlignment(map=matrix, model=model, left_out_px=left_out)


Solver = Callable[[FloatArray, FloatArray], tuple[FloatArray, int]]


def _left_out(solve: Solver, b: FloatArray, a: FloatArray, k: int) -> float:
    others = np.arange(len(a)) != k
    away = mapped(_fitted(solve, b[others], a[others]), b[k]) - a[k]
    return float(np.hypot(*away))


def _fitted(solve: Solver, b: FloatArray, a: FloatArray) -> FloatArray:
    """The map in coordinates of about unit size, which keeps the equations well scaled."""
    to_a, to_b = _unit(a), _unit(b)
    small, rank_lost = solve(mapped(to_b, b), mapped(to_a, a))
    if rank_lost:
        raise AlignmentError(
            found="landmarks that lie in a line or on one place.",
            needed="points spread over the tooth and its neighbours.",
            next_step="Mark a point away from the line.",
        )
    matrix = compose(inverse(to_a), compose(small, to_b))
    if np.linalg.det(matrix[:2, :2]) <= 0.0:
        raise AlignmentError(
            found="landmarks in mirrored order.",
            needed="the same points in the same order in two films of one orientation.",
            next_step="Turn the film over or mark the points again.",
        )
    return matrix


def _unit(points: FloatArray) -> FloatArray:
    size = max(float(points.std()), 1e-9)
    matrix = np.diag([1.0 / size, 1.0 / size, 1.0])
    matrix[:2, 2] = -points.mean(axis=0) / size
    return matrix


def _solved(design: FloatArray, wanted: FloatArray) -> tuple[FloatArray, int]:
    values, _, _, spread = np.linalg.lstsq(design, wanted, rcond=None)
    lost = int((spread < 1e-6 * spread[0]).sum())
    return np.asarray(values), lost


def _similarity(b: FloatArray, a: FloatArray) -> tuple[FloatArray, int]:
    one, zero = np.ones(len(b)), np.zeros(len(b))
    rows = np.column_stack([b[:, 0], -b[:, 1], one, zero])
    cols = np.column_stack([b[:, 1], b[:, 0], zero, one])
    (c, s, r, q), lost = _solved(np.concatenate([rows, cols]), a.T.ravel())
    return np.array([[c, -s, r], [s, c, q], [0.0, 0.0, 1.0]]), lost


def _affine(b: FloatArray, a: FloatArray) -> tuple[FloatArray, int]:
    values, lost = _solved(np.column_stack([b, np.ones(len(b))]), a)
    return np.vstack([values.T, [0.0, 0.0, 1.0]]), lost


def _projective(b: FloatArray, a: FloatArray) -> tuple[FloatArray, int]:
    plain, none = np.column_stack([b, np.ones(len(b))]), np.zeros((len(b), 3))
    rows = np.column_stack([plain, none, -b * a[:, :1]])
    cols = np.column_stack([none, plain, -b * a[:, 1:]])
    values, lost = _solved(np.concatenate([rows, cols]), a.T.ravel())
    return np.append(values, 1.0).reshape(3, 3), lost
