"""The ridge measure and the rough path against scikit-image."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from skimage.feature import hessian_matrix, hessian_matrix_eigvals
from skimage.filters import sato
from skimage.graph import route_through_array

from rxmeasure.geometry import polyline_length
from rxmeasure.marks import PointPx
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.canal_trace import trace_line
from rxmeasure.tracing.frame import frame_for
from rxmeasure.tracing.path_finding import ridge_measure, rough_path

INNER = (slice(20, -20), slice(20, -20))


@pytest.fixture(scope="module")
def picture(make_scene: Callable[..., Any]) -> np.ndarray:
    return make_scene(pitch_mm=(0.06, 0.06)).pixels()


@pytest.mark.parametrize("sigma", [1.5, 2.0, 4.0])
def test_same_as_the_multi_scale_filter_of_scikit_image(picture: np.ndarray, sigma: float) -> None:
    # skimage.filters.sato on a plane: the larger principal curvature times sigma squared
    # (Sato 1998, doi:10.1016/S1361-8415(98)80009-1), from Gaussian derivatives; ours are cut
    # off at 4 sigma, those at 8.
    ours = ridge_measure(picture, (sigma,))
    theirs = sato(picture, sigmas=[sigma], black_ridges=False, mode="nearest")
    assert_allclose(ours[INNER], theirs[INNER], atol=0.005 * theirs.max())
    assert np.corrcoef(ours[INNER].ravel(), theirs[INNER].ravel())[0, 1] > 0.9999


def test_same_as_the_hessian_of_scikit_image(picture: np.ndarray) -> None:
    hessian = hessian_matrix(
        picture, sigma=2.0, order="rc", mode="nearest", use_gaussian_derivatives=True
    )
    smallest = hessian_matrix_eigvals(hessian)[-1]
    ours = ridge_measure(picture, (2.0,))
    assert_allclose(ours[INNER], np.maximum(-4.0 * smallest, 0.0)[INNER], atol=0.005 * ours.max())


def test_ridge_line_is_the_one_of_scikit_image(
    picture: np.ndarray, make_scene: Callable[..., Any]
) -> None:
    scene = make_scene(pitch_mm=(0.06, 0.06))
    ours = ridge_measure(picture, (2.0, 4.0))
    theirs = sato(picture, sigmas=[2.0, 4.0], black_ridges=False, mode="nearest")
    axis = scene.to_px(scene.at(np.linspace(0.5, 13.0, 60)))
    for row, col in axis:
        r, c = int(round(row)), int(round(col))
        window = slice(c - 8, c + 9)
        assert abs(int(np.argmax(ours[r, window])) - int(np.argmax(theirs[r, window]))) <= 1


def test_flips_and_the_transpose_go_through(picture: np.ndarray) -> None:
    whole = ridge_measure(picture, (2.0, 4.0))
    atol = 1e-9 * float(whole.max())
    assert_allclose(ridge_measure(picture.T, (2.0, 4.0)).T, whole, atol=atol)
    assert_allclose(ridge_measure(picture[::-1], (2.0, 4.0))[::-1], whole, atol=atol)
    assert_allclose(ridge_measure(picture[:, ::-1], (2.0, 4.0))[:, ::-1], whole, atol=atol)
    assert_allclose(ridge_measure(3.0 * picture, (2.0, 4.0)), 3.0 * whole, atol=3 * atol)
    # Kernels cut off at 4 sigma do not quite sum to zero: a level of 1 leaves up to 0.001.
    assert_allclose(ridge_measure(picture + 50.0, (2.0, 4.0)), whole, atol=0.05)


def _oblique(angle_deg: float) -> tuple[np.ndarray, tuple[PointPx, PointPx]]:
    """A straight bright line 400 px long at an angle to the rows' direction, and its ends."""
    a = np.radians(angle_deg)
    start = np.array([30.0, 40.0])
    end = start + 400.0 * np.array([np.cos(a), np.sin(a)])
    r, c = np.mgrid[0:460, 0:460].astype(float)
    along = (r - start[0]) * np.cos(a) + (c - start[1]) * np.sin(a)
    across = (c - start[1]) * np.cos(a) - (r - start[0]) * np.sin(a)
    line = np.exp(-0.5 * (across / 5.0) ** 2) * ((along > -15) & (along < 415))
    noise = np.random.default_rng(11).normal(0.0, 12.0, r.shape)
    picture = 500.0 + 800.0 * line + noise
    return picture, ((float(start[0]), float(start[1])), (float(end[0]), float(end[1])))


# A path over pixels is longer than the line by cos(a) + (sqrt(2) - 1) sin(a) (steps of 1 and
# sqrt(2); calc): 3 to 5 % at 5 to 9 degrees, 8.2 % at 22.5.
@pytest.mark.parametrize("angle_deg", [5.0, 9.0, 22.5])
def test_length_is_free_of_the_steps_of_a_path_over_pixels(
    angle_deg: float, make_radiograph: Callable[..., Radiograph]
) -> None:
    picture, (start, end) = _oblique(angle_deg)
    a = np.radians(angle_deg)
    steps = np.cos(a) + (np.sqrt(2.0) - 1.0) * np.sin(a)

    ridge = sato(picture, sigmas=[5.0], black_ridges=False)
    cost = 1.0 / (0.02 + ridge / ridge.max())
    nodes = [tuple(int(round(v)) for v in p) for p in (start, end)]
    path, _ = route_through_array(cost, *nodes, fully_connected=True, geometric=True)
    theirs = polyline_length(path) / 400.0
    assert theirs == pytest.approx(steps, abs=0.01)

    film = make_radiograph(picture)
    frame = frame_for(film, None, [start, end])
    trace = trace_line(film, frame, [start, end])
    ours = frame.px(trace.length) / 400.0
    assert ours == pytest.approx(1.0, abs=0.002)
    assert ours < theirs - 0.8 * (steps - 1.0)


def test_the_rough_path_stays_on_the_line_and_near_its_ends(
    make_scene: Callable[..., Any],
) -> None:
    scene = make_scene()
    film = scene.radiograph()
    frame = frame_for(film, scene.calibration(), scene.clicks_px())
    clicks = frame.to_plane(scene.clicks_px())
    path = rough_path(film, frame, clicks)
    s, d = scene.coordinates(path)
    on_fill = (s > 0.5) & (s < scene.fill_end_mm - 0.5)
    # Inside the fill, give or take a step of the grid (0.07 mm).
    assert (np.abs(d[on_fill]) < scene.width_mm(s[on_fill]) / 2 + 0.07).all()
    assert np.hypot(*(path[0] - clicks[0])) < 0.6
    assert np.hypot(*(path[-1] - clicks[-1])) < 0.6
