"""A widget in a window as wide as the dock's panel, and what a reader sees and does there."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import Qt
from qtpy.QtGui import QTextDocumentFragment
from qtpy.QtWidgets import QApplication, QComboBox, QLabel, QScrollArea, QVBoxLayout, QWidget

PANEL_WIDTH_PX = 390


class Shown:
    """One widget, shown."""

    def __init__(self, qtbot: Any, widget: QWidget) -> None:
        self.qtbot, self.widget = qtbot, widget
        self.area = QScrollArea()
        self.area.setWidgetResizable(True)
        self.area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        page = QWidget()
        rows = QVBoxLayout(page)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.addWidget(widget)
        rows.addStretch(1)
        self.area.setWidget(page)
        self.area.resize(PANEL_WIDTH_PX, 640)
        qtbot.addWidget(self.area)
        self.area.show()
        self.area.activateWindow()
        qtbot.waitUntil(self.area.isActiveWindow)

    def find(self, name: str) -> Any:
        """The widget of that object name."""
        widget = self.widget.findChild(QWidget, name)
        assert widget is not None, name
        return widget

    def text(self, name: str) -> str:
        """What a label says; empty where it is not seen."""
        label = self.find(name)
        return words(label) if label.isVisible() else ""

    def all_text(self) -> str:
        """What all labels in sight say."""
        QApplication.processEvents()
        labels = [w for w in self.widget.findChildren(QLabel) if w.isVisible()]
        return "\n".join(words(label) for label in labels)

    def click(self, name: str) -> None:
        """Click the middle of a widget."""
        widget = self.find(name)
        QApplication.processEvents()
        self.area.ensureWidgetVisible(widget)
        QApplication.processEvents()
        assert widget.isVisible(), name
        self.qtbot.mouseClick(widget, Qt.MouseButton.LeftButton)
        QApplication.processEvents()

    def choose(self, name: str, text: str) -> None:
        """Choose an entry of a list by keys."""
        box: QComboBox = self.find(name)
        place = box.findText(text)
        assert place >= 0, text
        box.setFocus()
        self.qtbot.keyClick(box, Qt.Key.Key_Home)
        for _ in range(place):
            self.qtbot.keyClick(box, Qt.Key.Key_Down)
        QApplication.processEvents()

    def assert_fits(self) -> None:
        """Nothing needs more width than the panel has, and no text of a button is cut off."""
        QApplication.processEvents()
        assert self.widget.minimumSizeHint().width() <= PANEL_WIDTH_PX
        for child in self.widget.findChildren(QWidget):
            if child.isVisible():
                right = child.mapTo(self.widget, child.rect().topRight()).x()
                assert right <= PANEL_WIDTH_PX, child.objectName()


def words(label: QLabel) -> str:
    """The text of a label, plain."""
    text = label.text()
    if label.textFormat() == Qt.TextFormat.RichText:
        text = QTextDocumentFragment.fromHtml(text).toPlainText()
    return plain(text)


def plain(text: str) -> str:
    """Text without marks for line breaks, and with plain blanks."""
    return " ".join(text.replace("\u200b", "").split())
