"""The rubric of a course as a form: one level for each criterion, and a comment."""

from __future__ import annotations

from functools import partial

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import QButtonGroup, QFrame, QRadioButton, QVBoxLayout, QWidget

from rxmeasure.teaching.rubric import Rubric, RubricCriterion
from rxmeasure_napari import look
from rxmeasure_napari.course_state import FilledForm
from rxmeasure_napari.panels.film_panel import TextField, button, set_line
from rxmeasure_napari.panels.pointing_panel import in_a_row, warning_line


class RubricForm(QFrame):
    """Levels with their descriptors, none chosen before the rater chooses.

    Signals: ``handed_in()``, the rater is done.
    """

    handed_in = Signal()

    def __init__(self, rubric: Rubric, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("rx_rubric_form")
        self._rubric = rubric
        self._form = FilledForm()
        self._radios: dict[tuple[str, str], QRadioButton] = {}
        self._groups: list[QButtonGroup] = []
        self._comment = TextField("rx_rubric_comment", "Comment")
        self._comment.setPlaceholderText("Comment")
        self._comment.committed.connect(lambda text: self._form.write(text))
        self._needed = warning_line("rx_rubric_needed")
        self._hand_in = button("Hand in", "rx_rubric_hand_in")
        self._hand_in.clicked.connect(self._emit)
        self._lay_out()

    def _lay_out(self) -> None:
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(2)
        for criterion in self._rubric.criteria:
            self._add_criterion(rows, criterion)
        rows.addSpacing(4)
        rows.addWidget(self._comment)
        rows.addWidget(self._needed)
        rows.addLayout(in_a_row(None, self._hand_in))

    def _add_criterion(self, rows: QVBoxLayout, criterion: RubricCriterion) -> None:
        rows.addSpacing(4)
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
            # No wider than its words, so that all of it can be clicked.
            rows.addWidget(radio, 0, Qt.AlignmentFlag.AlignLeft)
            descriptor = look.hint(level.descriptor)
            descriptor.setContentsMargins(20, 0, 0, 0)
            rows.addWidget(descriptor)

    def _choose(self, criterion: str, level: str, _checked: bool = True) -> None:
        self._form.choose(criterion, level)

    def _emit(self) -> None:
        self.commit()
        self.handed_in.emit()

    def commit(self) -> None:
        """Take a comment that is typed and not yet taken."""
        self._comment.commit()

    def show_form(self, form: FilledForm, why_not: str = "") -> None:
        """Show what is filled in; ``why_not`` says why it cannot be handed in yet."""
        self._form = form
        for group in self._groups:
            group.setExclusive(False)
        for (criterion, level), radio in self._radios.items():
            radio.setChecked(form.level_of.get(criterion) == level)
        for group in self._groups:
            group.setExclusive(True)
        self._comment.show_value(form.comment)
        missing = [c.title for c in self._rubric.criteria if c.id not in form.level_of]
        levels = f"Needed: a level for {', '.join(missing)}." if missing else ""
        reason = "\n".join(filter(None, (levels, why_not)))
        set_line(self._needed, reason)
        self._hand_in.setEnabled(not reason)
        self._hand_in.setText("Hand in again" if form.based_on else "Hand in")
