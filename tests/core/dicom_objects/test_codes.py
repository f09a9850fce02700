"""Coded teeth, and texts cut to what DICOM holds."""

from __future__ import annotations

import re

import pytest
from pydicom.sr.codedict import codes as dicom_codes
from pydicom.sr.coding import Code

from rxmeasure.dicom_objects import codes
from rxmeasure.measure_names import MEASURES
from rxmeasure.tooth import TEETH

#: PS3.16, CID 4018, as in the tables of pydicom 3.0.2.
PERMANENT = """
11 422653006 12 424877001 13 860767006 14 57826002 15 36492000 16 865995000 17 863902006
18 68085002 21 424399000 22 423185002 23 860780009 24 61897005 25 23226009 26 865988009
27 863901004 28 87704003 31 425106001 32 423331005 33 860782001 34 2400006 35 24573005
36 866006002 37 863898000 38 74344005 41 424575004 42 423937004 43 860785004 44 80140008
45 8873007 46 866005003 47 863899008 48 38994002
"""
#: PS3.16, CID 4019, likewise.
DECIDUOUS = """
51 88824007 52 65624003 53 30618001 54 17505006 55 27855007 61 51678005 62 43622005
63 73937000 64 45234009 65 51943008 71 89552004 72 14770005 73 43281008 74 38896004
75 49330006 81 67834006 82 22445006 83 6062009 84 58646007 85 61868007
"""
TABLE = dict(re.findall(r"(\d\d) (\d+)", PERMANENT + DECIDUOUS))


def test_the_table_is_of_52_teeth() -> None:
    assert len(TABLE) == 52
    assert set(TABLE) == set(TEETH)


@pytest.mark.parametrize("fdi", TABLE)
def test_each_tooth_maps_to_its_code_and_back(fdi: str) -> None:
    code = codes.tooth_code(fdi)
    assert (code.value, code.scheme_designator) == (TABLE[fdi], "SCT")
    assert codes.tooth_of_code(Code(TABLE[fdi], "SCT", "")) == fdi


# SNOMED RT and earlier SNOMED CT codes, as in the tables of pydicom 3.0.2.
@pytest.mark.parametrize(
    ("fdi", "value", "scheme"),
    [("18", "T-54210", "SRT"), ("85", "T-54750", "SRT"), ("47", "40005008", "SCT")],
)
def test_teeth_in_codes_of_older_editions_are_known(fdi: str, value: str, scheme: str) -> None:
    assert codes.tooth_of_code(Code(value, scheme, "")) == fdi


@pytest.mark.parametrize("fdi", ["", "19", "10", "56", "99", "UR6"])
def test_what_is_no_tooth_has_no_code(fdi: str) -> None:
    assert codes.tooth_code(fdi) is None


def test_a_supernumerary_tooth_is_not_taken_for_its_neighbour() -> None:
    group = dicom_codes.cid4025
    extra = [getattr(group, name) for name in group.dir()]
    assert len(extra) == 52
    assert not any(codes.tooth_of_code(code) for code in extra)


def test_measures_have_codes_of_their_own_that_fit() -> None:
    concepts = [codes.measure_code(name) for name in MEASURES]
    assert len({(c.value, c.scheme_designator) for c in concepts}) == len(MEASURES)
    assert all(0 < len(c.meaning) <= 64 for c in concepts)


def test_no_concept_in_pixels_speaks_of_millimetres() -> None:
    lengths = [name for name, measure in MEASURES.items() if measure.unit == "mm"]
    assert len(lengths) > 10
    assert not any("mm" in codes.measure_code(name, in_pixels=True).value for name in lengths)


@pytest.mark.parametrize("text", ["a\\b", "x" * 80, "line\nbreak", "  padded  "])
def test_short_text_fits_a_long_string(text: str) -> None:
    short = codes.short_text(text)
    assert 0 < len(short) <= 64
    assert not set(short) & set("\\\n\r")
    assert short == short.strip()
