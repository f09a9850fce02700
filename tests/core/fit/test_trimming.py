"""Trimming a point of constant taper."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmeasure.errors import MarksError
from rxmeasure.fit import cut_for_size, trim
from rxmeasure.marks import NominalShape


def test_tip_after_trimming():
    # calc: 25/.06 less 1.5 mm -> 0.34.
    trimmed = trim(NominalShape(size=25, taper=0.06), 1.5)
    assert trimmed.tip_mm == pytest.approx(0.34)
    assert trimmed.shape.size == pytest.approx(34.0)
    assert trimmed.shape.taper == 0.06


# calc.
@pytest.mark.parametrize(
    ("size", "taper", "wanted", "cut_mm"),
    [(25, 0.06, 40, 2.5), (30, 0.04, 35, 1.25), (20, 0.02, 25, 2.5)],
)
def test_where_to_trim(size, taper, wanted, cut_mm):
    found = cut_for_size(NominalShape(size=size, taper=taper), wanted)
    assert found.cut_mm == pytest.approx(cut_mm)


def test_uncertainty_comes_from_tolerance_and_cut():
    # Half width 0.05 mm (ISO 6877 up to size 25, from memory) as a rectangle.
    trimmed = trim(NominalShape(size=25, taper=0.06), 1.5, u_cut_mm=0.25)
    assert trimmed.u_tip_mm == pytest.approx(math.hypot(0.05 / math.sqrt(3), 0.06 * 0.25))
    cut = cut_for_size(NominalShape(size=25, taper=0.06), 40)
    assert cut.u_cut_mm == pytest.approx(0.05 / math.sqrt(3) / 0.06)


@settings(deadline=None)
@given(size=st.floats(6, 80), taper=st.floats(0.005, 0.12), cut=st.floats(0.0, 8.0))
def test_trimming_and_its_inverse(size, taper, cut):
    point = NominalShape(size=size, taper=taper)
    trimmed = trim(point, cut)
    assert cut_for_size(point, trimmed.shape.size).cut_mm == pytest.approx(cut, abs=1e-9)


@settings(deadline=None)
@given(taper=st.floats(0.005, 0.1), first=st.floats(0, 5), second=st.floats(0, 5))
def test_two_cuts_are_one(taper, first, second):
    point = NominalShape(size=20, taper=taper)
    twice = trim(trim(point, first).shape, second)
    assert twice.tip_mm == pytest.approx(trim(point, first + second).tip_mm)


def test_what_trimming_cannot_do():
    with pytest.raises(MarksError, match="smaller point"):
        cut_for_size(NominalShape(size=30, taper=0.04), 25)
    with pytest.raises(MarksError, match="parallel"):
        cut_for_size(NominalShape(size=30, taper=0.0), 35)
    assert cut_for_size(NominalShape(size=30, taper=0.0), 30).cut_mm == 0.0


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf, "1"])
def test_bad_cuts_are_refused(bad):
    with pytest.raises(MarksError):
        trim(NominalShape(size=30, taper=0.04), bad)


@pytest.mark.parametrize("bad", [0, -5, math.nan])
def test_bad_sizes_are_refused(bad):
    with pytest.raises(MarksError):
        trim(NominalShape(size=bad, taper=0.04), 1.0)
    with pytest.raises(MarksError):
        cut_for_size(NominalShape(size=30, taper=0.04), bad)
