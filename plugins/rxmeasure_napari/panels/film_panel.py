"""What the panels share: following the film in front, text fields, lines of text."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QEvent, QSignalBlocker, Qt, Signal
from qtpy.QtGui import QHideEvent, QKeyEvent, QKeySequence, QShowEvent, QWheelEvent
from qtpy.QtWidgets import QComboBox, QLabel, QLineEdit, QPushButton, QWidget

from rxmeasure.report.numbers import Numbers, clean
from rxmeasure_napari import look
from rxmeasure_napari.keys import with_key
from rxmeasure_napari.review_state import OpenFilm, ReviewState, Step

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk

_FILM_SIGNALS = ("marks_changed", "computed_changed", "kept_changed", "radiograph_changed")

# A word too long for a line, and where it may break: after a separator, or in a long run.
_LONG_WORD = re.compile(r"\S{25,}")
_BREAK_AFTER = re.compile(r"([_\-./\\,])(?=\S)|(\w{24})(?=\w)")


class FilmPanel(QWidget):
    """A panel that shows the film in front; it listens only while it is seen.

    Subclasses give `step`, `refresh` and, where they have text fields, `commit`
    and `forget`: what is typed belongs to the film that was shown then,
    whichever comes to the front.
    """

    step: Step

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self.film: OpenFilm | None = None
        self._watching = False
        self._next: QPushButton | None = None
        desk.preferences_changed.connect(self._refresh_if_seen)

    @property
    def state(self) -> ReviewState:
        """The state that this panel shows."""
        return self.desk.state

    @property
    def numbers(self) -> Numbers:
        """How numbers are written."""
        return Numbers(decimal_mark=self.desk.preferences.decimal_mark)

    def refresh(self) -> None:
        """Show the film in front."""
        raise NotImplementedError

    def commit(self) -> None:
        """Take what is typed and not yet taken."""

    def forget(self) -> None:
        """Drop what is typed and was refused; another film comes to the front."""

    def edit_film(self, label: str, **fields: Any) -> None:
        """Change some of the marks of the film that is shown."""
        if self.film is not None:
            self.film.edit(label, replace(self.film.marks, **fields))

    def showEvent(self, event: QShowEvent) -> None:
        """Follow the state from now on."""
        super().showEvent(event)
        if not self._watching:
            self._watching = True
            for signal in self._state_signals():
                signal.connect(self._follow)
            self._follow()

    def hideEvent(self, event: QHideEvent) -> None:
        """Stop following the state; a window made small goes on."""
        super().hideEvent(event)
        if self._watching and not event.spontaneous():
            self.commit()
            self._watching = False
            for signal in self._state_signals():
                signal.disconnect(self._follow)
            self._watch(None)

    def _state_signals(self) -> tuple[Any, ...]:
        state = self.state
        return (state.film_chosen, state.film_added, state.film_removed)

    def _follow(self) -> None:
        if self.film is not self.state.film:
            self.commit()
            self._watch(self.state.film)
            self.forget()
        self.refresh()

    def _watch(self, film: OpenFilm | None) -> None:
        for name in _FILM_SIGNALS:
            if self.film is not None:
                getattr(self.film, name).disconnect(self._refresh_if_seen)
            if film is not None:
                getattr(film, name).connect(self._refresh_if_seen)
        self.film = film

    def _refresh_if_seen(self) -> None:
        if self._watching:
            self.refresh()

    def next_button(self) -> QPushButton:
        """Make the button that goes on to the next step; Enter in the panel presses it."""
        steps = list(Step)
        following = steps[steps.index(self.step) + 1]
        self._next = button(
            f"Next: {following}",
            f"rx_next_after_{self.step}",
            with_key(f"Go on to '{following}'", "next_step"),
        )
        self._next.clicked.connect(self._go_on)
        return self._next

    def _go_on(self) -> None:
        self.commit()
        self.state.next_step()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter, where no field wanted it, goes on."""
        if self._next is not None and is_enter(event) and self._next.isVisible():
            self._next.click()
            return
        super().keyPressEvent(event)


class TextField(QLineEdit):
    """A line of text that is taken as one edit: by Enter, or when the field is left.

    Signals: ``committed(str)``, the text without blanks around it;
    ``given_up()``, Escape brought back what was there. Enter with nothing new
    goes to the panel.
    """

    committed = Signal(str)
    given_up = Signal()

    def __init__(self, object_name: str, accessible_name: str) -> None:
        super().__init__()
        self.setObjectName(object_name)
        self.setAccessibleName(accessible_name)
        self._shown = ""
        self.editingFinished.connect(self.commit)

    @property
    def pending(self) -> bool:
        """Whether something is typed and not taken."""
        return self.isModified() and self.text().strip() != self._shown

    def show_value(self, value: str) -> None:
        """Show the state's value; what is being typed stays unless the value has changed."""
        if value == self._shown and self.pending and self.hasFocus():
            return
        self._shown = value
        if self.text() != value or self.isModified():
            # Forgets the steps of typing, so that undo is now the review's.
            with QSignalBlocker(self):
                self.setText(value)
            self.setCursorPosition(len(value) if self.hasFocus() else 0)

    def commit(self) -> None:
        """Take what is typed."""
        if self.pending:
            self.committed.emit(self.text().strip())

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter takes the text, Escape gives it up."""
        if is_enter(event):
            event.setAccepted(self.pending)
            self.commit()
        elif event.key() == Qt.Key.Key_Escape and self.isModified():
            self.setText(self._shown)
            self.given_up.emit()
            event.accept()
        else:
            super().keyPressEvent(event)

    def event(self, event: QEvent) -> bool:
        """Leave undo and redo to the review where nothing typed could be undone."""
        if event.type() == QEvent.Type.ShortcutOverride and isinstance(event, QKeyEvent):
            undo = event.matches(QKeySequence.StandardKey.Undo) and not self.isUndoAvailable()
            redo = event.matches(QKeySequence.StandardKey.Redo) and not self.isRedoAvailable()
            if undo or redo:
                event.ignore()
                return False
        return super().event(event)


class Choice(QComboBox):
    """A combo box that the wheel scrolls past; a choice is made by click or key only."""

    def __init__(self, object_name: str, accessible_name: str) -> None:
        super().__init__()
        self.setObjectName(object_name)
        self.setAccessibleName(accessible_name)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    def show_choices(self, names: Sequence[str], chosen: int) -> None:
        """Show these entries and the one that is chosen; an open list of the same stays open."""
        with QSignalBlocker(self):
            if [self.itemText(k) for k in range(self.count())] != list(names):
                self.clear()
                self.addItems(names)
            self.setCurrentIndex(chosen)

    def wheelEvent(self, event: QWheelEvent) -> None:
        """Leave the wheel to the panel."""
        event.ignore()


def is_enter(event: QKeyEvent) -> bool:
    """Whether a key is Enter, and not the key that keeps the review."""
    control = event.modifiers() & Qt.KeyboardModifier.ControlModifier
    return event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and not control


def text_line(object_name: str = "") -> QLabel:
    """A wrapped line of text, empty yet."""
    return look.text_line("", object_name)


def set_line(label: QLabel, text: str) -> None:
    """Show a text, or nothing at all; long words may break."""
    label.setText(breakable(text))
    label.setVisible(bool(text))


def breakable(text: str) -> str:
    """Text of any origin in which long words, like file names, may break at the line's end."""
    return "\n".join(_LONG_WORD.sub(_broken, clean(line)) for line in text.splitlines())


def wrapped(text: str) -> str:
    """Text whose long words may break; a number and its unit stay together."""
    return "\u00a0".join(breakable(part) for part in text.split("\u00a0"))


def _broken(word: re.Match[str]) -> str:
    return _BREAK_AFTER.sub(lambda m: m[0] + "\u200b", word[0])


def button(text: str, object_name: str, tip: str = "") -> QPushButton:
    """A push button with its words for screen readers; Enter presses it when it has the focus."""
    made = QPushButton(text)
    made.setObjectName(object_name)
    made.setAccessibleName(text)
    made.setToolTip(tip)
    made.setAutoDefault(True)
    return made


def drop(widget: QWidget) -> None:
    """Take a widget out of sight and reach at once; it may be the one that is speaking."""
    widget.hide()
    widget.setParent(None)
    widget.deleteLater()
