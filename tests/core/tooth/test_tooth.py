"""Tooth notations and plausible lengths against tables."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmeasure.errors import MarksError
from rxmeasure.tooth import (
    NOT_MAPPED,
    TEETH,
    canal_meaning,
    crown_and_root,
    fdi_to_palmer,
    fdi_to_universal,
    length_plausibility,
    mean_lengths,
    palmer_to_fdi,
    plausible_range_mm,
    tooth_of,
    universal_to_fdi,
    usual_canals,
)


# Teaching pages on notation (16 = 3, 46 = 30 read); the rest calc from the quadrant formulas.
@pytest.mark.parametrize(
    ("fdi", "universal"),
    [
        ("11", "8"),
        ("18", "1"),
        ("21", "9"),
        ("28", "16"),
        ("38", "17"),
        ("31", "24"),
        ("41", "25"),
        ("48", "32"),
        ("16", "3"),
        ("46", "30"),
        # Primary: 55-51 = A-E, 61-65 = F-J, 75-71 = K-O, 81-85 = P-T (ends read).
        ("55", "A"),
        ("51", "E"),
        ("61", "F"),
        ("65", "J"),
        ("75", "K"),
        ("71", "O"),
        ("81", "P"),
        ("85", "T"),
    ],
)
def test_universal(fdi, universal):
    assert fdi_to_universal(fdi) == universal
    assert universal_to_fdi(universal) == fdi


# Plain text read; corner marks: Unicode names of the dentistry symbols.
@pytest.mark.parametrize(
    ("fdi", "plain", "mark"),
    [
        ("16", "UR6", "6⏌"),
        ("26", "UL6", "⎿6"),
        ("36", "LL6", "⎾6"),
        ("46", "LR6", "6⏋"),
        ("55", "URE", "E⏌"),
        ("61", "ULA", "⎿A"),
        ("73", "LLC", "⎾C"),
        ("84", "LRD", "D⏋"),
    ],
)
def test_palmer(fdi, plain, mark):
    assert fdi_to_palmer(fdi) == plain
    assert fdi_to_palmer(fdi, corner_mark=True) == mark
    assert palmer_to_fdi(plain) == fdi
    assert palmer_to_fdi(plain.lower()) == fdi
    assert palmer_to_fdi(mark) == fdi
    assert palmer_to_fdi(mark[::-1]) == fdi


def test_every_tooth_goes_round_in_every_notation():
    assert len(TEETH) == 52
    for fdi, tooth in TEETH.items():
        assert universal_to_fdi(tooth.universal) == fdi
        assert palmer_to_fdi(tooth.palmer) == fdi
        assert palmer_to_fdi(tooth.palmer_mark) == fdi
        assert tooth.primary is (fdi[0] in "5678")
    for attribute in ("universal", "palmer", "palmer_mark", "name"):
        assert len({getattr(tooth, attribute) for tooth in TEETH.values()}) == 52


def test_universal_numbers_run_clockwise_from_the_upper_right():
    upper = [f"1{n}" for n in range(8, 0, -1)] + [f"2{n}" for n in range(1, 9)]
    lower = [f"3{n}" for n in range(8, 0, -1)] + [f"4{n}" for n in range(1, 9)]
    assert [universal_to_fdi(str(n)) for n in range(1, 33)] == upper + lower


# ISO 3950 has arch, quadrant and supernumerary codes (from memory): not teeth of this table.
@pytest.mark.parametrize(
    "code", ["", "00", "01", "10", "19", "99", "56", "86", "1", "160", "UR6", "x"]
)
def test_unknown_fdi_codes_are_not_mapped(code):
    assert tooth_of(code) is None
    assert fdi_to_universal(code) == NOT_MAPPED
    assert fdi_to_palmer(code) == NOT_MAPPED
    assert usual_canals(code) is None
    assert mean_lengths(code) == ()


@pytest.mark.parametrize("code", ["", "0", "33", "U", "-1"])
def test_unknown_universal_codes_are_not_mapped(code):
    assert universal_to_fdi(code) == NOT_MAPPED


@pytest.mark.parametrize("code", ["", "UR9", "URF", "XX6", "66", "6", "⏌", "⏌⏌", "9⏌", "UR"])
def test_unknown_palmer_codes_are_not_mapped(code):
    assert palmer_to_fdi(code) == NOT_MAPPED


def test_names():
    assert tooth_of("16").name == "upper right first molar"
    assert tooth_of("75").name == "lower left primary second molar"
    assert tooth_of(" 11 ").fdi == "11"


# Handbooks (from memory).
@pytest.mark.parametrize(
    ("fdi", "fewest", "most"),
    [
        ("11", 1, 1),
        ("13", 1, 1),
        ("24", 2, 2),
        ("15", 1, 2),
        ("16", 3, 4),
        ("27", 3, 4),
        ("18", 1, 4),
        ("31", 1, 2),
        ("44", 1, 2),
        ("35", 1, 1),
        ("46", 3, 4),
        ("37", 2, 4),
    ],
)
def test_usual_canals(fdi, fewest, most):
    canals = usual_canals(fdi)
    assert (canals.fewest, canals.most) == (fewest, most)
    assert all(canal_meaning(name) != NOT_MAPPED for name in canals.names)


def test_upper_first_molar_names_the_second_mesiobuccal_canal():
    assert usual_canals("16").names == ("MB1", "MB2", "DB", "P")
    assert canal_meaning("MB2") == "second mesiobuccal"
    assert canal_meaning("pal") == "palatal"
    assert canal_meaning("single") == "single canal"
    assert canal_meaning("Q") == NOT_MAPPED


# Black, Ingle mean (range), Wheeler crown/root (all from memory), kind by kind.
LENGTHS = """
1 22.5 23.3 21.0 25.6 10.5 13.0
2 22.0 22.8 20.5 25.1 9.0 13.0
3 26.5 26.0 23.1 28.9 10.0 17.0
4 20.6 21.8 18.8 23.8 8.5 14.0
5 21.5 21.0 19.0 23.0 8.5 14.0
-1 20.7 21.5 19.6 23.4 9.0 12.5
-2 21.1 22.4 20.2 24.6 9.5 14.0
-3 25.6 25.2 22.9 27.5 11.0 16.0
-4 21.6 22.1 20.1 24.1 8.5 14.0
-5 22.3 21.4 19.1 23.7 8.0 14.5
"""


@pytest.mark.parametrize("line", [line for line in LENGTHS.split("\n") if line])
def test_mean_lengths(line):
    place, black, mean, shortest, longest, crown, root = map(float, line.split())
    quadrants = "12" if place > 0 else "34"
    for quadrant in quadrants:
        fdi = f"{quadrant}{abs(int(place))}"
        found = mean_lengths(fdi)
        assert found[0].mean_mm == black
        assert (found[1].mean_mm, found[1].shortest_mm, found[1].longest_mm) == (
            mean,
            shortest,
            longest,
        )
        assert all("memory" in length.source or "read" in length.source for length in found)
        assert crown_and_root(fdi).crown_mm == crown
        assert crown_and_root(fdi).roots_mm == (("", root),)


def test_molar_roots():
    # Ingle (from memory).
    by_root = {length.root: length for length in mean_lengths("26")}
    assert {root: length.mean_mm for root, length in by_root.items()} == {
        "": 20.8,
        "MB": 19.9,
        "DB": 19.4,
        "P": 20.6,
    }
    assert by_root["P"].longest_mm == 22.5
    assert crown_and_root("16").roots_mm == (("B", 12.0), ("P", 13.0))
    assert mean_lengths("18")[0].mean_mm == 17.1
    assert mean_lengths("47")[1].shortest_mm is None


def test_means_lie_in_their_ranges():
    for fdi in TEETH:
        for length in mean_lengths(fdi):
            if length.shortest_mm is not None:
                assert length.shortest_mm <= length.mean_mm <= length.longest_mm


def code(fdi: str, length_mm: float) -> str | None:
    found = length_plausibility(fdi, length_mm)
    return None if found is None else found.code


# Mean +- 4 mm, 18 to 31 without a tooth, under 12 and over 35: choice.
@pytest.mark.parametrize(
    ("fdi", "length_mm", "expected"),
    [
        ("11", 22.9, None),
        ("11", 18.5, None),
        ("11", 18.4, "tooth-length-implausible"),
        ("11", 27.3, None),
        ("11", 27.4, "tooth-length-implausible"),
        ("13", 30.0, None),
        ("18", 14.0, None),
        ("", 18.0, None),
        ("", 17.9, "tooth-length-implausible"),
        ("", 31.0, None),
        ("", 31.1, "tooth-length-implausible"),
        ("99", 31.1, "tooth-length-implausible"),
        ("11", 11.99, "scale-implausible"),
        ("11", 12.0, "tooth-length-implausible"),
        ("", 35.01, "scale-implausible"),
        ("13", 35.0, "tooth-length-implausible"),
        ("54", 11.0, None),
        ("54", 36.0, "scale-implausible"),
    ],
)
def test_plausibility(fdi, length_mm, expected):
    assert code(fdi, length_mm) == expected


@settings(deadline=None)
@given(fdi=st.sampled_from(sorted(TEETH)), share=st.floats(0.0, 1.0))
def test_plausible_range_holds_every_published_mean(fdi, share):
    span = plausible_range_mm(fdi)
    if span is None:
        assert tooth_of(fdi).primary
        return
    assert all(span[0] <= length.mean_mm - 3.99 for length in mean_lengths(fdi))
    assert length_plausibility(fdi, span[0] + share * (span[1] - span[0])) is None


@pytest.mark.parametrize("bad", [0.0, -20.0, math.nan, math.inf, None])
def test_bad_lengths_are_refused(bad):
    with pytest.raises(MarksError):
        length_plausibility("11", bad)
