"""The tooth: typed in the reader's notation, or picked on a chart; what is usual for it."""

from __future__ import annotations

from collections.abc import Sequence

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QGridLayout, QHBoxLayout, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from rxmeasure.errors import MarksError
from rxmeasure.report.content import tooth_text
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.options import ToothNotation
from rxmeasure.tooth import (
    NOT_MAPPED,
    MeanLength,
    fdi_to_palmer,
    fdi_to_universal,
    mean_lengths,
    palmer_to_fdi,
    tooth_of,
    universal_to_fdi,
    usual_canals,
)
from rxmeasure_napari import look
from rxmeasure_napari.panels.film_panel import TextField, button, set_line, text_line

_EXAMPLES = {
    ToothNotation.FDI: "11 to 48, for example 36",
    ToothNotation.UNIVERSAL: "1 to 32, for example 19",
    ToothNotation.PALMER: "corner and number, for example LL6",
}
_ARCHES = (
    [f"1{n}" for n in range(8, 0, -1)] + [f"2{n}" for n in range(1, 9)],
    [f"4{n}" for n in range(8, 0, -1)] + [f"3{n}" for n in range(1, 9)],
)


def written(fdi: str, notation: ToothNotation) -> str:
    """An FDI number in a notation; a code outside the tables as it is."""
    if tooth_of(fdi) is None or notation is ToothNotation.FDI:
        return fdi
    return fdi_to_universal(fdi) if notation is ToothNotation.UNIVERSAL else fdi_to_palmer(fdi)


def read_tooth(text: str, notation: ToothNotation) -> str:
    """FDI number of what was typed; empty for nothing.

    Raises
    ------
    MarksError
        There is no such tooth.
    """
    text = text.strip()
    if not text:
        return ""
    if notation is ToothNotation.FDI:
        fdi = text if tooth_of(text) else NOT_MAPPED
    elif notation is ToothNotation.UNIVERSAL:
        fdi = universal_to_fdi(text)
    else:
        fdi = palmer_to_fdi(text)
    if fdi == NOT_MAPPED:
        raise MarksError(
            found=f"no tooth '{text}' in {notation} notation.",
            needed=f"{_EXAMPLES[notation]}.",
            next_step="Correct it, pick the tooth on the chart, or leave the field empty.",
        )
    return fdi


def usual(fdi: str, numbers: Numbers) -> str:
    """Usual canals and mean lengths of a tooth, a line each; empty where no table knows it."""
    lines = []
    canals = usual_canals(fdi)
    if canals is not None:
        count = str(canals.fewest)
        if canals.most != canals.fewest:
            count += f" to {canals.most}"
        names = f" ({', '.join(canals.names)})" if canals.names and canals.most > 1 else ""
        note = f"; {canals.note}" if canals.note else ""
        lines.append(f"Usual canals: {count}{names}{note}")
    lengths = mean_lengths(fdi)
    for source in dict.fromkeys(length.source for length in lengths):
        of_source = [length for length in lengths if length.source == source]
        lines.append(f"Mean length: {_lengths(of_source, numbers)} mm; {source}")
    return "\n".join(numbers.in_text(line) for line in lines)


def _lengths(lengths: Sequence[MeanLength], numbers: Numbers) -> str:
    parts = []
    for length in lengths:
        text = f"{length.root} {numbers.quantity(length.mean_mm, 'mm')}".strip()
        if length.shortest_mm is not None and length.longest_mm is not None:
            shortest = numbers.quantity(length.shortest_mm, "mm")
            text += f" ({shortest} to {numbers.quantity(length.longest_mm, 'mm')})"
        parts.append(text)
    return ", ".join(parts)


class ToothField(QWidget):
    """Field, chart and hint for the tooth; ``below`` holds chart and hint, as wide as can be.

    Signals: ``committed(str)``, the FDI number, empty for none. What is no
    tooth is refused beneath the field and not taken.
    """

    committed = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._fdi = ""
        self._notation = ToothNotation.FDI
        self._numbers = Numbers()
        self._refused = False
        self.field = TextField("rx_tooth", "Tooth")
        self.field.setMaximumWidth(self.field.fontMetrics().horizontalAdvance("0") * 12)
        self.field.committed.connect(self._take)
        self.field.given_up.connect(self.forget)
        self._pick = button("Pick", "rx_tooth_pick", "Pick the tooth on a chart")
        self._pick.setAccessibleName("Pick the tooth on a chart")
        self._pick.setCheckable(True)
        self._name = text_line("rx_tooth_name")
        self._hint = look.hint("", "rx_tooth_hint")
        self._refusal = text_line("rx_tooth_refusal")
        self._refusal.setStyleSheet(look.told_style("refusal"))
        self._chart = _Chart()
        self._chart.hide()
        self._pick.toggled.connect(self._chart.setVisible)
        self._chart.picked.connect(self._take_picked)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.field)
        row.addWidget(self._pick)
        row.addWidget(self._name, 1)
        self.below = QWidget()
        rows = QVBoxLayout(self.below)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(2)
        rows.addWidget(self._chart)
        rows.addWidget(self._refusal)
        rows.addWidget(self._hint)

    def show_tooth(self, fdi: str, notation: ToothNotation, numbers: Numbers) -> None:
        """Show the tooth of the marks; a refused text stays until the tooth changes."""
        if self._refused and (fdi, notation) == (self._fdi, self._notation):
            return
        self._fdi, self._notation, self._numbers = fdi, notation, numbers
        self.field.setPlaceholderText(str(notation))
        self.field.setToolTip(f"Tooth in {notation} notation: {_EXAMPLES[notation]}")
        self._chart.show_tooth(fdi, notation)
        self._restore()

    def _restore(self) -> None:
        self._refused = False
        self.field.show_value(written(self._fdi, self._notation))
        set_line(self._name, self._named())
        set_line(self._refusal, "")
        set_line(self._hint, usual(self._fdi, self._numbers))

    def _named(self) -> str:
        tooth = tooth_of(self._fdi)
        if tooth is None or self._notation is ToothNotation.FDI:
            return tooth.name if tooth is not None else tooth_text(self._fdi, self._notation)
        return f"{tooth.name}, FDI {tooth.fdi}"

    def commit(self) -> None:
        """Take what is typed."""
        self.field.commit()

    def forget(self) -> None:
        """Drop a refused text."""
        if self._refused:
            self.field.setText("")
            self._restore()

    def _take(self, text: str) -> None:
        try:
            fdi = read_tooth(text, self._notation)
        except MarksError as refusal:
            self._refused = True
            set_line(self._name, "✗ not taken")
            set_line(self._refusal, str(refusal))
            set_line(self._hint, "")
            return
        self._take_fdi(fdi)

    def _take_picked(self, fdi: str) -> None:
        self._pick.setChecked(False)
        self.field.setFocus()
        self._take_fdi(fdi)

    def _take_fdi(self, fdi: str) -> None:
        self._fdi = fdi
        self.field.setText(written(fdi, self._notation))
        self._chart.show_tooth(fdi, self._notation)
        self._restore()
        self.committed.emit(fdi)


class _Chart(QWidget):
    """Both arches as seen from the front: the reader's left is the patient's right."""

    picked = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setSpacing(1)
        self._buttons: dict[str, QPushButton] = {}
        for row, arch in enumerate(_ARCHES):
            for column, fdi in enumerate(arch):
                grid.addWidget(self._button(fdi), row, column)

    def _button(self, fdi: str) -> QPushButton:
        tooth = tooth_of(fdi)
        made = button("", f"rx_tooth_{fdi}")
        made.setCheckable(True)
        made.setMinimumWidth(8)
        made.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        made.setStyleSheet("padding: 3px 0px; margin: 0px;")
        if tooth is not None:
            made.setAccessibleName(tooth.name)
        made.clicked.connect(lambda: self.picked.emit(fdi))
        self._buttons[fdi] = made
        return made

    def show_tooth(self, chosen: str, notation: ToothNotation) -> None:
        """Mark the tooth and write all numbers in the notation."""
        for fdi, made in self._buttons.items():
            text = written(fdi, notation)
            made.setText(text[-1] if notation is ToothNotation.PALMER else text)
            made.setToolTip(tooth_text(fdi, notation))
            made.setChecked(fdi == chosen)
