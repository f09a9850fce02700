"""Projective maps of the picture's plane as 3 x 3 matrices on (row, col, 1)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.geometry import FloatArray


def mapped(matrix: FloatArray, points_px: ArrayLike) -> FloatArray:
    """Points, shape (..., 2), moved by a projective map."""
    points = np.asarray(points_px, dtype=np.float64)
    moved = points @ matrix[:2, :2].T + matrix[:2, 2]
    scale = points @ matrix[2, :2] + matrix[2, 2]
    return np.asarray(moved / scale[..., None])


def mapped_grid(
    matrix: FloatArray, shape: tuple[int, ...], corner: tuple[float, float] = (0.0, 0.0)
) -> FloatArray:
    """Rows and columns where every pixel of a picture comes to lie, shape (2, rows, cols)."""
    rows, cols = (np.arange(n) + low for n, low in zip(shape, corner, strict=True))
    moved = matrix[:, :1] * rows + matrix[:, 2:]
    across = matrix[:, 1:2] * cols
    scale = moved[2, :, None] + across[2]
    return np.asarray((moved[:2, :, None] + across[:2, None, :]) / scale)


def jacobian(matrix: FloatArray, point_px: ArrayLike) -> FloatArray:
    """Derivative of the map at a point, shape (2, 2)."""
    point = np.asarray(point_px, dtype=np.float64)
    scale = float(point @ matrix[2, :2] + matrix[2, 2])
    return np.asarray((matrix[:2, :2] - np.outer(mapped(matrix, point), matrix[2, :2])) / scale)


def inverse(matrix: FloatArray) -> FloatArray:
    """The map back, with 1 in its last corner."""
    back = np.linalg.inv(matrix)
    return np.asarray(back / back[2, 2])


def compose(second: FloatArray, first: FloatArray) -> FloatArray:
    """First ``first``, then ``second``."""
    both = second @ first
    return np.asarray(both / both[2, 2])


def pixel_grid(shape: tuple[int, ...], corner: tuple[float, float] = (0.0, 0.0)) -> FloatArray:
    """(row, col) of every pixel of a picture, shape (rows, cols, 2)."""
    return np.asarray(np.moveaxis(np.indices(shape, dtype=np.float64), 0, -1) + corner)


def scaling(row_factor: float, col_factor: float) -> FloatArray:
    """From pixels of a film to pixels of the film made smaller by these factors.

    Pixel centres have whole-number coordinates on both.
    """
    matrix = np.diag([1.0 / row_factor, 1.0 / col_factor, 1.0])
    matrix[:2, 2] = 0.5 / np.array([row_factor, col_factor]) - 0.5
    return matrix


def pitches(aspect: float) -> FloatArray:
    """From pixels to places in column pitches: rows count ``aspect``, row over column pitch."""
    return np.diag([aspect, 1.0, 1.0])


def between_pixels(matrix: FloatArray, aspect_from: float, aspect_to: float) -> FloatArray:
    """A map between places in column pitches as one between pixels."""
    return compose(pitches(1.0 / aspect_to), compose(matrix, pitches(aspect_from)))
