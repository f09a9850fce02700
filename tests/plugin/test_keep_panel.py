"""Step 'keep' in a real window, by mouse and keys."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from plugin.one_panel import (
    Open,
    bring_up,
    click,
    desk,
    films,
    in_window,
    open_film,
    part,
    said,
)
from qtpy.QtCore import QObject, Qt, QUrl, Slot
from qtpy.QtGui import QDesktopServices
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QFileDialog, QLabel
from rxmeasure_napari.desk import Desk
from rxmeasure_napari.panels.keep import KeepPanel
from rxmeasure_napari.review_state import OpenFilm

from rxmeasure.marks import CanalMarks, Override
from rxmeasure.record.review_file import load_review, read_marks, review_path

__all__ = ["desk", "films", "open_film"]


@pytest.fixture
def panel(desk: Desk, qtbot: Any) -> Iterator[KeepPanel]:
    with in_window(KeepPanel(desk)) as panel:
        bring_up(panel, qtbot)
        yield panel


@pytest.fixture
def reviewed(panel: KeepPanel, desk: Desk, films: Path, open_film: Open, qtbot: Any) -> OpenFilm:
    """A film with its marks, measured."""
    film = open_film("adequate_premolar.png")
    desk.take_marks_file(film, films / "adequate_premolar.marks.toml")
    qtbot.waitUntil(lambda: film.is_current and film.review is not None, timeout=20_000)
    return film


def test_without_a_film_nothing_can_be_kept(panel: KeepPanel) -> None:
    for name in ("rx_keep", "rx_report", "rx_export"):
        assert not part(panel, name).isEnabled()
    assert "No film is open" in said(panel, "rx_keep_why_not")


def test_without_a_canal_it_says_so(panel: KeepPanel, open_film: Open) -> None:
    open_film("adequate_premolar.png")
    assert not part(panel, "rx_keep").isEnabled()
    assert "No canal is traced yet" in said(panel, "rx_keep_why_not")
    assert part(panel, "rx_keep").toolTip() == said(panel, "rx_keep_why_not")


def test_a_canal_with_one_click_is_not_finished(
    panel: KeepPanel, open_film: Open, qtbot: Any
) -> None:
    film = open_film("adequate_premolar.png")
    canal = CanalMarks(name="single", clicks_px=((75.0, 242.0),))
    film.edit("click", replace(film.marks, canals=(canal,)))
    assert said(panel, "rx_keep_why_not") == "The last edit is being measured."
    qtbot.waitUntil(lambda: film.is_current, timeout=20_000)
    assert "No canal is finished yet" in said(panel, "rx_keep_why_not")
    assert said(panel, "rx_keep_canals") == "none; not finished and left out: single"


def test_the_reason_for_no_review_is_the_refusal_of_the_measuring(
    panel: KeepPanel, reviewed: OpenFilm, qtbot: Any
) -> None:
    outside = CanalMarks(name="single", clicks_px=((75.0, 242.0), (9000.0, 242.0)))
    reviewed.edit("click", replace(reviewed.marks, canals=(outside,)))
    qtbot.waitUntil(lambda: reviewed.is_current, timeout=20_000)
    assert reviewed.computed.problem is not None
    assert said(panel, "rx_keep_why_not") == str(reviewed.computed.problem)
    assert not part(panel, "rx_keep").isEnabled()


def test_what_will_be_kept_is_shown(panel: KeepPanel, reviewed: OpenFilm, qtbot: Any) -> None:
    assert said(panel, "rx_keep_tooth") == "35 (FDI), lower left second premolar"
    assert said(panel, "rx_keep_canals") == "single"
    assert said(panel, "rx_keep_reader") == reviewed.marks.reader
    assert said(panel, "rx_keep_scale").startswith("file of known length 18.5 mm; ± ")
    assert said(panel, "rx_keep_by_hand") == "no verdict changed"
    override = Override(canal="single", rule_id="zero_two/length", verdict="met", reason="seen")
    reviewed.edit("override", replace(reviewed.marks, overrides=(override,)))
    assert said(panel, "rx_keep_by_hand") == "1 decision with a reason"


def test_without_a_scale_no_millimetres_are_promised(
    panel: KeepPanel, reviewed: OpenFilm, qtbot: Any
) -> None:
    reviewed.edit("no scale", replace(reviewed.marks, references=()))
    qtbot.waitUntil(lambda: reviewed.is_current, timeout=20_000)
    assert said(panel, "rx_keep_scale") == "none: ratios and pixels only, no millimetres"
    assert part(panel, "rx_keep").isEnabled()


def test_keep_writes_what_is_shown(panel: KeepPanel, reviewed: OpenFilm) -> None:
    assert "Not kept yet" in said(panel, "rx_keep_state")
    click(part(panel, "rx_keep"))
    target = review_path(reviewed.path)
    assert load_review(target).marks == reviewed.marks
    assert said(panel, "rx_keep_state").startswith("Kept 20")
    assert target.name in said(panel, "rx_written_0")
    reviewed.edit("tooth", replace(reviewed.marks, tooth="34"))
    assert "Changed since it was kept" in said(panel, "rx_keep_state")
    reviewed.undo()
    assert said(panel, "rx_keep_state").startswith("Kept 20")


def test_keep_by_key(panel: KeepPanel, reviewed: OpenFilm) -> None:
    part(panel, "rx_keep").setFocus()
    QTest.keyClick(part(panel, "rx_keep"), Qt.Key.Key_Return)
    assert review_path(reviewed.path).exists()


def test_a_kept_file_that_is_gone_is_not_called_kept(panel: KeepPanel, reviewed: OpenFilm) -> None:
    click(part(panel, "rx_keep"))
    review_path(reviewed.path).unlink()
    panel.refresh()
    assert "no longer there" in said(panel, "rx_keep_state")
    assert (
        panel.findChild(QLabel, "rx_written_0") is None
        or not part(panel, "rx_written_0").isVisible()
    )


def test_the_report_is_written_beside_the_film(
    panel: KeepPanel, reviewed: OpenFilm, qtbot: Any
) -> None:
    with qtbot.waitSignal(panel.desk.written, timeout=60_000):
        click(part(panel, "rx_report"))
        assert part(panel, "rx_keep_cancel").isVisible()
        assert "writing the report" in said(panel, "rx_busy")
    qtbot.waitUntil(lambda: not part(panel, "rx_keep_cancel").isVisible())
    for k, suffix in enumerate((".html", ".pdf")):
        path = reviewed.path.with_name(reviewed.name + suffix)
        assert path.stat().st_size > 1000
        assert said(panel, f"rx_written_{k}").startswith(path.name)


def test_the_report_goes_to_the_chosen_folder(
    panel: KeepPanel,
    reviewed: OpenFilm,
    tmp_path: Path,
    qtbot: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    folder = tmp_path / "reports"
    folder.mkdir()
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_: str(folder))
    click(part(panel, "rx_report_folder"))
    assert said(panel, "rx_report_where") == f"Report to {folder}"
    with qtbot.waitSignal(panel.desk.written, timeout=60_000):
        click(part(panel, "rx_report"))
    assert sorted(p.suffix for p in folder.iterdir()) == [".html", ".pdf"]
    assert said(panel, "rx_written_0").startswith(reviewed.name + ".html")
    click(part(panel, "rx_report_beside"))
    assert said(panel, "rx_report_where") == "Report beside the film"


def test_a_cancelled_report_says_so(panel: KeepPanel, reviewed: OpenFilm, qtbot: Any) -> None:
    click(part(panel, "rx_report"))
    click(part(panel, "rx_keep_cancel"))
    assert not part(panel, "rx_keep_cancel").isVisible()
    assert panel.state.last_told is not None
    assert panel.state.last_told.text == "Stopped."


def test_the_review_is_saved_elsewhere(
    panel: KeepPanel, reviewed: OpenFilm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    chosen = tmp_path / "copy"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(chosen), ""))
    click(part(panel, "rx_export"))
    written = tmp_path / "copy.rxreview.json"
    assert read_marks(written) == reviewed.marks
    assert said(panel, "rx_written_0").startswith(written.name)
    assert "Not kept yet" in said(panel, "rx_keep_state")


class _Opened(QObject):
    """Takes the place of the programs of the desktop."""

    def __init__(self) -> None:
        super().__init__()
        self.paths: list[Path] = []

    @Slot(QUrl)
    def take(self, url: QUrl) -> None:
        self.paths.append(Path(url.toLocalFile()))


def test_what_was_written_can_be_opened(panel: KeepPanel, reviewed: OpenFilm, qtbot: Any) -> None:
    click(part(panel, "rx_keep"))
    qtbot.waitUntil(lambda: part(panel, "rx_open_folder").isVisible())
    opened = _Opened()
    QDesktopServices.setUrlHandler("file", opened, "take")
    try:
        click(part(panel, "rx_open_0"))
        click(part(panel, "rx_open_folder"))
    finally:
        QDesktopServices.unsetUrlHandler("file")
    assert opened.paths == [review_path(reviewed.path), reviewed.path.parent]


def test_each_film_has_its_own_files(
    panel: KeepPanel, desk: Desk, reviewed: OpenFilm, open_film: Open
) -> None:
    click(part(panel, "rx_keep"))
    other = open_film("voids_canine.png")
    assert said(panel, "rx_keep_canals") == "none"
    assert "Not kept yet" in said(panel, "rx_keep_state")
    assert panel.findChild(QLabel, "rx_written_0") is None
    desk.close_film(other)
    assert said(panel, "rx_keep_canals") == "single"
    assert review_path(reviewed.path).name in said(panel, "rx_written_0")


def test_nothing_is_wider_than_the_dock(
    panel: KeepPanel, films: Path, open_film: Open, desk: Desk, qtbot: Any
) -> None:
    long_name = "a" * 120 + ".png"
    (films / "adequate_premolar.png").rename(films / long_name)
    film = open_film(long_name)
    desk.take_marks_file(film, films / "adequate_premolar.marks.toml")
    film.edit("reader", replace(film.marks, reader="x" * 300))
    qtbot.waitUntil(lambda: film.is_current and film.review is not None, timeout=20_000)
    click(part(panel, "rx_keep"))
    panel.desk.busy_changed.emit("writing the report: PDF")
    assert panel.minimumSizeHint().width() <= 375
    for label in panel.findChildren(QLabel):
        assert label.x() + label.width() <= label.parentWidget().width()
