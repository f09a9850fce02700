"""What the panels share whose step takes clicks on the picture."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QHBoxLayout, QLabel, QWidget

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import ReviewMarks
from rxmeasure_napari import look
from rxmeasure_napari.panels.film_panel import FilmPanel, text_line
from rxmeasure_napari.panels.number_field import NumberField, WordField
from rxmeasure_napari.review_state import OpenFilm, Pointing, Purpose

if TYPE_CHECKING:
    from qtpy.QtGui import QHideEvent


class PointingPanel(FilmPanel):
    """A panel whose step begins and ends with clicks on the picture.

    Subclasses say in `enter` what begins with the step, in `finish` what comes
    after it, and in ``purposes`` which clicks must not outlast it.
    """

    purposes: tuple[Purpose, ...] = ()

    def enter(self) -> None:
        """Begin what the step begins by itself, for the film in front."""
        raise NotImplementedError

    def finish(self) -> None:
        """End what is being clicked and go on, or say what it still needs."""
        raise NotImplementedError

    def typed_fields(self) -> list[NumberField | WordField]:
        """Fields in which something may be typed and not taken yet."""
        raise NotImplementedError

    def commit(self) -> None:
        """Take what is typed, for the film that it was typed for."""
        for field in self.typed_fields():
            field.commit()

    def forget(self) -> None:
        """Another film comes to the front, or the step does."""
        for field in self.typed_fields():
            field.restore()
        if self.state.step is self.step:
            self.enter()

    def stop_pointing(self) -> None:
        """Take no more clicks for this step."""
        if self.state.pointing.purpose in self.purposes:
            self.state.point_for(Pointing())

    def edit(self, label: str, change: Callable[[ReviewMarks], ReviewMarks]) -> bool:
        """Edit the marks of the film that is shown; a refusal is told. True when it was done."""
        if self.film is None:
            return False
        try:
            self.film.edit(label, change(self.film.marks))
        except RxMeasureError as error:
            self.state.refuse(error)
            return False
        return True

    def hideEvent(self, event: QHideEvent) -> None:
        """Leave nothing behind that was begun without a click."""
        super().hideEvent(event)
        if not event.spontaneous():
            self.stop_pointing()

    def _go_on(self) -> None:
        self.finish()

    def _state_signals(self) -> tuple[Any, ...]:
        state = self.state
        return (
            *super()._state_signals(),
            state.canal_chosen,
            state.pointing_changed,
            state.proposal_chosen,
        )

    def _watch(self, film: OpenFilm | None) -> None:
        if self.film is not None:
            self.film.preview_changed.disconnect(self._refresh_if_seen)
            self.film.proposals_changed.disconnect(self._refresh_if_seen)
        if film is not None:
            film.preview_changed.connect(self._refresh_if_seen)
            film.proposals_changed.connect(self._refresh_if_seen)
        super()._watch(film)


def warning_line(object_name: str) -> QLabel:
    """A line of text for what does not hold."""
    line = text_line(object_name)
    line.setStyleSheet(look.told_style("warning"))
    return line


def in_a_row(*widgets: QWidget | None) -> QHBoxLayout:
    """Widgets beside each other; None is the room between."""
    row = QHBoxLayout()
    row.setSpacing(4)
    for widget in widgets:
        if widget is None:
            row.addStretch(1)
        else:
            row.addWidget(widget)
    return row
