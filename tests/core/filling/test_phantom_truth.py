"""Whole measurements against the truth of phantoms, with rough clicks.

Bounds are three times the medians that tests/benchmarks/accuracy.py finds on phantoms without
overlapping canals: length 0.015 mm, centre line 0.012 mm, width 0.017 mm, taper 0.0008 mm/mm,
end of the visible fill 0.11 mm. They guard against breakage and chase no numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from skimage.draw import polygon2mask
from skimage.measure import label, regionprops

from rxmeasure.filling.measurement import measure_canal
from rxmeasure.filling.results import CanalMeasurement, DensityGap
from rxmeasure.geometry import foot_on_polyline, polygon_area
from rxmeasure.marks import CanalMarks, FilmKind, Landmark, LandmarkState, NominalShape, Settings
from rxmeasure.phantom import CanalTruth

FILLED = (("faults", 0), ("premolar", 0), ("canine", 0), ("molar", 0))


@pytest.fixture(scope="module")
def measured(
    film: Callable[..., Any], scale_of: Callable[..., Any], clicked: Callable[..., CanalMarks]
) -> Callable[..., tuple[CanalMeasurement, CanalTruth, CanalMarks, float]]:
    def one(
        name: str, canal: int = 0, **given: Any
    ) -> tuple[CanalMeasurement, CanalTruth, CanalMarks, float]:
        radiograph, truth = film(name)
        marks = clicked(truth.canals[canal], **given)
        kind = FilmKind(truth.film_kind)
        found = measure_canal(radiograph, scale_of(truth), marks, kind, Settings())
        return found, truth.canals[canal], marks, truth.mm_per_px

    return one


@pytest.fixture(scope="module")
def filled(measured: Callable[..., Any]) -> list[Any]:
    return [measured(name, canal) for name, canal in FILLED]


def _line(canal: CanalTruth, mm_per_px: float) -> np.ndarray:
    """True centre line in mm, 3 mm longer at both ends."""
    line = np.asarray(canal.centre_line_px) * mm_per_px
    first, last = line[0] - line[3], line[-1] - line[-4]
    first, last = 3.0 * first / np.hypot(*first), 3.0 * last / np.hypot(*last)
    return np.concatenate([[line[0] + first], line, [line[-1] + last]])


def _s(canal: CanalTruth, mm_per_px: float, point_px: Any) -> float:
    """Arc distance from the coronal reference of a point's foot on the true line."""
    return foot_on_polyline(_line(canal, mm_per_px), np.asarray(point_px) * mm_per_px)[0] - 3.0


def _true_length(canal: CanalTruth, marks: CanalMarks, mm_per_px: float) -> float:
    a, b = (_s(canal, mm_per_px, marks.clicks_px[k]) for k in (0, -1))
    return b - a


# --- length, width, taper -------------------------------------------------------------------


def test_lengths(filled: list[Any]) -> None:
    errors, sure = [], []
    for found, canal, marks, pitch in filled:
        error = found.canal_length.mm() - _true_length(canal, marks, pitch)
        errors.append(abs(error))
        # The length between the feet of these very clicks: far inside the stated uncertainty,
        # which has the clicks' own in it.
        sure.append(abs(error) < found.canal_length.u_mm)
        assert abs(error) < 0.15
        straight = found.canal_length_straight.mm()
        assert straight <= found.canal_length.mm() + 1e-6
    assert np.median(errors) < 0.045
    assert all(sure)


def test_centre_lines(filled: list[Any]) -> None:
    roots = []
    for found, canal, _, pitch in filled:
        line = _line(canal, pitch)
        feet = [foot_on_polyline(line, np.asarray(p) * pitch) for p in found.centre_line.points_px]
        on_fill = [d for s, d in feet if canal.s_fill_start_mm < s - 3.0 < canal.s_core_end_mm]
        roots.append(np.sqrt(np.mean(np.square(on_fill))))
    assert np.median(roots) < 0.05  # two of the four have voids at a wall
    assert max(roots) < 0.15


def test_widths(filled: list[Any]) -> None:
    medians = []
    for found, canal, _, pitch in filled:
        s_true, w_true = np.asarray(canal.profile_s_mm), np.asarray(canal.width_fill_mm)
        error = []
        for p in found.profile:
            middle = (np.asarray(p.left_edge_px) + np.asarray(p.right_edge_px)) / 2
            s = _s(canal, pitch, middle)
            if s_true[0] + 0.5 < s < s_true[-1] - 0.5:
                error.append(p.width_mm - np.interp(s, s_true, w_true))
            apart = np.hypot(*(np.asarray(p.left_edge_px) - p.right_edge_px))
            assert p.width_px == pytest.approx(apart, rel=1e-6)
        assert len(error) > 50
        medians.append(np.median(np.abs(error)))
    assert np.median(medians) < 0.05
    assert max(medians) < 0.1


def test_tapers(filled: list[Any]) -> None:
    errors = []
    for found, canal, _, _ in filled:
        to_end, width = np.asarray(canal.profile_to_end_mm), np.asarray(canal.width_fill_mm)
        zone = (to_end > 1.0) & (to_end < 8.0)
        true = np.polyfit(to_end[zone], width[zone], 1)[0]
        assert found.taper is not None
        errors.append(abs(found.taper.taper - true))
    assert np.median(errors) < 0.0025
    assert max(errors) < 0.02


def test_an_even_taper_is_called_even(measured: Callable[..., Any]) -> None:
    found, canal, _, _ = measured("faults")
    assert canal.flags == ()
    assert found.taper is not None
    assert found.taper.even
    assert found.taper.departures == ()
    assert found.taper.p_even > 0.5


def test_the_stated_shape_of_the_cone_gives_a_plausibility_band(
    measured: Callable[..., Any],
) -> None:
    found, canal, _, _ = measured("faults", nominal=NominalShape(size=40.0, taper=0.05))
    assert (canal.size, canal.taper) == (40, 0.05)
    band = np.array(found.taper.nominal_band_mm)
    # D_x = D_0 + taper x (ISO 3630-1, from memory); points 0.07 mm either way above size 25
    # (ISO 6877, from memory).
    middle = (band[:, 1] + band[:, 2]) / 2
    assert middle == pytest.approx(0.40 + 0.05 * band[:, 0], abs=1e-9)
    assert band[:, 2] - band[:, 1] == pytest.approx(0.14, abs=1e-9)
    assert found.taper.inside_nominal_share > 0.6
    # Size 40 / .06 of the handbook table (calc) at 0, 5 and 10 mm: 0.40, 0.70, 1.00.
    wide, *_ = measured("faults", nominal=NominalShape(size=40.0, taper=0.06))
    band = np.array(wide.taper.nominal_band_mm)
    at = np.interp([5.0, 10.0], band[::-1, 0], (band[::-1, 1] + band[::-1, 2]) / 2)
    assert at == pytest.approx([0.70, 1.00], abs=1e-6)
    assert wide.taper.inside_nominal_share < found.taper.inside_nominal_share


# --- ends -----------------------------------------------------------------------------------


def test_the_end_of_the_visible_fill(filled: list[Any]) -> None:
    errors = []
    for found, canal, _, pitch in filled:
        assert found.fill_end is not None
        true = max(canal.s_core_end_mm, canal.s_sealer_end_mm)
        errors.append(abs(_s(canal, pitch, found.fill_end.point_px) - true))
        # The core ends at or coronal of what is seen.
        assert found.core_end is not None
        assert found.core_end.s_px <= found.fill_end.s_px + 1e-9
    assert np.median(errors) < 0.33
    assert errors[0] < 0.33


def test_the_distance_to_the_apex_fits_its_own_ends(filled: list[Any]) -> None:
    for found, _, marks, pitch in filled:
        gap = found.fill_to_apex_core
        assert gap is not None
        last = found.centre_line.s_px[-1]
        assert gap.value_px == pytest.approx(last - found.core_end.s_px, abs=1e-6)
        assert abs(found.fill_to_apex_core_straight.mm()) <= abs(gap.mm()) + 0.05
        assert found.fill_length.value_px == pytest.approx(
            found.core_end.s_px - found.core_start.s_px, abs=1e-6
        )
        # The apex is the foot of the last click.
        assert np.hypot(*(np.asarray(found.apex_px) - marks.clicks_px[-1])) * pitch < 0.7


def test_a_marked_end_is_taken(measured: Callable[..., Any]) -> None:
    plain, canal, *_ = measured("faults")
    mark = Landmark(point_px=canal.core_end_px, state=LandmarkState.MARKED)
    sealer = Landmark(point_px=canal.sealer_end_px, state=LandmarkState.MARKED)
    apex = Landmark(point_px=canal.radiographic_apex_px, state=LandmarkState.MARKED)
    found, *_ = measured("faults", core_end=mark, sealer_end=sealer, radiographic_apex=apex)
    assert found.core_end.how == "marked by the reader"
    assert found.sealer_end.how == "marked by the reader"
    # True 1.2 and 0.9 mm; the line bends by less than 0.05 mm between the marks.
    assert found.fill_to_apex_core.mm() == pytest.approx(1.2, abs=0.05)
    assert found.fill_to_apex_sealer.mm() == pytest.approx(0.9, abs=0.05)
    click = Settings().click_sd_mm
    assert found.fill_to_apex_core.u_px * 0.03 / 1.05 == pytest.approx(
        np.hypot(click, click), rel=0.01
    )
    assert plain.core_end.how != found.core_end.how


def test_marked_reference_and_apex_are_taken_for_the_length(measured: Callable[..., Any]) -> None:
    _, canal, *_ = measured("faults")
    apex = Landmark(point_px=canal.radiographic_apex_px, state=LandmarkState.MARKED)
    start = Landmark(point_px=canal.fill_start_px, state=LandmarkState.MARKED)
    found, *_ = measured("faults", coronal_reference=start, radiographic_apex=apex)
    true = canal.s_apex_mm - canal.s_fill_start_mm
    assert found.canal_length.mm() == pytest.approx(true, abs=0.05)


# --- voids ----------------------------------------------------------------------------------


def _near(gaps: tuple[DensityGap, ...], centre_px: Any, reach_px: float) -> list[DensityGap]:
    return [g for g in gaps if np.hypot(*(np.asarray(g.centre_px) - centre_px)) < reach_px]


def test_voids_are_found_where_they_are(measured: Callable[..., Any]) -> None:
    found, canal, _, pitch = measured("faults")
    kinds = {"bubble": "internal", "lateral": "wall", "transverse": "joint"}
    for void in canal.voids:
        near = _near(found.gaps, void.centre_px, (0.3 + void.length_mm / 2) / pitch)
        assert len(near) == 1, (void, found.gaps)
        gap = near[0]
        assert gap.kind == kinds[void.kind]
        assert gap.side == (void.side if void.kind == "lateral" else "")
        # Distances run from the visible fill's end, 0.3 mm of sealer beyond the core.
        core_to_end = canal.s_sealer_end_mm - canal.s_core_end_mm
        assert gap.to_end_mm == pytest.approx(void.to_core_end_mm + core_to_end, abs=0.4)
        assert gap.length.mm() == pytest.approx(void.length_mm, abs=0.45)
        assert gap.area.value_mm2 == pytest.approx(void.area_mm2, rel=0.6)
        assert gap.contrast_sd >= Settings().void_min_contrast_sd
        assert 0.0 < gap.contrast <= 1.0
    assert len(found.gaps) == len(canal.voids)
    assert found.homogeneous is False
    # Fill 11.7 mm long: bubble at 8.3 of it, slab at 5.6, wall gap at 3.3 from the end.
    assert [g.third for g in found.gaps] == ["apical", "middle", "coronal"]


def test_counts_and_areas_are_those_of_the_voids(measured: Callable[..., Any]) -> None:
    found, *_ = measured("faults")
    values = {m.name: m.value for m in found.measures}
    assert values["void_count"] == 3
    assert values["wall_void_count"] == 1
    assert values["joint_void_count"] == 1
    assert values["void_free"] is False
    assert values["void_area_mm2"] == pytest.approx(sum(g.area.value_mm2 for g in found.gaps))
    assert values["largest_void_mm"] == pytest.approx(
        max(max(g.length.mm(), g.width.mm()) for g in found.gaps)
    )


def test_outlines_hold_the_stated_area(measured: Callable[..., Any]) -> None:
    found, *_ = measured("faults")
    for gap in found.gaps:
        outline = np.asarray(gap.outline_px)
        assert tuple(outline[0]) == pytest.approx(tuple(outline[-1]))
        # On a grid eight times finer; the polygon closes over small notches of the region.
        fine = (outline - outline.min(axis=0) + 2.0) * 8.0
        mask = polygon2mask(np.ceil(fine.max(axis=0) + 16).astype(int), fine)
        (region,) = regionprops(label(mask))
        assert region.area / 64.0 == pytest.approx(gap.area.value_px2, rel=0.15)
        assert polygon_area(outline) == pytest.approx(region.area / 64.0, rel=0.02)
        centre = np.asarray(region.centroid) / 8.0 + outline.min(axis=0) - 2.0
        assert np.hypot(*(centre - gap.centre_px)) < 5.0


def test_a_higher_floor_hides_what_is_smaller(
    film: Callable[..., Any], scale_of: Callable[..., Any], clicked: Callable[..., CanalMarks]
) -> None:
    radiograph, truth = film("faults")
    marks = clicked(truth.canals[0])

    def gaps(**floor: float) -> int:
        settings = Settings(**floor)
        found = measure_canal(radiograph, scale_of(truth), marks, FilmKind.POSTOPERATIVE, settings)
        assert all(
            max(g.length.mm(), g.width.mm()) >= settings.void_min_mm
            and g.contrast_sd >= settings.void_min_contrast_sd
            for g in found.gaps
        )
        return len(found.gaps)

    assert gaps() == 3
    assert 0 < gaps(void_min_mm=1.0) < 3
    assert gaps(void_min_mm=5.0) == 0
    assert gaps(void_min_contrast_sd=1e6) == 0


# --- puff, post -----------------------------------------------------------------------------


def test_a_puff_is_found_and_is_not_gross(measured: Callable[..., Any]) -> None:
    found, canal, _, pitch = measured("post and puff")
    (puff,) = canal.puffs
    assert found.puff is not None
    assert found.puff.side == "at the apex"
    assert not found.puff.gross
    # Areas were 25 % off in the median (tests/benchmarks/accuracy.py: 12 to 15 %).
    assert found.puff.area.value_mm2 == pytest.approx(puff.area_mm2, rel=0.5)
    assert np.hypot(*(np.asarray(found.puff.centre_px) - puff.centre_px)) * pitch < 0.4
    assert found.puff.reach.mm() == pytest.approx(puff.reach_mm, abs=0.6)
    # Sealer beyond the core, and beyond the apex.
    assert found.fill_to_apex_sealer.mm() < found.fill_to_apex_core.mm() - 0.3
    values = {m.name: m for m in found.measures}
    assert values["puff_area_mm2"].value == found.puff.area.value_mm2
    assert values["gross_extrusion"].value is False


def test_no_puff_where_there_is_none(measured: Callable[..., Any]) -> None:
    found, canal, *_ = measured("faults")
    assert canal.puffs == ()
    assert found.puff is None
    assert found.measure("puff_area_mm2").value == 0.0


def test_the_gap_under_a_post(measured: Callable[..., Any]) -> None:
    _, canal, *_ = measured("post and puff")
    mark = Landmark(point_px=canal.post_end_px, state=LandmarkState.MARKED)
    found, *_ = measured("post and puff", post_end=mark)
    assert found.post_gap.mm() == pytest.approx(canal.post_gap_mm, abs=0.3)
    assert found.measure("post_gap_mm").value == found.post_gap.value_mm
    # To the end of what is seen: the core's 5.3 mm and the sealer as far as the apex.
    assert (
        canal.fill_length_mm - 0.3
        < found.apical_fill_under_post.mm()
        < (canal.s_sealer_end_mm - canal.s_fill_start_mm + 0.5)
    )
    unmarked, *_ = measured("post and puff")
    assert unmarked.post_gap is None
    assert unmarked.measure("post_gap_mm").why_missing == "no post end is marked"


# --- nothing filled -------------------------------------------------------------------------


def test_an_empty_canal_beside_filled_ones_is_said_to_be_empty(
    measured: Callable[..., Any],
) -> None:
    found, canal, *_ = measured("molar", 2)
    assert canal.content == "tissue"
    assert [w.code for w in found.warnings] == ["no-fill-seen"]
    assert found.measure("fill_level").value == "none"
    assert (found.core_end, found.fill_length, found.taper, found.gaps) == (None, None, None, ())
    for name in ("fill_to_apex_core_mm", "void_count", "taper_mm_per_mm", "void_free"):
        measure = found.measure(name)
        assert measure.value is None
        assert measure.why_missing == "no fill was seen"
    assert found.centre_line.confidence < 0.5


# --- laws on a film with bone, neighbours and noise -----------------------------------------


def _places(found: CanalMeasurement) -> list[tuple[str, float]]:
    return [(g.kind, g.to_end_px) for g in found.gaps]


@pytest.mark.parametrize("name", ["faults", "canine", "premolar"])
@pytest.mark.parametrize(
    ("how", "turned"), [("down", np.flipud), ("across", np.fliplr), ("over", np.transpose)]
)
def test_a_mirrored_phantom_gives_the_same_numbers(
    film: Callable[..., Any],
    scale_of: Callable[..., Any],
    clicked: Callable[..., CanalMarks],
    make_radiograph: Callable[..., Any],
    measured: Callable[..., Any],
    name: str,
    how: str,
    turned: Callable[[np.ndarray], np.ndarray],
) -> None:
    radiograph, truth = film(name)
    marks, (rows, cols) = clicked(truth.canals[0]), radiograph.shape

    def turn(point: tuple[float, float]) -> tuple[float, float]:
        r, c = point
        return {"down": (rows - 1 - r, c), "across": (r, cols - 1 - c), "over": (c, r)}[how]

    other = measure_canal(
        make_radiograph(turned(radiograph.pixels)),
        scale_of(truth),
        replace(marks, clicks_px=tuple(turn(p) for p in marks.clicks_px)),
        FilmKind.POSTOPERATIVE,
        Settings(),
    )
    found, *_ = measured(name)
    # A tenth of a pixel on the line; half of one at the ends, which a fit finds.
    assert other.canal_length.value_px == pytest.approx(found.canal_length.value_px, abs=0.1)
    assert other.fill_end.s_px == pytest.approx(found.fill_end.s_px, abs=0.5)
    assert other.fill_end.point_px == pytest.approx(turn(found.fill_end.point_px), abs=0.7)
    assert other.taper.taper == pytest.approx(found.taper.taper, abs=0.0005)
    assert [k for k, _ in _places(other)] == [k for k, _ in _places(found)]
    assert [p for _, p in _places(other)] == pytest.approx([p for _, p in _places(found)], abs=2.0)
    swapped = {"left": "right", "right": "left", "": ""}
    if how == "across":
        assert [g.side for g in other.gaps] == [swapped[g.side] for g in found.gaps]
    if how == "down":
        assert [g.side for g in other.gaps] == [g.side for g in found.gaps]


@pytest.mark.parametrize("name", ["faults", "canine", "premolar"])
def test_a_phantom_without_its_scale_gives_the_same_pixels(
    film: Callable[..., Any],
    clicked: Callable[..., CanalMarks],
    measured: Callable[..., Any],
    name: str,
) -> None:
    radiograph, truth = film(name)
    marks = clicked(truth.canals[0])
    bare = measure_canal(radiograph, None, marks, FilmKind.POSTOPERATIVE, Settings())
    found, *_ = measured(name)
    assert bare.canal_length.value_px == pytest.approx(found.canal_length.value_px, abs=1.0)
    assert bare.fill_end.s_px == pytest.approx(found.fill_end.s_px, abs=1.0)
    assert bare.taper.taper == pytest.approx(found.taper.taper, abs=0.002)
    assert [k for k, _ in _places(bare)] == [k for k, _ in _places(found)]
    assert [p for _, p in _places(bare)] == pytest.approx([p for _, p in _places(found)], abs=3.0)
    assert bare.canal_length.value_mm is None
