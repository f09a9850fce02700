"""A file found at one click in a real window: offered, accepted, dragged, rejected."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plugin.window import CONTROL, Key, OpenReader, Reader, film_of, marks_of, open_reader
from rxmeasure_napari.review_state import Purpose

__all__ = ["film_of", "marks_of", "open_reader"]

NAME = "adequate_premolar.png"
#: Found so near to where the file was drawn (0.1 mm).
NEAR_PX = 2.0


@pytest.fixture
def begin(
    open_reader: OpenReader, film_of: Callable[[str], Path], marks_of: Callable[[str], Any]
) -> Callable[[], Reader]:
    """Open a window and click once on the middle of the film's file."""

    def opened() -> Reader:
        reader = open_reader(film_of(NAME))
        reader.press("rx_step_calibrate")
        reader.press("rx_find_file")
        points = marks_of(NAME).references[0].points_px
        reader.click(points[len(points) // 2])
        reader.wait(lambda: reader.film.offered_file is not None)
        return reader

    return opened


def apart(a: Any, b: Any) -> float:
    return float(np.hypot(*(np.asarray(a) - np.asarray(b))))


def test_what_is_found_counts_only_when_it_is_accepted_and_undo_is_one_step(
    begin: Callable[[], Reader], sample_images: Path
) -> None:
    reader = begin()
    truth = json.loads((sample_images / NAME).with_suffix(".truth.json").read_text())
    (drawn,) = truth["files"]
    found = reader.film.offered_file.found
    assert apart(found.stop_px, drawn["axis_px"][0]) < NEAR_PX
    assert apart(found.tip_px, drawn["axis_px"][-1]) < NEAR_PX
    assert reader.marks.references == ()
    assert reader.film.calibration is None
    assert "does not count yet" in reader.said("rx_offered_text")
    assert f"{100 * found.confidence:.0f} %" in reader.said("rx_offered_text")
    assert reader.state.pointing.purpose is Purpose.LOOK
    if folder := os.environ.get("RXMEASURE_SHOTS"):
        reader.settle()
        reader.window.grab().save(f"{folder}/find_file.png")
    reader.press("rx_accept_file")
    reader.wait(lambda: reader.focus_is("rx_length_0"))
    (reference,) = reader.marks.references
    assert reference.points_px == found.path_px
    assert reference.ends_u_px == (found.u_stop_px, found.u_tip_px)
    reader.write("rx_length_0", f"{drawn['length_mm']:g}", then=Key.Key_Tab)
    reader.measured()
    assert reader.film.calibration is not None
    assert not reader.shows("rx_accept_file")
    reader.key(Key.Key_Z, CONTROL)
    reader.key(Key.Key_Z, CONTROL)
    assert reader.marks.references == ()


def test_an_end_that_is_dragged_accepts_the_file_as_the_reader_put_it(
    begin: Callable[[], Reader],
) -> None:
    reader = begin()
    found = reader.film.offered_file.found
    there = (found.tip_px[0] + 25.0, found.tip_px[1])
    reader.drag(found.tip_px, (found.tip_px[0] + 10.0, found.tip_px[1]), there)
    (reference,) = reader.marks.references
    assert apart(reference.points_px[-1], there) < 1.5
    assert reference.points_px[0] == found.stop_px
    # The reader's own point is as exact as a click.
    assert reference.ends_u_px is None
    assert reader.film.offered_file is None
    reader.film.undo()
    assert reader.marks.references == ()


def test_rejected_leaves_nothing(begin: Callable[[], Reader]) -> None:
    reader = begin()
    reader.press("rx_reject_file")
    assert reader.film.offered_file is None
    assert reader.marks.references == ()
    assert reader.film.undo_label == ""
    assert not reader.shows("rx_accept_file")


def test_where_no_file_lies_nothing_is_offered_and_the_next_click_may_find_it(
    open_reader: OpenReader, film_of: Callable[[str], Path], marks_of: Callable[[str], Any]
) -> None:
    reader = open_reader(film_of(NAME))
    reader.press("rx_step_calibrate")
    reader.press("rx_find_file")
    rows, cols = reader.film.radiograph.shape
    reader.click((0.97 * rows, 0.95 * cols))
    reader.wait(lambda: "Found:" in reader.told)
    assert reader.film.offered_file is None
    points = marks_of(NAME).references[0].points_px
    reader.click(points[len(points) // 2])
    reader.wait(lambda: reader.film.offered_file is not None)
