"""Coronal of the fill, and without a fill, there is nothing to follow: the clicks must hold."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from rxmeasure.calibration.known_length import calibrate_known_lengths
from rxmeasure.errors import MarksError
from rxmeasure.filling.measurement import measure_canal
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    LengthReference,
    Settings,
)


@pytest.mark.parametrize("name", ["canine", "molar"])
def test_length_from_the_cusp_follows_no_crown(
    film: Callable[..., Any],
    scale_of: Callable[..., Any],
    clicked: Callable[..., CanalMarks],
    name: str,
) -> None:
    radiograph, truth = film(name)
    canal = truth.canals[0]
    marks = clicked(canal, start="reference", sd_mm=0.0)
    found = measure_canal(radiograph, scale_of(truth), marks, FilmKind(truth.film_kind), Settings())
    # Exact clicks: what is left is the bend between cusp and orifice that nothing shows.
    assert found.canal_length.mm() == pytest.approx(canal.length_mm, abs=0.35)


def test_a_reference_beyond_the_first_click_counts_straight(make_scene: Callable[..., Any]) -> None:
    scene = make_scene()
    clicks = scene.clicks_px(4.5, 9.0, 13.0)
    above = np.asarray(clicks[0]) + 3.5 / scene.calibration().col_mm * _away(clicks)
    base = CanalMarks(name="single", clicks_px=clicks)
    marked = CanalMarks(
        name="single",
        clicks_px=clicks,
        coronal_reference=Landmark(
            point_px=(float(above[0]), float(above[1])), state=LandmarkState.MARKED
        ),
    )
    radiograph = scene.radiograph()
    plain, longer = (
        measure_canal(radiograph, scene.calibration(), m, FilmKind.POSTOPERATIVE, Settings())
        for m in (base, marked)
    )
    if not _inside(radiograph.shape, above):
        pytest.fail("the landmark must lie in the picture for this test")
    assert longer.canal_length.mm() - plain.canal_length.mm() == pytest.approx(3.5, abs=0.1)


def _away(clicks: tuple[tuple[float, float], ...]) -> Any:
    direction = np.asarray(clicks[0]) - np.asarray(clicks[1])
    return direction / np.hypot(*direction)


def _inside(shape: tuple[int, int], point: Any) -> bool:
    return bool(0 <= point[0] < shape[0] and 0 <= point[1] < shape[1])


def test_the_axis_is_exact_on_a_clean_picture(make_scene: Callable[..., Any]) -> None:
    scene = make_scene(texture=0.0)
    marks = CanalMarks(name="single", clicks_px=scene.clicks_px(1.0, 13.0))
    found = measure_canal(
        scene.radiograph(), scene.calibration(), marks, FilmKind.POSTOPERATIVE, Settings()
    )
    scale = scene.calibration().col_mm
    truth = np.asarray(scene.clicks_px(*np.linspace(0.0, 14.0, 400))) * scale
    end = found.fill_end
    assert end is not None
    on_fill = [
        foot_on_polyline(truth, np.asarray(p) * scale)[1]
        for p, s in zip(found.centre_line.points_px, found.centre_line.s_px, strict=True)
        if 20.0 < s < end.s_px - 20.0
    ]
    assert np.sqrt(np.mean(np.square(on_fill))) < 0.02


def test_a_line_reference_outside_the_picture_is_refused(make_scene: Callable[..., Any]) -> None:
    reference = LengthReference(kind="line", points_px=((5.0, 5.0), (5.0, 5000.0)), length_mm=20.0)
    with pytest.raises(MarksError, match="outside the picture"):
        calibrate_known_lengths(make_scene().radiograph(), (reference,), Settings())
