"""The measuring plane: millimetres with a scale, and none without."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import CalibrationError, NotCalibratedError
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.frame import frame_for

CLICKS = [(10.0, 10.0), (210.0, 110.0)]


@pytest.fixture(scope="module")
def blank(make_radiograph: Callable[..., Radiograph]) -> Radiograph:
    return make_radiograph(np.zeros((300, 200)), pixel_aspect=1.2)


def _scale(col_mm: float, u_rel: float = 0.02) -> Calibration:
    return Calibration(row_mm=1.2 * col_mm, col_mm=col_mm, u_rel=u_rel, source="a file of 20 mm")


def test_lengths_carry_both_units_their_doubt_and_their_source(blank: Radiograph) -> None:
    frame = frame_for(blank, _scale(0.025), CLICKS)
    # 200 rows of 0.030 mm and 100 columns of 0.025 mm: 6.5 mm (calc).
    distance = float(np.hypot(*np.diff(frame.to_plane(CLICKS), axis=0)[0]))
    length = frame.length(distance, 0.05)
    assert length.mm() == pytest.approx(6.5)
    assert length.value_px == pytest.approx(6.5 / 0.025)
    assert length.u_px == pytest.approx(0.05 / 0.025)
    # Pointing and scale are independent (JCGM 100:2008 5.1.2).
    assert length.u_mm == pytest.approx(np.hypot(0.05, 0.02 * 6.5))
    assert length.scale_source == "a file of 20 mm"
    area = frame.area(2.0, 0.1)
    assert area.value_mm2 == 2.0
    assert area.value_px2 == pytest.approx(2.0 / 0.025**2)
    # An area takes the scale's error twice: 5 % of scale are 10.25 % of area (calc), to first
    # order 10 %.
    assert area.u_mm2 == pytest.approx(np.hypot(0.1, 2 * 0.02 * 2.0))


def test_without_a_scale_there_are_no_millimetres(blank: Radiograph) -> None:
    frame = frame_for(blank, None, CLICKS)
    length, area = frame.length(3.0, 0.1), frame.area(2.0, 0.1)
    assert (length.value_mm, length.u_mm, length.scale_source) == (None, None, None)
    assert (area.value_mm2, area.u_mm2, area.scale_source) == (None, None, None)
    assert frame.mm(3.0) is None
    with pytest.raises(NotCalibratedError, match="scale") as caught:
        length.mm()
    assert isinstance(caught.value, CalibrationError)
    # Rows are counted in column pitches: 240 down and 100 across.
    whole = float(np.hypot(*np.diff(frame.to_plane(CLICKS), axis=0)[0]))
    assert frame.px(whole) == pytest.approx(260.0)


@pytest.mark.parametrize("calibrated", [True, False])
def test_there_and_back(blank: Radiograph, calibrated: bool) -> None:
    frame = frame_for(blank, _scale(0.025) if calibrated else None, CLICKS)
    assert_allclose(frame.to_px(frame.to_plane(CLICKS)), CLICKS)
    assert frame.points_px(frame.to_plane(CLICKS)) == tuple(
        pytest.approx(point) for point in CLICKS
    )


def test_pixels_do_not_depend_on_the_scale(blank: Radiograph) -> None:
    lengths = []
    for calibration in (None, _scale(0.025), _scale(0.05)):
        frame = frame_for(blank, calibration, CLICKS)
        plane = frame.to_plane(CLICKS)
        lengths.append(frame.length(float(np.hypot(*(plane[1] - plane[0]))), 0.0).value_px)
    assert_allclose(lengths, 260.0)
