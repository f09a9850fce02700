"""Verdict cards: what each rule set says of one canal, and the reader's own word on it."""

from __future__ import annotations

from html import escape

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import (
    QApplication,
    QFrame,
    QHBoxLayout,
    QLabel,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.marks import Override
from rxmeasure.report.content import canal_heading
from rxmeasure.report.numbers import Numbers, clean
from rxmeasure.review import Review
from rxmeasure_napari import look
from rxmeasure_napari.override_form import Draft, OverrideForm
from rxmeasure_napari.panels.film_panel import drop, wrapped
from rxmeasure_napari.verdict_words import (
    CardText,
    LineText,
    ToothText,
    cards_of,
    scale_text,
    tooth_of,
)


class VerdictCards(QWidget):
    """The verdicts on one canal, a card for each rule set.

    Signals: ``override_requested(Override)`` and ``override_withdrawn(Override)``,
    the latter as it stands in the marks of the review.
    """

    override_requested = Signal(object)
    override_withdrawn = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setStyleSheet(look.style_sheet())
        self._rows = QVBoxLayout(self)
        self._rows.setContentsMargins(0, 0, 0, 0)
        self._rows.setSpacing(6)
        self._shown: object = None
        self._canal = ""
        self._lines: dict[str, _Line] = {}

    def show_review(
        self, review: Review | None, canal: str | None, *, numbers: Numbers, missing: str = ""
    ) -> None:
        """Show the verdicts on one canal.

        Parameters
        ----------
        review : Review or None
        canal : str or None
            Name of the canal in front.
        numbers : Numbers
            How numbers are written.
        missing : str
            Why there is no review yet; stands in place of the cards.
        """
        why = missing or "No verdict yet."
        tooth: tuple[ToothText, ...] = ()
        cards: tuple[CardText, ...] = ()
        scale = ""
        if review is not None:
            why = _why_empty(review, canal)
            cards = cards_of(review, canal or "", numbers)
            tooth = tooth_of(review)
            scale = scale_text(review, numbers)
        shown = (canal, tooth, scale, cards, "" if cards else why)
        if shown == self._shown:
            return
        self._shown = shown
        self._replace(canal or "", tooth, cards, scale if cards else why)

    def _replace(
        self, canal: str, tooth: tuple[ToothText, ...], cards: tuple[CardText, ...], words: str
    ) -> None:
        """Build the cards anew; what is open, typed or has the keyboard stays so."""
        same = canal == self._canal
        focus = self._focus_name() if same else ""
        unfolded = {t for t, line in self._lines.items() if same and line.unfolded}
        drafts = {t: line.form.draft for t, line in self._lines.items() if same and line.form}
        self._canal = canal
        self._clear()
        if tooth:
            self._rows.addWidget(_tooth_line(tooth))
        if cards:
            self._rows.addWidget(look.heading(canal_heading(canal), "rx_verdict_canal"))
            self._rows.addWidget(look.hint(wrapped(words), "rx_verdict_scale"))
        else:
            self._rows.addWidget(look.text_line(wrapped(words), "rx_verdict_missing"))
        for card in cards:
            self._rows.addWidget(self._card(card))
        for target, line in self._lines.items():
            line.unfold(target in unfolded)
            if target in drafts and line.text.override is None:
                line.open_form(drafts[target])
        if focus:
            self._focus(focus)

    def _clear(self) -> None:
        self._lines.clear()
        while self._rows.count():
            drop(self._rows.takeAt(0).widget())

    def _card(self, card: CardText) -> QFrame:
        frame = QFrame()
        frame.setObjectName(f"rx_card_{card.rule_id}")
        frame.setProperty("rx_role", "card")
        rows = QVBoxLayout(frame)
        rows.setContentsMargins(6, 4, 6, 4)
        rows.setSpacing(4)
        rows.addWidget(look.heading(wrapped(card.title), f"rx_title_{card.rule_id}"))
        rows.addWidget(look.hint(wrapped(card.rule), f"rx_rule_{card.rule_id}"))
        for text in card.lines:
            line = _Line(text)
            line.opening.connect(self._close_forms)
            line.requested.connect(self._request)
            line.withdrawn.connect(self.override_withdrawn)
            self._lines[text.target] = line
            rows.addWidget(line)
        return frame

    def _close_forms(self) -> None:
        for line in self._lines.values():
            line.close_form()

    def _request(self, target: str, verdict: str, reason: str) -> None:
        self.override_requested.emit(
            Override(canal=self._canal, rule_id=target, verdict=verdict, reason=reason)
        )

    def _focus_name(self) -> str:
        widget = QApplication.focusWidget()
        return widget.objectName() if widget is not None and self.isAncestorOf(widget) else ""

    def _focus(self, name: str) -> None:
        widget = self.findChild(QWidget, name)
        if widget is None and name.startswith("rx_change_"):
            widget = self.findChild(QWidget, name.replace("rx_change_", "rx_take_back_"))
        elif widget is None and name.startswith("rx_take_back_"):
            widget = self.findChild(QWidget, name.replace("rx_take_back_", "rx_change_"))
        if widget is not None:
            widget.setFocus(Qt.FocusReason.OtherFocusReason)


class _Line(QFrame):
    """One field: its verdict, what was measured, its source and the reader's own word.

    Signals: ``opening()`` before the form opens; ``requested(str, str, str)`` with
    target, verdict and reason; ``withdrawn(Override)``.
    """

    opening = Signal()
    requested = Signal(str, str, str)
    withdrawn = Signal(object)

    def __init__(self, text: LineText) -> None:
        super().__init__()
        self.text = text
        self.form: OverrideForm | None = None
        self.setObjectName(f"rx_line_{text.target}")
        self.setProperty("rx_role", "line")
        self.setProperty("rx_edge", "NOT_MET" if text.flagged else text.outcome.name)
        self._rows = QVBoxLayout(self)
        self._rows.setContentsMargins(6, 0, 0, 0)
        self._rows.setSpacing(1)
        self._source = self._tool("Source", "rx_source", f"Source and limits of {self._name}")
        self._source.setCheckable(True)
        self._source.toggled.connect(self.unfold)
        self._act = self._make_act()
        head = QHBoxLayout()
        head.setSpacing(3)
        head.addWidget(self._head(), 1)
        head.addWidget(self._source, 0, Qt.AlignmentFlag.AlignTop)
        head.addWidget(self._act, 0, Qt.AlignmentFlag.AlignTop)
        self._rows.addLayout(head)
        self._add_words()
        self._details = look.hint("\n".join(text.details), f"rx_details_{text.target}")
        self._details.hide()
        self._rows.addWidget(self._details)

    @property
    def unfolded(self) -> bool:
        """Whether source and limits are shown."""
        return bool(self._source.isChecked())

    @property
    def _name(self) -> str:
        return f"{self.text.row.field}, {self.text.row.rule}"

    def unfold(self, on: bool) -> None:
        """Show or hide source and limits."""
        self._source.setChecked(on)
        self._details.setVisible(on)

    def open_form(self, draft: Draft) -> OverrideForm:
        """Open the form for another verdict beneath the line."""
        form = OverrideForm(self.text.choices, draft)
        form.applied.connect(self._apply)
        form.cancelled.connect(self._cancel)
        self._rows.addWidget(form)
        self.form = form
        return form

    def close_form(self) -> None:
        """Close the form; what was entered is dropped."""
        if self.form is not None:
            drop(self.form)
            self.form = None

    def _head(self) -> QLabel:
        row, colour = self.text.row, look.VERDICT[self.text.outcome]
        name = f"{row.field}: {row.label}" if row.label else row.field
        if self.text.flagged:
            colour, name = look.ALERT, f"<b>{escape(wrapped(name))}</b>"
        else:
            name = escape(wrapped(name))
        label = look.text_line("", f"rx_verdict_{self.text.target}")
        label.setTextFormat(Qt.TextFormat.RichText)
        label.setText(f'<b style="color: {colour}">{row.sign} {row.word}</b>&nbsp; {name}')
        label.setAccessibleName(f"{row.word}, {row.field} {row.label}")
        label.setToolTip(f"<qt>{escape(self.text.details[0])}</qt>")
        return label

    def _add_words(self) -> None:
        row, target = self.text.row, self.text.target
        if self.text.value:
            self._rows.addWidget(look.text_line(wrapped(self.text.value), f"rx_value_{target}"))
        for words, name in (
            (self.text.about, "about"),
            (row.changed, "changed"),
            (row.why, "why"),
        ):
            if words:
                self._rows.addWidget(look.hint(wrapped(words), f"rx_{name}_{target}"))

    def _make_act(self) -> QToolButton:
        override = self.text.override
        if override is not None:
            made = self._tool("Take back", "rx_take_back", f"Take back the change of {self._name}")
            made.clicked.connect(lambda: self.withdrawn.emit(override))
        else:
            made = self._tool("Change", "rx_change", f"Set another verdict on {self._name}")
            made.clicked.connect(self._toggle_form)
        return made

    def _tool(self, text: str, name: str, tip: str) -> QToolButton:
        made = QToolButton()
        made.setText(text)
        made.setObjectName(f"{name}_{self.text.target}")
        made.setAccessibleName(f"{text}: {clean(self._name)}")
        made.setToolTip(tip)
        made.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        return made

    def _toggle_form(self) -> None:
        if self.form is not None:
            self._cancel()
            return
        self.opening.emit()
        self.open_form(Draft()).start()

    def _apply(self, verdict: str, reason: str) -> None:
        self._cancel()
        self.requested.emit(self.text.target, verdict, reason)

    def _cancel(self) -> None:
        self.close_form()
        self._act.setFocus(Qt.FocusReason.OtherFocusReason)


def _tooth_line(tooth: tuple[ToothText, ...]) -> QLabel:
    """All rule sets on one tooth at a glance, a line each."""
    several = any(text.worst for text in tooth)
    lines = [f"<b>Tooth, by its {'worst' if several else 'only'} canal</b>"]
    for text in tooth:
        colour = look.VERDICT[text.outcome]
        worst = f": {text.worst} ({text.counts})" if several else ""
        lines.append(
            f'<b style="color: {colour}">{escape(text.verdict)}</b>&nbsp; '
            + escape(wrapped(text.rule_id + worst))
        )
    label = look.text_line("", "rx_verdict_tooth")
    label.setTextFormat(Qt.TextFormat.RichText)
    label.setText("<br>".join(lines))
    label.setToolTip("The worst canal rules the tooth; nothing is averaged.")
    return label


def _why_empty(review: Review, canal: str | None) -> str:
    if canal is None:
        return "No canal is chosen."
    if all(measured.name != canal for measured in review.canals):
        return f"Canal {clean(canal)} is not measured yet."
    return "No rule set judges this canal. Choose one under the criteria."
