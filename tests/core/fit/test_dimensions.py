"""Nominal diameters and tolerances against the standards' numbers."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmeasure.errors import MarksError
from rxmeasure.fit import (
    ISO_SIZES,
    PreparedCanal,
    Product,
    canal_diameters,
    iso_size,
    nominal_band,
    nominal_diameter_mm,
    size_tolerance_mm,
)
from rxmeasure.marks import NominalShape

# Diameters in mm at x mm from the tip: ISO 3630-1 (formula from memory), table calc.
PLACES_MM = (0, 1, 2, 3, 4, 5, 6, 8, 10, 12, 14, 16)
TABLE = """
15/.02 0.15 0.17 0.19 0.21 0.23 0.25 0.27 0.31 0.35 0.39 0.43 0.47
20/.02 0.20 0.22 0.24 0.26 0.28 0.30 0.32 0.36 0.40 0.44 0.48 0.52
25/.02 0.25 0.27 0.29 0.31 0.33 0.35 0.37 0.41 0.45 0.49 0.53 0.57
25/.04 0.25 0.29 0.33 0.37 0.41 0.45 0.49 0.57 0.65 0.73 0.81 0.89
25/.06 0.25 0.31 0.37 0.43 0.49 0.55 0.61 0.73 0.85 0.97 1.09 1.21
30/.04 0.30 0.34 0.38 0.42 0.46 0.50 0.54 0.62 0.70 0.78 0.86 0.94
35/.04 0.35 0.39 0.43 0.47 0.51 0.55 0.59 0.67 0.75 0.83 0.91 0.99
40/.06 0.40 0.46 0.52 0.58 0.64 0.70 0.76 0.88 1.00 1.12 1.24 1.36
"""
ROWS = [
    (float(name.split("/")[0]), float(name.split("/")[1]), x, float(diameter))
    for name, *diameters in (line.split() for line in TABLE.split("\n") if line)
    for x, diameter in zip(PLACES_MM, diameters, strict=True)
]


@pytest.mark.parametrize(("size", "taper", "x_mm", "diameter_mm"), ROWS)
def test_nominal_diameters(size, taper, x_mm, diameter_mm):
    assert nominal_diameter_mm(size, taper, x_mm) == pytest.approx(diameter_mm, abs=1e-9)


def test_standard_taper_gains_0_32_mm_over_the_working_part():
    # ISO 3630-1: D16 = D0 + 0.32 mm for .02 (from memory; 16 mm and .02 read in Kim 2010).
    for size in ISO_SIZES:
        gained = nominal_diameter_mm(size, 0.02, 16.0) - nominal_diameter_mm(size, 0.02, 0.0)
        assert gained == pytest.approx(0.32)


def test_sizes_of_the_standard():
    # ISO 3630-1, from memory: 06, 08, 10, 15-60 by 5, 70-140 by 10.
    assert ISO_SIZES[:4] == (6, 8, 10, 15)
    assert ISO_SIZES[-9:] == (60, 70, 80, 90, 100, 110, 120, 130, 140)
    assert len(ISO_SIZES) == 21
    assert iso_size(6) == 6
    for wrong in (5, 7, 12, 33, 65, 150):
        with pytest.raises(MarksError, match="nearest"):
            iso_size(wrong)


# ISO 3630-1 (from memory, high); ISO 6877 (from memory, medium).
@pytest.mark.parametrize(
    ("size", "instrument_mm", "point_mm"),
    [(6, 0.02, 0.05), (25, 0.02, 0.05), (30, 0.02, 0.07), (60, 0.02, 0.07), (70, 0.04, 0.07)],
)
def test_tolerances(size, instrument_mm, point_mm):
    assert size_tolerance_mm(size, Product.INSTRUMENT) == instrument_mm
    assert size_tolerance_mm(size, Product.POINT) == point_mm


def test_band_lies_round_the_nominal_diameter():
    band = nominal_band(NominalShape(size=30, taper=0.04), (0.0, 5.0), Product.POINT)
    assert [b.nominal_mm for b in band] == pytest.approx([0.30, 0.50])
    assert [b.high_mm - b.nominal_mm for b in band] == pytest.approx([0.07, 0.07])
    assert [b.nominal_mm - b.low_mm for b in band] == pytest.approx([0.07, 0.07])


def test_diameters_of_a_prepared_canal():
    canal = PreparedCanal(size=25, taper=0.06, working_length_mm=20.5)
    rows = canal_diameters(canal)
    assert [r.to_working_length_mm for r in rows] == [*map(float, range(21)), 20.5]
    expected = {x: d for s, t, x, d in ROWS if (s, t) == (25, 0.06)}
    for row in rows:
        if row.to_working_length_mm in expected:
            assert row.diameter_mm == pytest.approx(expected[row.to_working_length_mm])
        assert row.past_working_part is (row.to_working_length_mm > 16)
        assert row.u_diameter_mm == pytest.approx(0.02 / math.sqrt(3))


def test_canal_ends_at_the_orifice():
    canal = PreparedCanal(size=25, taper=0.06, working_length_mm=21.0, orifice_mm=12.0)
    assert canal_diameters(canal)[-1].to_working_length_mm == 12.0
    with pytest.raises(MarksError):
        canal.diameter_mm(12.5)


@settings(deadline=None)
@given(size=st.floats(1, 150), taper=st.floats(0, 0.12), x=st.floats(0, 25), k=st.floats(0.1, 1.3))
def test_scaling_all_lengths_scales_the_diameter(size, taper, x, k):
    one = nominal_diameter_mm(size, taper, x)
    assert nominal_diameter_mm(size * k, taper, x * k) == pytest.approx(one * k)


@pytest.mark.parametrize("bad", [0.0, -25.0, math.nan, math.inf, 2500.0, "25", None, True])
def test_bad_sizes_are_refused(bad):
    with pytest.raises(MarksError):
        nominal_diameter_mm(bad, 0.04, 1.0)
    with pytest.raises(MarksError):
        PreparedCanal(size=bad, taper=0.04, working_length_mm=20.0)


@pytest.mark.parametrize("bad", [-0.02, math.nan, math.inf, 4.0])
def test_bad_tapers_are_refused(bad):
    """A taper of 4 is the usual slip for .04."""
    with pytest.raises(MarksError):
        nominal_diameter_mm(25, bad, 1.0)
    with pytest.raises(MarksError):
        PreparedCanal(size=25, taper=bad, working_length_mm=20.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf, 210.0])
def test_bad_working_lengths_are_refused(bad):
    with pytest.raises(MarksError):
        PreparedCanal(size=25, taper=0.04, working_length_mm=bad)


def test_orifice_beyond_the_working_length_is_refused():
    with pytest.raises(MarksError):
        PreparedCanal(size=25, taper=0.04, working_length_mm=20.0, orifice_mm=20.5)
