"""A row of the film's canals; the one in front is pressed."""

from __future__ import annotations

from qtpy.QtWidgets import QButtonGroup, QHBoxLayout, QLabel, QPushButton, QWidget

from rxmeasure.report.numbers import clean
from rxmeasure_napari.keys import with_key
from rxmeasure_napari.review_state import ReviewState


class CanalChips(QWidget):
    """Buttons to choose the canal in front.

    ``film`` and ``canal`` are shown by `refresh`; a click asks the state.
    """

    def __init__(self, state: ReviewState, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._state = state
        self._names: list[str] = []
        self._group = QButtonGroup(self)
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(0, 0, 0, 0)
        self._row.addWidget(QLabel("Canal"))
        self._row.addStretch(1)
        self._group.idClicked.connect(lambda k: self._state.choose_canal(self._names[k]))

    def refresh(self) -> None:
        """Show the canals of the film in front."""
        film = self._state.film
        names = [c.name for c in film.marks.canals] if film is not None else []
        if names != self._names:
            self._build(names)
        if self._state.canal in names:
            self._group.button(names.index(self._state.canal)).setChecked(True)
        self.setVisible(bool(names))

    def _build(self, names: list[str]) -> None:
        for button in self._group.buttons():
            self._group.removeButton(button)
            self._row.removeWidget(button)
            button.deleteLater()
        self._names = names
        for k, name in enumerate(names):
            button = QPushButton(clean(name))
            button.setCheckable(True)
            button.setObjectName(f"rx_canal_{k}")
            button.setAccessibleName(f"Canal {name}")
            button.setToolTip(with_key(f"Choose canal {name}; next", "next_canal"))
            self._group.addButton(button, k)
            self._row.insertWidget(self._row.count() - 1, button)
