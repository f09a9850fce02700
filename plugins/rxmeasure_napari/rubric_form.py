"""The rubric of a course as a form: one level for each criterion, and a comment."""

from __future__ import annotations

from functools import partial

from qtpy.QtCore import Signal
from qtpy.QtWidgets import (
    QButtonGroup,
    QFrame,
    QHBoxLayout,
    QLineEdit,
    QRadioButton,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.teaching.rubric import Rubric, RubricCriterion
from rxmeasure_napari import look
from rxmeasure_napari.panels.film_panel import button


class RubricForm(QFrame):
    """Levels with their descriptors, none chosen before the rater chooses.

    Signals: ``handed_in(object, str)`` with pairs of criterion and level, and the comment.
    """

    handed_in = Signal(object, str)

    def __init__(self, rubric: Rubric, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("rx_rubric_form")
        self._rubric = rubric
        self._chosen: dict[str, str] = {}
        self._earlier: list[dict[str, str]] = []
        self._radios: dict[tuple[str, str], QRadioButton] = {}
        self._groups: list[QButtonGroup] = []
        self._comment = QLineEdit()
        self._comment.setObjectName("rx_rubric_comment")
        self._comment.setAccessibleName("Comment for the student")
        self._comment.setPlaceholderText("Comment")
        self._needed = look.hint("", "rx_rubric_needed")
        self._undo = button("Undo", "rx_rubric_undo", "Take back the last choice of a level")
        self._hand_in = button("Hand in", "rx_rubric_hand_in")
        self._lay_out()
        self._undo.clicked.connect(self._take_back)
        self._hand_in.clicked.connect(self._emit)
        self._show()

    @property
    def levels(self) -> tuple[tuple[str, str], ...]:
        """Criterion and level, as far as chosen, in the order of the rubric."""
        ids = [criterion.id for criterion in self._rubric.criteria]
        return tuple((name, self._chosen[name]) for name in ids if name in self._chosen)

    def _lay_out(self) -> None:
        rows = QVBoxLayout(self)
        rows.setContentsMargins(6, 4, 6, 4)
        rows.setSpacing(4)
        for criterion in self._rubric.criteria:
            self._add_criterion(rows, criterion)
        rows.addWidget(self._comment)
        rows.addWidget(self._needed)
        row = QHBoxLayout()
        row.addStretch(1)
        row.addWidget(self._undo)
        row.addWidget(self._hand_in)
        rows.addLayout(row)

    def _add_criterion(self, rows: QVBoxLayout, criterion: RubricCriterion) -> None:
        rows.addWidget(look.heading(criterion.title))
        group = QButtonGroup(self)
        self._groups.append(group)
        for level in criterion.levels:
            radio = QRadioButton(level.name)
            radio.setObjectName(f"rx_level_{criterion.id}_{level.name}")
            radio.setAccessibleName(f"{criterion.title}: {level.name}")
            radio.setAccessibleDescription(level.descriptor)
            radio.clicked.connect(partial(self._choose, criterion.id, level.name))
            group.addButton(radio)
            self._radios[criterion.id, level.name] = radio
            rows.addWidget(radio)
            rows.addWidget(look.hint(level.descriptor))

    def _choose(self, criterion: str, level: str, _checked: bool = True) -> None:
        if self._chosen.get(criterion) != level:
            self._earlier.append(dict(self._chosen))
            self._chosen[criterion] = level
            self._show()

    def _take_back(self) -> None:
        self._chosen = self._earlier.pop()
        self._show()

    def _show(self) -> None:
        for group in self._groups:
            group.setExclusive(False)
        for (criterion, level), radio in self._radios.items():
            radio.setChecked(self._chosen.get(criterion) == level)
        for group in self._groups:
            group.setExclusive(True)
        missing = [c.title for c in self._rubric.criteria if c.id not in self._chosen]
        self._needed.setText(f"Needed: a level for {', '.join(missing)}." if missing else "")
        self._hand_in.setEnabled(not missing)
        self._undo.setEnabled(bool(self._earlier))

    def _emit(self) -> None:
        self.handed_in.emit(self.levels, self._comment.text().strip())
