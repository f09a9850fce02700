"""Curve coordinates and swept solids against circles, cylinders, spheres and tori."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmeasure.phantom.curves import (
    STEP_MM,
    Curve,
    Frame,
    Profile,
    curve_patch,
    heading_curve,
    rounded_end,
    sampled,
)

RADIUS_MM = 8.0


def quarter_circle() -> Curve:
    angle = np.linspace(0.0, np.pi / 2, 400)
    return Curve(np.column_stack([RADIUS_MM * np.sin(angle), RADIUS_MM * (1 - np.cos(angle))]))


def square_frame(px_per_mm: float, origin_px: tuple[float, float]) -> Frame:
    return Frame(matrix=np.eye(2) * px_per_mm, origin=np.array(origin_px))


def test_arc_length_of_a_circle():
    assert quarter_circle().length == pytest.approx(RADIUS_MM * np.pi / 2, rel=1e-5)


@settings(max_examples=60, deadline=None)
@given(s=st.floats(-2.0, RADIUS_MM * np.pi / 2 + 2.0), d=st.floats(-3.0, 3.0))
def test_foot_undoes_at(s: float, d: float):
    curve = quarter_circle()
    foot_s, foot_d = curve.foot(curve.at(s, d))
    assert float(foot_s) == pytest.approx(s, abs=1e-3)
    assert float(foot_d) == pytest.approx(d, abs=1e-3)


def test_distance_from_a_circle_is_the_difference_of_radii():
    curve = quarter_circle()
    points = np.array([[3.0, 2.0], [5.0, 4.0], [6.5, 5.0]])
    _, d = curve.foot(points)
    centre = np.array([0.0, RADIUS_MM])
    from_centre = np.hypot(*(points - centre).T)
    np.testing.assert_allclose(np.abs(d), np.abs(from_centre - RADIUS_MM), atol=1e-4)


def test_heading_curve_turns_by_the_given_angle():
    curve = heading_curve((0.0, 0.0), 20.0, [(0.0, 5.0), (8.0, 5.0), (18.0, 35.0)])
    assert curve.length == pytest.approx(20.0, abs=1e-4)
    first, last = curve.tangent(0.0), curve.tangent(curve.length)
    turned = np.rad2deg(np.arctan2(last[1], last[0]) - np.arctan2(first[1], first[0]))
    assert turned == pytest.approx(30.0, abs=1e-3)


def thickness(curve: Curve, profile: Profile, shape: tuple[int, int], px_per_mm: float,
              origin: tuple[float, float], k: int = 2) -> np.ndarray:  # fmt: skip
    patch = curve_patch(
        curve,
        square_frame(px_per_mm, origin),
        from_mm=float(profile.s[0]),
        to_mm=float(profile.s[-1]),
        half_width_mm=float(profile.a.max()),
        shape=shape,
        supersampling=k,
    )
    assert patch is not None
    full = np.zeros((shape[0] * k, shape[1] * k))
    full[patch.where] = profile.chord(patch.s, patch.d)
    return full.reshape(shape[0], k, shape[1], k).mean(axis=(1, 3))


def test_volume_of_a_bent_elliptical_rod_is_section_times_length():
    """Pappus: a rod bent in its own plane keeps its volume."""
    curve = quarter_circle()
    s = sampled(1.0, 11.0)
    profile = Profile(s=s, a=np.full_like(s, 0.6), b=np.full_like(s, 1.1))
    image = thickness(curve, profile, (340, 340), 30.0, (20.0, 20.0))
    volume = image.sum() / 30.0**2
    length = s[-1] - s[0]
    assert volume == pytest.approx(np.pi * 0.6 * 1.1 * length, rel=2e-3)


def test_volume_of_a_tapered_rod_is_that_of_a_frustum():
    curve = Curve([(0.0, 0.0), (14.0, 0.0)])
    s = sampled(1.0, 13.0)
    r = np.interp(s, (1.0, 13.0), (0.7, 0.2))
    image = thickness(curve, Profile(s=s, a=r, b=r), (500, 80), 33.0, (10.0, 40.0))
    expected = np.pi * 12.0 / 3.0 * (0.7**2 + 0.7 * 0.2 + 0.2**2)
    assert image.sum() / 33.0**2 == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("offset", [(0.0, 0.0), (0.3, 0.45), (-0.5, 0.21), (0.77, -0.13)])
def test_centroid_of_a_disc_is_at_its_coordinate(offset):
    """Pixel centres have whole-number coordinates: the first pixel covers -0.5 to 0.5."""
    px_per_mm, radius = 10.0, 0.8
    centre = np.array([20.0, 14.0]) + offset
    curve = Curve([(0.0, 0.0), (4.0, 0.0)])
    s = sampled(2.0 - radius, 2.0 + radius)
    a = np.sqrt(np.clip(radius**2 - (s - 2.0) ** 2, 0.0, None))
    origin = (float(centre[0] - 2.0 * px_per_mm), float(centre[1]))
    image = thickness(curve, Profile(s=s, a=a, b=a), (40, 30), px_per_mm, origin, k=4)
    rows, cols = np.mgrid[:40, :30]
    found = np.array([(image * rows).sum(), (image * cols).sum()]) / image.sum()
    np.testing.assert_allclose(found, centre, atol=0.02)
    assert image.max() == pytest.approx(2.0 * radius, rel=0.01)


def test_rounded_end_is_half_a_sphere():
    s = sampled(0.0, 5.0)
    r = 0.4
    a = r * rounded_end(s, 5.0, r)
    inside = s > 5.0 - r
    expected = np.sqrt(np.clip(r**2 - (s[inside] - (5.0 - r)) ** 2, 0.0, None))
    np.testing.assert_allclose(a[inside], expected, atol=1e-9)
    assert a[s <= 5.0 - r] == pytest.approx(r)


def test_sampling_reaches_the_end():
    s = sampled(0.123, 3.456)
    assert s[-1] >= 3.456
    assert s[-1] - 3.456 < STEP_MM


def test_frame_goes_there_and_back_and_keeps_lengths_of_neighbours():
    frame = Frame(matrix=np.array([[20.0, -5.0], [5.0, 20.0]]), origin=np.array([100.0, 50.0]))
    points = np.array([[1.0, 2.0], [-3.0, 0.5]])
    np.testing.assert_allclose(frame.to_mm(frame.to_px(points)), points, atol=1e-12)
    beside = frame.moved((2.0, 7.0), 11.0)
    assert beside.mm_per_px == pytest.approx(frame.mm_per_px)
    np.testing.assert_allclose(beside.to_px((0.0, 0.0)), frame.to_px((2.0, 7.0)))
