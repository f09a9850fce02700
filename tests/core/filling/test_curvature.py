"""Curvature against worked coordinates of the three named methods.

Millimetres, (row, col): the canal runs down the rows. All values calc, from the definitions
of Schneider 1971 (Oral Surg 32:271, from memory), Weine (Endodontic Therapy, from memory) and
Pruett 1997 (J Endod 23(2), abstract read).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.filling.curvature import (
    BendFit,
    angle_between_deg,
    circle_radius,
    fit_bend,
    radius_from_chord,
    schneider_class,
    schneider_deg,
    weine_deg,
)
from rxmeasure.geometry import polyline_length

ORIFICE, LEAVING = (0.0, 0.0), (10.0, 0.0)


def _canal(
    *, straight: float = 10.0, radius: float, turn_deg: float, end: float = 0.0
) -> np.ndarray:
    """Straight, arc, straight; a point every 0.01 mm."""
    turn = math.radians(turn_deg)
    phi = np.linspace(0.0, turn, max(3, round(radius * turn / 0.01)))
    arc = np.column_stack([straight + radius * np.sin(phi), radius * (1.0 - np.cos(phi))])
    before = np.column_stack(
        [np.arange(0.0, straight - 0.005, 0.01), np.zeros(round(straight * 100))]
    )
    after = arc[-1] + np.arange(0.01, end + 0.005, 0.01)[:, None] * (math.cos(turn), math.sin(turn))
    return np.concatenate([before, arc, after])


# --- three points and two directions: exact -------------------------------------------------


@pytest.mark.parametrize(
    ("foramen", "angle"),
    [
        ((14.0, 3.0), 36.870),  # case A: atan(3/4)
        ((14.33013, 2.5), 30.000),  # case B: half of a 60 degree arc of radius 5
        ((15.33013, 4.23205), 38.449),  # case C: case B and 2 mm straight on
        ((11.41421, 0.58579), 22.5),  # case D: half of a 45 degree arc of radius 2
        ((18.0, 2.0), 14.036),  # case E
    ],
)
def test_schneider_from_three_points(foramen: tuple[float, float], angle: float) -> None:
    assert schneider_deg(ORIFICE, LEAVING, foramen) == pytest.approx(angle, abs=1e-3)


def test_weine_from_the_directions_of_both_ends() -> None:
    # Case A: two straight parts; the apical one rises 3 in 4.
    assert weine_deg((1.0, 0.0), (4.0, 3.0)) == pytest.approx(36.870, abs=1e-3)
    # Case B: the tangents of a 60 degree arc.
    assert weine_deg((1.0, 0.0), (0.5, math.sqrt(0.75))) == pytest.approx(60.0, abs=1e-9)


def test_radius_through_three_points_and_from_the_chord() -> None:
    # Case B: (10, 0), (12.5, 0.66987) and (14.33013, 2.5) lie on a circle of radius 5.
    assert circle_radius((10, 0), (12.5, 0.66987), (14.33013, 2.5)) == pytest.approx(5.0, abs=1e-4)
    assert circle_radius((0, 0), (1, 1), (2, 2)) == math.inf
    # Chord 2 R sin(30) = 5 under 30 degrees: 5 / (2 sin 30) = 5 (formula of Schafer 2002, from
    # memory).
    assert radius_from_chord(5.0, 30.0) == pytest.approx(5.0, abs=1e-9)


# Classes of Schneider 1971 (from memory); the gaps between them are the original's.
@pytest.mark.parametrize(
    ("angle", "name"),
    [
        (0.0, "straight"), (5.0, "straight"), (5.1, "between classes"), (9.9, "between classes"),
        (10.0, "moderate"), (20.0, "moderate"), (20.1, "between classes"), (25.0, "severe"),
        (70.0, "severe"), (70.1, "beyond the classes"),
    ],
)  # fmt: skip
def test_classes(angle: float, name: str) -> None:
    assert schneider_class(angle) == name


# --- whole curves ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("canal", "schneider", "weine", "radius", "length"),
    [
        (_canal(radius=5.0, turn_deg=60.0), 30.0, 60.0, 5.0, 15.23599),  # case B
        (_canal(radius=5.0, turn_deg=60.0, end=2.0), 38.449, 60.0, 5.0, 17.23599),  # case C
        (_canal(radius=2.0, turn_deg=45.0), 22.5, 45.0, 2.0, 11.57080),  # case D
    ],
)
def test_curves_of_the_table(
    canal: np.ndarray, schneider: float, weine: float, radius: float, length: float
) -> None:
    assert polyline_length(canal) == pytest.approx(length, abs=2e-4)
    bend = fit_bend(canal, step=0.05)
    # The break points lie on one of 60 places along the line, 0.2 to 0.3 mm apart.
    assert bend.schneider_deg == pytest.approx(schneider, abs=0.75)
    assert bend.weine_deg == pytest.approx(weine, abs=0.75)
    assert bend.turn_deg == pytest.approx(weine, abs=0.75)  # Pruett's angle is the same here
    assert bend.radius == pytest.approx(radius, rel=0.05)
    assert bend.departure_s == pytest.approx(10.0, abs=0.3)


@pytest.mark.parametrize(
    ("foramen", "angle", "length"),
    [((14.0, 3.0), 36.870, 15.0), ((18.0, 2.0), 14.036, 18.246)],  # cases A and E
)
def test_two_straight_parts(foramen: tuple[float, float], angle: float, length: float) -> None:
    line = np.array([ORIFICE, LEAVING, foramen])
    assert polyline_length(line) == pytest.approx(length, abs=5e-4)
    bend = fit_bend(line, step=0.05)
    assert bend.schneider_deg == pytest.approx(angle, abs=1.0)
    assert bend.weine_deg == pytest.approx(angle, abs=0.5)


def test_a_straight_canal_has_no_angle_and_no_radius() -> None:
    bend = fit_bend(np.column_stack([np.linspace(0, 15, 300), np.linspace(0, 4, 300)]))
    assert bend.turn_deg == pytest.approx(0.0, abs=1e-6)
    assert bend.schneider_deg == pytest.approx(0.0, abs=1e-6)
    assert bend.radius is None


# Test tubes of Pruett 1997 (abstract read): 30, 45 and 60 degrees on 2 and 5 mm.
@pytest.mark.parametrize("turn", [30.0, 45.0, 60.0])
@pytest.mark.parametrize("radius", [2.0, 5.0])
def test_tubes_of_known_angle_and_radius(turn: float, radius: float) -> None:
    bend = fit_bend(_canal(radius=radius, turn_deg=turn, end=4.0), step=0.05)
    assert bend.turn_deg == pytest.approx(turn, abs=0.5)
    # The break points lie on one of 60 places along 15 to 19 mm: 0.3 mm each.
    arc = math.radians(turn) * radius
    assert bend.radius == pytest.approx(radius, rel=0.3 / arc + 0.02)


def test_what_an_s_curve_leaves_over_is_told() -> None:
    there = _canal(straight=5.0, radius=12.0, turn_deg=25.0)
    back = (there * (1.0, -1.0))[::-1]
    s_curve = np.concatenate([there, there[-1] + (back[0] - back)[1:] * (1.0, -1.0)])
    c_curve = _canal(straight=5.0, radius=12.0, turn_deg=25.0, end=5.0)
    assert fit_bend(s_curve).misfit_deg > 3.0
    assert fit_bend(c_curve).misfit_deg < 0.5


def _same(a: BendFit, b: BendFit, factor: float = 1.0) -> None:
    assert b.schneider_deg == pytest.approx(a.schneider_deg, abs=1e-6)
    assert b.weine_deg == pytest.approx(a.weine_deg, abs=1e-6)
    assert b.radius == pytest.approx((a.radius or 0.0) * factor, rel=1e-6)
    assert b.departure_s == pytest.approx(a.departure_s * factor, rel=1e-6)


@given(st.floats(0.05, 20.0), st.floats(-50.0, 50.0))
def test_angles_do_not_depend_on_unit_place_or_handedness(factor: float, shift: float) -> None:
    canal = _canal(radius=6.0, turn_deg=40.0, end=3.0)[::5]
    bend = fit_bend(canal, step=0.1)
    _same(bend, fit_bend(canal * factor, step=0.1 * factor), factor)
    _same(bend, fit_bend(canal[:, ::-1] + shift, step=0.1))
    _same(bend, fit_bend(canal * (1.0, -1.0), step=0.1))


@given(st.floats(-math.pi, math.pi), st.floats(-math.pi, math.pi))
def test_angle_between_is_symmetric_and_at_most_180(a: float, b: float) -> None:
    u, v = (math.cos(a), math.sin(a)), (math.cos(b), math.sin(b))
    angle = angle_between_deg(u, v)
    assert 0.0 <= angle <= 180.0
    assert angle_between_deg(v, u) == pytest.approx(angle)
    assert math.cos(math.radians(angle)) == pytest.approx(math.cos(a - b), abs=1e-9)
