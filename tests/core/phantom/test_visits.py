"""Two films of one tooth: depths, the beam's angle, lesions and what the truth says of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rxmeasure.phantom import (
    PhantomError,
    apex_map,
    make_phantom,
    point_maps,
    random_visits,
    truth_from_json,
    truth_to_json,
    with_lesions,
)
from rxmeasure.phantom.beam_view import DepthPlane, seen
from rxmeasure.phantom.curves import Tilt
from rxmeasure.phantom.lesion import LesionShape
from rxmeasure.phantom.parameters import BeamParameters, LesionParameters, TissueParameters
from rxmeasure.phantom.samples import CASES, make_case
from rxmeasure.phantom.scene import Scene, main_frame
from rxmeasure.phantom.texture import tissue_layer
from rxmeasure.reading import read_radiograph

ROOT = Path(__file__).resolve().parents[3]
SMALL = {"shape": (360, 270), "pitch_mm": 0.1}


def test_existing_films_keep_every_pixel(tmp_path):
    """The lossless sample was made before a phantom had depth."""
    made = read_radiograph(make_case(CASES["short_incisor"], tmp_path)).pixels
    stored = read_radiograph(ROOT / "sample_images" / "short_incisor.dcm").pixels
    # Another build of numpy may round a pixel the other way.
    assert np.abs(made - stored).max() <= 1.0
    assert (made != stored).mean() < 1e-4


def test_depth_is_not_seen_by_a_square_beam(premolar):
    p = premolar()
    leaning = replace(
        p,
        tooth=replace(
            p.tooth,
            crown=replace(p.tooth.crown, lean_deg=5.0),
            roots=(replace(p.tooth.roots[0], lean_deg=-12.0),),
        ),
        beam=BeamParameters(),
    )
    np.testing.assert_array_equal(make_phantom(p).pixels, make_phantom(leaning).pixels)


def test_a_part_moves_by_its_depth_times_the_tangent_of_the_angle(premolar):
    p = replace(
        premolar(), rotation_deg=0.0, beam=BeamParameters(vertical_deg=4.0, horizontal_deg=-3.0)
    )
    frame, point = main_frame(p), np.array([18.0, 1.0])
    plane = DepthPlane(depth_mm=0.5, level_mm=8.0, slope=0.2)
    shift_mm = (seen(frame, plane, p).to_px(point) - frame.to_px(point)) * frame.mm_per_px
    depth = 0.5 + 0.2 * 10.0
    np.testing.assert_allclose(
        shift_mm, depth * np.tan(np.deg2rad([4.0, -3.0])), rtol=1e-9, atol=1e-9
    )


def test_a_tilted_receptor_magnifies_more_on_one_side():
    tilt = Tilt(centre=np.array([100.0, 80.0]), per_px=np.array([1e-3, -2e-3]))
    points = np.array([[10.0, 20.0], [100.0, 80.0], [190.0, 30.0]])
    np.testing.assert_allclose(tilt.undo(tilt.apply(points)), points, atol=1e-9)
    assert not np.allclose(tilt.apply(points)[0], points[0])
    np.testing.assert_allclose(tilt.apply(points)[1], points[1])


@pytest.mark.parametrize("edge_mm", [0.3, 1.0])
def test_a_round_lesion_has_the_area_of_its_circle(premolar, edge_mm):
    p = with_lesions(premolar(), [LesionParameters(along_mm=5.0, across_mm=5.0, edge_mm=edge_mm)])
    (lesion,) = make_phantom(p).truth.lesions
    # Calculated: pi * 2.5**2, less what a polygon of 180 sides cuts off.
    assert lesion.area_mm2 == pytest.approx(np.pi * 2.5**2, rel=3e-4)
    assert lesion.longest_mm == pytest.approx(5.0, abs=1e-6)


def test_bone_is_lost_inside_the_outline_and_half_of_it_on_the_outline(premolar):
    shape = LesionShape.of(
        LesionParameters(along_mm=6.0, across_mm=4.0, lobes=((3, 0.05, 1.0),), edge_mm=0.6),
        premolar().tooth,
    )
    outline = shape.outline_mm()
    _, left = shape.loss(outline[:, 0], outline[:, 1])
    np.testing.assert_allclose(left, 0.5, atol=1e-6)
    inner = shape.centre_mm + 0.6 * (outline - shape.centre_mm)
    outer = shape.centre_mm + 1.4 * (outline - shape.centre_mm)
    assert shape.loss(inner[:, 0], inner[:, 1])[1].max() == 0.0
    assert shape.loss(outer[:, 0], outer[:, 1])[0].max() == 0.0


def test_a_lesion_darkens_the_film_and_nothing_outside_it(premolar):
    p = replace(premolar(), beam=BeamParameters(vertical_deg=3.0))
    sick = with_lesions(p, [LesionParameters(along_mm=4.0, across_mm=4.0)])
    (lesion,) = make_phantom(sick).truth.lesions
    lost = sum(Scene(p).thickness_maps().values()) - sum(Scene(sick).thickness_maps().values())
    assert np.abs(lost).max() < 1e-3  # soft tissue takes the place of bone
    before, after = (make_phantom(q).pixels.astype(float) for q in (p, sick))
    rows, cols = np.mgrid[: p.shape[0], : p.shape[1]]
    away = np.hypot(rows - lesion.centre_px[0], cols - lesion.centre_px[1]) * 0.1 / 1.05
    fall = before - after
    assert fall[away < 1.0].mean() > 10.0 * np.abs(fall[away > 4.0]).mean()


def test_a_lesion_without_size_is_refused(premolar):
    with pytest.raises(PhantomError, match="lesion"):
        make_phantom(with_lesions(premolar(), [LesionParameters(along_mm=0.0)]))


@pytest.mark.parametrize("common", [0.5, 0.8])
def test_the_visits_share_the_stated_part_of_the_bone(common):
    y, x = np.mgrid[0:25:0.2, -15:15:0.2]
    one, other = (
        tissue_layer(TissueParameters(seed=3, visit=v, correlation=common), 0, y, x) for v in (0, 1)
    )
    found = np.corrcoef(one.ravel(), other.ravel())[0, 1]
    assert found == pytest.approx(common, abs=0.12)


def test_the_point_map_is_that_of_the_films():
    visits = random_visits(3, course="same", **SMALL)
    first, second = visits.make()
    apices = apex_map(visits)
    for canal in first.truth.canals:
        if canal.s_fill_start_mm is None:
            continue
        other = next(c for c in second.truth.canals if c.name == canal.name)
        if visits.first.tooth.canals[0].offset_mm == 0.0 and len(visits.first.tooth.roots) == 1:
            np.testing.assert_allclose(canal.radiographic_apex_px, apices.first_px[0], atol=1e-3)
            np.testing.assert_allclose(other.radiographic_apex_px, apices.second_px[0], atol=1e-3)
    assert {m.part for m in point_maps(visits)} >= {"root 0", "crown"}
    (a,), (b,) = first.truth.lesions, second.truth.lesions
    assert b.area_mm2 == pytest.approx(a.area_mm2)


def test_no_plane_map_carries_every_part_from_film_to_film():
    """The root leans against the crown, so an affine map leaves some of the parallax."""
    left_over = []
    for seed in range(12):
        maps = point_maps(random_visits(seed, **SMALL))
        first, second = (
            np.concatenate([getattr(m, f"{w}_px") for m in maps]) for w in ("first", "second")
        )
        design = np.column_stack([second, np.ones(len(second))])
        fit = design @ np.linalg.lstsq(design, first, rcond=None)[0]
        left_over.append(np.hypot(*(fit - first).T).max() * 0.1)
    assert np.median(left_over) > 0.05


@pytest.mark.parametrize(
    ("course", "low", "high"),
    [("shrunk", 0.15, 0.73), ("same", 1.0, 1.0), ("grown", 1.3, 2.6)],
)
def test_a_lesion_takes_its_course(course, low, high):
    visits = random_visits(8, course=course, **SMALL)
    (a,), (b,) = (make_phantom(p).truth.lesions for p in (visits.first, visits.second))
    assert low - 1e-3 <= b.area_mm2 / a.area_mm2 <= high + 1e-3


def test_courses_without_a_lesion():
    none, gone = (random_visits(8, course=c, **SMALL) for c in ("none", "gone"))
    assert not none.first.lesions
    assert not none.second.lesions
    assert gone.first.lesions
    assert not gone.second.lesions
    with pytest.raises(PhantomError, match="course"):
        random_visits(8, course="better")


def test_the_same_visits_give_the_same_films_and_other_noise():
    a, b = (random_visits(5, **SMALL) for _ in range(2))
    assert a == b
    np.testing.assert_array_equal(make_phantom(a.second).pixels, make_phantom(b.second).pixels)
    again = replace(a.first, exposure=1)
    films = [make_phantom(p).pixels.astype(float) for p in (a.first, again)]
    assert 0.0 < np.abs(films[0] - films[1]).mean() < 0.02 * films[0].max()


def test_truth_of_lesions_is_kept():
    truth = make_phantom(random_visits(4, course="grown", **SMALL).second).truth
    assert truth.lesions
    assert truth_from_json(truth_to_json(truth)) == truth
