"""Where points and carriers bind, against a search that knows no formula."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rxmeasure.errors import MarksError
from rxmeasure.fit import PreparedCanal, Seating, carrier_fit, seat, seat_point, trim
from rxmeasure.marks import NominalShape


def canal(size=35, taper=0.04, length=16.0) -> PreparedCanal:
    return PreparedCanal(size=size, taper=taper, working_length_mm=22.0, orifice_mm=length)


def test_matching_point_goes_to_length():
    # Common practice: a 35/.04 point for a canal prepared with a 35/.04 file.
    found = seat_point(NominalShape(size=35, taper=0.04), canal())
    assert found.seating is Seating.AT_LENGTH
    assert found.to_working_length_mm == 0.0
    assert found.probability_beyond == pytest.approx(0.5)


def test_larger_point_binds_short():
    # 0.05 mm wider at the tip over a taper of 0.04: 1.25 mm.
    found = seat_point(NominalShape(size=40, taper=0.04), canal())
    assert found.seating is Seating.SHORT
    assert found.touches == "tip"
    assert found.to_working_length_mm == pytest.approx(1.25)
    u = math.hypot(0.07, 0.02) / math.sqrt(3)
    assert found.u_mm == pytest.approx(u / 0.04)


def test_smaller_point_goes_beyond():
    found = seat_point(NominalShape(size=30, taper=0.04), canal())
    assert found.seating is Seating.BEYOND
    assert found.to_working_length_mm == pytest.approx(-1.25)
    assert found.probability_beyond > 0.5


def test_trimming_the_smaller_point_keeps_it_at_length():
    trimmed = trim(NominalShape(size=30, taper=0.04), 1.25).shape
    assert seat_point(trimmed, canal()).seating is Seating.AT_LENGTH


def test_steeper_point_binds_at_the_orifice():
    found = seat_point(NominalShape(size=30, taper=0.06), canal())
    assert found.touches == "orifice"
    # 0.35 + 0.04 * 16 = 0.99 mm wide at the orifice; the point is so wide 11.5 mm from its tip.
    assert found.to_working_length_mm == pytest.approx(16.0 - 11.5)


def test_parallel_sides():
    short = seat(tip_mm=0.55, taper=0.0, canal=canal())
    assert short.seating is Seating.SHORT
    assert short.to_working_length_mm == pytest.approx(5.0)
    free = seat(tip_mm=0.30, taper=0.0, canal=canal())
    assert free.seating is Seating.BEYOND
    assert free.to_working_length_mm is None
    assert seat(tip_mm=1.2, taper=0.0, canal=canal()).seating is Seating.NO_ENTRY
    assert seat(tip_mm=0.4, taper=0.0, canal=canal(taper=0.0)).seating is Seating.NO_ENTRY
    assert seat(tip_mm=0.35, taper=0.0, canal=canal(taper=0.0)).seating is Seating.AT_LENGTH


# 4 to 6 mm short of working length: common practice, no source.
@pytest.mark.parametrize(
    ("tip_mm", "taper", "answer", "aim", "code"),
    [
        (0.55, 0.04, "binds short", "binds inside the aim", None),
        (0.51, 0.04, "binds short", "binds inside the aim", None),
        (0.59, 0.04, "binds short", "binds inside the aim", None),
        (0.50, 0.04, "binds short", "reaches past the aim", "carrier-goes-deep"),
        (0.60, 0.04, "binds short", "binds short of the aim", "carrier-binds-high"),
        (0.30, 0.04, "goes to length", "reaches past the aim", "carrier-goes-deep"),
        (0.35, 0.00, "goes to length", "reaches past the aim", "carrier-goes-deep"),
        (0.30, 0.00, "goes to length", "reaches past the aim", "carrier-goes-deep"),
        (0.55, 0.00, "binds short", "binds inside the aim", None),
        (1.10, 0.00, "does not enter", "binds short of the aim", "carrier-no-entry"),
    ],
)
def test_carriers(tip_mm, taper, answer, aim, code):
    found = carrier_fit(tip_mm=tip_mm, taper=taper, canal=canal())
    assert (found.answer, found.aim) == (answer, aim)
    assert [w.code for w in found.warnings] == ([] if code is None else [code])


def lowest_place_by_search(tip, taper, c: PreparedCanal) -> float:
    """Most apical tip place without overlap, on a fine grid; above the working length only."""
    x = np.linspace(0.0, c.canal_mm, 1601)
    wall = c.tip_mm + c.taper * x
    for z in np.arange(0.0, c.canal_mm, 0.01):
        inside = x >= z - 1e-12
        tool = tip + taper * (x[inside] - z)
        if (tool <= wall[inside] + 1e-9).all():
            return float(z)
    return math.inf


@settings(deadline=None)
@given(
    tip=st.floats(0.15, 1.0),
    tool_taper=st.sampled_from([0.0, 0.02, 0.04, 0.06, 0.08]),
    size=st.sampled_from([20, 30, 40]),
    taper=st.sampled_from([0.02, 0.04, 0.06]),
)
def test_seat_agrees_with_a_search(tip, tool_taper, size, taper):
    c = canal(size=size, taper=taper, length=14.0)
    found = seat(tip_mm=tip, taper=tool_taper, canal=c)
    searched = lowest_place_by_search(tip, tool_taper, c)
    if found.seating is Seating.NO_ENTRY:
        assert searched >= 13.97
    elif found.seating is Seating.SHORT:
        assert searched == pytest.approx(found.to_working_length_mm, abs=0.021)
    else:
        assert searched == 0.0


@settings(deadline=None)
@given(tip=st.floats(0.1, 0.9), tool_taper=st.floats(0.0, 0.1), k=st.floats(0.3, 1.6))
def test_scaling_all_lengths_scales_the_seat(tip, tool_taper, k):
    one = seat(tip_mm=tip, taper=tool_taper, canal=canal())
    assume(one.to_working_length_mm is not None)
    assume(abs(one.to_working_length_mm) > 1e-6)
    assume(abs(one.to_working_length_mm - 16.0) > 1e-6)
    scaled = PreparedCanal(size=35 * k, taper=0.04, working_length_mm=22.0 * k, orifice_mm=16.0 * k)
    other = seat(tip_mm=tip * k, taper=tool_taper, canal=scaled)
    assert other.seating is one.seating
    assert other.to_working_length_mm == pytest.approx(one.to_working_length_mm * k, rel=1e-6)


@settings(deadline=None)
@given(tip=st.floats(0.1, 0.9), wider=st.floats(0.0, 0.3), tool_taper=st.floats(0.01, 0.1))
def test_a_wider_tip_never_goes_deeper(tip, wider, tool_taper):
    def depth(d):
        z = seat(tip_mm=d, taper=tool_taper, canal=canal()).to_working_length_mm
        return math.inf if z is None else z

    assert depth(tip + wider) >= depth(tip) - 1e-9


def test_probability_beyond_agrees_with_draws():
    rng = np.random.default_rng(3)
    c = canal()
    u_tip = 0.04
    tips = rng.normal(0.33, u_tip, 40_000)
    canals = rng.normal(c.tip_mm, c.u_diameter_mm, 40_000)
    found = seat(tip_mm=0.33, taper=0.04, canal=c, u_tip_mm=u_tip)
    assert found.probability_beyond == pytest.approx((tips < canals).mean(), abs=0.01)


@pytest.mark.parametrize("bad", [0.0, -0.4, math.nan, math.inf, 40.0])
def test_bad_tips_are_refused(bad):
    with pytest.raises(MarksError):
        seat(tip_mm=bad, taper=0.04, canal=canal())
