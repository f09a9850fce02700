"""Alignment of two films: laws on one film, and two visits of a phantom with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, zoom

from rxmeasure.geometry import resample
from rxmeasure.phantom import Phantom, Visits, apex_map, random_visits
from rxmeasure.recall.alignment import (
    Alignment,
    AlignmentVerdict,
    RootCourse,
    align_films,
    warped,
)
from rxmeasure.recall.contrast import AlignmentError
from rxmeasure.recall.feature_start import SIDE_PX, Features, feature_start, features
from rxmeasure.recall.plane_map import inverse, mapped
from rxmeasure.recall.prepared_film import prepare

FILM = {"shape": (600, 450), "pitch_mm": 0.06}
AFFINE = np.array([[1.02, 0.07, -14.0], [-0.06, 0.98, 21.0], [0.0, 0.0, 1.0]])
PROJECTIVE = np.array([[1.01, -0.05, 12.0], [0.04, 1.03, -9.0], [4e-5, -3e-5, 1.0]])


@pytest.fixture(scope="module")
def visits() -> Visits:
    return random_visits(9, course="none", kind="premolar", **FILM)


@pytest.fixture(scope="module")
def films(visits: Visits) -> tuple[Phantom, Phantom]:
    return visits.make()


@pytest.fixture(scope="module")
def first(films) -> np.ndarray:
    return films[0].pixels.astype(np.float32)


@pytest.fixture(scope="module")
def second(films) -> np.ndarray:
    return films[1].pixels.astype(np.float32)


@pytest.fixture(scope="module")
def other_tooth() -> np.ndarray:
    return random_visits(31, kind="lower molar", **FILM).make()[1].pixels.astype(np.float32)


def course(films, visits) -> RootCourse:
    canal = films[0].truth.canals[0]
    tip = apex_map(visits).first_px[0]
    line = (canal.orifice_px, *canal.centre_line_px[::20][-4:-1], tuple(tip))
    return RootCourse(name="root", line_px=line)


@pytest.fixture(scope="module")
def found(first, second, films, visits) -> Alignment:
    scale = films[0].truth.mm_per_px
    return align_films(first, second, roots=[course(films, visits)], mm_per_px=scale)


def corners(image: np.ndarray) -> np.ndarray:
    rows, cols = image.shape
    return np.array([[0.3 * rows, 0.3 * cols], [0.3 * rows, 0.7 * cols], [0.7 * rows, 0.5 * cols]])


def test_a_film_lies_on_itself(first):
    same = align_films(first, first)
    assert same.verdict is AlignmentVerdict.ACCEPTED
    np.testing.assert_allclose(mapped(same.map, corners(first)), corners(first), atol=0.02)
    assert same.correlation > 0.99


@pytest.mark.parametrize("to_first", [AFFINE, PROJECTIVE])
def test_a_known_map_is_found_again(first, to_first):
    moved = np.nan_to_num(warped(first, inverse(to_first), first.shape), nan=0.0)
    back = align_films(first, moved)
    wanted = corners(first)
    away = mapped(back.map, mapped(inverse(to_first), wanted)) - wanted
    assert np.hypot(*away.T).max() < 0.15
    assert back.verdict is AlignmentVerdict.ACCEPTED


@pytest.mark.parametrize("gamma", [0.5, 2.0])
def test_a_grey_scale_changes_nothing(first, second, found, gamma):
    span = second.max() - second.min()
    other = ((second - second.min()) / span) ** gamma * 4095.0
    again = align_films(first, other)
    np.testing.assert_allclose(
        mapped(again.map, corners(second)), mapped(found.map, corners(second)), atol=0.5
    )


def test_swapped_visits_give_the_map_back(first, second, found):
    back = align_films(second, first)
    points = mapped(inverse(found.map), corners(first))
    away = mapped(inverse(back.map), points) - corners(first)
    # 1.7 px are 0.1 mm.
    assert np.hypot(*away.T).max() < 1.7


def test_the_apex_lies_where_the_truth_says(found, films, visits):
    apices, scale = apex_map(visits), films[0].truth.mm_per_px
    (root,) = found.roots
    error = np.hypot(*(mapped(root.map, apices.second_px[0]) - apices.first_px[0])) * scale
    assert error < 0.15
    assert root.residual_mm == pytest.approx(root.residual_px * scale)
    assert error < 3.0 * root.residual_mm
    assert 0.0 < root.residual_u_px < root.residual_px
    assert found.verdict is AlignmentVerdict.ACCEPTED
    assert found.reason == ""


def test_the_crown_root_ratio_is_that_of_the_beam(found, visits):
    beam, tooth = visits.second.beam, visits.second.tooth
    tan = np.tan(np.deg2rad([beam.vertical_deg, tooth.roots[0].lean_deg, tooth.crown.lean_deg]))
    truth = (1.0 + tan[0] * tan[1]) / (1.0 + tan[0] * tan[2])
    assert found.roots[0].crown_root_ratio == pytest.approx(truth, abs=0.02)


def test_a_mirrored_film_is_refused(first, second):
    found = align_films(first, second[:, ::-1])
    assert found.verdict is AlignmentVerdict.REFUSED
    assert "mirror" in found.reason
    assert found.contrast is None


@pytest.mark.parametrize(("seed", "uneven", "kept"), [(7, 0.3, 0.4), (5, 0.25, 0.5)])
def test_a_scene_that_is_nearly_its_own_mirror_image(seed, uneven, kept):
    rng = np.random.default_rng(seed)
    even, odd, new = (gaussian_filter(rng.normal(size=(300, 220)), 4.0) for _ in range(3))
    even += even[:, ::-1]
    scene = even + uneven * odd
    later = even + uneven * (kept * odd + np.sqrt(1.0 - kept**2) * new)
    a, b = (prepare(film.astype(np.float32), SIDE_PX) for film in (scene, later[:, ::-1]))
    as_is, over = features(b), features(b).mirrored(b.image.shape[1])
    # The features alone take the mirror image for the film.
    assert feature_start(features(a), as_is).inliers > feature_start(features(a), over).inliers
    assert "mirror" in align_films(scene, later[:, ::-1]).reason
    assert align_films(scene, later).verdict is AlignmentVerdict.ACCEPTED


def test_another_tooth_is_refused(first, other_tooth):
    found = align_films(first, other_tooth)
    assert found.verdict is AlignmentVerdict.REFUSED
    assert "different teeth" in found.reason


@pytest.mark.parametrize(("by", "refused"), [(1.02, False), (1.08, True)])
def test_a_film_that_fits_only_when_it_is_stretched_is_refused(first, second, by, refused):
    found = align_films(first, zoom(second, (by, 1.0), order=1))
    assert (found.verdict is AlignmentVerdict.REFUSED) is refused
    assert ("stretched" in found.reason) is refused


@pytest.mark.parametrize(("rows", "cols"), [(2.0, 1.0), (1.0, 1.5), (1.1, 1.0), (0.6, 1.0)])
def test_pixels_that_are_not_square_are_no_stretch(first, second, found, rows, cols):
    later = zoom(second, (rows, cols), order=1)
    by = np.array(later.shape) / second.shape
    aspect = by[1] / by[0]
    again = align_films(first, later, second_aspect=aspect)
    assert again.verdict is not AlignmentVerdict.REFUSED
    # Pixel centres: the sampling of zoom puts the first and last on each other.
    places = corners(second)
    on_later = places * (np.array(later.shape) - 1.0) / (np.array(second.shape) - 1.0)
    away = mapped(again.map, on_later) - mapped(found.map, places)
    assert np.hypot(*away.T).max() < 1.0


def test_a_root_on_a_film_with_pixels_that_are_not_square(first, second, found, films, visits):
    rows = first.shape[0]
    high = zoom(first, (2.0, 1.0), order=1)
    up = (high.shape[0] - 1.0) / (rows - 1.0)
    root = course(films, visits)
    stretched = RootCourse(name="root", line_px=tuple((r * up, c) for r, c in root.line_px))
    scale = films[0].truth.mm_per_px
    again = align_films(high, second, roots=[stretched], mm_per_px=scale, first_aspect=0.5)
    assert again.verdict is found.verdict
    was, now = found.roots[0], again.roots[0]
    assert now.apex_px == pytest.approx((was.apex_px[0] * up, was.apex_px[1]))
    assert now.residual_mm == pytest.approx(was.residual_mm, rel=0.3)
    assert now.crown_root_ratio == pytest.approx(was.crown_root_ratio, abs=0.005)
    tip = apex_map(visits).second_px[0]
    np.testing.assert_allclose(mapped(now.map, tip) / (up, 1.0), mapped(was.map, tip), atol=0.7)


def test_a_film_that_is_stretched_whatever_its_pixels_say_is_refused(first, second):
    found = align_films(first, second, second_aspect=1.1)
    assert found.verdict is AlignmentVerdict.REFUSED
    assert "stretched" in found.reason


def test_a_film_without_a_picture_is_refused(first):
    assert align_films(first, np.zeros((300, 200))).verdict is AlignmentVerdict.REFUSED


def test_what_changed_is_left_out(first, second, found):
    row, col = mapped(inverse(found.map), np.array(first.shape) * 0.75)
    rows, cols = np.indices(second.shape)
    disc = np.hypot(rows - row, cols - col) < 40.0
    changed = np.where(disc, second.max(), second).astype(np.float32)
    turn = np.linspace(0.0, 2.0 * np.pi, 40)[:-1]
    outline = np.array(first.shape) * 0.75 + 55.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    again = align_films(first, changed, changed_px=[outline])
    away = mapped(again.map, corners(second)) - mapped(found.map, corners(second))
    assert np.hypot(*away.T).max() < 1.0


def test_the_contrast_curve_makes_the_films_alike(found, first, second):
    moved = found.warp(second, first.shape)
    seen = moved < second.max()  # not the white rim of the receptor
    alike = found.contrast.apply(moved[seen])
    span = np.ptp(first)
    assert np.abs(alike - first[seen]).mean() < 0.6 * np.abs(moved[seen] - first[seen]).mean()
    assert np.median(np.abs(alike - first[seen])) < 0.04 * span


def test_a_root_is_warped_by_its_own_map(found, first, second):
    whole, own = (found.warp(second, first.shape, root=r) for r in (None, "root"))
    assert whole.shape == own.shape == first.shape
    assert not np.array_equal(np.nan_to_num(whole), np.nan_to_num(own))
    with pytest.raises(AlignmentError, match="no root 'palatal'"):
        found.warp(second, first.shape, root="palatal")


def test_a_film_is_too_small_to_compare(first):
    with pytest.raises(AlignmentError, match="100 x 100"):
        align_films(first, np.zeros((50, 300)))


def test_a_finely_drawn_root_gives_the_map_of_a_coarse_one(first, second, found, films, visits):
    coarse = course(films, visits)
    fine = resample(coarse.line_px, 1.0)
    line = tuple((float(r), float(c)) for r, c in fine)
    root = RootCourse(name="root", line_px=line)
    again = align_films(first, second, roots=[root], mm_per_px=films[0].truth.mm_per_px)
    there = corners(first)
    np.testing.assert_allclose(
        mapped(again.roots[0].map, there), mapped(found.roots[0].map, there), atol=0.01
    )


def test_without_a_scale_no_millimetres(first, films, visits):
    found = align_films(first, first, roots=[course(films, visits)])
    assert found.residual_mm is None
    assert found.roots[0].residual_mm is None
    assert found.residual_px > 0.0


def test_a_reason_without_a_scale_names_no_millimetres(first, second):
    # So short a root gives little hold.
    short = RootCourse(name="x", line_px=((100.0, 400.0), (20.0, 420.0)))
    scaled, plain = (align_films(first, second, roots=[short], mm_per_px=m) for m in (0.06, None))
    assert scaled.verdict is plain.verdict is AlignmentVerdict.CAUTION
    assert " mm apart" in scaled.reason
    assert " px apart" in plain.reason
    assert "mm" not in plain.reason


def test_mirrored_features_are_those_of_the_mirror_image(first):
    film = prepare(first, 280)
    mirror = prepare(np.ascontiguousarray(first[:, ::-1]), 280)
    turned = features(film).mirrored(film.image.shape[1])
    start = feature_start(turned, features(mirror))
    assert start.inliers > 0.6 * len(turned.points_px)
    np.testing.assert_allclose(start.matrix, np.eye(3), atol=0.5)


def test_matches_along_a_line_do_not_turn_a_film_over():
    first = np.repeat([[10.0, 20.0], [60.0, 20.0], [110.0, 20.0], [160.0, 20.0]], 3, axis=0)
    first += np.tile([[0.0, -0.4], [0.0, 0.0], [0.0, 0.4]], (4, 1))
    second = first * (1.0, -1.0) + (0.0, 40.0)
    words = np.random.default_rng(0).random((12, 128))
    start = feature_start(*(Features(points_px=p, descriptors=words) for p in (first, second)))
    assert start.inliers == 0


def test_the_same_films_give_the_same_map(first, second, found):
    np.testing.assert_array_equal(align_films(first, second).map, found.map)
