"""Two visits brought together: whose map counts, and what the subtraction shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_visits import drawn_film
from scipy import ndimage

from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.alignment import AlignmentVerdict
from rxmeasure.recall.contrast import AlignmentError
from rxmeasure.recall.pairs import PairLandmarks, align_pair, register

POINTS = ((40.0, 30.0), (45.0, 200.0), (250.0, 40.0), (240.0, 210.0), (150.0, 120.0))
#: The later film is shifted by so much: its pixel (r, c) shows (r, c) + SHIFT of the earlier one.
SHIFT = (6.0, -9.0)


def film(pixels: np.ndarray) -> Radiograph:
    return replace(drawn_film(1), pixels=pixels.astype(np.float32))


@pytest.fixture(scope="module")
def pair() -> tuple[Radiograph, Radiograph]:
    """A film, and the same shifted, darker and flatter, with a denser square in its middle."""
    grain = np.random.default_rng(4).standard_normal((300, 260))
    first = 2000.0 + 600.0 * ndimage.gaussian_filter(grain, 3.0) / 0.1
    first = np.clip(first, 200.0, 3900.0)
    second = 300.0 + 0.5 * ndimage.shift(first, (-SHIFT[0], -SHIFT[1]), order=1, mode="nearest")
    second[140:160, 120:140] += 300.0
    return film(first), film(second)


def marked(points: tuple, *, slip_px: float = 0.0) -> PairLandmarks:
    second = [(r - SHIFT[0], c - SHIFT[1]) for r, c in points]
    second[0] = (second[0][0] + slip_px, second[0][1])
    return PairLandmarks(before=1, after=2, first_px=points, second_px=tuple(second))


def test_points_of_the_reader_go_before_the_programs_own_map(pair) -> None:
    found = align_pair(*pair, landmarks=marked(POINTS), mm_per_px=0.03)
    assert found.automatic is None
    assert found.by_hand is not None
    np.testing.assert_allclose(found.map[:2, 2], SHIFT, atol=1e-6)
    assert found.verdict is AlignmentVerdict.CAUTION
    assert "depth" in found.reason
    assert found.error_mm == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("points", [POINTS[:1], ()])
def test_too_few_points_leave_it_to_the_program(pair, points) -> None:
    landmarks = replace(marked(POINTS), first_px=points, second_px=points)
    assert not landmarks.usable
    assert align_pair(*pair, landmarks=landmarks).by_hand is None


def test_a_point_without_its_partner_is_not_used(pair) -> None:
    whole = marked(POINTS)
    assert not replace(whole, second_px=whole.second_px[:-1]).usable


def test_without_a_spare_point_the_error_is_not_known(pair) -> None:
    found = align_pair(*pair, landmarks=marked(POINTS[:2]), mm_per_px=0.03)
    assert (found.error_px, found.error_mm) == (None, None)
    assert found.verdict is AlignmentVerdict.CAUTION
    assert not found.refused


def test_points_that_do_not_fit_each_other_are_refused(pair) -> None:
    found = align_pair(*pair, landmarks=marked(POINTS, slip_px=60.0), mm_per_px=0.05)
    assert found.refused
    assert found.contrast is None
    assert f"{found.error_mm:.2f} mm" in found.reason


def test_points_that_do_not_fit_each_other_are_refused_without_a_scale_too(pair) -> None:
    found = align_pair(*pair, landmarks=marked(POINTS, slip_px=60.0))
    assert found.refused
    assert found.error_mm is None
    assert f"{found.error_px:.0f} px" in found.reason
    assert "mm" not in found.reason


def test_points_on_films_with_pixels_that_are_not_square(pair) -> None:
    first, second = pair
    # Every row of the later film twice: rows are half as far apart as columns.
    later = replace(second, pixels=np.repeat(second.pixels, 2, axis=0), pixel_aspect=0.5)
    points = marked(POINTS[:3])
    twice = replace(points, second_px=tuple((2.0 * r + 0.5, c) for r, c in points.second_px))
    found = align_pair(first, later, landmarks=twice)
    # A map that only turns, shifts and scales fits: the film was not stretched, its pixels are.
    assert found.error_px == pytest.approx(0.0, abs=1e-6)
    np.testing.assert_allclose(
        (found.map @ [2.0 * 100.0 + 0.5, 80.0, 1.0])[:2], (100.0 + SHIFT[0], 80.0 + SHIFT[1])
    )
    assert found.contrast is not None


def test_points_in_a_line_are_refused_by_core(pair) -> None:
    line = tuple((10.0 * k, 20.0 * k) for k in range(1, 5))
    with pytest.raises(AlignmentError):
        align_pair(*pair, landmarks=marked(line))


def test_subtraction_shows_what_became_denser_and_nothing_else(pair) -> None:
    first, second = pair
    found = align_pair(first, second, landmarks=marked(POINTS))
    assert found.contrast is not None
    seen = register(first, second, found.map, found.contrast)
    square = np.zeros(first.shape, dtype=bool)
    square[140 + 6 : 160 + 6, 120 - 9 : 140 - 9] = True
    shown = np.isfinite(seen.difference)
    # The later film does not show the first rows and the last columns of the earlier one.
    assert not shown[:5].any()
    assert not shown[:, -8:].any()
    inside, outside = seen.difference[square & shown], seen.difference[~square & shown]
    assert np.median(inside) > 8.0 * np.median(np.abs(outside))
    assert abs(np.median(outside)) < 30.0
    assert seen.end == pytest.approx(np.percentile(np.abs(seen.difference[shown]), 98.0))
