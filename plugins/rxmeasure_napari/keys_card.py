"""All keys of the review on one card that lies over the window until the next click."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QFrame, QGridLayout, QLabel, QWidget

from rxmeasure_napari import look
from rxmeasure_napari.keys import KEYS


class KeysCard(QFrame):
    """The keys and what they do; a click or Escape takes the card away."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent, Qt.WindowType.Popup)
        self.setObjectName("rx_keys_card")
        self.setAccessibleName("Keys of the review")
        self.setProperty("rx_role", "form")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        grid = QGridLayout(self)
        grid.setContentsMargins(10, 8, 10, 8)
        grid.setVerticalSpacing(2)
        grid.setHorizontalSpacing(14)
        row = 0
        for everywhere, words in ((True, "Everywhere"), (False, "With the picture in focus")):
            grid.addWidget(look.heading(words), row, 0, 1, 2)
            row += 1
            for key in KEYS:
                if key.everywhere == everywhere:
                    grid.addWidget(QLabel(key.keys), row, 0)
                    grid.addWidget(QLabel(key.meaning), row, 1)
                    row += 1

    def show_under(self, widget: QWidget) -> None:
        """Show the card with its right edge under that of a widget."""
        self.adjustSize()
        corner = widget.mapToGlobal(widget.rect().bottomRight())
        self.move(corner.x() - self.width(), corner.y() + 4)
        self.show()
