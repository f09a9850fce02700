"""Grey levels matched by rank; projective maps."""

from __future__ import annotations

import numpy as np
import pytest

from rxmeasure.recall.contrast import AlignmentError, match_contrast
from rxmeasure.recall.plane_map import (
    compose,
    inverse,
    jacobian,
    mapped,
    mapped_grid,
    pixel_grid,
    scaling,
)

MAP = np.array([[1.1, -0.2, 7.0], [0.3, 0.9, -4.0], [1e-3, -5e-4, 1.0]])


def test_any_rising_grey_scale_is_undone():
    first = np.random.default_rng(1).uniform(0.0, 1.0, 4000)
    curve = match_contrast(first, 300.0 + 4000.0 * first**0.4)
    grey = np.linspace(0.05, 0.95, 50)
    np.testing.assert_allclose(curve.apply(300.0 + 4000.0 * grey**0.4), grey, atol=0.005)
    assert (np.diff(curve.first) >= 0.0).all()
    assert (np.diff(curve.second) > 0.0).all()


def test_places_left_out_have_no_say():
    rng = np.random.default_rng(2)
    first = rng.uniform(0.0, 1.0, (60, 60))
    second = 2.0 * first
    second[:, :20] = 9.0
    stable = np.ones(first.shape, dtype=bool)
    stable[:, :20] = False
    curve = match_contrast(first, second, stable)
    np.testing.assert_allclose(curve.apply([0.4, 1.0, 1.6]), [0.2, 0.5, 0.8], atol=0.01)


def test_too_few_places():
    with pytest.raises(AlignmentError, match="99"):
        match_contrast(np.zeros(99), np.zeros(99))


def test_inverse_and_composition():
    points = np.array([[0.0, 0.0], [40.0, 12.0], [5.0, 90.0]])
    np.testing.assert_allclose(mapped(inverse(MAP), mapped(MAP, points)), points, atol=1e-9)
    twice = compose(MAP, MAP)
    np.testing.assert_allclose(mapped(twice, points), mapped(MAP, mapped(MAP, points)))


def test_a_grid_is_mapped_as_its_points_are():
    corner = (5.0, 3.0)
    wanted = np.moveaxis(mapped(MAP, pixel_grid((20, 30), corner)), -1, 0)
    np.testing.assert_allclose(mapped_grid(MAP, (20, 30), corner), wanted)


def test_jacobian_is_the_derivative():
    point, step = np.array([30.0, 20.0]), 1e-5
    steps = [
        (mapped(MAP, point + e) - mapped(MAP, point - e)) / (2 * step) for e in step * np.eye(2)
    ]
    np.testing.assert_allclose(jacobian(MAP, point), np.column_stack(steps), rtol=1e-6)


def test_a_smaller_film_keeps_its_corners():
    """The first pixel covers -0.5 to 0.5, so its outer corner stays its corner."""
    np.testing.assert_allclose(
        mapped(scaling(3.0, 3.0), [[-0.5, -0.5], [1.0, 4.0]]), [[-0.5, -0.5], [0, 1]], atol=1e-12
    )


def test_grid_of_pixels():
    grid = pixel_grid((2, 3), (10.0, 20.0))
    assert grid.shape == (2, 3, 2)
    np.testing.assert_array_equal(grid[1, 2], (11.0, 22.0))
