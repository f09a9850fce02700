"""One panel of the dock in a window of its own: its desk, its films, the reader's hand."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import pytest
from napari.components import ViewerModel
from qtpy.QtCore import QEvent, Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QWidget
from rxmeasure_napari.desk import Desk
from rxmeasure_napari.review_state import OpenFilm, Step

from rxmeasure.marks import ReviewMarks

Open = Callable[..., OpenFilm]
Panel = TypeVar("Panel", bound=QWidget)


@pytest.fixture
def desk(qapp: Any) -> Iterator[Desk]:
    desk = Desk(ViewerModel())
    desk.wake()
    yield desk
    desk.close()


@pytest.fixture
def films(tmp_path: Path, sample_images: Path) -> Path:
    return Path(shutil.copytree(sample_images, tmp_path / "films"))


@pytest.fixture
def open_film(desk: Desk, films: Path, qtbot: Any) -> Open:
    def open_one(name: str, marks: ReviewMarks | None = None) -> OpenFilm:
        desk.open_path(films / name)
        qtbot.waitUntil(lambda: any(f.name == name for f in desk.state.films), timeout=10_000)
        film = next(f for f in desk.state.films if f.name == name)
        if marks is not None:
            film.edit("marks of the test", marks)
        return film

    return open_one


@contextmanager
def in_window(panel: Panel) -> Iterator[Panel]:
    """The panel at the width of the dock; taken away at the end."""
    panel.resize(375, 480)
    yield panel
    panel.close()
    panel.deleteLater()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)


def bring_up(panel: QWidget, qtbot: Any) -> None:
    """Show the panel in front, where keys reach it."""
    with qtbot.waitActive(panel):
        panel.show()
        panel.activateWindow()


def comes_in(desk: Desk, step: Step, panel: QWidget, qtbot: Any) -> Callable[[], None]:
    """What brings the step to the front, as the dock does."""

    def come() -> None:
        desk.state.choose_step(step)
        bring_up(panel, qtbot)

    return come


def part(panel: QWidget, name: str) -> Any:
    found = panel.findChild(QWidget, name)
    assert found is not None, name
    return found


def said(panel: QWidget, name: str) -> str:
    """Text of a line, without the places where a long word may break."""
    return str(part(panel, name).text()).replace("\u200b", "")


def click(widget: QWidget) -> None:
    assert widget.isVisible()
    assert widget.isEnabled()
    QTest.mouseClick(widget, Qt.MouseButton.LeftButton)


def write(field: QWidget, text: str, key: Qt.Key | None = Qt.Key.Key_Return) -> None:
    """Type over what the field holds, then press ``key``; None leaves the field as typed."""
    click(field)
    field.selectAll()
    QTest.keyClicks(field, text) if text else QTest.keyClick(field, Qt.Key.Key_Delete)
    if key is not None:
        QTest.keyClick(field, key)


def point(desk: Desk, *clicks: tuple[float, float]) -> None:
    """Clicks on the picture, as the pointer hands them on."""
    for place in clicks:
        assert desk.state.place_point(place)
