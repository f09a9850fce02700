"""Landmarks and stated numbers are held against the picture."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from rxmeasure.errors import MarksError
from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    LengthReference,
    NominalShape,
    Override,
    ReviewMarks,
    Settings,
)
from rxmeasure.marks_check import check_marks, finished_marks

SHAPE = (100, 60)
CANAL = CanalMarks(name="single", clicks_px=((10.0, 30.0), (90.0, 30.0)))


def _marks(*canals: CanalMarks, **more: Any) -> ReviewMarks:
    return ReviewMarks(film_kind=FilmKind.POSTOPERATIVE, canals=canals, **more)


def _at(row: float, col: float, state: LandmarkState = LandmarkState.MARKED) -> Landmark:
    return Landmark(point_px=(row, col), state=state)


@pytest.mark.parametrize("corner", [(-0.5, -0.5), (99.5, 59.5), (0.0, 59.0)])
def test_the_whole_of_every_pixel_belongs_to_the_picture(corner: tuple[float, float]) -> None:
    check_marks(_marks(replace(CANAL, radiographic_apex=_at(*corner))), SHAPE)


@pytest.mark.parametrize(
    "point", [(-0.6, 5.0), (99.6, 5.0), (5.0, -0.6), (5.0, 59.6), (math.nan, 5.0), (5.0, math.inf)]
)
@pytest.mark.parametrize(
    "name",
    ["coronal_reference", "orifice", "radiographic_apex", "core_end", "sealer_end", "post_end"],
)
def test_points_outside_are_refused(name: str, point: tuple[float, float]) -> None:
    with pytest.raises(MarksError, match=name):
        check_marks(_marks(replace(CANAL, **{name: _at(*point)})), SHAPE)


def test_states_with_and_without_points() -> None:
    outside = _at(150.0, 30.0, LandmarkState.OUTSIDE_FILM)
    check_marks(_marks(replace(CANAL, radiographic_apex=outside)), SHAPE)
    unclear = Landmark(state=LandmarkState.UNCLEAR)
    check_marks(_marks(replace(CANAL, radiographic_apex=unclear)), SHAPE)
    with pytest.raises(MarksError, match="without a point"):
        check_marks(
            _marks(replace(CANAL, radiographic_apex=Landmark(state=LandmarkState.MARKED))), SHAPE
        )


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf, 51.0])
@pytest.mark.parametrize("name", ["stop_to_tip_mm", "locator_reading_mm", "downpack_depth_mm"])
def test_stated_lengths_out_of_range(name: str, value: float) -> None:
    with pytest.raises(MarksError, match=name):
        check_marks(_marks(replace(CANAL, **{name: value})), SHAPE)


@pytest.mark.parametrize(("size", "taper"), [(0.0, 0.04), (35.0, 4.0), (math.nan, 0.04)])
def test_stated_shapes_out_of_range(size: float, taper: float) -> None:
    with pytest.raises(MarksError, match="stated"):
        check_marks(_marks(replace(CANAL, nominal=NominalShape(size=size, taper=taper))), SHAPE)


@pytest.mark.parametrize(
    "change",
    [
        {"click_sd_mm": 0.0},
        {"click_sd_mm": math.nan},
        {"safety_mm": -1.0},
        {"magnification_u_rel": -0.1},
        {"void_min_px": -1.0},
        {"void_min_mm": math.nan},
        {"void_min_contrast_sd": -1.0},
        {"seed": -1},
    ],
)
def test_settings_out_of_range(change: dict[str, Any]) -> None:
    check_marks(_marks(CANAL), SHAPE)
    with pytest.raises(MarksError, match=next(iter(change))):
        check_marks(_marks(CANAL, settings=Settings(**change)), SHAPE)


def test_two_canals_of_one_name() -> None:
    with pytest.raises(MarksError, match="two canals"):
        check_marks(_marks(CANAL, CANAL), SHAPE)


# --- unfinished marks -----------------------------------------------------------------------

FILE = LengthReference(kind="file", points_px=((5.0, 5.0), (80.0, 5.0)), length_mm=20.0)


def _override(canal: str) -> Override:
    return Override(canal=canal, rule_id="half_two/density", verdict="met", reason="artefact")


def test_finished_marks_stay_as_they_are() -> None:
    marks = _marks(CANAL, references=(FILE,), overrides=(_override("single"), _override("")))
    assert finished_marks(marks) == marks
    assert finished_marks(_marks()) == _marks()


@pytest.mark.parametrize("clicks", [(), ((10.0, 30.0),)])
def test_a_canal_that_was_only_begun_is_left_out_with_its_overrides(
    clicks: tuple[tuple[float, float], ...],
) -> None:
    begun = CanalMarks(name="D", clicks_px=clicks)
    marks = _marks(
        begun, CANAL, tooth="36", reader="r1",
        overrides=(_override("D"), _override("single"), _override("")),
    )  # fmt: skip
    assert finished_marks(marks) == replace(
        marks, canals=(CANAL,), overrides=(_override("single"), _override(""))
    )


@pytest.mark.parametrize(
    "change", [{"points_px": ()}, {"points_px": ((5.0, 5.0),)}, {"length_mm": 0.0},
               {"length_mm": -1.0}],
)  # fmt: skip
def test_a_reference_that_was_only_begun_is_left_out(change: dict[str, Any]) -> None:
    marks = _marks(CANAL, references=(replace(FILE, **change), FILE))
    assert finished_marks(marks) == replace(marks, references=(FILE,))


def test_what_is_wrong_is_not_hidden_as_unfinished() -> None:
    odd = replace(FILE, length_mm=math.nan)
    marks = _marks(CANAL, CANAL, references=(odd,))
    assert finished_marks(marks) == marks
    with pytest.raises(MarksError, match="two canals"):
        check_marks(finished_marks(marks), SHAPE)
    # Only one of the two canals of one name was begun: the override belongs to the other.
    half = _marks(replace(CANAL, clicks_px=()), CANAL, overrides=(_override("single"),))
    assert finished_marks(half) == _marks(CANAL, overrides=(_override("single"),))
