"""The whole review in a real window, by mouse and keys alone."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from plugin.window import CONTROL, Key, OpenReader, Reader, film_of, marks_of, open_reader
from qtpy.QtWidgets import QToolButton

from rxmeasure.record.review_file import load_review, review_path

__all__ = ["film_of", "marks_of", "open_reader"]

MOST_ACTIONS = 12


@pytest.mark.parametrize("name", ["adequate_premolar.png", "voids_canine.png"])
def test_twelve_actions_give_what_the_command_gives(
    name: str,
    open_reader: OpenReader,
    film_of: Callable[[str], Path],
    marks_of: Callable[[str], Any],
    tmp_path: Path,
) -> None:
    film = film_of(name)
    reader = open_reader(film)
    reader.review(marks_of(name))
    reader.on_picture(Key.Key_Return, CONTROL)
    reader.wait(review_path(film).exists)
    assert reader.actions <= MOST_ACTIONS
    assert reader.film.kept == reader.film.work

    kept = load_review(review_path(film))
    assert kept.marks == reader.marks
    assert kept == reader.film.review
    assert kept.canals[0].fill_to_apex_core.value_mm is not None

    marks = tmp_path / "given.marks.json"
    document = json.loads(review_path(film).read_text(encoding="utf-8"))
    marks.write_text(json.dumps(document["review"]["marks"]), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "rxmeasure.cli.main", "review", str(film)]
        + ["--marks", str(marks), "--out", str(tmp_path / "out"), "--json"],
        capture_output=True,
        encoding="utf-8",
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    printed = load_review(tmp_path / "out" / review_path(film).name)
    assert_same(asdict(kept), asdict(replace(printed, created_utc=kept.created_utc)))
    assert kept.verdicts == printed.verdicts


def assert_same(one: Any, other: Any, place: str = "review") -> None:
    """All equal; numbers to 1e-6."""
    assert type(one) is type(other), place
    if isinstance(one, dict):
        assert one.keys() == other.keys(), place
        for key in one:
            assert_same(one[key], other[key], f"{place}.{key}")
    elif isinstance(one, list | tuple):
        assert len(one) == len(other), place
        for k, (a, b) in enumerate(zip(one, other, strict=True)):
            assert_same(a, b, f"{place}[{k}]")
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-6, abs=1e-6), place
    else:
        assert one == other, place


def change_buttons(reader: Reader, name: str) -> list[str]:
    found = (w.objectName() for w in reader.dock.findChildren(QToolButton) if w.isVisible())
    return [n for n in found if n.startswith(name)]


def override(reader: Reader, reason: str) -> str:
    """Set another verdict on the first field that is judged, by keys; give what it is."""
    reader.press("rx_step_verdict")
    button = change_buttons(reader, "rx_change_")[0]
    reader.press(button)
    assert reader.focus_is("rx_override_verdict")
    reader.key(Key.Key_Down)
    assert not reader.find("rx_override_apply").isEnabled()  # no reason yet
    reader.key(Key.Key_Tab)
    assert reader.focus_is("rx_override_reason")
    reader.type(reason)
    reader.measured()
    return button.removeprefix("rx_change_")


def test_another_verdict_with_its_reason_is_kept_taken_back_and_undone(
    open_reader: OpenReader, film_of: Callable[[str], Path], marks_of: Callable[[str], Any]
) -> None:
    name = "adequate_premolar.png"
    film = film_of(name)
    reader = open_reader(film)
    reader.review(marks_of(name))
    plain = reader.marks
    target = override(reader, "seen on another view")
    (made,) = reader.marks.overrides
    assert (made.rule_id, made.reason) == (target, "seen on another view")
    assert reader.film.review.marks.overrides == (made,)
    assert "seen on another view" in reader.said(f"rx_changed_{target}")
    reader.on_picture(Key.Key_Return, CONTROL)
    assert load_review(review_path(film)).marks.overrides == (made,)

    reader.press(f"rx_take_back_{target}")
    reader.measured()
    assert reader.marks == plain
    assert load_review(review_path(film)).marks.overrides == (made,)
    reader.on_picture(Key.Key_Z, CONTROL)
    assert reader.marks.overrides == (made,)
    reader.on_picture(Key.Key_Z, CONTROL)
    assert reader.marks == plain


def test_what_was_kept_is_there_again_after_closing(
    open_reader: OpenReader, film_of: Callable[[str], Path], marks_of: Callable[[str], Any]
) -> None:
    name = "adequate_premolar.png"
    film = film_of(name)
    with Image.open(film) as picture:
        grey = np.asarray(picture)
    Image.fromarray(np.iinfo(grey.dtype).max - grey).save(film)
    reader = open_reader(film)
    reader.press("rx_invert")
    assert reader.film.work.inverted
    reader.review(marks_of(name))
    override(reader, "as on the recall film")
    reader.on_picture(Key.Key_Return, CONTROL)
    assert not reader.film.has_unkept_work
    work, review = reader.film.work, reader.film.review
    assert review.canals[0].core_end is not None
    reader.close()

    again = open_reader(film)
    assert again.film.work == work
    assert again.film.kept == work
    assert again.find("rx_invert").isChecked()
    assert not again.film.has_unkept_work
    assert again.film.undo_label == ""
    assert_same(asdict(again.film.review), asdict(replace(review, created_utc=created_of(again))))
    assert len(again.film.review.marks.overrides) == 1


def created_of(reader: Reader) -> str:
    return str(reader.film.review.created_utc)


def test_files_that_cannot_be_read_are_told_and_the_window_lives(
    open_reader: OpenReader, film_of: Callable[..., Path], tmp_path: Path
) -> None:
    film, other = film_of("adequate_premolar.png"), film_of("voids_canine.png")
    broken = tmp_path / "broken.png"
    broken.write_bytes(film.read_bytes()[:900])
    review_path(other).write_text('{"format": "rxmeasure-review", ', encoding="utf-8")
    reader = open_reader(film)
    for path, named in ((broken, "broken.png"), (other, review_path(other).name)):
        before = reader.told
        reader.desk.open_path(path)
        reader.wait(lambda before=before: reader.told not in (before, "") and not busy(reader))
        assert named in reader.told or "damaged" in reader.told
        assert "Traceback" not in reader.told
        assert "Next:" in reader.told
        assert [f.name for f in reader.state.films] == [film.name]
    assert review_path(other).exists()
    reader.press("rx_step_canals")
    reader.click((75.0, 242.0))
    assert len(reader.marks.canals[0].clicks_px) == 1


def busy(reader: Reader) -> bool:
    return reader.told.endswith("…")
