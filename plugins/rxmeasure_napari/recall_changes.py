"""What changed between two visits of a series: lesions, fills, and when to look again."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from qtpy.QtCore import QSignalBlocker, Qt
from qtpy.QtWidgets import (
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.recall.comparison import FillChange, LesionChange
from rxmeasure.recall.lesion import NOT_NO_LESION
from rxmeasure.recall.series import Series
from rxmeasure.report.cautions import RECALL_CAUTIONS
from rxmeasure.report.numbers import Numbers, clean
from rxmeasure.report.series_words import (
    FILL_SIGNS,
    FillRow,
    SizeChange,
    dates_text,
    due_text,
    fill_row,
    pair_text,
    percent_text,
    root_change,
)
from rxmeasure_napari import look
from rxmeasure_napari.panels.film_panel import Choice, drop, text_line, wrapped

_NOTHING = "No comparison yet: it takes two visits with a finding at the same root."


class ChangeCards(QWidget):
    """A card for each root at one pair of visits, one for the fills, and the next recall."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("rx_changes")
        self.setStyleSheet(look.style_sheet())
        self._series: Series | None = None
        self._numbers = Numbers()
        self._pairs: tuple[tuple[int, int], ...] = ()
        self._pair = (0, 0)
        self._missing = text_line("rx_changes_missing")
        self._missing.setText(_NOTHING)
        self._pair_box = Choice("rx_changes_pair", "Visits that are compared")
        self._pair_box.setSizeAdjustPolicy(
            Choice.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self._pair_box.setMinimumContentsLength(20)
        self._pair_box.activated.connect(self._choose_pair)
        self._all = self._make_all()
        self._top = QWidget()
        top = QHBoxLayout(self._top)
        top.setContentsMargins(0, 0, 0, 0)
        top.addWidget(self._pair_box, 1)
        top.addWidget(self._all)
        self._cards = QVBoxLayout()
        self._cards.setSpacing(6)
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(6)
        rows.addWidget(self._missing)
        rows.addWidget(self._top)
        rows.addLayout(self._cards)
        self._refresh()

    def show_changes(self, series: Series | None, numbers: Numbers) -> None:
        """Show what changed; the pair in front stays in front as long as it is there.

        Parameters
        ----------
        series : Series or None
        numbers : Numbers
            How numbers are written.
        """
        if (series, numbers) == (self._series, self._numbers):
            return
        self._series, self._numbers = series, numbers
        before, self._pairs = self._pairs, () if series is None else _pairs(series)
        if self._pairs and (self._pair not in self._pairs or self._pairs != before):
            self._pair = self._pairs[0]
        self._refresh()

    def _make_all(self) -> QToolButton:
        made = QToolButton()
        made.setObjectName("rx_changes_all")
        made.setText("All numbers")
        made.setAccessibleName("All numbers of lesions and fills")
        made.setToolTip("Show diameters, and the numbers of what did not change")
        made.setCheckable(True)
        made.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        made.toggled.connect(self._refresh)
        return made

    def _choose_pair(self, place: int) -> None:
        self._pair = self._pairs[place]
        self._refresh()

    def _refresh(self) -> None:
        series = self._series
        while self._cards.count():
            drop(self._cards.takeAt(0).widget())
        self._missing.setVisible(not self._pairs)
        self._top.setVisible(bool(self._pairs))
        if series is None:
            return
        self._show_pairs(series)
        for widget in (
            *(_warning(self._numbers.in_text(w.text)) for w in series.warnings),
            *(self._root_card(series, c) for c in series.lesion_changes if self._is_shown(c)),
            *self._fill_cards(series),
            _due_card(series),
            *(_caution(caution.head, caution.text) for caution in RECALL_CAUTIONS),
        ):
            self._cards.addWidget(widget)

    def _show_pairs(self, series: Series) -> None:
        with QSignalBlocker(self._pair_box):
            self._pair_box.clear()
            for before, after in self._pairs:
                words = pair_text(before, after).capitalize()
                self._pair_box.addItem(f"{words}: {dates_text(series, before, after)}")
            if self._pairs:
                self._pair_box.setCurrentIndex(self._pairs.index(self._pair))
        self._pair_box.setToolTip(self._pair_box.currentText())

    def _is_shown(self, change: LesionChange | FillChange) -> bool:
        return (change.before, change.after) == self._pair

    def _root_card(self, series: Series, change: LesionChange) -> QFrame:
        words = root_change(change, self._numbers)
        name = change.root
        frame, rows = _card(f"rx_change_{name}")
        rows.addWidget(look.heading(wrapped(words.root), f"rx_change_root_{name}"))
        verdict = _rich(
            _verdict(words.sign, words.word, look.CHANGE[change.verdict]),
            f"rx_change_verdict_{name}",
        )
        verdict.setAccessibleName(f"{words.root}: {words.word}")
        rows.addWidget(verdict)
        areas = 1 if change.by_difference is None else 2
        shown = words.rows if self._all.isChecked() else words.rows[:areas]
        rows.addLayout(_sizes(shown))
        rows.addWidget(look.hint(wrapped(words.reason), f"rx_change_reason_{name}"))
        for text in self._warnings_of(series, name):
            rows.addWidget(_warning(text))
        return frame

    def _warnings_of(self, series: Series, root: str) -> list[str]:
        """Warnings of the lesion at both visits; a caution of the page says the one left out."""
        return [
            f"Visit {number}: {self._numbers.in_text(warning.text)}"
            for number in self._pair
            for lesion in series.visits[number - 1].lesions
            if lesion.root == root
            for warning in lesion.warnings
            if warning.code != NOT_NO_LESION
        ]

    def _fill_cards(self, series: Series) -> list[QFrame]:
        changes = [change for change in series.fill_changes if self._is_shown(change)]
        if not changes:
            return []
        frame, rows = _card("rx_change_fills")
        rows.addWidget(look.heading("Fills", "rx_change_fills_heading"))
        for canal in dict.fromkeys(change.canal for change in changes):
            own = [c for c in changes if c.canal == canal]
            told = [c for c in own if self._all.isChecked() or c.changed is not False]
            for change in told:
                rows.addWidget(_fill_line(change, fill_row(change, self._numbers)))
            rest = [fill_row(c, self._numbers) for c in own if c not in told]
            if rest:
                rows.addWidget(_unchanged_line(canal, rest))
        return [frame]


def _pairs(series: Series) -> tuple[tuple[int, int], ...]:
    """Each visit with the one before, then with the first, the latest on top."""
    lesions = {(c.before, c.after) for c in series.lesion_changes}
    fills = {(c.before, c.after) for c in series.fill_changes}
    return tuple(sorted(lesions | fills, key=lambda pair: (pair[1] - pair[0] > 1, -pair[1])))


def _card(object_name: str) -> tuple[QFrame, QVBoxLayout]:
    frame = QFrame()
    frame.setObjectName(object_name)
    frame.setProperty("rx_role", "card")
    rows = QVBoxLayout(frame)
    rows.setContentsMargins(6, 4, 6, 4)
    rows.setSpacing(3)
    return frame, rows


def _verdict(sign: str, word: str, colour: str) -> str:
    return f'<b style="color: {colour}">{escape(sign)} {escape(word)}</b>'


def _sizes(sizes: Sequence[SizeChange]) -> QGridLayout:
    """Of each size: values, difference, percent with its interval, least significant change."""
    grid = QGridLayout()
    grid.setHorizontalSpacing(8)
    grid.setVerticalSpacing(1)
    grid.setColumnStretch(1, 1)
    for one in sizes:
        for head, text in (
            (one.quantity.capitalize(), one.values),
            ("Difference", one.difference),
            ("In percent", percent_text(one)),
            ("Least significant", one.least_significant),
        ):
            label = QLabel(head)
            if text is not one.values:
                label.setProperty("rx_role", "hint")
            row = grid.rowCount()
            grid.addWidget(label, row, 0, Qt.AlignmentFlag.AlignTop)
            grid.addWidget(look.text_line(text), row, 1)
    return grid


def _fill_line(change: FillChange, row: FillRow) -> QLabel:
    """One quantity with its numbers, and why where it is not unchanged."""
    colour = look.MUTED if change.changed is False else look.TOLD["warning"]
    numbers = row.difference
    if row.least_significant:
        numbers += f" (least significant {row.least_significant})"
    words = f"{_verdict(row.sign, row.word, colour)}&nbsp; {escape(f'{row.canal}: {row.quantity}')}"
    if numbers:
        words += f", {escape(numbers)}"
    if change.changed is not False:
        words += f'<br><span style="color: {look.MUTED}">{escape(row.text)}</span>'
    return _rich(words, f"rx_change_fill_{change.canal}_{change.quantity.replace(' ', '_')}")


def _unchanged_line(canal: str, rows: Sequence[FillRow]) -> QLabel:
    sign, word = FILL_SIGNS[False]
    quantities = ", ".join(row.quantity for row in rows)
    return _rich(
        f"{_verdict(sign, word, look.MUTED)}&nbsp; {escape(f'{clean(canal)}: {quantities}')}",
        f"rx_change_fill_{canal}_unchanged",
    )


def _rich(words: str, object_name: str) -> QLabel:
    label = look.text_line(words, object_name)
    label.setTextFormat(Qt.TextFormat.RichText)
    return label


def _due_card(series: Series) -> QFrame:
    due = series.next_recall
    frame, rows = _card("rx_change_due")
    rows.addWidget(look.heading(due_text(due), "rx_change_due_date"))
    rows.addWidget(look.text_line(clean(due.reason), "rx_change_due_reason"))
    rows.addWidget(look.hint(f"Source: {clean(due.source)}", "rx_change_due_source"))
    return frame


def _warning(text: str) -> QLabel:
    label = look.hint(f"! {wrapped(text)}")
    label.setStyleSheet(look.told_style("warning"))
    return label


def _caution(head: str, text: str) -> QLabel:
    return look.hint(f"⚠ {head} {text}")
