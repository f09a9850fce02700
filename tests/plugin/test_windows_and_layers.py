"""Several windows and films, layers that the user takes away, images that change: a real window."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from plugin.window import (
    ALT,
    CONTROL,
    Key,
    OpenReader,
    Reader,
    film_of,
    marks_of,
    open_reader,
)
from qtpy.QtCore import QEvent
from qtpy.QtWidgets import QApplication, QPushButton
from rxmeasure_napari.review_state import Purpose, Step

from rxmeasure.marks import ReviewMarks
from rxmeasure.record.draft import draft_path, load_draft
from rxmeasure.record.review_file import IMAGE_CHANGED, load_review, review_path

__all__ = ["film_of", "marks_of", "open_reader"]

FilmOf = Callable[..., Path]
MarksOf = Callable[[str], ReviewMarks]
PREMOLAR, CANINE = "adequate_premolar.png", "voids_canine.png"


def in_draft(film: Path) -> ReviewMarks | None:
    return load_draft(draft_path(film)).marks if draft_path(film).exists() else None


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def other_image(film: Path) -> None:
    """Put another image in the place of a film: one pixel differs."""
    with Image.open(film) as picture:
        grey = np.asarray(picture).copy()
    grey[0, 0] = 0 if grey[0, 0] else 1
    Image.fromarray(grey).save(film)


# Windows.


def test_two_windows_on_two_films_know_nothing_of_each_other(
    open_reader: OpenReader, film_of: FilmOf, marks_of: MarksOf
) -> None:
    one, other = open_reader(film_of(PREMOLAR)), open_reader(film_of(CANINE))
    before = other.film.work
    one.come_forward()
    one.review(marks_of(PREMOLAR))
    assert other.film.work == before
    assert other.state.step is Step.PICTURE
    assert [f.name for f in one.state.films] == [PREMOLAR]
    other.come_forward()
    other.press("rx_step_calibrate")
    done = one.film.work
    for point in marks_of(CANINE).references[0].points_px[:2]:
        other.click(point)
    assert len(other.marks.references[0].points_px) == 2
    other.key(Key.Key_Z, CONTROL)
    assert len(other.marks.references[0].points_px) == 1
    assert one.film.work == done
    assert one.state.step is Step.FILL


def test_two_windows_on_one_film_the_later_is_told_and_loses_nothing(
    open_reader: OpenReader, film_of: FilmOf, marks_of: MarksOf
) -> None:
    film = film_of(PREMOLAR)
    first, *_ = marks_of(PREMOLAR).canals
    one, other = open_reader(film), open_reader(film)
    one.come_forward()
    one.press("rx_step_canals")
    one.click(first.clicks_px[0])
    one.wait(lambda: in_draft(film) == one.marks)

    other.come_forward()
    other.press("rx_step_canals")
    other.click(first.clicks_px[0])
    other.wait(lambda: other.shows("rx_action"))
    assert "another window" in other.told
    assert other.find("rx_action").text() == "Go on here"
    assert len(other.marks.canals[0].clicks_px) == 1
    assert in_draft(film) == one.marks

    other.press("rx_action")
    other.wait(lambda: in_draft(film) == other.marks)
    other.click(first.clicks_px[1])
    other.wait(lambda: in_draft(film) == other.marks)
    assert len(other.marks.canals[0].clicks_px) == 2
    assert not other.shows("rx_action")

    one.come_forward()
    one.click(first.clicks_px[2])
    one.wait(lambda: one.shows("rx_action"))
    assert in_draft(film) == other.marks
    assert len(one.marks.canals[0].clicks_px) == 2


# Layers.


def test_a_layer_of_ours_that_is_deleted_comes_back(
    open_reader: OpenReader, film_of: FilmOf, marks_of: MarksOf
) -> None:
    reader = open_reader(film_of(PREMOLAR))
    reader.review(marks_of(PREMOLAR))
    layers = reader.viewer.layers
    for name in ("lines", "points"):
        gone = getattr(reader.layers, name)
        shown = gone.data.copy()
        layers.selection.active = gone
        layers.remove_selected()
        reader.wait(lambda: len(layers) == 3)
        again = getattr(reader.layers, name)
        assert again in layers
        assert again is not gone
        np.testing.assert_allclose(again.data, shown)
        assert tuple(again.scale) == tuple(reader.layers.image.scale)
    assert reader.film.review is not None


def test_a_radiograph_that_is_deleted_closes_its_film_and_opened_again_goes_on(
    open_reader: OpenReader, film_of: FilmOf, marks_of: MarksOf
) -> None:
    film = film_of(PREMOLAR)
    reader = open_reader(film)
    reader.review(marks_of(PREMOLAR))
    work = reader.film.work
    length = reader.film.review.canals[0].canal_length
    reader.wait(lambda: in_draft(film) == work.marks)
    reader.viewer.layers.selection.active = reader.layers.image
    reader.viewer.layers.remove_selected()
    reader.wait(lambda: not reader.state.films)
    assert len(reader.viewer.layers) == 0
    assert "closed with its layer" in reader.told
    assert reader.said("rx_title") == "No film open"
    assert in_draft(film) == work.marks

    reader.desk.open_path(film)
    reader.wait(lambda: reader.state.films)
    reader.measured()
    assert reader.film.work == work
    assert "taken up" in reader.told
    assert reader.film.review.canals[0].canal_length == length
    assert reader.state.step is Step.FILL


# Images that change on the disk.


def test_a_changed_image_is_refused_until_a_reason_is_typed(
    open_reader: OpenReader, film_of: FilmOf, marks_of: MarksOf
) -> None:
    film = film_of(PREMOLAR)
    reader = open_reader(film)
    reader.review(marks_of(PREMOLAR))
    reader.on_picture(Key.Key_Return, CONTROL)
    reader.wait(review_path(film).exists)
    reader.on_picture(Key.Key_N)
    reader.on_picture(Key.Key_Left)
    reader.measured()
    kept, work = digest(review_path(film)), reader.film.work
    reader.wait(lambda: in_draft(film) == work.marks)
    other_image(film)

    reader.on_picture(Key.Key_Return, CONTROL)
    assert "changed on the disk" in reader.told
    reader.press("rx_step_keep")
    reader.press("rx_report")
    assert "changed on the disk" in reader.told
    assert digest(review_path(film)) == kept
    assert not film.with_name(film.name + ".html").exists()

    reader.press("rx_step_picture")
    reader.press("rx_close")
    reader.desk.open_path(film)
    reader.wait(lambda: reader.state.films)
    assert reader.film.work == work
    reader.press("rx_step_picture")
    assert reader.shows("rx_changed_text")
    for step in ("canals", "fill", "verdict"):
        reader.press(f"rx_step_{step}")
        assert reader.state.pointing.purpose is Purpose.LOOK
    assert reader.film.is_current
    assert reader.film.review is None
    assert reader.film.calibration is None
    reader.on_picture(Key.Key_Return, CONTROL)
    assert digest(review_path(film)) == kept

    reader.press("rx_step_picture")
    reader.write("rx_changed_reason", "  ")
    assert reader.film.changed_image is not None
    reader.press("rx_step_picture")
    reader.write("rx_changed_reason", "same film, scanned again")
    reader.wait(lambda: reader.film.review is not None and reader.film.is_current)
    reader.press("rx_step_picture")
    assert not reader.shows("rx_changed_text")
    reader.key(Key.Key_Return, CONTROL)
    reader.wait(lambda: digest(review_path(film)) != kept)
    review = load_review(review_path(film))
    assert [(o.rule_id, o.reason) for o in review.marks.overrides] == [
        (IMAGE_CHANGED, "same film, scanned again")
    ]
    assert review.image.sha256 == digest(film)


# The dock.


def test_the_dock_may_be_closed_and_opened_again(
    open_reader: OpenReader, film_of: FilmOf, marks_of: MarksOf
) -> None:
    film = film_of(PREMOLAR)
    clicks = marks_of(PREMOLAR).canals[0].clicks_px
    reader = open_reader(film)
    reader.review(marks_of(PREMOLAR))
    reader.key(Key.Key_Return, CONTROL)
    reader.wait(review_path(film).exists)
    reader.press("rx_step_canals")
    reader.press("rx_new_canal")
    reader.click((clicks[0][0], clicks[0][1] + 30.0))
    reader.wait(lambda: in_draft(film) == reader.marks)
    work, image, state = reader.film.work, reader.layers.image, reader.state

    frame = reader.dock.parentWidget()
    close = frame.findChild(QPushButton, "QTitleBarCloseButton")
    close.click()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    where = reader.on_canvas(clicks[1])
    reader.click_at(where)
    reader.on_picture(Key.Key_Delete)
    assert reader.film.work == work

    reader.take_dock()
    assert reader.state is state
    reader.measured()
    assert reader.film.work == work
    assert reader.layers.image is image
    assert len(reader.viewer.layers) == 3
    assert reader.state.step is Step.CANALS
    reader.press("rx_new_canal")
    reader.click((clicks[1][0], clicks[1][1] + 30.0))
    assert (
        len(reader.marks.canals) > len(work.marks.canals)
        or len(reader.marks.canals[-1].clicks_px) == 2
    )
    # The draft and the review file are still this window's own.
    reader.wait(lambda: in_draft(film) == reader.marks)
    reader.press("rx_undo")
    reader.press("rx_undo")
    reader.measured()
    reader.key(Key.Key_Return, CONTROL)
    assert reader.told.startswith("Kept")
    assert not reader.film.has_unkept_work


# Films side by side.


def test_films_side_by_side_show_millimetres_only_when_all_have_them(
    open_reader: OpenReader, film_of: FilmOf, marks_of: MarksOf
) -> None:
    marks = marks_of(CANINE)
    reader = open_reader(film_of(PREMOLAR), film_of(CANINE))
    bar = reader.viewer.canvas.overlays.scale_bar
    first, second = reader.state.films
    assert not bar.visible
    reader.state.choose_film(first)
    calibrate(reader, marks_of(PREMOLAR))
    assert first.calibration is not None
    assert second.calibration is None
    assert not bar.visible
    assert {str(u) for layer in reader.viewer.layers for u in layer.units} == {"pixel"}

    reader.on_picture(Key.Key_PageDown, ALT)
    assert reader.film is second
    calibrate(reader, marks)
    reader.wait(lambda: bar.visible)
    assert {str(u) for layer in reader.viewer.layers for u in layer.units} == {"millimeter"}
    for film in (first, second):
        scale = reader.desk.layers[film.id].image.scale
        assert tuple(scale) == pytest.approx((film.calibration.row_mm, film.calibration.col_mm))
    # They do not lie on each other.
    left, right = (reader.desk.layers[f.id] for f in (first, second))
    assert right.to_world((0.0, -0.5))[1] > left.to_world((0.0, first.radiograph.shape[1] - 0.5))[1]

    reader.on_picture(Key.Key_Z, CONTROL)
    reader.measured()
    reader.wait(lambda: not bar.visible)


def test_a_click_on_the_other_film_brings_it_to_the_front_and_places_nothing(
    open_reader: OpenReader, film_of: FilmOf, marks_of: MarksOf
) -> None:
    reader = open_reader(film_of(PREMOLAR), film_of(CANINE))
    first, second = reader.state.films
    assert reader.film is second
    reader.press("rx_step_canals")
    assert reader.state.pointing.purpose is Purpose.CANAL
    row, col = reader.desk.layers[first.id].to_world((300.0, 150.0))
    reader.click(reader.layers.to_px((row, col)))
    assert reader.film is first
    assert first.marks.canals == second.marks.canals == ()
    reader.click(marks_of(PREMOLAR).canals[0].clicks_px[0])
    assert len(first.marks.canals[0].clicks_px) == 1
    assert second.marks.canals == ()
    for modifier_key, expected in (
        (Key.Key_PageDown, second),
        (Key.Key_PageDown, first),
        (Key.Key_PageUp, second),
    ):
        reader.on_picture(modifier_key, ALT)
        assert reader.film is expected


def test_keys_go_from_canal_to_canal(
    open_reader: OpenReader, film_of: FilmOf, marks_of: MarksOf
) -> None:
    name = "two_canals_premolar.jpg"
    reader = open_reader(film_of(name))
    for number, canal in enumerate(marks_of(name).canals):
        reader.press("rx_step_canals")
        if number:
            reader.on_picture(Key.Key_N, ALT)
        for point in canal.clicks_px:
            reader.click(point)
        reader.on_picture(Key.Key_Return)
    reader.measured()
    names = [c.name for c in reader.marks.canals]
    assert len(names) == 2
    seen = [reader.state.canal]
    for _ in range(2):
        reader.on_picture(Key.Key_Right, ALT)
        seen.append(reader.state.canal)
    assert seen == [names[1], names[0], names[1]]
    reader.on_picture(Key.Key_Left, ALT)
    assert reader.state.canal == names[0]
    # A click on the line of the other canal brings it to the front, too.
    line = reader.film.measured(names[1]).centre_line.points_px
    reader.click(line[2 * len(line) // 3])
    assert reader.state.canal == names[1]


def calibrate(reader: Reader, marks: ReviewMarks) -> None:
    reference = marks.references[0]
    reader.press("rx_step_calibrate")
    reader.click(reference.points_px[0])
    reader.click(reference.points_px[-1])
    reader.wait(lambda: reader.focus_is("rx_length_0"))
    reader.type(f"{reference.length_mm:g}")
    reader.measured()
