"""Size of an outline: laws, then values worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import MarksError
from rxmeasure.geometry import PixelScale
from rxmeasure.recall.size import LesionSize, outline_of_mask, size_of_outline

SQUARE = PixelScale(row=1.0, col=1.0, unit="px")
HEXAGON = np.array([(0.0, 0.0), (4.0, 0.0), (6.0, 3.0), (3.0, 6.0), (0.0, 4.0)])


def _scale(mm: float, *, u_rel: float = 0.0, row: float | None = None) -> Calibration:
    return Calibration(row_mm=row or mm, col_mm=mm, u_rel=u_rel, source="a test")


def _ellipse(a: float, b: float, *, turn: float = 0.0, count: int = 720) -> np.ndarray:
    t = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    c, s = math.cos(turn), math.sin(turn)
    return np.column_stack([a * np.cos(t), b * np.sin(t)]) @ np.array([[c, s], [-s, c]])


def _numbers(size: LesionSize) -> np.ndarray:
    return np.array(
        [
            size.largest_diameter.value_px,
            size.perpendicular_diameter.value_px,
            size.equivalent_diameter.value_px,
            size.perimeter.value_px,
            math.sqrt(size.area.value_px2),
        ]
    )


# --- laws -----------------------------------------------------------------------------------


@given(st.floats(0.1, 50.0), st.floats(0.0, 6.3), st.floats(-200, 200))
def test_lengths_grow_with_the_scale_and_nothing_else_changes_them(
    factor: float, turn: float, shift: float
) -> None:
    plain = _numbers(size_of_outline(_ellipse(40.0, 23.0, count=90), SQUARE, None))
    moved = factor * _ellipse(40.0, 23.0, turn=turn, count=90) + shift
    for other in (moved, moved[:, ::-1], moved * (-1.0, 1.0), moved[::-1]):
        found = size_of_outline(other, SQUARE, None)
        assert _numbers(found) == pytest.approx(factor * plain, rel=1e-6)


def test_unequal_pixels_give_the_same_millimetres() -> None:
    outline = _ellipse(40.0, 23.0, turn=0.7)
    plain = size_of_outline(outline, SQUARE, _scale(0.03))
    squeezed = size_of_outline(
        outline / (2.0, 1.0), PixelScale(row=2.0, col=1.0, unit="px"), _scale(0.03, row=0.06)
    )
    assert squeezed.area.value_mm2 == pytest.approx(plain.area.value_mm2)
    assert squeezed.largest_diameter.value_mm == pytest.approx(plain.largest_diameter.value_mm)
    assert squeezed.perpendicular_diameter.value_mm == pytest.approx(
        plain.perpendicular_diameter.value_mm
    )


def test_the_diameters_stand_at_right_angles_and_end_on_the_outline() -> None:
    size = size_of_outline(_ellipse(40.0, 23.0, turn=0.4), SQUARE, None)
    a, b = np.array(size.largest_px), np.array(size.perpendicular_px)
    assert (a[1] - a[0]) @ (b[1] - b[0]) == pytest.approx(0.0, abs=1e-6)
    assert np.hypot(*(b[1] - b[0])) == pytest.approx(size.perpendicular_diameter.value_px)


def test_a_notch_is_not_crossed_by_the_perpendicular_diameter() -> None:
    # A long bar with a deep notch from one side: no chord of the notch may be counted.
    bar = [(0, 0), (4, 0), (4, 9), (1, 10), (4, 11), (4, 20), (0, 20)]
    size = size_of_outline(np.array(bar, dtype=float), SQUARE, None)
    assert size.perpendicular_diameter.value_px < 5.0


def test_without_a_scale_there_are_no_millimetres() -> None:
    size = size_of_outline(HEXAGON, SQUARE, None)
    assert size.area.value_mm2 is None
    assert size.largest_diameter.value_mm is None
    assert size.area.scale_source is None


def test_draws_of_the_edge_give_the_uncertainty() -> None:
    rng = np.random.default_rng(4)
    outline = _ellipse(60.0, 60.0, count=120)
    draws = [outline * (1.0 + r / 60.0) for r in rng.normal(0.0, 1.5, 4000)]
    size = size_of_outline(outline, SQUARE, None, draws_px=np.array(draws))
    assert size.area.u_px2 == pytest.approx(2.0 * np.pi * 60.0 * 1.5, rel=0.05)
    assert size.largest_diameter.u_px == pytest.approx(2.0 * 1.5, rel=0.05)


# --- values ---------------------------------------------------------------------------------


def test_ellipse_of_semi_axes_4_and_3_mm() -> None:
    # Calculation: area 37.6991 mm2.
    size = size_of_outline(_ellipse(160.0, 120.0, count=2000), SQUARE, _scale(0.025))
    assert size.area.value_mm2 == pytest.approx(37.6991, abs=1e-3)
    assert size.largest_diameter.value_mm == pytest.approx(8.0, abs=1e-3)
    assert size.perpendicular_diameter.value_mm == pytest.approx(6.0, abs=1e-3)


def test_circle_of_3_mm_radius_at_0_025_mm_pixels() -> None:
    # Calculation: 28.2743 mm2, equivalent diameter 6.0 mm, 45 239 px.
    size = size_of_outline(_ellipse(120.0, 120.0, count=3000), SQUARE, _scale(0.025))
    assert size.area.value_mm2 == pytest.approx(28.2743, abs=1e-3)
    assert size.equivalent_diameter.value_mm == pytest.approx(6.0, abs=1e-4)
    assert size.area.value_px2 == pytest.approx(45239, abs=1.5)


def test_polygon_by_the_shoelace_formula() -> None:
    # Calculation: area 25.5, longest diagonal 6.7082, perimeter 19.4537.
    size = size_of_outline(HEXAGON, SQUARE, None)
    assert size.area.value_px2 == pytest.approx(25.5)
    assert size.largest_diameter.value_px == pytest.approx(6.7082, abs=1e-4)
    assert size.perimeter.value_px == pytest.approx(19.4537, abs=1e-4)


def test_uncertainty_of_edge_and_scale() -> None:
    # First order: perimeter times edge; an area takes the scale's uncertainty twice.
    size = size_of_outline(_ellipse(100.0, 100.0), SQUARE, _scale(0.03, u_rel=0.02), u_edge_px=2.0)
    area, edge = np.pi * 3.0**2, 2.0 * np.pi * 3.0 * 0.06
    assert size.area.u_mm2 == pytest.approx(math.hypot(edge, 0.04 * area), rel=1e-3)
    assert size.equivalent_diameter.u_mm == pytest.approx(math.hypot(0.12, 0.12), rel=1e-3)


# --- masks and refusals ---------------------------------------------------------------------


def test_outline_of_a_mask_has_the_area_of_its_pixels() -> None:
    r, c = np.mgrid[:300, :300]
    mask = np.hypot(r - 150.2, c - 149.7) <= 100.0
    size = size_of_outline(outline_of_mask(mask), SQUARE, None)
    assert size.area.value_px2 == pytest.approx(mask.sum(), rel=1e-3)
    assert size.largest_diameter.value_px == pytest.approx(200.0, abs=1.5)


def test_holes_of_a_mask_count_as_lesion() -> None:
    mask = np.zeros((60, 60), bool)
    mask[10:50, 10:50] = True
    holed = mask.copy()
    holed[25:30, 25:30] = False
    assert np.array_equal(outline_of_mask(holed), outline_of_mask(mask))


def test_a_mask_touching_the_border_is_closed() -> None:
    mask = np.zeros((60, 60), bool)
    mask[:20, :30] = True
    size = size_of_outline(outline_of_mask(mask), SQUARE, None)
    assert size.area.value_px2 == pytest.approx(600.0, rel=2e-3)


@pytest.mark.parametrize("count", [0, 2])
def test_a_mask_has_one_patch(count: int) -> None:
    mask = np.zeros((60, 60), bool)
    for k in range(count):
        mask[5 + 30 * k : 20 + 30 * k, 5:20] = True
    with pytest.raises(MarksError, match=f"{count} separate"):
        outline_of_mask(mask)


@pytest.mark.parametrize(
    "outline",
    [
        [(0.0, 0.0), (4.0, 4.0), (0.0, 4.0), (4.0, 0.0)],
        [(0.0, 0.0), (2.0, 2.0), (4.0, 4.0)],
    ],
)
def test_outlines_that_enclose_nothing_are_refused(outline: list[tuple[float, float]]) -> None:
    with pytest.raises(MarksError, match="crosses itself"):
        size_of_outline(outline, SQUARE, None)
