"""The fits of shape parameters, held against numpy's and scipy's general ones."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from rxmeasure.filling.least_squares import height, levenberg_marquardt, without
from rxmeasure.filling.straight_line import weighted_line

X = np.linspace(-2.0, 2.0, 81)


def bumps(parameters: np.ndarray) -> np.ndarray:
    """Gaussian bumps, shape (K, N); parameters are place and width."""
    place, width = parameters.T[:, :, None]
    return np.exp(-0.5 * ((X - place) / width) ** 2)


@pytest.fixture
def data() -> np.ndarray:
    rng = np.random.default_rng(5)
    return bumps(np.array([[0.37, 0.52]]))[0] + rng.normal(0.0, 0.03, len(X))


def test_what_is_taken_out_is_what_a_full_linear_fit_explains() -> None:
    rng = np.random.default_rng(3)
    shape, values = rng.normal(size=(2, 40))
    columns = rng.normal(size=(40, 3))
    orthonormal, _ = np.linalg.qr(columns)
    own, rest = without(orthonormal, shape), without(orthonormal, values)
    design = np.column_stack([shape, columns])
    solution, *_ = np.linalg.lstsq(design, values, rcond=None)
    assert height(own, rest)[0] == pytest.approx(solution[0])
    assert_allclose(rest - height(own, rest) * own, values - design @ solution, atol=1e-12)


def test_fit_reaches_what_scipy_reaches(data: np.ndarray) -> None:
    fit = levenberg_marquardt(
        lambda p: data - bumps(p),
        (-0.4, 1.0),
        low=(-1.0, 0.1),
        high=(1.0, 2.0),
        step=(1e-3, 1e-3),
        max_steps=40,
    )
    known = optimize.least_squares(lambda p: data - bumps(p[None])[0], (-0.4, 1.0))
    assert fit.cost == pytest.approx(2.0 * known.cost, rel=1e-4)
    assert_allclose(fit.parameters, known.x, atol=1e-3)
    assert_allclose(fit.jacobian, known.jac, atol=5e-3)


def test_fit_stays_within_its_bounds(data: np.ndarray) -> None:
    low, high = (-1.0, 0.7), (0.2, 2.0)
    fit = levenberg_marquardt(
        lambda p: data - bumps(p), (0.0, 1.0), low=low, high=high, step=(1e-3, 1e-3)
    )
    known = optimize.least_squares(
        lambda p: data - bumps(p[None])[0], (0.0, 1.0), bounds=(low, high)
    )
    assert_allclose(fit.parameters, [0.2, 0.7], atol=1e-6)
    assert fit.cost == pytest.approx(2.0 * known.cost, rel=1e-3)


def test_weighted_line_is_that_of_numpy() -> None:
    rng = np.random.default_rng(8)
    x, y = rng.normal(3.0, 2.0, (2, 30))
    weight = rng.uniform(0.01, 1.0, 30)
    assert_allclose(weighted_line(x, y, weight), np.polyfit(x, y, 1, w=np.sqrt(weight)))
