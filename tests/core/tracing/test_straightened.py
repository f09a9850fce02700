"""The straightened picture against plain resampling and known geometry."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from rxmeasure.errors import MarksError
from rxmeasure.geometry import cumulative_length
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.straighten import straightened_canal

MakeRadiograph = Callable[..., Radiograph]


@pytest.fixture
def noise() -> np.ndarray:
    return np.random.default_rng(11).normal(500.0, 100.0, (60, 41))


def arc_px(count: int = 40) -> np.ndarray:
    """A quarter of a circle of 60 px round (20, 90): from (20, 30) to (80, 90)."""
    angle = np.linspace(0.0, np.pi / 2, count)
    return np.column_stack([20.0 + 60.0 * np.sin(angle), 90.0 - 60.0 * np.cos(angle)])


def ridge(points_px: np.ndarray, shape: tuple[int, int], aspect: float) -> np.ndarray:
    """A Gaussian ridge (2.5 column pitches) along a finely sampled line."""
    rows, cols = np.indices(shape)
    plane = np.stack([rows * aspect, cols], axis=-1)[:, :, None, :]
    away = plane - points_px[None, None, ::2] * (aspect, 1.0)
    return 100.0 + 900.0 * np.exp(-(away**2).sum(axis=-1).min(axis=-1) / (2 * 2.5**2))


def test_straight_line_gives_the_columns_themselves(
    make_radiograph: MakeRadiograph, noise: np.ndarray
) -> None:
    film = make_radiograph(noise)
    canal = straightened_canal(
        film, [(10.0, 20.0), (33.3, 20.0), (50.0, 20.0)], half_width_px=6.0, beyond_px=4.0
    )
    # Walking down, the normal points to smaller columns.
    assert_allclose(canal.pixels, film.pixels[6:55, 26:13:-1], rtol=1e-6)
    assert_array_equal(canal.s_px, np.arange(-4.0, 45.0))
    assert_array_equal(canal.offset_px, np.arange(-6.0, 7.0))
    assert canal.pixels.dtype == np.float32


def test_flipped_picture_gives_the_flipped_strip(
    make_radiograph: MakeRadiograph, noise: np.ndarray
) -> None:
    line = np.array([(5.0, 12.0), (20.0, 14.5), (35.0, 20.0), (50.0, 28.0)])
    plain = straightened_canal(make_radiograph(noise), line, half_width_px=8.0, beyond_px=3.0)
    turned = straightened_canal(
        make_radiograph(noise[:, ::-1]), line * (1, -1) + (0, 40), half_width_px=8.0, beyond_px=3.0
    )
    assert_allclose(turned.pixels, plain.pixels[:, ::-1], rtol=1e-5)


def test_line_walked_backwards_turns_the_strip_by_180_degrees(
    make_radiograph: MakeRadiograph, noise: np.ndarray
) -> None:
    film = make_radiograph(noise)
    line = np.array([(10.0, 20.0), (30.0, 20.0)])
    there = straightened_canal(film, line, half_width_px=5.0)
    back = straightened_canal(film, line[::-1], half_width_px=5.0)
    assert_allclose(back.pixels, there.pixels[::-1, ::-1], rtol=1e-6)


@pytest.mark.parametrize("aspect", [1.0, 1.6])
def test_ridge_along_a_curve_comes_out_centred(
    make_radiograph: MakeRadiograph, aspect: float
) -> None:
    fine = arc_px(1500)
    film = make_radiograph(ridge(fine, (100, 110), aspect), pixel_aspect=aspect)
    canal = straightened_canal(film, arc_px(), half_width_px=8.0)
    excess = canal.pixels - 100.0
    centre = (excess * canal.offset_px).sum(axis=1) / excess.sum(axis=1)
    inside = slice(10, -10)  # the ridge ends where the line does
    assert np.abs(centre[inside]).max() < 0.1
    spread = np.sqrt((excess * canal.offset_px**2).sum(axis=1) / excess.sum(axis=1))
    # The second moment of the cut-off Gaussian, blurred a little by linear interpolation.
    assert_allclose(spread[inside], 2.5, atol=0.15)


def test_steps_are_arc_distance_in_column_pitches(make_radiograph: MakeRadiograph) -> None:
    film = make_radiograph(np.zeros((100, 110)), pixel_aspect=1.6)
    canal = straightened_canal(film, arc_px(400), half_width_px=4.0, step_px=0.5, beyond_px=10.0)
    # The chord of 0.5 on a bend of at least 37.5 pitches is shorter by less than 1e-5.
    assert_allclose(np.diff(cumulative_length(canal.line_px * (1.6, 1.0))), 0.5, atol=1e-3)
    whole = cumulative_length(arc_px(400) * (1.6, 1.0))[-1]
    assert canal.s_px[0] == -10.0
    assert whole + 9.5 < canal.s_px[-1] <= whole + 10.0


@pytest.mark.parametrize("aspect", [1.0, 1.6])
def test_places_is_the_way_back(make_radiograph: MakeRadiograph, aspect: float) -> None:
    film = make_radiograph(np.zeros((100, 110)), pixel_aspect=aspect)
    canal = straightened_canal(film, arc_px(400), half_width_px=6.0, beyond_px=8.0)
    row, offset = np.array([0, 5, 40, 60, len(canal.s_px) - 1]), np.array([3.0, -5.0, 4.2, 0.0, -2])
    points = canal.line_px[row] + offset[:, None] * canal.normal[row] / (aspect, 1.0)
    places = canal.places(points)
    assert_allclose(places[:, 0], canal.s_px[row], atol=0.05)
    assert_allclose(places[:, 1], offset, atol=0.05)


def test_nothing_is_invented_outside_the_picture(
    make_radiograph: MakeRadiograph, noise: np.ndarray
) -> None:
    film = make_radiograph(noise)
    canal = straightened_canal(film, [(20.0, 2.0), (57.0, 2.0)], half_width_px=5.0, beyond_px=6.0)
    out = np.isnan(canal.pixels)
    assert_array_equal(out.all(axis=1), canal.s_px + 20.0 > 59.0)
    assert_array_equal(out.all(axis=0), canal.offset_px > 2.0)
    assert out.sum() == 4 * 11 + (len(canal.s_px) - 4) * 3


@pytest.mark.parametrize(
    "line", [[(10.0, 10.0)], [(10.0, 10.0), (10.0, 10.0)], [(10.0, 10.0), (10.0, 90.0)]]
)
def test_lines_that_are_none_are_refused(
    make_radiograph: MakeRadiograph, noise: np.ndarray, line: list[tuple[float, float]]
) -> None:
    with pytest.raises(MarksError):
        straightened_canal(make_radiograph(noise), line, half_width_px=5.0)


def test_repeated_points_change_nothing(make_radiograph: MakeRadiograph, noise: np.ndarray) -> None:
    film = make_radiograph(noise)
    line = [(5.0, 12.0), (20.0, 14.5), (50.0, 28.0)]
    once = straightened_canal(film, line, half_width_px=5.0)
    twice = straightened_canal(film, [line[0], line[0], *line[1:]], half_width_px=5.0)
    assert_array_equal(once.pixels, twice.pixels)
