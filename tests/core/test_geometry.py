"""Arithmetic of points, polylines and pixel pitch."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from rxmeasure.errors import MarksError
from rxmeasure.geometry import (
    PixelScale,
    as_points,
    cumulative_length,
    feet_on_polyline,
    foot_on_polyline,
    normals,
    point_at,
    polygon_area,
    polyline_length,
    resample,
    tangents,
)

POINTS = arrays(np.float64, (6, 2), elements=st.floats(-1e3, 1e3))
FACTOR = st.floats(0.01, 100.0)
ANGLE = st.floats(0.0, 2.0 * math.pi)


def _turned(points: np.ndarray, angle: float) -> np.ndarray:
    c, s = math.cos(angle), math.sin(angle)
    return points @ np.array([[c, -s], [s, c]])


# --- laws -----------------------------------------------------------------------------------


@given(POINTS, FACTOR)
def test_lengths_grow_with_the_scale_and_areas_with_its_square(
    points: np.ndarray, factor: float
) -> None:
    grown = points * factor
    assert_allclose(polyline_length(grown), factor * polyline_length(points), rtol=1e-9, atol=1e-6)
    assert_allclose(polygon_area(grown), factor**2 * polygon_area(points), rtol=1e-9, atol=1e-2)


@given(POINTS, ANGLE, st.floats(-500, 500))
def test_turning_flipping_and_shifting_change_no_length_and_no_area(
    points: np.ndarray, angle: float, shift: float
) -> None:
    length, area = polyline_length(points), polygon_area(points)
    for other in (
        _turned(points, angle) + shift,
        points[:, ::-1],
        points * (-1.0, 1.0),
        points[::-1],
    ):
        assert_allclose(polyline_length(other), length, rtol=1e-9, atol=1e-6)
        assert_allclose(polygon_area(other), area, rtol=1e-9, atol=1e-3)


@given(POINTS)
def test_a_polyline_is_never_shorter_than_its_chord(points: np.ndarray) -> None:
    chord = float(np.hypot(*(points[-1] - points[0])))
    s = cumulative_length(points)
    assert s[0] == 0.0
    assert (np.diff(s) >= 0.0).all()
    assert s[-1] >= chord - 1e-9


@given(FACTOR, FACTOR, POINTS)
def test_to_px_undoes_to_plane(row: float, col: float, points: np.ndarray) -> None:
    scale = PixelScale(row=row, col=col, unit="mm")
    assert_allclose(scale.to_px(scale.to_plane(points)), points, rtol=1e-12, atol=1e-12)
    assert scale.pixel_area == pytest.approx(scale.mean**2)


@given(st.floats(0.0, 15.0), st.floats(-0.4, 0.4))
def test_the_foot_of_a_point_beside_an_arc_is_where_it_came_from(s: float, away: float) -> None:
    phi = np.linspace(0.0, 1.0, 2001)
    arc = 15.0 * np.column_stack([np.sin(phi), 1.0 - np.cos(phi)])
    point = (15.0 - away) * np.array([math.sin(s / 15.0), -math.cos(s / 15.0)]) + (0.0, 15.0)
    found, distance = foot_on_polyline(arc, point)
    # Steps of 7.5 um on a radius of 15 mm: the polyline lies up to 0.5 nm inside the arc, and a
    # point beside it may find its foot a step off.
    assert found == pytest.approx(s, abs=0.01)
    assert distance == pytest.approx(abs(away), abs=1e-6)


def test_feet_of_several_points_are_the_nearest_places_on_the_line() -> None:
    line = np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 10.0]])
    points = np.random.default_rng(2).uniform(-3.0, 12.0, (40, 2))
    s, distance = feet_on_polyline(line, points)
    dense = np.array([point_at(line, v) for v in np.linspace(0.0, 11.0, 5501)])
    away = np.hypot(*(dense[:, None, :] - points).transpose(2, 0, 1))
    assert_allclose(distance, away.min(axis=0), atol=1e-4)
    found = np.array([point_at(line, v) for v in s])
    assert_allclose(np.hypot(*(found - points).T), distance, atol=1e-9)


def test_point_at_goes_on_straight_beyond_both_ends() -> None:
    line = np.array([[0.0, 0.0], [3.0, 4.0], [6.0, 8.0]])
    assert_allclose(point_at(line, 2.5), (1.5, 2.0))
    assert_allclose(point_at(line, -5.0), (-3.0, -4.0))
    assert_allclose(point_at(line, 15.0), (9.0, 12.0))


def test_normals_point_left_for_a_line_that_runs_down_the_picture() -> None:
    down = np.column_stack([np.arange(5.0), np.zeros(5)])
    assert_allclose(tangents(down), np.tile((1.0, 0.0), (5, 1)))
    assert_allclose(normals(down), np.tile((0.0, -1.0), (5, 1)), atol=1e-15)


def test_resampling_keeps_the_ends_and_spaces_evenly() -> None:
    # Case B of the worked curves below, 0.1 apart.
    line = _case_b(400)
    even = resample(line, 0.1)
    assert_allclose(even[[0, -1]], line[[0, -1]])
    steps = np.hypot(*np.diff(even, axis=0).T)
    assert np.ptp(steps) < 1e-4
    assert polyline_length(even) == pytest.approx(polyline_length(line), abs=1e-3)


# --- values from outside --------------------------------------------------------------------


def _case_b(segments: int) -> np.ndarray:
    """Straight from (0, 0) to (10, 0), then an arc of radius 5 over 60 degrees; (row, col)."""
    phi = np.linspace(0.0, math.pi / 3.0, segments + 1)
    arc = np.column_stack([10.0 + 5.0 * np.sin(phi), 5.0 * (1.0 - np.cos(phi))])
    return np.concatenate([[[0.0, 0.0]], arc])


# A straight canal that ends in an arc: length by number of equal segments on the arc (calc;
# arc length 5 pi / 3 = 5.23599, whole 15.23599).
@pytest.mark.parametrize(
    ("segments", "length"), [(1, 15.0), (2, 15.1764), (3, 15.2094), (6, 15.2293), (12, 15.2343)]
)
def test_a_clicked_curve_is_short_by_the_known_amount(segments: int, length: float) -> None:
    assert polyline_length(_case_b(segments)) == pytest.approx(length, abs=5e-5)
    assert polyline_length(_case_b(4000)) == pytest.approx(15.23599, abs=5e-6)


def test_polygon_of_the_handbook() -> None:
    # Polygon (0,0) (4,0) (6,3) (3,6) (0,4): area 25.5, perimeter 19.4537 (calc).
    polygon = np.array([(0, 0), (4, 0), (6, 3), (3, 6), (0, 4)], dtype=float)
    assert polygon_area(polygon) == 25.5
    assert polyline_length([*polygon, polygon[0]]) == pytest.approx(19.4537, abs=5e-5)


# 200 rows of 0.030 mm and 100 columns of 0.025 mm: sqrt(6.0^2 + 2.5^2) = 6.5 mm (calc); DICOM
# gives the row spacing first (PS3.3, Pixel Spacing (0028,0030)).
def test_unequal_pitch_is_taken_along_its_own_axis() -> None:
    scale = PixelScale(row=0.030, col=0.025, unit="mm")
    assert polyline_length(scale.to_plane([(0, 0), (200, 100)])) == pytest.approx(6.5)
    other = PixelScale(row=0.025, col=0.030, unit="mm")
    assert polyline_length(other.to_plane([(0, 0), (200, 100)])) == pytest.approx(34.0**0.5)


# --- refusals -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("points", "word"),
    [
        ([[math.nan, 1.0]], "not finite"),
        ([[1.0, math.inf]], "not finite"),
        ([1.0, 2.0], "shape"),
        ([[1.0, 2.0, 3.0]], "shape"),
        ([], "shape"),
        ([["a", "b"]], "not numbers"),
        ([[1.0, 2.0], [3.0]], "not numbers"),
    ],
)
def test_what_is_not_a_list_of_pairs_is_refused(points: list, word: str) -> None:
    with pytest.raises(MarksError, match=word) as caught:
        as_points(points)
    assert caught.value.needed
    assert caught.value.next_step


def test_too_few_points_are_refused() -> None:
    with pytest.raises(MarksError, match="at least 2"):
        as_points([[1.0, 2.0]], at_least=2, what="clicks")


def test_many_points_against_a_long_line_take_little_memory():
    line = np.column_stack([np.arange(400.0), 5.0 * np.sin(np.arange(400.0) / 40.0)])
    points = np.random.default_rng(3).uniform(0.0, 400.0, (20_000, 2))
    tracemalloc.start()
    s, away = feet_on_polyline(line, points)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 150e6
    for k in (0, 9_999, 19_999):
        assert_allclose((s[k], away[k]), foot_on_polyline(line, points[k]), rtol=1e-12)
    assert feet_on_polyline(line, np.empty((0, 2)))[0].shape == (0,)
