"""Scale from files and lines of known length."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.calibration.known_length import calibrate_known_lengths
from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import CalibrationError, MarksError, RxMeasureError
from rxmeasure.marks import LengthReference, PointPx, Settings
from rxmeasure.radiograph import Radiograph


def _line(length_mm: float, *points: PointPx, **more: Any) -> LengthReference:
    return LengthReference(kind="line", points_px=points, length_mm=length_mm, **more)


@pytest.fixture(scope="module")
def blank(make_radiograph: Callable[..., Radiograph]) -> Radiograph:
    return make_radiograph(np.zeros((1200, 300)))


@pytest.fixture(scope="module")
def scale(blank: Radiograph) -> Callable[..., Calibration]:
    def of(*references: LengthReference, film: Radiograph = blank) -> Calibration:
        return calibrate_known_lengths(film, references, Settings())

    return of


# --- arithmetic -----------------------------------------------------------------------------


def test_ratio_of_length_and_pixels(scale: Callable[..., Calibration]) -> None:
    # 20.0 mm over 1040 px: 0.0192308 mm/px (calc).
    found = scale(_line(20.0, (50.0, 40.0), (1090.0, 40.0)))
    assert found.col_mm == pytest.approx(0.0192308, abs=5e-8)
    assert found.row_mm == found.col_mm
    # A tooth of 1092 px: 20.0 * 1092 / 1040 = 21.0 mm (ratio of Grossman; calc).
    assert 1092 * found.col_mm == pytest.approx(21.0)
    # 78 px short are 1.5 mm (calc).
    assert 78 * found.col_mm == pytest.approx(1.5)
    assert found.source == "line of known length 20 mm"


def test_unequal_pitch(make_radiograph: Callable[..., Radiograph], blank: Radiograph) -> None:
    # 200 rows of 0.030 mm and 100 columns of 0.025 mm are 6.5 mm (calc): row pitch 1.2 times.
    film = make_radiograph(np.zeros((300, 300)), pixel_aspect=1.2)
    found = calibrate_known_lengths(film, (_line(6.5, (20.0, 20.0), (220.0, 120.0)),), Settings())
    assert (found.row_mm, found.col_mm) == pytest.approx((0.030, 0.025))
    assert found.references[0].length_px == pytest.approx(260.0)


def test_uncertainty_is_two_clicks_and_the_length(scale: Callable[..., Calibration]) -> None:
    # Two clicks of 0.2 mm on 20 mm: 1.41 %; a stop set to 0.1 mm: 0.5 %; together 1.5 % (calc;
    # 1.4 % is what two clicks reach on phantoms).
    found = scale(_line(20.0, (50.0, 40.0), (1090.0, 40.0)))
    assert found.u_rel == pytest.approx(math.hypot(math.sqrt(2.0) * 0.2 / 20.0, 0.1 / 20.0))
    sure = scale(_line(20.0, (50.0, 40.0), (1090.0, 40.0), length_u_mm=0.0))
    assert sure.u_rel == pytest.approx(math.sqrt(2.0) * 0.01)
    assert sure.references[0].residual_sd is None


@given(length_mm=st.floats(0.5, 40.0), pixels=st.floats(100.0, 1100.0), factor=st.floats(1.1, 3.0))
def test_a_longer_thing_on_the_same_pixels_is_a_larger_scale(
    scale: Callable[..., Calibration], length_mm: float, pixels: float, factor: float
) -> None:
    ends = ((5.0, 40.0), (5.0 + pixels, 40.0))
    one, more = scale(_line(length_mm, *ends)), scale(_line(factor * length_mm, *ends))
    assert more.col_mm == pytest.approx(factor * one.col_mm)
    assert more.u_rel < one.u_rel  # the same clicks weigh less


# --- several references ---------------------------------------------------------------------


def test_combination_is_weighted_least_squares(scale: Callable[..., Calibration]) -> None:
    lengths = np.array([20.0, 15.0, 6.0])
    pixels = np.array([1040.0, 783.0, 316.0])
    stated = np.array([0.1, 0.3, 0.05])
    found = scale(
        *(
            _line(mm, (50.0, 40.0 + 60.0 * k), (50.0 + px, 40.0 + 60.0 * k), length_u_mm=u)
            for k, (mm, px, u) in enumerate(zip(lengths, pixels, stated, strict=True))
        )
    )
    scales = lengths / pixels
    u = scales * np.hypot(math.sqrt(2.0) * 0.2 / lengths, stated / lengths)
    # numpy's polynomial of degree 0 with weights 1/u, covariance not scaled.
    mean, covariance = np.polyfit(np.zeros(3), scales, 0, w=1.0 / u, cov="unscaled")
    assert found.col_mm == pytest.approx(float(mean[0]), rel=1e-9)
    assert found.u_rel * found.col_mm == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-6)
    assert found.warnings == ()
    for reference, value in zip(found.references, scales, strict=True):
        assert reference.mm_per_px == pytest.approx(value)
        assert abs(reference.residual_sd or 0.0) < 1.96
    assert found.source.count("+") == 2


def test_references_that_disagree_are_told_and_cost_certainty(
    scale: Callable[..., Calibration],
) -> None:
    # 20.0 mm on 1000 px against 20.0 mm on 1150 px: 15 % apart, each known to 1.5 %.
    a = _line(20.0, (50.0, 40.0), (1050.0, 40.0))
    b = _line(20.0, (40.0, 140.0), (1190.0, 140.0))
    found = scale(a, b)
    assert [w.code for w in found.warnings] == ["references-disagree"]
    scales = np.array([20.0 / 1000.0, 20.0 / 1150.0])
    u = scales * math.hypot(math.sqrt(2.0) * 0.01, 0.005)
    weights = 1.0 / u**2
    mean = float((weights * scales).sum() / weights.sum())
    # Birge 1932, Phys Rev 40:207 (from memory): enlarged by sqrt(chi2 / (n - 1)).
    birge = math.sqrt(float((weights * (scales - mean) ** 2).sum()))
    assert birge > 3.0
    assert found.col_mm == pytest.approx(mean)
    assert found.u_rel == pytest.approx(birge / math.sqrt(weights.sum()) / mean)
    percent = 100.0 * float(np.ptp(scales)) / mean
    assert f"{percent:.1f} %" in found.warnings[0].text
    assert {np.sign(r.residual_sd) for r in found.references} == {-1.0, 1.0}
    # Either truth lies within two of the enlarged deviations.
    assert np.abs(scales / mean - 1.0).max() < 2.0 * found.u_rel


def test_the_same_reference_twice_is_surer_and_no_disagreement(
    scale: Callable[..., Calibration],
) -> None:
    a = _line(20.0, (50.0, 40.0), (1090.0, 40.0))
    one, two = scale(a), scale(a, replace(a, points_px=((50.0, 80.0), (1090.0, 80.0))))
    assert two.col_mm == pytest.approx(one.col_mm)
    assert two.u_rel == pytest.approx(one.u_rel / math.sqrt(2.0))
    assert two.warnings == ()


# --- files ----------------------------------------------------------------------------------


def _ends(file: Any, truth: Any, *, off_mm: float = 0.0) -> tuple[PointPx, ...]:
    rng = np.random.default_rng(12)
    points = np.asarray(file.axis_px)[[0, -1]] + rng.normal(0, off_mm / truth.mm_per_px, (2, 2))
    return tuple((float(r), float(c)) for r, c in points)


@pytest.mark.parametrize("place", ["in the canal", "beside the tooth"])
def test_a_curved_file_is_traced_along_its_image(film: Callable[..., Any], place: str) -> None:
    radiograph, truth = film("working length")
    (file,) = [f for f in truth.files if bool(f.canal) == (place == "in the canal")]
    reference = LengthReference(
        kind="file", points_px=_ends(file, truth), length_mm=file.length_mm, tip_size=20.0
    )
    found = calibrate_known_lengths(radiograph, (reference,), Settings())
    # Exact ends: what is left is the axis alone.
    assert found.col_mm == pytest.approx(truth.mm_per_px, rel=0.002)
    assert found.warnings == ()
    assert len(found.references[0].path_px) > 100
    if place == "beside the tooth":
        # The chord of this file, bent by 25 degrees, is 1 % short, and its scale 1 % too large.
        straight = calibrate_known_lengths(
            radiograph, (replace(reference, kind="line"),), Settings()
        )
        assert straight.col_mm / truth.mm_per_px > 1.008


def test_rough_clicks_on_a_file_stay_within_the_stated_uncertainty(
    film: Callable[..., Any],
) -> None:
    radiograph, truth = film("working length")
    for file in truth.files:
        reference = LengthReference(
            kind="file", points_px=_ends(file, truth, off_mm=0.2), length_mm=file.length_mm
        )
        found = calibrate_known_lengths(radiograph, (reference,), Settings())
        # Two clicks on a file of 20 mm: 1.0 % in the median, 2.6 % in 95 of 100 (phantoms).
        assert found.col_mm == pytest.approx(truth.mm_per_px, rel=3.0 * found.u_rel)
        assert 0.01 < found.u_rel < 0.02


def test_file_in_the_canal_and_file_beside_the_tooth_agree(film: Callable[..., Any]) -> None:
    radiograph, truth = film("working length")
    references = tuple(
        LengthReference(kind="file", points_px=_ends(f, truth), length_mm=f.length_mm)
        for f in truth.files
    )
    both = calibrate_known_lengths(radiograph, references, Settings())
    assert both.col_mm == pytest.approx(truth.mm_per_px, rel=0.002)
    assert both.warnings == ()
    # A length typed in wrong by 3 mm shows.
    wrong = (references[0], replace(references[1], length_mm=references[1].length_mm + 3.0))
    told = calibrate_known_lengths(radiograph, wrong, Settings())
    assert [w.code for w in told.warnings] == ["references-disagree"]
    assert told.u_rel > 2.0 * both.u_rel


# Thinner than size 15 may not show to its tip (teaching rule; Ingle, from memory); below 10 it
# fades (choice).
@pytest.mark.parametrize(
    ("size", "word"),
    [
        (6.0, "do not rely"),
        (8.0, "do not rely"),
        (10.0, "low confidence"),
        (15.0, None),
        (25.0, None),
    ],
)
def test_thin_tips_are_warned_of(film: Callable[..., Any], size: float, word: str | None) -> None:
    radiograph, truth = film("working length")
    file = truth.files[-1]
    reference = LengthReference(
        kind="file", points_px=_ends(file, truth), length_mm=file.length_mm, tip_size=size
    )
    found = calibrate_known_lengths(radiograph, (reference,), Settings())
    texts = [w.text for w in found.warnings if w.code == "thin-tip"]
    assert len(texts) == (word is not None)
    if word:
        assert word in texts[0]
        assert f"size {size:02.0f}" in texts[0]


def test_a_line_has_no_tip(scale: Callable[..., Calibration]) -> None:
    found = scale(_line(20.0, (50.0, 40.0), (1090.0, 40.0), tip_size=6.0))
    assert found.warnings == ()


# --- refusals -------------------------------------------------------------------------------

ENDS = ((50.0, 40.0), (1090.0, 40.0))


@pytest.mark.parametrize(
    ("reference", "word"),
    [
        (_line(20.0, (50.0, 40.0), (50.0, 40.0)), "same point"),
        (_line(20.0, (50.0, 40.0), (51.0, 40.0)), "same point"),
        (_line(20.0, (50.0, 40.0), (500.0, 40.0), (50.0, 40.0)), "same point"),
        (_line(0.0, *ENDS), "0.0 mm"),
        (_line(-20.0, *ENDS), "-20.0 mm"),
        (_line(math.nan, *ENDS), "nan mm"),
        (_line(math.inf, *ENDS), "inf mm"),
        (_line(20.0, *ENDS, length_u_mm=-0.1), "uncertainty"),
        (_line(20.0, *ENDS, length_u_mm=math.nan), "uncertainty"),
        (LengthReference(kind="ruler", points_px=ENDS, length_mm=20.0), "'ruler'"),
    ],
)
@pytest.mark.parametrize("kind", ["line", "file"])
def test_references_that_give_no_scale_are_refused(
    scale: Callable[..., Calibration], reference: LengthReference, word: str, kind: str
) -> None:
    if reference.kind == "line":
        reference = replace(reference, kind=kind)
    with pytest.raises(CalibrationError, match=word) as caught:
        scale(reference)
    for text in (caught.value.found, caught.value.needed, caught.value.next_step):
        assert text.endswith(".")


@pytest.mark.parametrize("kind", ["line", "file"])
@pytest.mark.parametrize(
    "points", [((50.0, 40.0),), ((50.0, 40.0), (math.nan, 40.0)), ((50.0, 40.0), (math.inf, 40.0))]
)
def test_points_that_make_no_reference_are_refused(
    scale: Callable[..., Calibration], points: tuple[PointPx, ...], kind: str
) -> None:
    with pytest.raises(RxMeasureError) as caught:
        scale(LengthReference(kind=kind, points_px=points, length_mm=20.0))
    assert isinstance(caught.value, CalibrationError | MarksError)
    assert caught.value.next_step.endswith(".")


def test_no_reference_is_refused(scale: Callable[..., Calibration]) -> None:
    with pytest.raises(CalibrationError, match="no reference"):
        scale()


def test_a_file_outside_the_picture_is_refused(scale: Callable[..., Calibration]) -> None:
    with pytest.raises(MarksError, match="outside the picture"):
        scale(
            LengthReference(kind="file", points_px=((50.0, 40.0), (5000.0, 40.0)), length_mm=20.0)
        )
