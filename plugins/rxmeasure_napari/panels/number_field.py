"""Fields in which the reader types: a number or a word is one edit, made when it is finished."""

from __future__ import annotations

import re
from collections.abc import Callable

from qtpy.QtCore import QSignalBlocker, Qt, Signal
from qtpy.QtGui import QFocusEvent, QKeyEvent
from qtpy.QtWidgets import QComboBox, QSizePolicy

from rxmeasure.errors import MarksError
from rxmeasure.fit.inputs import checked
from rxmeasure_napari import look
from rxmeasure_napari.panels.film_panel import Choice, TextField, is_enter

_NUMBER = re.compile(r"\d+[.,]?\d*|[.,]\d+", re.ASCII)


def typed_number(text: str, *, name: str) -> float:
    """A number typed with a decimal point or a decimal comma.

    Raises
    ------
    MarksError
        The text is not a plain number.
    """
    text = text.strip()
    if not _NUMBER.fullmatch(text):
        raise MarksError(
            found=f"{name} '{text}'." if text else f"no {name}.",
            needed="a number, for example 18.5 or 18,5.",
            next_step=f"Type the {name}.",
        )
    return float(text.replace(",", "."))


def number_within(name: str, unit: str, at_least: float, at_most: float) -> Callable[[str], float]:
    """A reader of typed numbers that refuses those outside the limits (`MarksError`)."""

    def read(text: str) -> float:
        value = typed_number(text, name=name)
        return checked(value, name=name, unit=unit, at_least=at_least, at_most=at_most)

    return read


class NumberField(TextField):
    """One number. Enter or leaving the field makes it one edit; Escape brings the old one back.

    Signals: ``committed(float | None)`` after a change by the reader,
    ``entered()`` after Enter on a value that holds, ``problem_changed(str)``.

    Parameters
    ----------
    name, words : str
        Object name, and what the field holds.
    read : callable
        Text to number; raises `MarksError`.
    optional : bool
        Whether the field may be empty (None).
    """

    committed = Signal(object)
    entered = Signal()
    problem_changed = Signal(str)

    def __init__(
        self,
        name: str,
        words: str,
        read: Callable[[str], float],
        *,
        optional: bool = False,
        digits: int = 5,
    ) -> None:
        super().__init__(name, words)
        self.setToolTip(words)
        self.setFixedWidth(self.fontMetrics().horizontalAdvance("0" * digits) + 18)
        self._read = read
        self._optional = optional
        self._value: float | None = None
        self._mark = "."
        self.problem = ""
        self.textEdited.connect(lambda _: self._tell(""))
        self.given_up.connect(lambda: self._tell(""))

    @property
    def value(self) -> float | None:
        """The number as it was last committed or shown."""
        return self._value

    def show_number(self, value: float | None, decimal_mark: str = ".") -> None:
        """Show a number; what is being typed stays unless the number is another one now."""
        if (value, decimal_mark) != (self._value, self._mark):
            self._value, self._mark = value, decimal_mark
            self.restore()

    def restore(self) -> None:
        """Drop what is typed and was not taken."""
        self.setModified(False)
        self.show_value("" if self._value is None else f"{self._value:g}".replace(".", self._mark))
        self._tell("")

    def commit(self) -> None:
        """Take what is typed, if anything is."""
        if self.isModified():
            self.take()

    def take(self) -> bool:
        """Take the field as it stands; False, with the reason shown, when it does not hold."""
        text = self.text().strip()
        try:
            value = None if self._optional and not text else self._read(text)
        except MarksError as error:
            self._tell(f"{error.found} Needed: {error.needed}")
            return False
        self._tell("")
        self.setModified(False)
        self.show_value(text)
        if value != self._value:
            self._value = value
            self.committed.emit(value)
        return True

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter takes the number and goes no further."""
        if not is_enter(event):
            super().keyPressEvent(event)
            return
        event.accept()
        if self.take():
            self.entered.emit()

    def _tell(self, problem: str) -> None:
        if problem != self.problem:
            self.problem = problem
            self.setStyleSheet(f"border: 1px solid {look.TOLD['warning']};" if problem else "")
            self.problem_changed.emit(problem)


class WordField(Choice):
    """A word of the reader's own, or one of those proposed. One edit when it is finished.

    Signal: ``committed(str)`` after a change by the reader.
    """

    committed = Signal(str)

    def __init__(self, name: str, words: str, *, placeholder: str = "") -> None:
        super().__init__(name, words)
        self.setToolTip(words)
        self.setEditable(True)
        self.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(8)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self._text = ""
        self._edit = self.lineEdit()
        self._edit.setPlaceholderText(placeholder)
        self._edit.editingFinished.connect(self.commit)
        self.activated.connect(lambda _: self.commit())

    def propose(self, words: tuple[str, ...]) -> None:
        """Words to choose from."""
        if words != tuple(self.itemText(k) for k in range(self.count())):
            with QSignalBlocker(self):
                self.clear()
                self.addItems(list(words))
                self.setEditText(self._text)

    def show_text(self, text: str) -> None:
        """Show a word; what is being typed stays unless the word is another one now."""
        if text != self._text:
            self._text = text
            self.restore()

    def commit(self) -> None:
        """Take what is typed as an edit."""
        text = self.currentText().strip()
        if text != self._text:
            self._text = text
            self.committed.emit(text)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Escape brings the old word back; Enter goes no further than this field."""
        if event.key() == Qt.Key.Key_Escape and self.currentText() != self._text:
            self.restore()
            event.accept()
            return
        super().keyPressEvent(event)
        if is_enter(event):
            event.accept()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        """Leaving is finishing."""
        super().focusOutEvent(event)
        self.commit()

    def restore(self) -> None:
        """Drop what is typed and was not taken."""
        with QSignalBlocker(self):
            self.setEditText(self._text)
