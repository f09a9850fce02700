"""What the tests of the real window share: a reader whose every action is counted.

Import it in test modules only; `open_reader` is the fixture that opens windows and looks for leaks.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hand import Hand
from qtpy.QtCore import QEvent, QPoint, QPointF, Qt
from qtpy.QtGui import QMouseEvent, QWheelEvent
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QWidget
from rxmeasure_napari.film_layers import FilmLayers
from rxmeasure_napari.review_state import OpenFilm

from rxmeasure.marks import ReviewMarks
from rxmeasure.record.review_file import read_marks

NO_KEY = Qt.KeyboardModifier.NoModifier
CONTROL = Qt.KeyboardModifier.ControlModifier
SHIFT = Qt.KeyboardModifier.ShiftModifier
ALT = Qt.KeyboardModifier.AltModifier
LEFT = Qt.MouseButton.LeftButton
RIGHT = Qt.MouseButton.RightButton
Key = Qt.Key
#: A button that is lower has not been laid out yet.
LEAST_HEIGHT_PX = 10


class Reader(Hand):
    """A hand that counts: a click, a drag, a typed value, a key or a button is one action each."""

    def __init__(self, paths: Sequence[Path] = ()) -> None:
        super().__init__(paths)
        self.actions = 0

    @property
    def film(self) -> OpenFilm:
        """The film in front."""
        assert self.state.film is not None
        return self.state.film

    @property
    def marks(self) -> ReviewMarks:
        """Marks of the film in front."""
        return self.film.marks

    @property
    def layers(self) -> FilmLayers:
        """Layers of the film in front."""
        return self.desk.layers[self.film.id]

    @property
    def told(self) -> str:
        """The line at the foot of the panel."""
        return str(self.find("rx_told").text()).replace("\u200b", "")

    def come_forward(self) -> None:
        """Bring this window to the front of others."""
        self.window.raise_()
        self.window.activateWindow()
        self.wait(self.window.isActiveWindow)

    def take_dock(self) -> None:
        """Open the review's dock from napari's menu of plugins, and work with that one."""
        _, self.dock = self.viewer.window.add_plugin_dock_widget("rxmeasure", "Root-canal review")
        self.desk, self.state = self.dock.desk, self.dock.desk.state
        self.wait(self.dock.isVisible)

    def measured(self) -> None:
        """Wait until the films are measured and what was found is drawn."""
        self.wait(lambda: all(film.is_current for film in self.state.films))
        QApplication.processEvents()

    # The picture.

    def mouse(
        self, kind: QEvent.Type, at: QPoint, button: Any = Qt.MouseButton.NoButton, held: Any = None
    ) -> None:
        """One event of the mouse on the picture."""
        held = Qt.MouseButton.NoButton if held is None else held
        there = QPointF(at)
        event = QMouseEvent(kind, there, QPointF(self.canvas.mapToGlobal(at)), button, held, NO_KEY)
        QApplication.sendEvent(self.canvas, event)
        QApplication.processEvents()

    def move_to(self, point_px: Sequence[float]) -> None:
        """Move the mouse over the picture, to a pixel of the film in front."""
        self.mouse(QEvent.Type.MouseMove, self.on_canvas(point_px))

    def click(self, point_px: Sequence[float], button: Any = LEFT) -> None:
        """Click on a pixel of the film in front."""
        self.click_at(self.on_canvas(point_px), button)

    def click_at(self, at: QPoint, button: Any = LEFT) -> None:
        """Click on the picture."""
        self.actions += 1
        self.mouse(QEvent.Type.MouseMove, at)
        self.mouse(QEvent.Type.MouseButtonPress, at, button, button)
        self.mouse(QEvent.Type.MouseButtonRelease, at, button)

    def press_and_move(self, start_px: Sequence[float], *way_px: Sequence[float]) -> QPoint:
        """Press the mouse and move it; give where it is now."""
        at = self.on_canvas(start_px)
        way = [self.on_canvas(point) for point in way_px]
        self.mouse(QEvent.Type.MouseMove, at)
        self.mouse(QEvent.Type.MouseButtonPress, at, LEFT, LEFT)
        for there in way:
            self.mouse(QEvent.Type.MouseMove, there, held=LEFT)
        return way[-1] if way else at

    def release(self, at: QPoint) -> None:
        """Let the mouse button go."""
        self.mouse(QEvent.Type.MouseButtonRelease, at, LEFT)

    def drag(self, start_px: Sequence[float], *way_px: Sequence[float]) -> None:
        """Drag on the picture from a pixel of the film to others."""
        self.actions += 1
        self.release(self.press_and_move(start_px, *way_px))

    def wheel(self, point_px: Sequence[float], notches: int) -> None:
        """Turn the wheel over the picture; up is nearer."""
        self.actions += 1
        at = self.on_canvas(point_px)
        event = QWheelEvent(
            QPointF(at),
            QPointF(self.canvas.mapToGlobal(at)),
            QPoint(),
            QPoint(0, 120 * notches),
            Qt.MouseButton.NoButton,
            NO_KEY,
            Qt.ScrollPhase.NoScrollPhase,
            False,
        )
        QApplication.sendEvent(self.canvas, event)
        QApplication.processEvents()

    def on_picture(self, key: Any, modifiers: Any = NO_KEY) -> None:
        """Press a key with the picture in focus."""
        self.actions += 1
        self.canvas.setFocus()
        QTest.keyClick(self.canvas, key, modifiers)
        QApplication.processEvents()

    # The panels.

    def press(self, name: str) -> None:
        """Click a button of the dock, once it has its place there."""
        self.wait(lambda: self.find(name).height() >= LEAST_HEIGHT_PX)
        self.actions += 1
        super().press(name)
        QApplication.processEvents()

    def key(self, key: Any, modifiers: Any = NO_KEY) -> None:
        """Press a key where the keyboard is."""
        self.actions += 1
        QTest.keyClick(QApplication.focusWidget() or self.window, key, modifiers)
        QApplication.processEvents()

    def type(self, text: str, *, then: Any = Key.Key_Return) -> None:
        """Type into what has the keyboard, then press a key; without one, None."""
        self.actions += 1 + (then is not None)
        field = QApplication.focusWidget()
        QTest.keyClicks(field, text)
        if then is not None:
            QTest.keyClick(field, then)
        QApplication.processEvents()

    def write(self, name: str, text: str, *, then: Any = Key.Key_Return) -> None:
        """Click into a field, replace what it holds, and press a key."""
        field: QWidget = self.find(name)
        self.actions += 1
        QTest.mouseClick(field, LEFT)
        field.selectAll()  # type: ignore[attr-defined]
        self.type(text, then=then)

    def focus_is(self, name: str) -> bool:
        """Whether the widget of that name has the keyboard."""
        focus = QApplication.focusWidget()
        return focus is not None and focus.objectName() == name

    def said(self, name: str) -> str:
        """Text of a visible label, without the places where a long word may break."""
        return str(self.find(name).text()).replace("\u200b", "")

    def shows(self, name: str) -> bool:
        """Whether a widget of that name is seen."""
        return any(w.isVisible() for w in self.dock.findChildren(QWidget, name))

    # The whole.

    def review(self, marks: ReviewMarks) -> None:
        """Scale and first canal, by the fewest actions."""
        (reference, *_), (canal, *_) = marks.references, marks.canals
        self.press("rx_step_calibrate")
        self.click(reference.points_px[0])
        self.click(reference.points_px[-1])
        self.wait(lambda: self.focus_is("rx_length_0"))
        self.type(f"{reference.length_mm:g}")
        for point in canal.clicks_px:
            self.click(point)
        self.on_picture(Key.Key_Return)
        self.measured()


OpenReader = Callable[..., Reader]


@pytest.fixture
def open_reader(make_napari_viewer: Any, request: pytest.FixtureRequest) -> Iterator[OpenReader]:
    """Open a ready window with these films; afterwards nothing of it may be left."""
    readers: list[Reader] = []

    def open_window(*paths: Path) -> Reader:
        def viewer(**_: object) -> Any:
            readers.append(Reader(paths))
            return readers[-1].viewer

        make_napari_viewer(ViewerClass=viewer, show=True)
        return readers[-1]

    yield open_window
    for reader in readers:
        reader.close()
        if request.node.rep_call.failed:
            # Its report holds the window, which must not outlive the display.
            reader.window.deleteLater()
    readers.clear()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)


@pytest.fixture
def film_of(tmp_path: Path, sample_images: Path) -> Callable[..., Path]:
    """A copy of a sample film without its marks."""

    def copy(name: str, shown_as: str = "") -> Path:
        return Path(shutil.copy(sample_images / name, tmp_path / (shown_as or name)))

    return copy


@pytest.fixture
def marks_of(sample_images: Path) -> Callable[[str], ReviewMarks]:
    """What was marked on a sample film."""

    def read(name: str) -> ReviewMarks:
        return read_marks((sample_images / name).with_suffix(".marks.toml"))

    return read
