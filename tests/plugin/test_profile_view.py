"""The profile of a canal in a real window, driven by the mouse."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyqtgraph as pg
import pytest
from numpy.testing import assert_allclose
from qtpy.QtCore import QPoint, QPointF, Qt
from qtpy.QtGui import QCursor
from qtpy.QtWidgets import QLabel
from rxmeasure_napari.profile_view import ProfileView
from scipy import ndimage

from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks
from rxmeasure.report.numbers import Numbers
from rxmeasure.review import review_film
from rxmeasure.tracing.straighten import straightened_canal

Sample = tuple[CanalMeasurement, Radiograph, float | None]
Measured = Callable[..., Sample]


@pytest.fixture(scope="module")
def measured(sample_images: Path) -> Measured:
    """First canal of a sample film, the film, and its scale; each is measured once."""

    @cache
    def one(name: str, scale: bool = True) -> Sample:
        radiograph = read_radiograph(sample_images / name)
        marks = read_marks((sample_images / name).with_suffix(".marks.toml"))
        if not scale:
            radiograph = replace(radiograph, spacing=None)
            marks = replace(marks, references=())
        review = review_film(radiograph, marks)
        pitch = None if review.calibration is None else review.calibration.col_mm
        return review.canals[0], radiograph, pitch

    return one


@pytest.fixture
def view(qtbot: Any) -> Iterator[ProfileView]:
    """The view in a window of the panel's width, the pointer away from it."""
    view = ProfileView()
    qtbot.addWidget(view)
    view.resize(390, 300)
    view.move(0, 0)
    QCursor.setPos(900, 600)
    with qtbot.waitExposed(view):
        view.show()
    yield view
    QCursor.setPos(900, 600)


def show(view: ProfileView, sample: Sample, **more: Any) -> CanalMeasurement:
    canal, radiograph, mm_per_px = sample
    numbers = {k: k + 1 for k in range(len(canal.gaps))}
    view.show_canal(canal, radiograph, mm_per_px=mm_per_px, gap_numbers=numbers, **more)
    view.grab()  # lays out and paints
    return canal


@pytest.fixture
def voids(view: ProfileView, measured: Measured) -> CanalMeasurement:
    canal = show(view, measured("voids_canine.png"))
    assert len(canal.gaps) >= 2
    return canal


def items(view: ProfileView, kind: type) -> list[Any]:
    return [i for i in view._view.scene().items() if isinstance(i, kind) and i.isVisible()]


def screen(view: ProfileView, scene: QPointF) -> QPoint:
    return view._view.mapFromScene(scene)


def px_per_screen_px(view: ProfileView, mm_per_px: float | None) -> float:
    return float(view._strip.vb.viewPixelSize()[0]) / (mm_per_px or 1.0)


def place_of(canal: CanalMeasurement, index: int) -> float:
    assert canal.fill_end is not None
    return canal.fill_end.s_px - canal.gaps[index].to_end_px


@pytest.mark.parametrize("scale", [True, False])
def test_pointer_on_a_void_tells_the_place_of_the_void(
    qtbot: Any, view: ProfileView, measured: Measured, scale: bool
) -> None:
    sample = measured("voids_canine.png", scale)
    canal = show(view, sample)
    assert canal.gaps
    told: list[float | None] = []
    view.place_hovered.connect(told.append)
    for index, gap in view._gaps.items():
        for shade in gap.shades:
            told.clear()
            centre = screen(view, shade.sceneBoundingRect().center())
            qtbot.mouseMove(view._view.viewport(), centre)
            qtbot.waitUntil(lambda: bool(told))
            place = told[-1]
            assert place is not None
            # A pointer stands on whole pixels of the screen.
            step = px_per_screen_px(view, sample[2])
            assert abs(place - place_of(canal, index)) <= step


def test_place_of_a_void_is_where_the_film_shows_it(
    voids: CanalMeasurement, measured: Measured
) -> None:
    line = straightened_canal(
        measured("voids_canine.png")[1], voids.centre_line.points_px, half_width_px=1.0
    )
    for index, gap in enumerate(voids.gaps):
        s_px = line.places([gap.centre_px])[0, 0]
        assert s_px == pytest.approx(place_of(voids, index), abs=1.0)


@pytest.mark.parametrize(
    "name", ["voids_canine.png", "adequate_premolar.png", "curved_molar.tif", "short_incisor.dcm"]
)
def test_strip_shows_the_film_under_what_is_drawn(
    view: ProfileView, measured: Measured, name: str
) -> None:
    # Upper and lower teeth: a strip that is mirrored or runs the wrong way fails.
    canal, radiograph, _ = sample = measured(name)
    show(view, sample)
    image = next(i for i in view._strip.vb.addedItems if isinstance(i, pg.ImageItem))
    lines = [i for i in view._strip.vb.addedItems if isinstance(i, pg.PlotCurveItem)]
    profile = sorted(canal.profile, key=lambda p: p.to_end_px)
    points = np.array([p.left_edge_px for p in profile])
    x, y = lines[0].getData()
    assert len(x) == len(points)
    at = [image.mapFromParent(QPointF(a, b)) for a, b in zip(x, y, strict=True)]
    shown = ndimage.map_coordinates(
        image.image, np.array([(p.x() - 0.5, p.y() - 0.5) for p in at]).T, order=1
    )
    film = ndimage.map_coordinates(radiograph.pixels, points.T, order=1)
    # Interpolated twice on one of the steepest slopes of the film.
    assert np.corrcoef(shown, film)[0, 1] > 0.95
    assert np.abs(shown - film).max() < 0.1 * (np.nanmax(image.image) - np.nanmin(image.image))


def test_apical_is_left(view: ProfileView, voids: CanalMeasurement) -> None:
    apical = min(view._gaps, key=lambda k: voids.gaps[k].to_end_px)
    coronal = max(view._gaps, key=lambda k: voids.gaps[k].to_end_px)
    left, right = (view._gaps[k].shades[0].sceneBoundingRect() for k in (apical, coronal))
    assert left.center().x() < right.center().x()


def test_click_on_a_void_chooses_it(qtbot: Any, view: ProfileView, voids: CanalMeasurement) -> None:
    chosen: list[int] = []
    view.gap_chosen.connect(chosen.append)
    for index, gap in view._gaps.items():
        for shade in gap.shades:
            where = screen(view, shade.sceneBoundingRect().center())
            qtbot.mouseClick(view._view.viewport(), Qt.MouseButton.LeftButton, pos=where)
            assert chosen.pop() == index
    in_strip = screen(view, view._gaps[0].outline.sceneBoundingRect().center())
    qtbot.mouseClick(view._view.viewport(), Qt.MouseButton.LeftButton, pos=in_strip)
    assert chosen.pop() == 0


def test_click_beside_the_voids_chooses_nothing(
    qtbot: Any, view: ProfileView, voids: CanalMeasurement
) -> None:
    chosen: list[int] = []
    view.gap_chosen.connect(chosen.append)
    rect = view._density.vb.sceneBoundingRect()
    ends = [gap.shades[0].sceneBoundingRect().right() for gap in view._gaps.values()]
    where = QPointF((max(ends) + rect.right()) / 2.0, rect.center().y())
    for place in (where, QPointF(rect.left() - 5.0, rect.center().y())):
        qtbot.mouseClick(view._view.viewport(), Qt.MouseButton.LeftButton, pos=screen(view, place))
    on_void = screen(view, view._gaps[0].shades[0].sceneBoundingRect().center())
    qtbot.mouseClick(view._view.viewport(), Qt.MouseButton.RightButton, pos=on_void)
    assert chosen == []


def test_place_from_the_film_is_marked_without_an_echo(
    view: ProfileView, voids: CanalMeasurement
) -> None:
    told: list[float | None] = []
    view.place_hovered.connect(told.append)
    for index, gap in view._gaps.items():
        view.mark_place(place_of(voids, index))
        centre = gap.shades[0].sceneBoundingRect().center().x()
        for cursor in view._cursors:
            assert cursor.isVisible()
            assert cursor.mapToScene(QPointF(0.0, 0.0)).x() == pytest.approx(centre, abs=0.5)
        assert f"void {index + 1}" in view._readout.text()
    view.mark_place(None)
    assert not any(cursor.isVisible() for cursor in view._cursors)
    assert told == []


def test_pointer_that_leaves_is_told_once(
    qtbot: Any, view: ProfileView, voids: CanalMeasurement
) -> None:
    told: list[float | None] = []
    view.place_hovered.connect(told.append)
    for outside in (QPoint(3, 100), QPoint(900, 600)):  # beside the plots, out of the window
        told.clear()
        qtbot.mouseMove(view._view.viewport(), QPoint(200, 100))
        qtbot.waitUntil(lambda: bool(told) and told[-1] is not None)
        QCursor.setPos(view._view.viewport().mapToGlobal(outside))
        qtbot.waitUntil(lambda: told[-1] is None)
        qtbot.wait(50)
        assert told.count(None) == 1
        assert not any(cursor.isVisible() for cursor in view._cursors)


def test_mouse_cannot_move_the_axes(qtbot: Any, view: ProfileView, voids: CanalMeasurement) -> None:
    before = [plot.viewRange() for plot in view._plots]
    viewport = view._view.viewport()
    for where in (QPoint(200, 60), QPoint(200, 130), QPoint(30, 130), QPoint(200, 270)):
        for button in (Qt.MouseButton.LeftButton, Qt.MouseButton.RightButton):
            qtbot.mousePress(viewport, button, pos=where)
            qtbot.mouseMove(viewport, where + QPoint(25, 12))
            qtbot.mouseRelease(viewport, button, pos=where + QPoint(25, 12))
        wheel(view, where)
    assert [plot.viewRange() for plot in view._plots] == before


def wheel(view: ProfileView, where: QPoint) -> None:
    from qtpy.QtGui import QWheelEvent
    from qtpy.QtWidgets import QApplication

    viewport = view._view.viewport()
    event = QWheelEvent(
        QPointF(where), QPointF(viewport.mapToGlobal(where)), QPoint(), QPoint(0, 240),
        Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase,
        False,
    )  # fmt: skip
    QApplication.sendEvent(viewport, event)


def test_chosen_void_stands_out(view: ProfileView, voids: CanalMeasurement) -> None:
    def strength() -> list[tuple[float, int]]:
        return [
            (gap.outline.opts["pen"].widthF(), gap.shades[0].brush().color().alpha())
            for gap in view._gaps.values()
        ]

    plain = strength()
    view.emphasise_gap(1)
    chosen = strength()
    assert [c > p for c, p in zip(chosen, plain, strict=True)] == [
        k == 1 for k in range(len(plain))
    ]
    view.emphasise_gap(None)
    assert strength() == plain


def test_readout_gives_the_measured_width(view: ProfileView, voids: CanalMeasurement) -> None:
    point = voids.profile[len(voids.profile) // 2]
    view.mark_place(point.s_px)
    assert f"width {point.width_mm:.2f}" in view._readout.text()


def test_decimal_comma(view: ProfileView, measured: Measured) -> None:
    canal = show(view, measured("voids_canine.png"), numbers=Numbers(decimal_mark=","))
    point = canal.profile[len(canal.profile) // 2]
    view.mark_place(point.s_px)
    assert f"width {point.width_mm:.2f}".replace(".", ",") in view._readout.text()
    ticks = view._width.getAxis("left").tickStrings([0.5], 1.0, 0.5)
    assert ticks == ["0,5"]


def test_film_without_a_scale_is_in_pixels(view: ProfileView, measured: Measured) -> None:
    canal = show(view, measured("curved_molar.tif"))
    assert "(px)" in view._density.getAxis("bottom").labelText
    assert "(px)" in view._width.getAxis("left").labelText
    x, y = next(i for i in view._width.vb.addedItems if isinstance(i, pg.PlotCurveItem)).getData()
    profile = sorted(canal.profile, key=lambda p: p.to_end_px)
    assert_allclose(x, [p.to_end_px for p in profile], atol=1e-6)
    assert_allclose(y, [p.width_px for p in profile])
    view.mark_place(profile[5].s_px)
    assert "mm" not in view._readout.text()


def test_film_with_a_file_shows_the_strip_alone(view: ProfileView, measured: Measured) -> None:
    canal, _, mm_per_px = sample = measured("working_length_premolar.png")
    show(view, sample)
    assert [plot.isVisible() for plot in view._plots] == [True, False, False]
    marks = {
        line.label.format: line for line in items(view, pg.InfiniteLine) if hasattr(line, "label")
    }
    assert set(marks) == {"tip of the file", "apex"}
    assert canal.tip_to_apex is not None
    assert canal.tip_to_apex.value_mm is not None
    assert marks["tip of the file"].value() == 0.0
    assert mm_per_px is not None
    assert marks["apex"].value() == pytest.approx(-canal.tip_to_apex.value_mm, abs=mm_per_px)
    # True proportions: a millimetre is as long along as across.
    along, across = view._strip.vb.viewPixelSize()
    assert along == pytest.approx(across, rel=0.02)


def test_overfill_has_the_apex_coronal_of_its_end(view: ProfileView, measured: Measured) -> None:
    canal = show(view, measured("overfilled_with_puff.tif"))
    assert canal.fill_end is not None
    marks = {
        line.label.format: line for line in items(view, pg.InfiniteLine) if hasattr(line, "label")
    }
    assert marks["apex"].value() > marks["fill end"].value() == 0.0


@pytest.mark.parametrize(
    ("name", "scale"),
    [
        ("voids_canine.png", True),
        ("voids_canine.png", False),
        ("overfilled_with_puff.tif", True),
        ("short_incisor.dcm", True),
        ("working_length_premolar.png", True),
    ],
)
def test_all_words_lie_inside_the_panel(
    view: ProfileView, measured: Measured, name: str, scale: bool
) -> None:
    show(view, measured(name, scale))
    assert view.width() == 390
    ground = view._view.sceneRect()
    words = [*items(view, pg.TextItem), *(axis.label for axis in items(view, pg.AxisItem))]
    assert len(words) >= 3
    for word in words:
        if word.isVisible():
            box = word.mapRectToScene(word.boundingRect())
            assert ground.contains(box.adjusted(4, 4, -4, -4)), word  # without its own margin


def test_says_what_is_missing(
    view: ProfileView, measured: Measured, voids: CanalMeasurement
) -> None:
    _, radiograph, _ = measured("voids_canine.png")
    told: list[float | None] = []
    view.place_hovered.connect(told.append)
    view.show_canal(None, radiograph, mm_per_px=None, gap_numbers={})
    label = view._pages.currentWidget()
    assert isinstance(label, QLabel)
    assert "No canal is measured" in label.text()
    view.show_canal(None, None, mm_per_px=None, gap_numbers={})
    assert "No film is open" in label.text()
    view.mark_place(10.0)
    view.emphasise_gap(0)
    assert told == []


def test_canal_without_anything_seen_is_still_shown(view: ProfileView, measured: Measured) -> None:
    canal, radiograph, mm_per_px = measured("voids_canine.png")
    bare = replace(
        canal, core_start=None, core_end=None, fill_end=None, sealer_end=None, profile=(),
        taper=None, gaps=(), puff=None,
    )  # fmt: skip
    show(view, (bare, radiograph, mm_per_px))
    assert view._readout.text() == "No fill was seen along the clicks."
    assert [plot.isVisible() for plot in view._plots] == [True, False, False]
    assert "apex" in view._strip.getAxis("bottom").labelText
