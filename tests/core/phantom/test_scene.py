"""The truth beside a phantom is what its thickness maps hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from rxmeasure.geometry import as_points, normals, polygon_area, polyline_length
from rxmeasure.phantom import (
    CanalTruth,
    PhantomError,
    PhantomParameters,
    noisy_clicks,
    random_parameters,
    with_pitch,
)
from rxmeasure.phantom.materials import Material
from rxmeasure.phantom.parameters import FileParameters, PostParameters, PuffParameters
from rxmeasure.phantom.scene import Scene

FILL = (Material.GUTTA_PERCHA, Material.EPOXY_RESIN_SEALER, Material.CALCIUM_SILICATE_SEALER)


def fill_map(scene: Scene) -> np.ndarray:
    maps = scene.thickness_maps()
    return np.asarray(sum(maps[m] for m in FILL if m in maps))


def at_points(scene: Scene, values: np.ndarray, points_px: np.ndarray) -> np.ndarray:
    """Values of a sub-pixel map at pixel coordinates."""
    k = scene.p.supersampling
    places = (np.asarray(points_px) + 0.5) * k - 0.5
    return map_coordinates(values, places.T, order=1)


def truth_of(parameters: PhantomParameters) -> CanalTruth:
    return Scene(parameters).truth().canals[0]


def area_mm2(scene: Scene, where: np.ndarray) -> float:
    return float(where.sum() * (scene.mm_per_px / scene.p.supersampling) ** 2)


def test_centre_line_has_the_stated_lengths(filled):
    canal = filled.truth.canals[0]
    line = as_points(canal.centre_line_px)
    assert polyline_length(line) * canal.mm_per_px == pytest.approx(canal.length_mm, abs=2e-3)
    straight = float(np.hypot(*(line[-1] - line[0]))) * canal.mm_per_px
    assert straight == pytest.approx(canal.length_straight_mm, abs=1e-3)
    assert canal.length_mm == pytest.approx(21.5, abs=1e-3)
    assert straight < canal.length_mm
    assert canal.s_mm[-1] == pytest.approx(canal.s_apex_mm)
    np.testing.assert_allclose(line[-1], canal.radiographic_apex_px, atol=1e-3)
    np.testing.assert_allclose(line[0], canal.coronal_reference_px, atol=1e-3)


def test_scale_is_pitch_over_magnification(filled):
    assert filled.truth.mm_per_px == pytest.approx(0.1 / 1.05)


def test_the_root_ends_at_the_radiographic_apex(filled_scene):
    canal = filled_scene.truth().canals[0]
    line = as_points(canal.centre_line_px)
    outwards = (line[-1] - line[-4]) / np.hypot(*(line[-1] - line[-4]))
    steps_px = np.array([-0.3, 0.05]) / canal.mm_per_px
    inside, outside = at_points(
        filled_scene, filled_scene.canvas["teeth"], line[-1] + steps_px[:, None] * outwards
    )
    assert inside > 0.3
    assert outside == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("core_to_apex_mm", [-1.3, 0.0, 0.7, 3.8])
def test_the_core_ends_at_the_stated_distance(core_to_apex_mm, premolar):
    p = premolar(core_to_apex_mm=core_to_apex_mm, sealer_to_apex_mm=core_to_apex_mm, tip="flat")
    scene = Scene(p)
    canal = scene.truth().canals[0]
    assert canal.fill_to_apex_core_mm == pytest.approx(core_to_apex_mm)
    assert canal.s_core_end_mm == pytest.approx(canal.s_apex_mm - core_to_apex_mm)
    assert canal.core_end_px is not None
    tangent = scene.canals[0].curve.tangent(canal.s_core_end_mm)
    direction = scene.frame.matrix @ tangent * canal.mm_per_px
    core = scene.thickness_maps()[Material.GUTTA_PERCHA]
    inside, outside = at_points(
        scene,
        core,
        np.array(canal.core_end_px) + np.array([[-1.5], [1.0]]) * 0.1 * direction / canal.mm_per_px,
    )
    assert inside > 0.15
    assert outside < 0.02
    distance = np.hypot(*np.subtract(canal.core_end_px, canal.radiographic_apex_px))
    straight = abs(canal.fill_to_apex_core_straight_mm or 0.0)
    assert distance * canal.mm_per_px == pytest.approx(straight, abs=1e-3)
    assert straight <= abs(core_to_apex_mm) + 1e-6


def test_core_and_sealer_may_end_apart(premolar):
    for sealer in (0.2, 1.9):
        p = premolar(core_to_apex_mm=1.2, sealer_to_apex_mm=sealer, sealer="calcium-silicate")
        scene = Scene(p)
        canal = scene.truth().canals[0]
        s = np.linspace(canal.s_orifice_mm + 1.0, canal.s_apex_mm, 600)
        points = scene.frame.to_px(scene.canals[0].curve.at(s))
        maps = scene.thickness_maps()
        for material, end in (
            (Material.GUTTA_PERCHA, canal.s_core_end_mm),
            (Material.CALCIUM_SILICATE_SEALER, canal.s_sealer_end_mm),
        ):
            there = at_points(scene, maps[material], points) > 0.01
            assert s[there].max() == pytest.approx(end, abs=0.06)


def test_widths_are_those_of_the_map(filled_scene):
    canal = filled_scene.truth().canals[0]
    line = filled_scene.canals[0].curve
    core = filled_scene.thickness_maps()[Material.GUTTA_PERCHA]
    both = fill_map(filled_scene)
    for k in range(5, len(canal.profile_s_mm) - 5, 12):
        across = np.linspace(-1.0, 1.0, 2001)
        points = filled_scene.frame.to_px(line.at(np.full(2001, canal.profile_s_mm[k]), across))
        for values, width in ((core, canal.width_core_mm[k]), (both, canal.width_fill_mm[k])):
            found = 0.001 * (at_points(filled_scene, values, points) > 0.05).sum()
            assert found == pytest.approx(width, abs=0.04)


def test_width_follows_size_and_taper(filled):
    canal = filled.truth.canals[0]
    to_end, width = np.array(canal.profile_to_end_mm), np.array(canal.width_fill_mm)
    straight = (to_end > 0.5) & (to_end < 10.0)
    expected = 0.40 + 0.05 * to_end[straight]
    np.testing.assert_allclose(width[straight], expected, atol=1e-6)
    assert width.max() <= 1.3
    film = width - np.array(canal.width_core_mm)
    assert film[straight] == pytest.approx(0.06, abs=1e-3)


def test_voids_take_away_what_they_say(premolar, faults):
    scene, sound = Scene(premolar(voids=faults)), Scene(premolar())
    missing = fill_map(sound) - fill_map(scene)
    assert missing.min() >= -1e-5
    canal = scene.truth().canals[0]
    assert [v.kind for v in canal.voids] == ["bubble", "lateral", "transverse"]
    rows, cols = np.nonzero(missing > 1e-4)
    k = scene.p.supersampling
    px = (np.column_stack([rows, cols]) + 0.5) / k - 0.5
    total = 0.0
    for void in canal.voids:
        near = np.hypot(*(px - void.centre_px).T) * canal.mm_per_px < 0.7 * max(
            void.length_mm, void.width_mm
        )
        area = near.sum() * (canal.mm_per_px / k) ** 2
        assert area == pytest.approx(void.area_mm2, rel=0.08)
        outline = as_points(void.outline_px)
        assert polygon_area(outline) * canal.mm_per_px**2 == pytest.approx(void.area_mm2, rel=2e-3)
        total += area
    assert total == pytest.approx(area_mm2(scene, missing > 1e-4), rel=0.02)
    bubble = canal.voids[0]
    assert bubble.area_mm2 == pytest.approx(np.pi * 0.25**2, rel=5e-3)
    volume = missing.sum() * (scene.mm_per_px / k) ** 2
    assert volume > 4.0 / 3.0 * np.pi * 0.25**3


def test_a_void_of_air_shows_darker_than_one_of_fluid(premolar, faults):
    wet, dry = (
        Scene(premolar(voids=(replace(faults[2], content=content),)))
        for content in ("fluid", "air")
    )
    difference = (
        wet.thickness_maps()[Material.SOFT_TISSUE] - dry.thickness_maps()[Material.SOFT_TISSUE]
    )
    centre = np.array([wet.truth().canals[0].voids[0].centre_px])
    assert at_points(wet, difference, centre)[0] > 0.3
    assert difference.min() >= -1e-5


def test_void_side_is_the_pictures(premolar, faults):
    for mirrored in (False, True):
        p = replace(premolar(voids=faults[1:2]), mirrored=mirrored)
        canal = truth_of(p)
        void = canal.voids[0]
        line = as_points(canal.centre_line_px)
        nearest = line[np.argmin(np.hypot(*(line - void.centre_px).T))]
        assert void.side == ("left" if void.centre_px[1] < nearest[1] else "right")
    sides = {
        truth_of(replace(premolar(voids=faults[1:2]), mirrored=m)).voids[0].side
        for m in (False, True)
    }
    assert sides == {"left", "right"}


@pytest.mark.parametrize("place", ["apex", "lateral"])
def test_puff_has_its_area_and_touches_the_exit(place, premolar):
    puff = PuffParameters(area_mm2=1.4, place=place, to_apex_mm=3.0)
    with_puff, without = (
        Scene(premolar(puffs=p, foramen_offset_mm=0.0, sealer_to_apex_mm=0.0))
        for p in ((puff,), ())
    )
    extra = fill_map(with_puff) - fill_map(without)
    truth = with_puff.truth().canals[0].puffs[0]
    assert truth.area_mm2 == pytest.approx(1.4, rel=1e-6)
    # The branch to a lateral exit is 0.12 mm thick and no part of the puff.
    outside_canal = area_mm2(with_puff, extra > 0.13)
    assert outside_canal == pytest.approx(1.4, rel=0.06)
    outline = as_points(truth.outline_px)
    gap = np.hypot(*(outline - truth.exit_px).T).min() * with_puff.mm_per_px
    assert gap < 0.1


def test_hourglass_and_stripped_taper_are_flagged_and_there(premolar):
    waist = truth_of(premolar(hourglass=(6.0, 0.4, 1.0)))
    assert "hourglass" in waist.flags
    to_end, width = np.array(waist.profile_to_end_mm), np.array(waist.width_fill_mm)
    at = np.argmin(np.abs(to_end - 6.0))
    assert width[at] == pytest.approx(0.6 * (0.40 + 0.05 * to_end[at]), rel=1e-3)
    bare = truth_of(premolar(stripped_mm=3.0))
    assert "stripped" in bare.flags
    to_end, width = np.array(bare.profile_to_end_mm), np.array(bare.width_fill_mm)
    assert width[(to_end < 2.9) & (to_end > 0.5)] == pytest.approx(0.40)
    assert width[to_end > 3.6][-1] == pytest.approx(0.40 + 0.05 * 3.6, abs=0.01)


def test_post_leaves_its_gap(premolar):
    p = premolar(
        start_below_orifice_mm=7.0, post=PostParameters(diameter_mm=1.2, gap_mm=1.0, metal=True)
    )
    scene = Scene(p)
    canal = scene.truth().canals[0]
    assert canal.post_gap_mm == 1.0
    assert canal.post_end_px is not None
    assert canal.fill_start_px is not None
    gap = np.hypot(*np.subtract(canal.post_end_px, canal.fill_start_px)) * canal.mm_per_px
    assert gap == pytest.approx(1.0, abs=0.01)
    steel = scene.thickness_maps()[Material.STEEL]
    fill = fill_map(scene)
    middle = (np.array(canal.post_end_px) + canal.fill_start_px) / 2.0
    between = np.array([middle])
    assert at_points(scene, steel, between)[0] == pytest.approx(0.0, abs=1e-3)
    assert at_points(scene, fill, between)[0] == pytest.approx(0.0, abs=1e-3)


def test_foramen_lies_off_the_apex_on_the_outline(premolar):
    scene = Scene(premolar(foramen_offset_mm=0.8))
    canal = scene.truth().canals[0]
    away = np.subtract(canal.foramen_px, canal.radiographic_apex_px)
    assert np.hypot(*away) * canal.mm_per_px == pytest.approx(0.8, abs=0.01)
    assert canal.s_foramen_mm < canal.s_apex_mm
    assert truth_of(premolar(foramen_offset_mm=0.0)).foramen_px == canal.radiographic_apex_px


@pytest.mark.parametrize(("kind", "bend_deg"), [("file", 0.0), ("file", -25.0), ("wire", 0.0)])
def test_file_axis_has_its_length(kind, bend_deg, premolar):
    file = FileParameters(
        kind=kind, length_mm=20.0, size=20, start_mm=(1.0, 7.0), bend_deg=bend_deg
    )
    scene = Scene(replace(premolar(), files=(file,)))
    truth = scene.truth().files[0]
    axis = as_points(truth.axis_px)
    assert polyline_length(axis) * scene.mm_per_px == pytest.approx(20.0, abs=3e-3)
    assert truth.length_mm == pytest.approx(20.0, abs=1e-3)
    steel = scene.thickness_maps()[Material.STEEL]
    direction = (axis[-1] - axis[-5]) / np.hypot(*(axis[-1] - axis[-5]))
    before, after = at_points(
        scene, steel, axis[-1] + np.array([[-0.4], [0.15]]) / scene.mm_per_px * direction
    )
    assert before > 0.1
    assert after == pytest.approx(0.0, abs=5e-3)
    maps = scene.thickness_maps()
    assert (Material.SILICONE in maps) == (kind == "file")
    if kind == "file":
        # The stop's apical side is where the length begins.
        first = (axis[0] - axis[4]) / np.hypot(*(axis[0] - axis[4]))
        side = np.array([first[1], -first[0]])
        places = axis[0] + side * 0.8 / scene.mm_per_px
        along = np.array([[0.15], [-0.15]]) / scene.mm_per_px * first
        on, off = at_points(scene, maps[Material.SILICONE], places + along)
        assert on > 1.5
        assert off == pytest.approx(0.0, abs=0.05)


def test_file_in_the_canal_reaches_from_reference_to_tip(premolar):
    p = replace(premolar(content="tissue"), files=(FileParameters(canal=0, tip_to_apex_mm=1.4),))
    truth = Scene(p).truth()
    canal, file = truth.canals[0], truth.files[0]
    assert file.tip_to_apex_mm == 1.4
    assert file.length_mm == pytest.approx(canal.s_apex_mm - 1.4)
    np.testing.assert_allclose(file.axis_px[0], canal.coronal_reference_px, atol=1e-3)
    assert canal.core_end_px is None
    assert canal.profile_s_mm == ()


def test_two_canals_of_one_root_overlap_where_they_meet(premolar):
    p = premolar()
    one = replace(p.tooth.canals[0], name="B", offset_mm=-0.9, offset_apex_mm=0.0)
    two = replace(one, name="P", offset_mm=0.9)
    first, second = Scene(replace(p, tooth=replace(p.tooth, canals=(one, two)))).truth().canals
    for canal in (first, second):
        assert "overlapped" in canal.flags
        assert 0.5 < canal.overlapped_mm < (canal.fill_length_mm or 0.0)
    assert first.overlapped_mm == pytest.approx(second.overlapped_mm, abs=0.6)
    apart = replace(one, offset_apex_mm=-0.6), replace(two, offset_apex_mm=0.6)
    far = Scene(replace(p, tooth=replace(p.tooth, canals=apart))).truth().canals
    assert far[0].overlapped_mm == 0.0


def test_nothing_is_in_two_places(premolar, faults):
    """Along every ray the tooth's parts add up to the tooth."""
    scene = Scene(premolar(voids=faults))
    maps = scene.thickness_maps()
    teeth = scene.canvas["teeth"]
    hard = sum(
        maps[m] for m in (*FILL, Material.DENTINE, Material.ENAMEL, Material.COMPOSITE) if m in maps
    )
    inside = teeth > 0.5
    assert (hard - teeth)[inside].max() < 1e-3
    # What the fill's voids and the apical canal leave open is fluid; elsewhere nothing lacks.
    lacking = (teeth - hard) > 0.02
    assert area_mm2(scene, lacking) < 4.0


# --- laws of the frame ---------------------------------------------------------------------


def points_of(canal: CanalTruth) -> np.ndarray:
    return as_points((*canal.centre_line_px, *canal.voids[0].outline_px, canal.foramen_px))


def test_pixels_of_twice_the_size_halve_the_coordinates(premolar, faults):
    p = premolar(voids=faults)
    fine, coarse = truth_of(p), truth_of(with_pitch(p, 0.2))
    np.testing.assert_allclose(points_of(coarse), (points_of(fine) + 0.5) / 2.0 - 0.5, atol=2e-4)
    assert coarse.length_mm == pytest.approx(fine.length_mm)
    assert coarse.voids[0].area_mm2 == pytest.approx(fine.voids[0].area_mm2)


@pytest.mark.parametrize("turned", ["mirrored", "upper"])
def test_a_flipped_scene_is_the_flipped_picture(turned, premolar, faults):
    p = replace(premolar(voids=faults), rotation_deg=0.0, shift_mm=(0.0, 0.0))
    plain, flipped = points_of(truth_of(p)), points_of(truth_of(replace(p, **{turned: True})))
    axis = 1 if turned == "mirrored" else 0
    expected = plain.copy()
    expected[:, axis] = p.shape[axis] - 1 - plain[:, axis]
    np.testing.assert_allclose(flipped, expected, atol=2e-4)


def test_a_flipped_scene_has_flipped_maps(premolar, faults):
    p = replace(premolar(voids=faults), rotation_deg=0.0)
    one, other = fill_map(Scene(p)), fill_map(Scene(replace(p, mirrored=True)))
    np.testing.assert_allclose(other, one[:, ::-1], atol=0.03)


def test_a_quarter_turn_turns_the_coordinates(premolar, faults):
    p = premolar(voids=faults)
    turned = replace(p, rotation_deg=p.rotation_deg + 90.0, shape=p.shape[::-1])
    before, after = points_of(truth_of(p)), points_of(truth_of(turned))
    centre = (np.array(p.shape) - 1) / 2.0
    r, c = (before - centre).T
    expected = np.column_stack([-c, r]) + centre[::-1]
    np.testing.assert_allclose(after, expected, atol=2e-4)


def test_magnification_scales_the_picture_not_the_tooth(premolar, faults):
    p = premolar(voids=faults)
    big = replace(p, magnification=1.10)
    a, b = truth_of(p), truth_of(big)
    assert b.length_mm == pytest.approx(a.length_mm)
    grown = polyline_length(b.centre_line_px) / polyline_length(a.centre_line_px)
    assert grown == pytest.approx(1.10 / 1.05, rel=1e-5)


# --- clicks --------------------------------------------------------------------------------


def test_clicks_scatter_as_told(filled):
    canal = filled.truth.canals[0]
    rng = np.random.default_rng(8)
    clicks = np.array([noisy_clicks(canal, rng, sd_mm=0.2, count=3) for _ in range(2000)])
    sd_mm = clicks.std(axis=0) * canal.mm_per_px
    np.testing.assert_allclose(sd_mm, 0.2, rtol=0.06)
    mean = clicks.mean(axis=0)
    tolerance = 4 * 0.2 / canal.mm_per_px / np.sqrt(2000)
    np.testing.assert_allclose(mean[0], canal.orifice_px, atol=tolerance)
    np.testing.assert_allclose(mean[2], canal.radiographic_apex_px, atol=tolerance)


def test_clicks_without_noise_lie_on_the_line(filled):
    canal = filled.truth.canals[0]
    rng = np.random.default_rng(8)
    exact = noisy_clicks(canal, rng, sd_mm=0.0, count=2, start="reference")
    np.testing.assert_allclose(exact[0], canal.coronal_reference_px, atol=1e-3)
    start = noisy_clicks(canal, rng, sd_mm=0.0, count=2, start="fill")[0]
    np.testing.assert_allclose(start, canal.fill_start_px, atol=0.02)


def test_clicks_that_cannot_be_made_are_refused(filled, premolar):
    rng = np.random.default_rng(8)
    with pytest.raises(PhantomError):
        noisy_clicks(filled.truth.canals[0], rng, count=1)
    empty = truth_of(premolar(content="tissue"))
    with pytest.raises(PhantomError):
        noisy_clicks(empty, rng, start="fill")


def test_contradictions_are_refused(premolar, faults):
    with pytest.raises(PhantomError):
        Scene(premolar(core_to_apex_mm=12.0))
    with pytest.raises(PhantomError):
        Scene(premolar(voids=(replace(faults[0], kind="crack"),)))


def test_schneider_angle_of_an_arc_is_half_its_turn(premolar):
    """Tangent-chord angle of an arc is half the arc; the last 0.3 mm are straight (calc)."""
    p = premolar()
    root = p.tooth.roots[0]
    for turn in (10.0, 24.0, 36.0):
        bent = replace(p.tooth, roots=(replace(root, turns_deg=(turn,)),))
        angle = truth_of(replace(p, tooth=bent)).schneider_deg
        assert angle == pytest.approx(turn / 2.0, rel=0.06)
    straight = replace(p.tooth, roots=(replace(root, turns_deg=()),))
    assert truth_of(replace(p, tooth=straight)).schneider_deg == 0.0


@pytest.mark.parametrize("seed", range(4))
def test_random_truths_hold_together(seed):
    """Void centres lie inside the fill, landmarks follow each other along the canal."""
    p = with_pitch(random_parameters(seed), 0.12)
    scene = Scene(p)
    for canal in scene.truth().canals:
        line = as_points(canal.centre_line_px)
        assert canal.s_fill_start_mm is not None
        assert canal.s_core_end_mm is not None
        assert 0.0 < canal.s_orifice_mm <= canal.s_fill_start_mm < canal.s_core_end_mm
        assert canal.fill_length_mm == pytest.approx(canal.s_core_end_mm - canal.s_fill_start_mm)
        assert ((line > 0) & (line < np.array(p.shape) - 1)).all()
        assert len(canal.width_fill_mm) == len(canal.width_core_mm) == len(canal.profile_s_mm)
        assert (np.array(canal.width_fill_mm) >= np.array(canal.width_core_mm) - 1e-6).all()
        across = normals(line)
        assert np.isfinite(across).all()
        for void in canal.voids:
            d = np.hypot(*(line - void.centre_px).T).min() * canal.mm_per_px
            assert d <= 0.5 * max(canal.width_fill_mm) + 0.05
            assert 0.0 < void.area_mm2 < 4.0
