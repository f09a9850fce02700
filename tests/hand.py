"""The reader's hand on one window: mouse and keys on the picture and on the panels.

For screenshots and benchmarks. Import it only inside `display.own_display`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from qtpy.QtCore import QPoint, Qt
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QWidget
from rxmeasure_napari.launch import ready_window

from rxmeasure.marks import ReviewMarks

#: How long anything may take before the hand gives up.
PATIENCE_S = 60.0


class Hand:
    """A ready window with these films, and what a reader does with it.

    Parameters
    ----------
    paths : sequence of Path
        Films to open.
    """

    def __init__(self, paths: Sequence[Path] = ()) -> None:
        self.viewer, self.dock = ready_window(paths)
        self.desk, self.state = self.dock.desk, self.dock.desk.state
        self.window = self.dock.window()
        self.canvas = next(
            w
            for w in self.window.findChildren(QWidget)
            if type(w).__name__ == "CanvasBackendDesktop"
        )
        self.window.activateWindow()
        self.wait(self.window.isActiveWindow)
        self.wait(lambda: len(self.state.films) == len(paths))
        self.settle()

    def wait(self, condition: Callable[[], object]) -> None:
        """Let the window work until the condition holds."""
        until = time.perf_counter() + PATIENCE_S
        while not condition():
            QApplication.processEvents()
            time.sleep(0.001)
            if time.perf_counter() > until:
                raise TimeoutError("the window did not come to what was waited for")

    def settle(self, seconds: float = 0.4) -> None:
        """Wait until the films are measured and drawn."""
        self.wait(lambda: all(film.is_current for film in self.state.films))
        until = time.perf_counter() + seconds
        self.wait(lambda: time.perf_counter() > until)

    # The picture.

    def on_canvas(self, point_px: Sequence[float]) -> QPoint:
        """Where a film's (row, col) pixel lies on the canvas."""
        row, col = self.desk.layers[self.state.film.id].to_world((point_px[0], point_px[1]))
        camera = self.viewer.scene.camera
        x = (col - camera.center[2]) * camera.zoom + self.canvas.width() / 2.0
        y = (row - camera.center[1]) * camera.zoom + self.canvas.height() / 2.0
        return QPoint(round(x), round(y))

    def move_to(self, point_px: Sequence[float]) -> None:
        """Move the mouse over the picture."""
        QTest.mouseMove(self.canvas, self.on_canvas(point_px))

    def click(self, point_px: Sequence[float]) -> None:
        """Click on the picture."""
        self.move_to(point_px)
        QTest.mouseClick(
            self.canvas,
            Qt.MouseButton.LeftButton,
            Qt.KeyboardModifier.NoModifier,
            self.on_canvas(point_px),
        )

    def on_picture(self, key: Any) -> None:
        """Press a key with the picture in focus."""
        QTest.keyClick(self.canvas, key)

    # The panels.

    def find(self, name: str) -> Any:
        """The visible widget of that name."""
        found = [w for w in self.dock.findChildren(QWidget, name) if w.isVisible()]
        if not found:
            raise LookupError(f"no visible widget {name}")
        return found[0]

    def press(self, name: str) -> None:
        """Click a button of the dock."""
        QTest.mouseClick(self.find(name), Qt.MouseButton.LeftButton)

    def type(self, text: str, *, then: Any = Qt.Key.Key_Return) -> None:
        """Type into what has the keyboard, then press a key."""
        field = QApplication.focusWidget()
        QTest.keyClicks(field, text)
        QTest.keyClick(field, then)

    # The review.

    def calibrate(self, marks: ReviewMarks) -> None:
        """Click the ends of the file on the film and type its length."""
        self.press("rx_step_calibrate")
        for reference in marks.references[:1]:
            for point in (reference.points_px[0], reference.points_px[-1]):
                self.click(point)
            self.wait(
                lambda: getattr(QApplication.focusWidget(), "objectName", str)() == "rx_length_0"
            )
            self.type(f"{reference.length_mm:g}")
        self.settle()

    def trace(self, marks: ReviewMarks) -> None:
        """Click along each canal; Enter ends it."""
        for number, canal in enumerate(marks.canals):
            self.press("rx_step_canals")
            if number:
                self.press("rx_new_canal")
            for point in canal.clicks_px:
                self.click(point)
            self.on_picture(Qt.Key.Key_Return)
            self.settle()

    def close(self) -> None:
        """Close the window."""
        self.viewer.close()

    def photograph(self, path: Path) -> None:
        """Write what the screen shows of the window."""
        self.settle(0.6)
        if not self.window.screen().grabWindow(self.window.winId()).save(str(path)):
            raise OSError(f"{path} cannot be written")
