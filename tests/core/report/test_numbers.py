"""Rounding for show, the decimal mark, and text of any origin."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.report.numbers import Numbers, clean

POINT, COMMA = Numbers(), Numbers(decimal_mark=",")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (2.04, "mm", "2.0"),
        (-0.44, "mm", "-0.4"),
        (-0.04, "mm", "-0.04"),  # beyond the apex must not read as flush
        (0.04, "mm", "0.04"),
        (0.0, "mm", "0.0"),
        (-0.0, "mm", "0.0"),
        (0.052, "mm/mm", "0.052"),
        (3, "1", "3"),
        (0.0312, "ratio", "0.031"),
        (9.44, "deg", "9.4"),
        (0.376, "mm2", "0.38"),
    ],
)
def test_quantities(value: float, unit: str, text: str) -> None:
    assert POINT.quantity(value, unit) == text
    assert COMMA.quantity(value, unit) == text.replace(".", ",")


@given(value=st.floats(-40, 40), unit=st.sampled_from(["mm", "mm2", "deg", "px", "mm/mm"]))
def test_shown_values_keep_their_sign_and_are_near(value: float, unit: str) -> None:
    shown = float(POINT.quantity(value, unit))
    assert abs(shown - value) <= 0.5
    assert math.copysign(1.0, shown) == math.copysign(1.0, value) or shown == 0.0
    if abs(value) >= 0.05:
        assert (shown < 0) == (value < 0) or unit == "px2"


def test_uncertainty_is_never_shown_as_nothing() -> None:
    assert POINT.uncertainty(0.0004, "mm") == "<\u00a00.01"
    assert COMMA.uncertainty(0.183, "mm") == "0,18"
    assert POINT.uncertainty(0.0, "mm") == "0.00"


def test_percent_is_whole_and_sure_only_when_exact() -> None:
    assert [POINT.percent(p) for p in (0.0, 0.004, 0.61, 0.996, 1.0)] == [
        "0\u00a0%",
        "<\u00a01\u00a0%",
        "61\u00a0%",
        ">\u00a099\u00a0%",
        "100\u00a0%",
    ]


@pytest.mark.parametrize(
    ("text", "with_comma"),
    [
        ("0.05 mm from the limit of 2.0 mm.", "0,05 mm from the limit of 2,0 mm."),
        ("The gap is 1.95.", "The gap is 1,95."),
        ("doi:10.1007/s00784-011-0671-3", "doi:10.1007/s00784-011-0671-3"),
        ("doi:10.1111/j.1365-2591.2008.01513.x", "doi:10.1111/j.1365-2591.2008.01513.x"),
        ("doi:10.1000/182-1.5 found 2.5 mm", "doi:10.1000/182-1.5 found 2,5 mm"),
        ("https://example.org/a-1.5 and 0.5 mm", "https://example.org/a-1.5 and 0,5 mm"),
        ("10.1000/x-1.5: 0.5 mm", "10.1000/x-1.5: 0,5 mm"),
        ("ISO 3630-1.2 and IEC 62304:1.1", "ISO 3630-1.2 and IEC 62304:1.1"),
        ("version 1.2 of 0.5 mm", "version 1.2 of 0,5 mm"),
        ("version 1.2.3", "version 1.2.3"),
        ("PS3.3", "PS3.3"),
        ("(0028,0030)", "(0028,0030)"),
        ("-0.4", "-0,4"),
    ],
)
def test_decimal_mark_in_sentences(text: str, with_comma: str) -> None:
    assert COMMA.in_text(text) == with_comma
    assert POINT.in_text(text) == text


def test_text_of_any_origin_is_tamed() -> None:
    assert clean("a\n\tb  c") == "a b c"
    assert clean("a\x00b\x1b[31m") == "a\ufffdb\ufffd[31m"
    assert clean("x\u202egnp.exe") == "x\ufffdgnp.exe"
    assert clean("\ud800") == "\ufffd"
    assert clean("ﬁ é 박 ✓") == "ﬁ é 박 ✓"
    assert len(clean("y" * 100_000)) < 2100
    assert "cut" in clean("y" * 100_000)
