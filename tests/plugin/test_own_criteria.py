"""A criteria file of the reader's own, chosen in a real window."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from own_rule import HEAD
from plugin.window import CONTROL, Key, OpenReader, Reader, film_of, marks_of, open_reader
from qtpy.QtWidgets import QApplication, QCheckBox, QFileDialog
from rxmeasure_napari import marks_edits

from rxmeasure.marks import Override
from rxmeasure.record.review_file import load_review, review_path

__all__ = ["film_of", "marks_of", "open_reader"]

NAME = "adequate_premolar.png"
OWN = (
    HEAD
    + """\
[[field.band]]
label = "good"
outcome = "met"
at_most = 90.0

[[field.band]]
label = "far"
outcome = "not met"
above = 90.0
"""
)


@pytest.fixture
def own_file(tmp_path: Path) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(OWN, encoding="utf-8")
    return path


@pytest.fixture
def at_verdicts(
    open_reader: OpenReader, film_of: Callable[[str], Path], marks_of: Any
) -> Callable[[], Reader]:
    """A reviewed film in the step of the verdicts."""

    def open_one() -> Reader:
        reader = open_reader(film_of(NAME))
        reader.review(marks_of(NAME))
        reader.measured()
        reader.press("rx_step_verdict")
        return reader

    return open_one


def choose(reader: Reader, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: (str(path), ""))
    reader.press("rx_own_criteria")
    reader.measured()


def judged_by(reader: Reader) -> set[str]:
    assert reader.film.review is not None
    return {verdict.rule_id for verdict in reader.film.review.verdicts}


def own_boxes(reader: Reader) -> list[QCheckBox]:
    boxes = reader.dock.findChildren(QCheckBox, "rx_criteria_own_rule")
    return [box for box in boxes if box.isVisible()]


def test_own_criteria_judge_are_undone_and_left_out(
    at_verdicts: Callable[[], Reader], own_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = at_verdicts()
    published = judged_by(reader)
    choose(reader, own_file, monkeypatch)
    assert judged_by(reader) == published | {"own_rule"}
    (box,) = own_boxes(reader)
    assert box.isChecked()
    assert "own.toml" in box.text()
    assert "not the criteria" in reader.said("rx_own_criteria_hint")
    reader.film.undo()
    reader.measured()
    assert judged_by(reader) == published
    assert not own_boxes(reader)
    choose(reader, own_file, monkeypatch)
    own_boxes(reader)[0].click()
    reader.measured()
    assert judged_by(reader) == published
    assert not own_boxes(reader)


def test_a_wrong_file_is_told_in_plain_words(
    at_verdicts: Callable[[], Reader], own_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = at_verdicts()
    own_file.write_text("id = 3", encoding="utf-8")
    before = judged_by(reader)
    choose(reader, own_file, monkeypatch)
    assert "own.toml" in reader.told
    assert judged_by(reader) == before
    assert not own_boxes(reader)


def test_kept_are_the_verdicts_and_the_film_opened_again_asks_for_the_file(
    at_verdicts: Callable[[], Reader],
    own_file: Path,
    open_reader: OpenReader,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    reader = at_verdicts()
    choose(reader, own_file, monkeypatch)
    (canal,) = [c.name for c in reader.marks.canals]
    override = Override(
        canal=canal, rule_id="own_rule/length", verdict="not met", reason="Seen on another film."
    )
    reader.state.try_edit("verdict", lambda m: marks_edits.add_override(m, override))
    reader.measured()
    path = reader.film.path
    reader.on_picture(Key.Key_Return, CONTROL)
    reader.wait(lambda: review_path(path).exists() and not reader.film.has_unkept_work)
    assert "own_rule" in {v.rule_id for v in load_review(review_path(path)).verdicts}

    again = open_reader(path)
    again.measured()
    again.press("rx_step_verdict")
    assert "choose their file again" in again.said("rx_own_criteria_hint")
    choose(again, own_file, monkeypatch)
    QApplication.processEvents()
    assert "own_rule" in judged_by(again)
    assert any(v.overridden_by for v in again.film.review.verdicts if v.rule_id == "own_rule")
