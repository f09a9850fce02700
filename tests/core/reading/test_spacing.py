"""Which pixel pitch is believed, and the scale that is made of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.calibration.detector_spacing import (
    FIDUCIAL_U_REL,
    LONG_CONE_MM,
    TOOTH_TO_DETECTOR_MM,
    calibration_from_spacing,
    magnification,
)
from rxmeasure.errors import CalibrationError
from rxmeasure.marks import Settings
from rxmeasure.radiograph import ImageSource, PixelSpacing, Polarity, Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.reading.spacing import MAX_PITCH_MM, MIN_PITCH_MM, read_spacing


def codes(warnings):
    return [w.code for w in warnings]


# DICOM PS3.3 section 10.7.1.1 for the first block; the rest is the written order of the
# project (choice).
@pytest.mark.parametrize(
    ("values", "pitch", "plane", "attribute"),
    [
        (
            {"PixelSpacing": [0.019, 0.019], "ImagerPixelSpacing": [0.020, 0.020]},
            0.019,
            "patient",
            "Pixel Spacing (0028,0030)",
        ),
        (
            {"PixelSpacing": [0.019, 0.019], "NominalScannedPixelSpacing": [0.020, 0.020]},
            0.019,
            "patient",
            "Pixel Spacing (0028,0030)",
        ),
        (
            {"PixelSpacing": [0.020, 0.020], "ImagerPixelSpacing": [0.020, 0.020]},
            0.020,
            "detector",
            "Pixel Spacing (0028,0030), equal to Imager Pixel Spacing (0018,1164)",
        ),
        (
            {"PixelSpacing": [0.040, 0.040], "NominalScannedPixelSpacing": [0.040, 0.040]},
            0.040,
            "detector",
            "Pixel Spacing (0028,0030), equal to Nominal Scanned Pixel Spacing (0018,2010)",
        ),
        ({"PixelSpacing": [0.02, 0.02]}, 0.02, "unknown", "Pixel Spacing (0028,0030)"),
        (
            {"PixelSpacing": [0.02, 0.02], "PixelSpacingCalibrationType": "FIDUCIAL"},
            0.02,
            "patient",
            "Pixel Spacing (0028,0030)",
        ),
        (
            {"PixelSpacing": [0.02, 0.02], "PixelSpacingCalibrationType": "geometry"},
            0.02,
            "patient",
            "Pixel Spacing (0028,0030)",
        ),
        (
            {"ImagerPixelSpacing": [0.02, 0.02]},
            0.02,
            "detector",
            "Imager Pixel Spacing (0018,1164)",
        ),
        (
            {"ImagerPixelSpacing": [0.02, 0.02], "NominalScannedPixelSpacing": [0.04, 0.04]},
            0.02,
            "detector",
            "Imager Pixel Spacing (0018,1164)",
        ),
        (
            {"NominalScannedPixelSpacing": [0.04, 0.04]},
            0.04,
            "detector",
            "Nominal Scanned Pixel Spacing (0018,2010)",
        ),
    ],
)
def test_order_of_what_is_believed(values, pitch, plane, attribute):
    spacing, aspect, warnings = read_spacing(values)
    assert (spacing.row_mm, spacing.col_mm) == (pitch, pitch)
    assert (spacing.plane, spacing.attribute) == (plane, attribute)
    assert aspect == 1.0
    assert warnings == ()


def test_equal_spacing_with_a_calibration_type_is_still_the_detector():
    spacing, _, warnings = read_spacing(
        {
            "PixelSpacing": [0.02, 0.02],
            "ImagerPixelSpacing": [0.02, 0.02],
            "PixelSpacingCalibrationType": "GEOMETRY",
        }
    )
    assert spacing.plane == "detector"
    assert spacing.calibration_type == "GEOMETRY"
    assert codes(warnings) == ["spacing-contradicts-type"]


@pytest.mark.parametrize(
    ("factor", "divisor", "warned"),
    [
        ("1.05", 1.05, []),
        (1.0256, 1.0256, []),
        (1.0, None, []),
        (None, None, []),
        (0, None, ["magnification-ignored"]),
        (0.95, None, ["magnification-ignored"]),
        (-1.05, None, ["magnification-ignored"]),
        (105, None, ["magnification-ignored"]),
        (float("nan"), None, ["magnification-ignored"]),
        ("much", None, ["magnification-ignored"]),
        ([1.05, 1.05], None, ["magnification-ignored"]),
    ],
)
def test_magnification_divides_the_detector_pitch(factor, divisor, warned):
    values = {
        "ImagerPixelSpacing": [0.02, 0.03],
        "EstimatedRadiographicMagnificationFactor": factor,
    }
    spacing, _, warnings = read_spacing(values)
    assert codes(warnings) == warned
    assert spacing.magnification_factor == divisor
    assert (spacing.row_mm, spacing.col_mm) == (0.02 / (divisor or 1), 0.03 / (divisor or 1))
    assert spacing.plane == ("patient (estimated magnification)" if divisor else "detector")
    # A spacing that was corrected already is not divided again.
    corrected, _, _ = read_spacing({**values, "PixelSpacing": [0.019, 0.0285]})
    assert (corrected.row_mm, corrected.plane) == (0.019, "patient")


NOT_BELIEVED = [
    [0, 0],
    [0.0, 0.02],
    [-0.02, -0.02],
    [0.02, float("nan")],
    [float("inf"), 0.02],
    [0.02],
    0.02,
    [0.02, 0.02, 0.02],
    "0.02",
    ["a", "b"],
    [None, None],
    [1.0, 1.0],
    [1.2, 1.2],
    [25.4, 25.4],
    [0.004, 0.004],
    [0.02, 0.2],
]


@pytest.mark.parametrize("value", NOT_BELIEVED, ids=str)
def test_absurd_spacing_counts_as_absent(value):
    spacing, aspect, warnings = read_spacing({"PixelSpacing": value})
    assert spacing is None
    assert aspect == 1.0
    assert codes(warnings) == ["spacing-ignored"]
    assert "Pixel Spacing (0028,0030)" in warnings[0].text
    # The next one in the order takes its place.
    spacing, _, warnings = read_spacing({"PixelSpacing": value, "ImagerPixelSpacing": [0.02, 0.02]})
    assert (spacing.row_mm, spacing.plane) == (0.02, "detector")
    assert codes(warnings) == ["spacing-ignored"]


def test_nothing_given_is_no_scale_and_no_warning():
    assert read_spacing({}) == (None, 1.0, ())
    assert read_spacing({"PixelSpacing": None, "ImagerPixelSpacing": None}) == (None, 1.0, ())


@given(
    row=st.floats(MIN_PITCH_MM, MAX_PITCH_MM, exclude_max=True),
    ratio=st.floats(0.26, 3.9),
)
def test_row_comes_first(row, ratio):
    col = row / ratio
    if not MIN_PITCH_MM <= col < MAX_PITCH_MM:
        col = row
    spacing, aspect, warnings = read_spacing({"ImagerPixelSpacing": [row, col]})
    assert (spacing.row_mm, spacing.col_mm) == (row, col)
    assert aspect == row / col
    assert warnings == ()


@pytest.mark.parametrize(
    ("value", "aspect", "warned"),
    [
        ([2, 1], 2.0, []),
        ([1, 1], 1.0, []),
        ([3, 4], 0.75, []),
        ([0, 1], 1.0, ["aspect-ignored"]),
        ([1, 100], 1.0, ["aspect-ignored"]),
        ("1:1", 1.0, ["aspect-ignored"]),
        (None, 1.0, []),
    ],
)
def test_pixel_aspect_ratio_without_spacing(value, aspect, warned):
    # PS3.3 C.7.6.3.1.7: vertical size first, then horizontal size.
    spacing, got, warnings = read_spacing({"PixelAspectRatio": value})
    assert (spacing, got, codes(warnings)) == (None, aspect, warned)
    # With a spacing, the spacing says what the ratio is.
    _, got, warnings = read_spacing({"PixelAspectRatio": value, "PixelSpacing": [0.02, 0.02]})
    assert (got, warnings) == (1.0, ())


@pytest.mark.parametrize(
    ("raw", "attribute"),
    [
        ({"PixelSpacing": b"0.03\\0.02"}, "Pixel Spacing (0028,0030)"),
        ({"PixelSpacing": b"a\\b "}, None),
        ({"PixelSpacing": b"nan\\nan "}, None),
        ({"PixelSpacing": b"0,03\\0,02 "}, None),
        ({"PixelSpacing": b"0\\0 "}, None),
        ({"PixelSpacing": b"0.02"}, None),
        (
            {"PixelSpacing": b"x ", "ImagerPixelSpacing": b"0.03\\0.02"},
            "Imager Pixel Spacing (0018,1164)",
        ),
    ],
)
def test_spacing_in_a_file(write_dicom, ramp, raw, attribute):
    film = read_radiograph(write_dicom(ramp, BitsStored=12, raw=raw))
    if attribute is None:
        assert film.spacing is None
        assert film.pixel_aspect == 1.0
        assert calibration_from_spacing(film, Settings()) is None
    else:
        assert film.spacing.attribute == attribute
        assert (film.spacing.row_mm, film.spacing.col_mm) == (0.03, 0.02)
        assert film.pixel_aspect == 1.5
    ignored = attribute != "Pixel Spacing (0028,0030)"
    assert codes(film.warnings) == ["spacing-ignored"] * ignored


def test_aspect_ratio_in_a_file(write_dicom, ramp):
    film = read_radiograph(write_dicom(ramp, PixelAspectRatio=[3, 2]))
    assert film.px_scale.row == 1.5
    assert film.px_scale.unit == "px"


def _film(**spacing):
    return Radiograph(
        pixels=np.zeros((20, 20), np.float32),
        value_min=0.0,
        value_max=255.0,
        source=ImageSource(
            file_name="x", format="DICOM", sha256="", rows=20, columns=20, bits=8, lossy=False
        ),
        polarity=Polarity(turned=False, reason=""),
        spacing=PixelSpacing(
            **{"row_mm": 0.02, "col_mm": 0.02, "attribute": "Some Spacing", **spacing}
        ),
    )


def test_no_spacing_no_calibration():
    film = replace(_film(plane="detector"), spacing=None)
    assert calibration_from_spacing(film, Settings()) is None


def test_detector_plane_keeps_the_pitch_and_says_how_far_off_it_is():
    settings = Settings(magnification_u_rel=0.017)
    calibration = calibration_from_spacing(_film(plane="detector"), settings)
    assert (calibration.row_mm, calibration.col_mm, calibration.u_rel) == (0.02, 0.02, 0.017)
    assert calibration.source == "Some Spacing, detector plane"
    assert codes(calibration.warnings) == ["detector-plane"]
    # calc: 400/390 and 400/370.
    assert "1.026 to 1.081" in calibration.warnings[0].text


def test_patient_plane_shows_its_type():
    settings = Settings()
    film = _film(
        plane="patient", calibration_type="FIDUCIAL", calibration_description="ball of 5 mm"
    )
    calibration = calibration_from_spacing(film, settings)
    assert calibration.source == "Some Spacing, patient plane (FIDUCIAL): ball of 5 mm"
    assert (calibration.u_rel, calibration.warnings) == (FIDUCIAL_U_REL, ())
    calibration = calibration_from_spacing(
        _film(plane="patient", calibration_type="GEOMETRY"), settings
    )
    assert "GEOMETRY" in calibration.source
    assert calibration.u_rel == settings.magnification_u_rel
    assert (
        "no calibration type" in calibration_from_spacing(_film(plane="patient"), settings).source
    )


def test_unknown_plane_is_told():
    calibration = calibration_from_spacing(_film(plane="unknown"), Settings())
    assert codes(calibration.warnings) == ["spacing-plane-unknown"]
    assert calibration.row_mm == 0.02


def test_estimated_magnification_from_file_to_scale(write_dicom, ramp):
    film = read_radiograph(
        write_dicom(
            ramp,
            ImagerPixelSpacing=[0.020, 0.020],
            EstimatedRadiographicMagnificationFactor="1.05",
        )
    )
    calibration = calibration_from_spacing(film, Settings())
    # calc: 0.020 / 1.05, divided once and only once.
    assert calibration.row_mm == pytest.approx(0.0190476, abs=5e-8)
    assert calibration.col_mm == pytest.approx(0.0190476, abs=5e-8)
    assert calibration.source == (
        "Imager Pixel Spacing (0018,1164), divided by Estimated Radiographic Magnification "
        "Factor (0018,1114) of 1.05"
    )
    assert codes(calibration.warnings) == ["estimated-magnification"]


@given(factor=st.floats(1.0, 10.0), row=st.floats(0.01, 0.05), col=st.floats(0.01, 0.05))
def test_scale_follows_the_spacing(factor, row, col):
    one = calibration_from_spacing(_film(plane="detector", row_mm=row, col_mm=col), Settings())
    many = calibration_from_spacing(
        _film(plane="detector", row_mm=factor * row, col_mm=factor * col), Settings()
    )
    assert many.row_mm == pytest.approx(factor * one.row_mm)
    assert many.col_mm == pytest.approx(factor * one.col_mm)
    assert many.u_rel == one.u_rel


@pytest.mark.parametrize(
    ("sid", "oid", "ratio"),
    # calc: SID / (SID - OID).
    [(400, 20, 1.0526), (300, 20, 1.0714), (200, 20, 1.1111), (400, 10, 1.0256), (400, 30, 1.0811)],
)
def test_magnification_table(sid, oid, ratio):
    got = magnification(source_detector_mm=sid, object_detector_mm=oid)
    assert got == pytest.approx(ratio, abs=5e-5)


def test_default_uncertainty_is_the_spread_of_the_usual_magnification():
    """Half the range over the square root of three (GUM, rectangular distribution)."""
    near, far = (
        magnification(source_detector_mm=LONG_CONE_MM, object_detector_mm=d)
        for d in TOOTH_TO_DETECTOR_MM
    )
    assert Settings().magnification_u_rel == pytest.approx((far - near) / 2 / 3**0.5, rel=0.01)


@pytest.mark.parametrize(("sid", "oid"), [(400, 400), (400, 500), (400, -1), (0, 0)])
def test_impossible_geometry_is_refused(sid, oid):
    with pytest.raises(CalibrationError, match="between detector and source"):
        magnification(source_detector_mm=sid, object_detector_mm=oid)
