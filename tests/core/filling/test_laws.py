"""Laws of the whole measurement, on a film drawn from a formula.

A canal of 15 mm with a fill of .05 taper that ends 1.2 mm short, one bubble in the middle and
one at the right wall. Filters are stated in millimetres of the tooth: another scale is another
filter, so laws of scale hold to the tolerances stated here and not to the last digit.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rxmeasure.calibration.scale import Calibration
from rxmeasure.filling.measurement import measure_canal
from rxmeasure.filling.results import CanalMeasurement, DensityGap
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.marks import CanalMarks, FilmKind, PointPx, Settings
from rxmeasure.radiograph import Radiograph

BUBBLES = ((7.0, 0.0, 0.2), (10.5, 0.16, 0.14))


@pytest.fixture(scope="module")
def scene(make_scene: Callable[..., Any]) -> Any:
    return make_scene(bubbles=BUBBLES)


@pytest.fixture(scope="module")
def picture(scene: Any) -> Radiograph:
    return scene.radiograph()


def _measure(
    film: Radiograph, calibration: Calibration | None, clicks: tuple[PointPx, ...], **given: Any
) -> CanalMeasurement:
    marks = CanalMarks(name="single", clicks_px=clicks, **given)
    return measure_canal(film, calibration, marks, FilmKind.POSTOPERATIVE, Settings())


@pytest.fixture(scope="module")
def measured(scene: Any, picture: Radiograph) -> CanalMeasurement:
    return _measure(picture, scene.calibration(), scene.clicks_px())


def _void_near(found: CanalMeasurement, to_end_px: float) -> DensityGap:
    near = [g for g in found.gaps if abs(g.to_end_px - to_end_px) < 15.0]
    assert len(near) == 1, found.gaps
    return near[0]


def _voids(found: CanalMeasurement, scene: Any) -> tuple[DensityGap, ...]:
    pitch = scene.pitch_mm[1]
    return tuple(_void_near(found, (scene.fill_end_mm - s) / pitch) for s, _, _ in BUBBLES)


def _same_in_px(a: CanalMeasurement, b: CanalMeasurement, scene: Any, *, px: float) -> None:
    """Equal numbers of two measurements of one scene; ``px``: tolerance of places."""
    for name in ("canal_length", "canal_length_straight", "fill_to_apex_core"):
        x, y = getattr(a, name), getattr(b, name)
        assert y.value_px == pytest.approx(x.value_px, abs=px), name
        assert y.u_px == pytest.approx(x.u_px, rel=0.1), name
    assert a.core_end is not None
    assert b.core_end is not None
    assert b.core_end.s_px == pytest.approx(a.core_end.s_px, abs=px)
    assert a.taper is not None
    assert b.taper is not None
    assert b.taper.taper == pytest.approx(a.taper.taper, abs=0.001)
    assert b.taper.even == a.taper.even
    assert a.curvature is not None
    assert b.curvature is not None
    assert b.curvature.schneider_deg == pytest.approx(a.curvature.schneider_deg, abs=0.5)
    for u, v in zip(_voids(a, scene), _voids(b, scene), strict=True):
        assert v.kind == u.kind
        assert v.area.value_px2 == pytest.approx(u.area.value_px2, rel=0.15)
        assert v.third == u.third


# --- truth of the scene ---------------------------------------------------------------------


def test_the_scene_is_measured_as_drawn(measured: CanalMeasurement, scene: Any) -> None:
    assert measured.canal_length.mm() == pytest.approx(15.0, abs=0.05)
    assert measured.canal_length_straight.mm() == pytest.approx(
        float(np.hypot(*(scene.at(15.0) - scene.at(0.0)))), abs=0.05
    )
    assert measured.fill_to_apex_core is not None
    assert measured.fill_to_apex_core.mm() == pytest.approx(1.2, abs=0.1)
    assert measured.taper is not None
    assert measured.taper.taper == pytest.approx(0.05, abs=0.002)
    assert measured.taper.even
    assert measured.puff is None
    middle, wall = _voids(measured, scene)
    assert (middle.kind, middle.side) == ("internal", "")
    assert (wall.kind, wall.side) == ("wall", "right")
    places = [np.asarray(g.centre_px) * 0.03 for g in (middle, wall)]
    assert_allclose(places[0], scene.at(7.0, 0.0), atol=0.12)
    assert_allclose(places[1], scene.at(10.5, 0.16), atol=0.2)
    s = np.array([p.s_px for p in measured.profile]) * 0.03
    width = np.array([p.width_mm for p in measured.profile])
    inside = (s > 0.5) & (s < 13.0)
    assert np.median(np.abs(width - scene.width_mm(s))[inside]) < 0.017


# --- scale ----------------------------------------------------------------------------------


def test_twice_the_scale_doubles_lengths_and_leaves_pixels_taper_and_angles(
    scene: Any, picture: Radiograph
) -> None:
    low = _measure(picture, scene.calibration(times=2**-0.5), scene.clicks_px())
    high = _measure(picture, scene.calibration(times=2**0.5), scene.clicks_px())
    for name, rel in (
        ("canal_length", 0.003),
        ("canal_length_straight", 0.006),
        ("fill_length", 0.02),  # its coronal end is looked for within 0.3 mm of the first click
        ("fill_to_apex_core", 0.05),
        # The apex is the click's foot on a line that nothing holds beyond the fill (0.1 mm).
        ("coverage_beyond_apex", 0.06),
    ):
        a, b = getattr(low, name), getattr(high, name)
        assert b.value_mm == pytest.approx(2.0 * a.value_mm, rel=rel), name
        assert b.value_px == pytest.approx(a.value_px, rel=rel), name
    assert low.taper is not None
    assert high.taper is not None
    assert high.taper.taper == pytest.approx(low.taper.taper, abs=0.0015)
    assert high.taper.width_at_end_mm == pytest.approx(2 * low.taper.width_at_end_mm, rel=0.04)
    assert low.curvature is not None
    assert high.curvature is not None
    assert high.curvature.schneider_deg == pytest.approx(low.curvature.schneider_deg, abs=2.0)
    (a, _), (b, _) = _voids(low, scene), _voids(high, scene)
    assert b.area.value_mm2 == pytest.approx(4.0 * a.area.value_mm2, rel=0.15)
    assert b.area.value_px2 == pytest.approx(a.area.value_px2, rel=0.15)
    assert b.to_end_mm == pytest.approx(2.0 * a.to_end_mm, rel=0.02)


def test_every_length_is_its_pixels_times_the_pitch(measured: CanalMeasurement) -> None:
    seen = 0
    for path, value in _walk(measured):
        if hasattr(value, "value_px") and value.value_mm is not None and value.value_px > 0:
            assert value.value_mm == pytest.approx(0.03 * value.value_px), path
            # 1 % of scale (calibration of this film) is in the millimetres, not in the pixels.
            assert value.u_mm == pytest.approx(
                np.hypot(0.03 * value.u_px, 0.01 * value.value_mm), rel=1e-6
            ), path
            assert value.scale_source == "true scale", path
            seen += 1
        if hasattr(value, "value_px2") and value.value_mm2 is not None:
            assert value.value_mm2 == pytest.approx(0.03**2 * value.value_px2), path
            assert value.scale_source == "true scale", path
            seen += 1
    assert seen >= 12


def test_measures_are_the_same_numbers_under_their_names(measured: CanalMeasurement) -> None:
    for name, length in (
        ("canal_length_mm", measured.canal_length),
        ("fill_length_mm", measured.fill_length),
        ("fill_to_apex_core_mm", measured.fill_to_apex_core),
        ("coverage_beyond_apex_mm", measured.coverage_beyond_apex),
        ("smallest_visible_void_mm", measured.smallest_visible_void),
    ):
        measure = measured.measure(name)
        assert measure is not None
        assert length is not None
        assert (measure.value, measure.u) == (length.value_mm, length.u_mm)
        assert measure.scale_source == "true scale"
    count, free = measured.measure("void_count"), measured.measure("void_free")
    assert count is not None
    assert free is not None
    assert count.value == len(measured.gaps)
    assert free.value is (len(measured.gaps) == 0)
    ratio = measured.measure("fill_to_apex_ratio")
    assert ratio is not None
    assert measured.fill_to_apex_core is not None
    assert ratio.value == pytest.approx(
        measured.fill_to_apex_core.mm() / measured.canal_length.mm()
    )


def test_draws_have_the_stated_mean_and_spread(measured: CanalMeasurement) -> None:
    measure = measured.measure("fill_to_apex_core_mm")
    assert measure is not None
    assert len(measure.draws) >= 1000
    # Standard error of a mean and of a standard deviation of 4000 draws: 1.6 % and 1.1 % of u.
    assert np.mean(measure.draws) == pytest.approx(measure.value, abs=0.05 * float(measure.u or 0))
    assert np.std(measure.draws) == pytest.approx(measure.u, rel=0.05)


# --- without a scale ------------------------------------------------------------------------


def _walk(value: Any, path: str = "canal") -> Iterator[tuple[str, Any]]:
    yield path, value
    if is_dataclass(value):
        for field in fields(value):
            yield from _walk(getattr(value, field.name), f"{path}.{field.name}")
    elif isinstance(value, tuple):
        for k, entry in enumerate(value):
            yield from _walk(entry, f"{path}[{k}]")


def test_without_a_scale_there_is_no_millimetre_anywhere(scene: Any, picture: Radiograph) -> None:
    found = _measure(picture, None, scene.clicks_px(), locator_reading_mm=15.0, stop_to_tip_mm=20.0)
    checked = 0
    for path, value in _walk(found):
        field = path.rsplit(".", 1)[-1].split("[")[0]
        if field.endswith(("_mm", "_mm2")):
            assert value in (None, ()), path
            checked += 1
        if field == "scale_source":
            assert value is None, path
    assert checked > 20
    for measure in found.measures:
        if measure.unit in ("mm", "mm2"):
            assert measure.value is None, measure.name
            assert measure.u is None, measure.name
            assert measure.draws == (), measure.name
            assert measure.why_missing, measure.name
        assert measure.scale_source is None
    # Counts, ratios and angles need no scale.
    for name in ("void_count", "fill_to_apex_ratio", "schneider_deg", "taper_mm_per_mm"):
        measure = found.measure(name)
        assert measure is not None
        assert measure.value is not None
    words = " ".join([w.text for w in found.warnings] + list(found.taper.departures))
    assert " mm" not in words


def test_without_a_scale_the_pixels_are_the_same(
    scene: Any, picture: Radiograph, measured: CanalMeasurement
) -> None:
    _same_in_px(measured, _measure(picture, None, scene.clicks_px()), scene, px=1.0)


# --- the picture turned, stretched, its grey levels changed ---------------------------------


def _mirror(points: Any, how: str, shape: tuple[int, int]) -> np.ndarray:
    p = np.asarray(points, dtype=float)
    if how == "transposed":
        return p[..., ::-1]
    size = np.array(shape) - 1.0
    sign = np.array([how != "upside down" or -1.0, how != "left-right" or -1.0], dtype=float)
    return np.where(sign < 0, size - p, p)


@pytest.mark.parametrize(
    ("how", "turned", "side"),
    [
        ("upside down", np.flipud, "right"),
        ("left-right", np.fliplr, "left"),
        # Down the rows becomes along the columns; the wall that was right lies on top, and by
        # the slope of the canal at the void (4 + 18 degrees at most) a little to the left.
        ("transposed", np.transpose, "left"),
    ],
)
def test_a_mirrored_film_gives_the_mirrored_result(
    scene: Any,
    picture: Radiograph,
    measured: CanalMeasurement,
    make_radiograph: Callable[..., Radiograph],
    how: str,
    turned: Callable[[np.ndarray], np.ndarray],
    side: str,
) -> None:
    clicks = tuple((float(r), float(c)) for r, c in _mirror(scene.clicks_px(), how, picture.shape))
    other = _measure(make_radiograph(turned(picture.pixels)), scene.calibration(), clicks)
    _same_in_px(measured, other, scene, px=0.25)
    assert measured.core_end is not None
    assert other.core_end is not None
    shape = picture.shape
    assert_allclose(
        _mirror(other.core_end.point_px, how, shape), measured.core_end.point_px, atol=0.5
    )
    line = np.array(measured.centre_line.points_px)
    away = [foot_on_polyline(line, _mirror(p, how, shape))[1] for p in other.centre_line.points_px]
    assert np.median(away) < 0.1
    assert max(away) < 1.0
    for a, b in zip(_voids(measured, scene), _voids(other, scene), strict=True):
        assert_allclose(_mirror(b.centre_px, how, shape), a.centre_px, atol=1.0)
    assert [v.side for v in _voids(measured, scene)] == ["", "right"]
    assert [v.side for v in _voids(other, scene)] == ["", side]
    for a, b in zip(measured.profile[5:-5:10], other.profile[5:-5:10], strict=False):
        assert b.width_px == pytest.approx(a.width_px, abs=0.5)
    for found in (measured, other):
        if how != "transposed" or found is measured:
            assert all(p.left_edge_px[1] < p.right_edge_px[1] for p in found.profile)


@pytest.mark.parametrize("by", [0.5, 2.0])
def test_rows_of_half_or_double_pitch_give_the_same_millimetres(
    make_scene: Callable[..., Any], scene: Any, measured: CanalMeasurement, by: float
) -> None:
    other = make_scene(bubbles=BUBBLES, pitch_mm=(0.03 * by, 0.03))
    found = _measure(other.radiograph(), other.calibration(), other.clicks_px())
    # Columns keep their pitch, and pixels are counted in columns.
    _same_in_px(measured, found, scene, px=0.7)
    assert found.canal_length.mm() == pytest.approx(measured.canal_length.mm(), abs=0.01)
    assert found.core_end is not None
    assert measured.core_end is not None
    assert_allclose(
        np.array(found.core_end.point_px) * (by, 1.0), measured.core_end.point_px, atol=0.7
    )
    for a, b in zip(_voids(measured, scene), _voids(found, scene), strict=True):
        assert b.area.value_mm2 == pytest.approx(a.area.value_mm2, rel=0.15)


def test_grey_scale_does_not_matter(
    scene: Any,
    picture: Radiograph,
    measured: CanalMeasurement,
    make_radiograph: Callable[..., Radiograph],
) -> None:
    film = make_radiograph(2.5 * picture.pixels + 1000.0)
    other = _measure(film, scene.calibration(), scene.clicks_px())
    _same_in_px(measured, other, scene, px=0.1)
    for a, b in zip(_voids(measured, scene), _voids(other, scene), strict=True):
        assert b.contrast == pytest.approx(a.contrast, abs=0.02)
        assert b.contrast_sd == pytest.approx(a.contrast_sd, rel=0.05)
    assert other.smallest_visible_void is not None
    assert measured.smallest_visible_void is not None
    assert other.smallest_visible_void.mm() == pytest.approx(
        measured.smallest_visible_void.mm(), rel=0.1
    )


# --- care -----------------------------------------------------------------------------------


def _hash(film: Radiograph) -> str:
    return hashlib.sha256(film.pixels.tobytes()).hexdigest()


def test_the_same_input_gives_the_same_output_and_the_film_stays_as_it_was(
    scene: Any, picture: Radiograph, measured: CanalMeasurement
) -> None:
    before = _hash(picture)
    assert not picture.pixels.flags.writeable
    assert _measure(picture, scene.calibration(), scene.clicks_px()) == measured
    assert _hash(picture) == before
