"""The inline form by which the reader sets another verdict, with a reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QKeyEvent
from qtpy.QtWidgets import QFrame, QHBoxLayout, QLineEdit, QPushButton, QVBoxLayout, QWidget

from rxmeasure_napari import look
from rxmeasure_napari.panels.film_panel import Choice as ChoiceBox
from rxmeasure_napari.panels.film_panel import button
from rxmeasure_napari.verdict_words import Choice

_ENTER = (Qt.Key.Key_Return, Qt.Key.Key_Enter)


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """What is entered and not yet applied."""

    verdict: str = ""
    reason: str = ""


class OverrideForm(QFrame):
    """Choice of a verdict and its reason; both are needed. Enter applies, Escape cancels.

    Signals: ``applied(str, str)`` with verdict and reason; ``cancelled()``.
    """

    applied = Signal(str, str)
    cancelled = Signal()

    def __init__(
        self, choices: Sequence[Choice], draft: Draft, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.setObjectName("rx_override_form")
        self.setProperty("rx_role", "form")
        self._choices = tuple(choices)
        self._verdict = self._make_verdict()
        self._reason = QLineEdit(draft.reason)
        self._reason.setObjectName("rx_override_reason")
        self._reason.setAccessibleName("Reason for the other verdict")
        self._reason.setPlaceholderText("Reason, for example what is seen on another view")
        self._needed = look.hint("", "rx_override_needed")
        self._apply = button("Apply", "rx_override_apply")
        cancel = button("Cancel", "rx_override_cancel", "Leave the verdict as it is (Escape)")
        self._lay_out(cancel)
        for place, choice in enumerate(self._choices):
            if choice.verdict == draft.verdict:
                self._verdict.setCurrentIndex(place)
        self._verdict.currentIndexChanged.connect(self._show_needed)
        self._reason.textChanged.connect(self._show_needed)
        self._apply.clicked.connect(self._emit)
        cancel.clicked.connect(self.cancelled)
        self._show_needed()

    @property
    def draft(self) -> Draft:
        """What is entered."""
        place = self._verdict.currentIndex()
        verdict = self._choices[place].verdict if place >= 0 else ""
        return Draft(verdict=verdict, reason=self._reason.text())

    def start(self) -> None:
        """Take the keyboard."""
        self._verdict.setFocus(Qt.FocusReason.OtherFocusReason)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter applies when nothing is missing, Escape cancels."""
        if event.key() == Qt.Key.Key_Escape:
            self.cancelled.emit()
        elif event.key() in _ENTER:
            self._apply.click()
        else:
            super().keyPressEvent(event)

    def _make_verdict(self) -> ChoiceBox:
        box = ChoiceBox("rx_override_verdict", "Verdict of the reader")
        box.setMinimumContentsLength(10)
        box.setSizeAdjustPolicy(ChoiceBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        box.addItems([choice.text for choice in self._choices])
        box.setPlaceholderText("Choose the verdict")
        box.setCurrentIndex(-1)
        return box

    def _lay_out(self, cancel: QPushButton) -> None:
        rows = QVBoxLayout(self)
        rows.setContentsMargins(6, 4, 6, 4)
        rows.setSpacing(4)
        rows.addWidget(self._verdict)
        rows.addWidget(self._reason)
        row = QHBoxLayout()
        row.addWidget(self._needed, 1)
        row.addWidget(self._apply)
        row.addWidget(cancel)
        rows.addLayout(row)

    def _show_needed(self) -> None:
        needed = self._still_needed()
        self._needed.setText(needed)
        self._apply.setEnabled(not needed)
        self._apply.setToolTip(needed or "Set this verdict; the program's own is kept (Enter)")

    def _still_needed(self) -> str:
        draft = self.draft
        if not draft.verdict:
            return "Needed: a verdict, and the reason for it."
        if not draft.reason.strip():
            return "Needed: the reason. It is kept with the verdict."
        return ""

    def _emit(self) -> None:
        draft = self.draft
        self.applied.emit(draft.verdict, draft.reason.strip())
