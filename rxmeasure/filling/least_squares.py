"""Least squares for a few shape parameters over many samples.

Height and background of a shape enter linearly and are taken out beforehand (variable
projection, Golub 1973, doi:10.1137/0710036); what is left is fitted by damped Gauss-Newton
steps (Levenberg-Marquardt). A model is asked for the point and for its neighbours in one call,
so that one pass of array operations gives residuals and Jacobian.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from rxmeasure.geometry import FloatArray

#: A fit has settled when every parameter moves by less than this share of its step, or the
#: cost falls by less than this share.
_SETTLED_STEP = 0.1
_SETTLED_COST = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """Result of `levenberg_marquardt`.

    Attributes
    ----------
    parameters : ndarray, shape (P,)
    cost : float
        Sum of squared residuals.
    jacobian : ndarray, shape (M, P)
    """

    parameters: FloatArray
    cost: float
    jacobian: FloatArray


def without(columns: FloatArray, values: FloatArray) -> FloatArray:
    """What of ``values`` no combination of orthonormal ``columns`` explains.

    Parameters
    ----------
    columns : ndarray, shape (..., N, Q)
    values : ndarray, shape (..., N)
    """
    along = np.swapaxes(columns, -1, -2) @ values[..., None]
    return np.asarray(values - (columns @ along)[..., 0])


def height(shape: FloatArray, data: FloatArray) -> FloatArray:
    """Best factor of ``shape`` for ``data`` along the last axis; shape (..., 1)."""
    power = np.maximum((shape**2).sum(axis=-1, keepdims=True), 1e-12)
    return np.asarray((shape * data).sum(axis=-1, keepdims=True) / power)


def levenberg_marquardt(
    residuals: Callable[[FloatArray], FloatArray],
    start: Sequence[float],
    *,
    low: Sequence[float],
    high: Sequence[float],
    step: Sequence[float],
    max_steps: int = 12,
) -> Fit:
    """Minimise a sum of squares within bounds.

    Parameters
    ----------
    residuals : callable
        Takes parameter sets, shape (K, P), and returns residuals, shape (K, M).
    start, low, high : sequence of float
    step : sequence of float
        Forward steps of the finite differences, small against the curvature of the model.
    max_steps : int
        Most evaluations, each of P + 1 parameter sets.
    """
    lower, upper = np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)
    forward = np.asarray(step, dtype=np.float64)

    def evaluate(point: FloatArray) -> tuple[FloatArray, FloatArray]:
        sides = np.where(point + forward > upper, -forward, forward)
        found = residuals(point + np.vstack([np.zeros(len(point)), np.diag(sides)]))
        return found[0], (found[1:] - found[0]).T / sides

    point = np.clip(np.asarray(start, dtype=np.float64), lower, upper)
    residual, jacobian = evaluate(point)
    cost = float(residual @ residual)
    damping = 1e-3
    for _ in range(max_steps - 1):
        gradient, normal = jacobian.T @ residual, jacobian.T @ jacobian
        # A parameter at its bound that would leave it stays there.
        held = ((point <= lower) & (gradient > 0.0)) | ((point >= upper) & (gradient < 0.0))
        free = np.flatnonzero(~held)
        scale = np.diag(normal)[free]
        if len(free) == 0 or not scale.all():
            break
        move = np.linalg.solve(
            normal[np.ix_(free, free)] + damping * np.diag(scale), gradient[free]
        )
        tried = point.copy()
        tried[free] -= move
        tried = np.clip(tried, lower, upper)
        if np.all(np.abs(tried - point) < _SETTLED_STEP * forward):
            break
        new_residual, new_jacobian = evaluate(tried)
        new_cost = float(new_residual @ new_residual)
        if new_cost >= cost:
            damping *= 10.0
            continue
        gain = 1.0 - new_cost / cost
        point, residual, jacobian, cost = tried, new_residual, new_jacobian, new_cost
        damping *= 0.1
        if gain < _SETTLED_COST:
            break
    return Fit(parameters=point, cost=cost, jacobian=jacobian)
