"""Which scale is taken when the file, the person or nobody gives one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from rxmeasure.calibration.calibrate import SPACING_DISAGREES, calibrate
from rxmeasure.marks import FilmKind, LengthReference, ReviewMarks
from rxmeasure.radiograph import PixelSpacing, Radiograph

LINE = LengthReference(
    kind="line", points_px=((50.0, 40.0), (1090.0, 40.0)), length_mm=20.0
)  # 0.0192308 mm/px


@pytest.fixture(scope="module")
def bare(make_radiograph: Callable[..., Radiograph]) -> Radiograph:
    return make_radiograph(np.zeros((1200, 300)))


def _with_spacing(film: Radiograph, pitch_mm: float) -> Radiograph:
    spacing = PixelSpacing(
        row_mm=pitch_mm, col_mm=pitch_mm, attribute="Imager Pixel Spacing (0018,1164)",
        plane="detector",
    )  # fmt: skip
    return replace(film, spacing=spacing)


def _marks(*references: LengthReference, use_detector_spacing: bool = True) -> ReviewMarks:
    return ReviewMarks(
        film_kind=FilmKind.POSTOPERATIVE,
        references=references,
        use_detector_spacing=use_detector_spacing,
    )


def test_nothing_gives_no_scale(bare: Radiograph) -> None:
    assert calibrate(bare, _marks()) is None


def test_the_pictures_own_spacing_is_taken_only_when_it_may_be(bare: Radiograph) -> None:
    film = _with_spacing(bare, 0.02)
    taken = calibrate(film, _marks())
    assert taken is not None
    assert taken.col_mm == 0.02
    assert "0018,1164" in taken.source
    assert calibrate(film, _marks(use_detector_spacing=False)) is None


def test_a_known_length_goes_before_the_spacing(bare: Radiograph) -> None:
    # A detector pitch of 0.020 mm and a file that says 0.0192308 mm/px: magnification 1.040
    # (calc), which is no disagreement.
    known = calibrate(_with_spacing(bare, 0.020), _marks(LINE))
    assert known is not None
    assert 0.020 / known.col_mm == pytest.approx(1.040)
    assert known.col_mm == pytest.approx(20.0 / 1040.0)
    assert "known length" in known.source
    assert known.warnings == ()


@pytest.mark.parametrize(
    ("percent", "warned"), [(4.9, False), (5.1, True), (-4.9, False), (-5.1, True)]
)
def test_more_than_five_percent_apart_is_told(
    bare: Radiograph, percent: float, warned: bool
) -> None:
    assert SPACING_DISAGREES == 0.05
    film = _with_spacing(bare, 20.0 / 1040.0 * (1.0 + percent / 100.0))
    found = calibrate(film, _marks(LINE))
    assert found is not None
    assert found.col_mm == pytest.approx(20.0 / 1040.0)
    assert ([w.code for w in found.warnings] == ["detector-and-file-disagree"]) == warned
    if warned:
        assert f"{percent:+.1f} %" in found.warnings[0].text


def test_a_known_length_is_compared_even_when_the_spacing_may_not_be_used(
    bare: Radiograph,
) -> None:
    film = _with_spacing(bare, 0.030)
    found = calibrate(film, _marks(LINE, use_detector_spacing=False))
    assert found is not None
    assert "detector-and-file-disagree" in [w.code for w in found.warnings]
