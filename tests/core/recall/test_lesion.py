"""Lesions on films drawn from formulas: laws first, then what they give up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_visits import film_of
from numpy.typing import NDArray
from scipy import ndimage

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import MarksError
from rxmeasure.recall.lesion import (
    Lesion,
    LesionSource,
    find_lesion,
    no_lesion,
    outlined_lesion,
    painted_lesion,
)
from rxmeasure.recall.lesion_fit import COL, ROW, Place, prior_for

MM = 0.06
SHAPE = (300, 280)
CENTRE = (151.3, 138.6)


def _bone(seed: int = 3) -> NDArray[np.float64]:
    """Grain of about 0.5 mm."""
    rng = np.random.default_rng(seed)
    field = ndimage.gaussian_filter(rng.standard_normal(SHAPE), 0.25 / MM, mode="wrap")
    return np.asarray(field / field.std())


def _drawn(
    *, semi_axes_mm: tuple[float, float] = (3.0, 2.4), depth: float = 3.0, seed: int = 3
) -> NDArray[np.float64]:
    """An elliptic rounded cavity with a soft wall, ``depth`` texture SD below the bone."""
    r, c = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    y, x = (r - CENTRE[0]) * MM, (c - CENTRE[1]) * MM
    ratio = np.hypot(y / semi_axes_mm[0], x / semi_axes_mm[1])
    wall = 0.5 * (1.0 - np.tanh((ratio - 1.0) * np.mean(semi_axes_mm) / 0.25))
    below = depth * wall * (1.0 - 0.35 * np.minimum(ratio, 1.0) ** 2)
    return np.asarray(2000.0 + 150.0 * ((1.0 - 0.6 * wall) * _bone(seed) - below))


def _scale(row: float = MM, col: float = MM, u_rel: float = 1e-6) -> Calibration:
    return Calibration(row_mm=row, col_mm=col, u_rel=u_rel, source="drawn")


def _found(pixels: NDArray[np.float64], seed: tuple[float, float] = (145.0, 146.0)) -> Lesion:
    return find_lesion(film_of(pixels), _scale(), seed, root="M")


def _area(lesion: Lesion) -> float:
    assert lesion.size is not None, lesion.declined
    assert lesion.size.area.value_mm2 is not None
    return lesion.size.area.value_mm2


@pytest.fixture(scope="module")
def plain() -> Lesion:
    return _found(_drawn())


# --- laws -----------------------------------------------------------------------------------


def test_a_clear_ellipse_is_found_in_four_kinds_of_bone() -> None:
    # Calculation: pi * 3.0 * 2.4 mm2.
    found = [_found(_drawn(depth=6.0, seed=seed)) for seed in range(4)]
    areas = np.array([_area(lesion) for lesion in found])
    assert areas == pytest.approx(np.pi * 3.0 * 2.4, rel=0.06)
    assert areas.mean() == pytest.approx(np.pi * 3.0 * 2.4, rel=0.03)
    for lesion in found:
        assert lesion.size is not None
        assert lesion.size.largest_diameter.value_mm == pytest.approx(6.0, rel=0.06)
        assert lesion.size.perpendicular_diameter.value_mm == pytest.approx(4.8, rel=0.06)


@pytest.mark.parametrize("seed", range(4))
def test_the_truth_lies_within_three_standard_uncertainties(seed: int) -> None:
    size = _found(_drawn(seed=seed)).size
    assert size is not None
    for value, u, truth in (
        (size.area.value_mm2, size.area.u_mm2, np.pi * 3.0 * 2.4),
        (size.largest_diameter.value_mm, size.largest_diameter.u_mm, 6.0),
        (size.perpendicular_diameter.value_mm, size.perpendicular_diameter.u_mm, 4.8),
    ):
        assert value is not None
        assert u is not None
        assert abs(value - truth) < 3.0 * u


def test_the_click_may_be_rough(plain: Lesion) -> None:
    for seed in ((137.0, 150.0), (165.0, 125.0)):
        assert _area(_found(_drawn(), seed)) == pytest.approx(_area(plain), rel=0.03)


def test_grey_level_and_contrast_do_not_matter(plain: Lesion) -> None:
    assert _area(_found(0.3 * _drawn() + 700.0)) == pytest.approx(_area(plain), rel=0.01)


def test_a_bent_grey_scale_hardly_matters(plain: Lesion) -> None:
    bent = 4000.0 * (_drawn() / 4000.0) ** 1.4
    assert _area(_found(bent)) == pytest.approx(_area(plain), rel=0.05)


def test_flipped_and_transposed_films_give_the_same(plain: Lesion) -> None:
    pixels = _drawn()
    last = (SHAPE[0] - 1.0, SHAPE[1] - 1.0)
    flipped = _found(pixels[::-1], (last[0] - 145.0, 146.0))
    turned = _found(pixels.T, (146.0, 145.0))
    for other in (flipped, turned):
        assert _area(other) == pytest.approx(_area(plain), rel=0.01)


def test_unequal_pixels_give_the_same_millimetres(plain: Lesion) -> None:
    rows = ndimage.gaussian_filter1d(_drawn(), 0.5, axis=0)[::2]
    film = film_of(rows, aspect=2.0)
    found = find_lesion(film, _scale(row=2 * MM), (145.0 / 2, 146.0), root="M")
    assert _area(found) == pytest.approx(_area(plain), rel=0.03)


def test_a_scale_twice_as_large_gives_lengths_twice_as_large() -> None:
    outline = [(100.0, 100.0), (100.0, 160.0), (170.0, 150.0), (160.0, 90.0)]
    film = film_of(_drawn())
    one = outlined_lesion(film, _scale(), outline, root="M")
    two = outlined_lesion(film, _scale(2 * MM, 2 * MM), outline, root="M")
    assert _area(two) == pytest.approx(4.0 * _area(one))


def test_equal_inputs_give_equal_results(plain: Lesion) -> None:
    assert _found(_drawn()) == plain


def test_a_bright_root_is_left_out() -> None:
    pixels = _drawn()
    r, c = np.mgrid[: SHAPE[0], : SHAPE[1]]
    root = (np.abs(c - CENTRE[1]) < 12) & (r < CENTRE[0] - 25)
    pixels[root] = 3500.0
    line = [(10.0, CENTRE[1]), (CENTRE[0] - 25.0, CENTRE[1])]
    found = find_lesion(film_of(pixels), _scale(), (165.0, 142.0), root="M", root_lines_px=[line])
    assert _area(found) == pytest.approx(np.pi * 3.0 * 2.4, rel=0.1)


def test_a_root_draws_the_expected_middle_beyond_its_apex() -> None:
    click, apex, centre = np.array([10.0, 8.0]), np.array([7.0, 5.0]), np.array([1.0, 2.0])
    plain = prior_for(2.0, Place(click=click), centre)
    rooted = prior_for(2.0, Place(click=click, apex=apex, outward=np.array([1.0, 0.0])), centre)
    assert plain.mean[ROW : COL + 1] == pytest.approx(click - centre)
    # At a radius of 2 mm the root points to 0.9 mm beyond its apex: row 7.9, column 5.
    assert 7.9 < rooted.mean[ROW] + centre[0] < 10.0
    assert 5.0 < rooted.mean[COL] + centre[1] < 8.0
    assert np.all(rooted.sd[ROW : COL + 1] < plain.sd[ROW : COL + 1])


# --- no number rather than a wrong one --------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_bare_bone_gives_no_number(seed: int) -> None:
    pixels = 2000.0 + 150.0 * _bone(seed)
    found = _found(pixels)
    assert found.size is None
    assert found.declined


def test_a_small_lesion_gives_no_number() -> None:
    found = _found(_drawn(semi_axes_mm=(1.1, 1.0)), (152.0, 140.0))
    assert found.size is None
    assert found.declined


def test_a_lesion_off_the_film_gives_no_number() -> None:
    found = find_lesion(film_of(_drawn()[:, 120:]), _scale(), (148.0, 30.0), root="M")
    assert found.size is None
    assert found.declined


def test_a_click_outside_the_film_is_refused() -> None:
    with pytest.raises(MarksError, match="outside the film"):
        _found(_drawn(), (400.0, 20.0))


def test_an_outline_may_bulge_so_that_its_diameters_are_less_sure_than_its_area() -> None:
    size = _found(_drawn()).size
    assert size is not None
    equivalent = size.equivalent_diameter
    for diameter in (size.largest_diameter, size.perpendicular_diameter):
        assert diameter.u_px / diameter.value_px > 1.3 * equivalent.u_px / equivalent.value_px


def test_without_a_scale_there_are_pixels_only() -> None:
    # The film counts as a whole one, so that what is drawn here is more than twice as wide.
    drawn = film_of(_drawn(semi_axes_mm=(1.6, 1.4)))
    found = find_lesion(drawn, None, (150.0, 141.0), root="M")
    assert found.size is not None, found.declined
    assert found.size.area.value_mm2 is None
    assert [w.code for w in found.warnings] == ["lesion-without-scale"]


# --- by hand --------------------------------------------------------------------------------


def test_outline_and_mask_of_the_same_patch_agree() -> None:
    film = film_of(_drawn())
    r, c = np.mgrid[: SHAPE[0], : SHAPE[1]]
    painted = painted_lesion(film, _scale(), np.hypot(r - 150, c - 140) <= 40.0, root="M")
    t = np.linspace(0.0, 2.0 * np.pi, 200, endpoint=False)
    ring = np.column_stack([150 + 40.0 * np.sin(t), 140 + 40.0 * np.cos(t)])
    outlined = outlined_lesion(film, _scale(), ring, root="M")
    assert _area(painted) == pytest.approx(_area(outlined), rel=0.01)
    assert painted.source is LesionSource.MASK


def test_an_outline_is_known_to_the_reach_of_a_hand() -> None:
    # First order: 0.2 mm all round a circle of 3 mm: 2 * pi * 3.0 * 0.2 mm2.
    t = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    ring = np.column_stack([150 + 50.0 * np.sin(t), 140 + 50.0 * np.cos(t)])
    found = outlined_lesion(film_of(_drawn()), _scale(), ring, root="M")
    assert found.size is not None
    assert found.size.area.u_mm2 == pytest.approx(2.0 * np.pi * 3.0 * 0.2, rel=1e-3)


def test_distances_to_landmarks() -> None:
    box = [(100.0, 100.0), (100.0, 150.0), (150.0, 150.0), (150.0, 100.0)]
    found = outlined_lesion(
        film_of(_drawn()),
        _scale(),
        box,
        root="M",
        landmarks_px={"canal": (180.0, 120.0), "apex": (110.0, 120.0)},
    )
    distances = {d.landmark: d.distance.value_mm for d in found.distances}
    assert distances == pytest.approx({"canal": 30 * MM, "apex": -10 * MM})


def test_a_mask_of_another_film_is_refused() -> None:
    with pytest.raises(MarksError, match="shape"):
        painted_lesion(film_of(_drawn()), _scale(), np.ones((4, 4)), root="M")


def test_no_lesion_visible_is_a_finding_with_its_caution() -> None:
    found = no_lesion("D")
    assert found.source is LesionSource.NONE_VISIBLE
    assert found.size is None
    assert not found.declined
    assert "is not no lesion" in found.warnings[0].text
    assert replace(found, root="M") == no_lesion("M")
