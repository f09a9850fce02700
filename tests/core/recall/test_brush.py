"""The brush on an outline: what is painted, what is erased, what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from rxmeasure.errors import MarksError
from rxmeasure.geometry import polygon_area
from rxmeasure.recall.brush import brushed

SHAPE = (200, 300)


def test_a_dab_is_a_disc() -> None:
    dab = brushed([], [(100.0, 150.0)], radius_px=20.0, shape=SHAPE)
    assert polygon_area(dab) == pytest.approx(np.pi * 20.0**2, rel=0.03)
    np.testing.assert_allclose(dab.mean(axis=0), (100.0, 150.0), atol=1.0)


def test_a_stroke_is_as_wide_as_the_brush() -> None:
    # Calculation: 100 px long, two half discs at the ends.
    stroke = brushed([], [(100.0, 100.0), (100.0, 200.0)], radius_px=10.0, shape=SHAPE)
    assert polygon_area(stroke) == pytest.approx(100.0 * 20.0 + np.pi * 100.0, rel=0.05)


def test_what_is_painted_again_changes_nothing_and_what_is_erased_is_gone() -> None:
    first = brushed([], [(100.0, 100.0), (100.0, 200.0)], radius_px=20.0, shape=SHAPE)
    again = brushed(first, [(100.0, 150.0)], radius_px=8.0, shape=SHAPE)
    assert polygon_area(again) == pytest.approx(polygon_area(first), rel=0.01)
    less = brushed(first, [(80.0, 150.0)], radius_px=8.0, shape=SHAPE, erase=True)
    assert polygon_area(first) - polygon_area(less) == pytest.approx(np.pi * 32.0, rel=0.25)


def test_rows_wider_than_columns_keep_the_brush_round_on_the_tooth() -> None:
    dab = brushed([], [(100.0, 150.0)], radius_px=20.0, shape=SHAPE, pixel_aspect=2.0)
    rows, cols = np.ptp(dab, axis=0)
    assert cols == pytest.approx(2.0 * rows, rel=0.06)


def test_nothing_is_painted_beyond_the_film() -> None:
    dab = brushed([], [(2.0, 2.0)], radius_px=30.0, shape=SHAPE)
    assert dab.min() >= -0.5
    assert polygon_area(dab) < 0.35 * np.pi * 30.0**2


@pytest.mark.parametrize(
    ("outline", "stroke", "erase"),
    [
        ([(90.0, 140.0), (90.0, 160.0), (110.0, 160.0), (110.0, 140.0)], (100.0, 150.0), True),
        ([(10.0, 10.0), (10.0, 30.0), (30.0, 30.0), (30.0, 10.0)], (150.0, 250.0), False),
    ],
)
def test_nothing_left_and_two_patches_are_refused(outline, stroke, erase) -> None:
    with pytest.raises(MarksError):
        brushed(outline, [stroke], radius_px=25.0, shape=SHAPE, erase=erase)
