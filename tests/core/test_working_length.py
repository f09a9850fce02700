"""Working-length arithmetic against worked examples, and its laws."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmeasure.errors import MarksError
from rxmeasure.geometry import PixelScale, polyline_length
from rxmeasure.working_length import (
    ApicalBone,
    FilmLength,
    apparent_magnification,
    bisecting_angle_ratio,
    compare_with_locator,
    corrected_working_length,
    film_scale,
    foreshortened_mm,
    kuttler_subtraction_mm,
    magnification,
    scaled_length,
    tooth_length_by_ratio,
    trial_working_length,
    unsharpness_mm,
    weine_subtraction_mm,
)


def on_film(value_mm: float, u_mm: float = 0.1) -> FilmLength:
    return FilmLength(value_mm=value_mm, u_mm=u_mm, scale_source="file of known length")


# Worked examples of the ratio (Grossman; numbers calc).
@pytest.mark.parametrize(
    ("file_mm", "tooth_image", "file_image", "expected_mm"),
    [(20.0, 1092, 1040, 21.0), (18.0, 24.2, 19.8, 22.0), (25.0, 23.1, 27.5, 21.0)],
)
def test_ratio(file_mm, tooth_image, file_image, expected_mm):
    result = tooth_length_by_ratio(
        file_length_mm=file_mm, file_image_px=file_image, tooth_image_px=tooth_image
    )
    assert result.value_mm == pytest.approx(expected_mm, abs=1e-12)
    assert result.u_mm == 0.0
    assert result.scale_source


def test_scale_and_apparent_magnification():
    # calc: 20.0 / 1040 and 1040 * 0.020 / 20.
    scale = film_scale(file_length_mm=20.0, file_image_px=1040)
    assert scale.mm_per_px == pytest.approx(0.0192308, abs=5e-8)
    factor = apparent_magnification(file_image_px=1040, pixel_pitch_mm=0.020, file_length_mm=20.0)
    assert factor == pytest.approx(1.040, abs=1e-12)
    # calc: 78 px short * 0.0192308 = 1.5 mm.
    assert scaled_length(length_px=78, scale=scale).value_mm == pytest.approx(1.5, abs=1e-12)


def test_click_error_of_the_ratio():
    result = tooth_length_by_ratio(
        file_length_mm=20.0, file_image_px=1040, tooth_image_px=1092, click_sd_px=2.0
    )
    # calc: 21.0 * sqrt((2.828/1040)^2 + (2.828/1092)^2).
    assert result.u_mm == pytest.approx(0.0789, abs=5e-5)


def test_click_error_agrees_with_draws():
    rng = np.random.default_rng(7)
    ends = rng.normal(0.0, 2.0, (200_000, 4))
    drawn = 20.0 * (1092 + ends[:, 0] - ends[:, 1]) / (1040 + ends[:, 2] - ends[:, 3])
    result = tooth_length_by_ratio(
        file_length_mm=20.0, file_image_px=1040, tooth_image_px=1092, click_sd_px=2.0
    )
    assert result.u_mm == pytest.approx(drawn.std(), rel=0.01)


def test_stop_setting_enters_the_uncertainty():
    result = tooth_length_by_ratio(
        file_length_mm=20.0, file_image_px=1040, tooth_image_px=1040, u_file_length_mm=0.1
    )
    assert result.u_mm == pytest.approx(0.1)


def test_anisotropic_pixels():
    # calc: 200 rows * 0.030 mm and 100 columns * 0.025 mm.
    scale = PixelScale(row=0.030, col=0.025, unit="mm")
    assert polyline_length(scale.to_plane([(0, 0), (200, 100)])) == pytest.approx(6.5)


# Worked examples of the correction (Ingle; numbers calc): file, gap, safety, result.
@pytest.mark.parametrize(
    ("file_mm", "gap_mm", "expected_mm"), [(20.0, 1.5, 20.5), (22.0, -1.0, 20.0), (21.0, 0.0, 20.0)]
)
def test_correction(file_mm, gap_mm, expected_mm):
    result = corrected_working_length(file_length_mm=file_mm, gap=on_film(gap_mm), safety_mm=1.0)
    assert result.value_mm == pytest.approx(expected_mm)
    assert result.warnings == ()
    assert result.u_mm == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("gap_mm", "warned"), [(3.0, False), (3.001, True), (-3.0, False), (-3.2, True)]
)
def test_gap_too_large_to_add(gap_mm, warned):
    # 3 mm: handbook habit, value from memory.
    result = corrected_working_length(file_length_mm=20.0, gap=on_film(gap_mm))
    assert [w.code for w in result.warnings] == (["gap-too-large"] if warned else [])
    if warned:
        assert "another film" in result.warnings[0].text
        assert "do not just add" in result.warnings[0].text


def test_subtraction_tables():
    # Weine, teaching decks.
    assert weine_subtraction_mm(ApicalBone.NO_RESORPTION) == 1.0
    assert weine_subtraction_mm(ApicalBone.BONE) == 1.5
    assert weine_subtraction_mm(ApicalBone.BONE_AND_ROOT) == 2.0
    # Kuttler 1955, teaching decks.
    assert kuttler_subtraction_mm(older=False) == 0.5
    assert kuttler_subtraction_mm(older=True) == 0.6


def test_trial_length_keeps_uncertainty_and_source():
    trial = trial_working_length(on_film(22.0, 0.3))
    assert trial == on_film(21.0, 0.3)
    with pytest.raises(MarksError):
        trial_working_length(on_film(1.0), safety_mm=1.0)


@pytest.mark.parametrize(("reading_mm", "warned"), [(21.0, False), (22.0, False), (22.01, True)])
def test_locator(reading_mm, warned):
    found = compare_with_locator(film=on_film(21.0), locator_mm=reading_mm)
    assert found.difference_mm == pytest.approx(reading_mm - 21.0)
    assert bool(found.warnings) is warned
    # 0.5 mm tolerance as a rectangle, beside the film's 0.1 mm.
    assert found.u_mm == pytest.approx(math.hypot(0.1, 0.5 / math.sqrt(3)))


# calc, from M = SID / (SID - OID).
@pytest.mark.parametrize(
    ("sid", "oid", "expected"),
    [(400, 20, 1.0526), (300, 20, 1.0714), (200, 20, 1.1111), (400, 10, 1.0256), (400, 30, 1.0811)],
)
def test_magnification(sid, oid, expected):
    found = magnification(source_receptor_mm=sid, object_receptor_mm=oid)
    assert found == pytest.approx(expected, abs=5e-5)


# calc, from U = f * OID / SOD.
@pytest.mark.parametrize(
    ("focal", "sid", "oid", "expected"),
    [(0.7, 400, 20, 0.0368), (0.7, 200, 20, 0.0778), (0.4, 400, 20, 0.0211)],
)
def test_unsharpness(focal, sid, oid, expected):
    found = unsharpness_mm(focal_spot_mm=focal, source_receptor_mm=sid, object_receptor_mm=oid)
    assert found == pytest.approx(expected, abs=5e-5)


# calc, L cos t.
@pytest.mark.parametrize(
    ("tilt", "expected"), [(10, 21.67), (15, 21.25), (20, 20.67), (25, 19.94), (30, 19.05)]
)
def test_foreshortening(tilt, expected):
    assert foreshortened_mm(22.0, tilt_deg=tilt) == pytest.approx(expected, abs=5e-3)


# calc, own derivation: cos(b - e) / cos(b + e).
@pytest.mark.parametrize(
    ("half_angle", "error", "expected"),
    [
        (20, -10, 0.8794),
        (20, -5, 0.9383),
        (20, 0, 1.0),
        (20, 5, 1.0658),
        (20, 10, 1.1372),
        (20, 15, 1.2161),
        (15, 10, 1.0992),
        (15, -10, 0.9098),
    ],
)
def test_bisecting_angle(half_angle, error, expected):
    found = bisecting_angle_ratio(half_angle_deg=half_angle, beam_error_deg=error)
    assert found == pytest.approx(expected, abs=5e-5)


def test_bisecting_angle_against_projected_points():
    """Project a tooth on a receptor with vectors instead of the formula."""
    b, e = np.radians(20.0), np.radians(7.0)
    tooth = 22.0 * np.array([np.cos(2 * b), np.sin(2 * b)])  # receptor along the first axis
    # Square to the bisector, turned by e towards square to the tooth.
    along = b + np.pi / 2 + e
    beam = np.array([np.cos(along), np.sin(along)])
    image = tooth[0] - beam[0] * tooth[1] / beam[1]
    found = bisecting_angle_ratio(half_angle_deg=20.0, beam_error_deg=7.0)
    assert image / 22.0 == pytest.approx(found)


lengths = st.floats(1.0, 5000.0)


@settings(deadline=None)
@given(file_px=lengths, tooth_px=lengths, k=st.floats(0.01, 100.0))
def test_ratio_does_not_depend_on_the_picture_size(file_px, tooth_px, k):
    one = tooth_length_by_ratio(
        file_length_mm=21.0, file_image_px=file_px, tooth_image_px=tooth_px, click_sd_px=1.0
    )
    other = tooth_length_by_ratio(
        file_length_mm=21.0,
        file_image_px=file_px * k,
        tooth_image_px=tooth_px * k,
        click_sd_px=k,
    )
    assert other.value_mm == pytest.approx(one.value_mm, rel=1e-9)
    assert other.u_mm == pytest.approx(one.u_mm, rel=1e-9)


@settings(deadline=None)
@given(half=st.floats(0.0, 40.0), error=st.floats(-40.0, 40.0))
def test_opposite_beam_errors_are_reciprocal(half, error):
    there = bisecting_angle_ratio(half_angle_deg=half, beam_error_deg=error)
    back = bisecting_angle_ratio(half_angle_deg=half, beam_error_deg=-error)
    assert there * back == pytest.approx(1.0, rel=1e-9)


@settings(deadline=None)
@given(sid=st.floats(50, 1000), share=st.floats(0.0, 0.9))
def test_unsharpness_is_focal_spot_times_magnification_less_one(sid, share):
    m = magnification(source_receptor_mm=sid, object_receptor_mm=sid * share)
    u = unsharpness_mm(focal_spot_mm=0.7, source_receptor_mm=sid, object_receptor_mm=sid * share)
    assert u == pytest.approx(0.7 * (m - 1.0), abs=1e-9)


BAD = [0.0, -1.0, math.nan, math.inf, "20", None, True]


@pytest.mark.parametrize("bad", BAD)
def test_bad_numbers_are_refused(bad):
    with pytest.raises(MarksError):
        tooth_length_by_ratio(file_length_mm=bad, file_image_px=10.0, tooth_image_px=10.0)
    with pytest.raises(MarksError):
        tooth_length_by_ratio(file_length_mm=20.0, file_image_px=bad, tooth_image_px=10.0)
    with pytest.raises(MarksError):
        compare_with_locator(film=on_film(20.0), locator_mm=bad)
    with pytest.raises(MarksError):
        corrected_working_length(file_length_mm=bad, gap=on_film(0.0))
    with pytest.raises(MarksError):
        magnification(source_receptor_mm=bad, object_receptor_mm=10.0)


def test_impossible_geometry_is_refused():
    with pytest.raises(MarksError):
        magnification(source_receptor_mm=200.0, object_receptor_mm=200.0)
    with pytest.raises(MarksError):
        foreshortened_mm(20.0, tilt_deg=90.0)
    with pytest.raises(MarksError):
        bisecting_angle_ratio(half_angle_deg=20.0, beam_error_deg=70.0)
    with pytest.raises(MarksError):
        corrected_working_length(file_length_mm=2.0, gap=on_film(-2.5))
