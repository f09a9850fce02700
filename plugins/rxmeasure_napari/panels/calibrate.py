"""The step calibrate: what gives the scale, and the objects of known length."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from qtpy.QtCore import QSignalBlocker, Signal
from qtpy.QtWidgets import (
    QCheckBox,
    QFrame,
    QHBoxLayout,
    QLabel,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.calibration.detector_spacing import calibration_from_spacing
from rxmeasure.calibration.scale import Calibration, ReferenceResult
from rxmeasure.criteria.verdict import GUARD
from rxmeasure.fit.dimensions import checked_size
from rxmeasure.marks import LengthReference
from rxmeasure.report.numbers import Numbers, clean
from rxmeasure_napari import marks_edits
from rxmeasure_napari.panels.film_panel import Choice, button, set_line, text_line
from rxmeasure_napari.panels.number_field import (
    NumberField,
    WordField,
    number_within,
    typed_number,
)
from rxmeasure_napari.panels.pointing_panel import PointingPanel, in_a_row, warning_line
from rxmeasure_napari.review_state import OfferedFile, OpenFilm, Pointing, Purpose, Step

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk

KINDS = {"file": "File, traced", "line": "Straight line"}
LENGTH_MM = (1.0, 50.0)
LENGTH_U_MM = (0.0, 5.0)


class CalibratePanel(PointingPanel):
    """What gives the scale, each object of known length, and the file's own spacing."""

    step = Step.CALIBRATE
    purposes = (Purpose.REFERENCE, Purpose.FILE)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(desk, parent)
        self._begun: int | None = None
        self._points_seen = 0
        self._cards: list[ReferenceCard] = []

        self._scale = text_line("rx_scale")
        self._source = text_line("rx_scale_source")
        self._warnings = warning_line("rx_scale_warnings")
        self._hint = text_line("rx_reference_hint")
        self._card_box = QVBoxLayout()
        self._offered = text_line("rx_offered_text")
        self._offered_warnings = warning_line("rx_offered_warnings")
        self._accept = button(
            "✓ Accept", "rx_accept_file", "Take both ends of the file as they are drawn"
        )
        self._accept.clicked.connect(self._accept_file)
        self._reject = button("✗ Reject", "rx_reject_file", "Take the file that was found away")
        self._reject.clicked.connect(self._reject_file)
        self._find_button = button(
            "Find a file at one click", "rx_find_file", "Click once on a file; its ends are found"
        )
        self._find_button.clicked.connect(self._begin_finding)
        self._file_button = button("Trace a file", "rx_trace_file", "Click along a file")
        self._file_button.clicked.connect(lambda: self._begin("file"))
        self._line_button = button(
            "Straight line of known length",
            "rx_straight_line",
            "Click both ends of something straight",
        )
        self._line_button.clicked.connect(lambda: self._begin("line"))
        self._spacing = QCheckBox("Use the file's own pixel spacing")
        self._spacing.setObjectName("rx_use_spacing")
        self._spacing.setAccessibleName(self._spacing.text())
        self._spacing.toggled.connect(self._set_spacing)
        self._spacing_text = text_line("rx_spacing_text")
        bold = self._scale.font()
        bold.setBold(True)
        self._scale.setFont(bold)

        buttons = QHBoxLayout()
        buttons.addWidget(self._file_button)
        buttons.addWidget(self._line_button, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 6, 6, 6)
        for widget in (self._scale, self._source, self._warnings, self._hint):
            layout.addWidget(widget)
        layout.addWidget(self._offered)
        layout.addWidget(self._offered_warnings)
        layout.addLayout(in_a_row(self._accept, self._reject, None))
        layout.addLayout(self._card_box)
        layout.addWidget(self._find_button)
        layout.addLayout(buttons)
        layout.addWidget(self._spacing)
        layout.addWidget(self._spacing_text)
        layout.addWidget(self.next_button())
        layout.addStretch(1)

    # The step.

    def enter(self) -> None:
        """Take clicks on a file at once, or go on with a known length that lacks something."""
        self._begun, self._points_seen = None, 0
        film = self.film
        if film is None or film.changed_image is not None:
            return
        references = film.marks.references
        unfinished = next((k for k, r in enumerate(references) if _missing(r)), None)
        if unfinished is not None:
            self._go_on_clicking(unfinished)
        elif not references:
            self._begin("file")

    def finish(self) -> None:
        """Go on to the canals, unless a known length that was begun lacks something."""
        begun, reference = self._begun, self._begun_reference()
        if begun is not None and reference is not None and reference.points_px:
            if len(reference.points_px) < 2:
                self.state.tell(_missing(reference), "warning")
                return
            if not self._cards[begun].take_length():
                self._cards[begun].focus_length()
                return
        self._begun = None
        self.stop_pointing()
        self.state.choose_step(Step.CANALS)

    def typed_fields(self) -> list[NumberField | WordField]:
        """Fields of all known lengths."""
        return [field for card in self._cards for field in card.fields]

    def _go_on_clicking(self, index: int) -> None:
        """Take more clicks for a known length that has some."""
        if self.film is None:
            return
        points = len(self.film.marks.references[index].points_px)
        self._begun, self._points_seen = index, points
        if points < 2:
            self.state.point_for(Pointing(purpose=Purpose.REFERENCE, reference=index))
        self.refresh()

    def _begin(self, kind: str) -> None:
        film = self.film
        if film is None:
            return
        state = self.state
        state.next_reference_kind = kind
        state.next_reference_length_mm = (
            self.desk.preferences.file_length_mm or 0.0 if kind == "file" else 0.0
        )
        self._begun, self._points_seen = len(film.marks.references), 0
        state.begin_reference()
        self.refresh()

    def _begin_finding(self) -> None:
        if self.film is not None:
            self._begun = None
            self.state.point_for(Pointing(purpose=Purpose.FILE))
            self.refresh()

    def _accept_file(self) -> None:
        if self.film is not None:
            self._begun, self._points_seen = len(self.film.marks.references), 0
            self.film.accept_file()

    def _reject_file(self) -> None:
        if self.film is not None:
            self.film.offer_file(None)

    def _begun_reference(self) -> LengthReference | None:
        """The known length being entered, or what its first click will make."""
        if self.film is None or self._begun is None:
            return None
        references = self.film.marks.references
        if self._begun < len(references):
            return references[self._begun]
        return LengthReference(
            kind=self.state.next_reference_kind,
            points_px=(),
            length_mm=self.state.next_reference_length_mm,
        )

    # What is shown.

    def refresh(self) -> None:
        """Show the scale, the known lengths and the switch."""
        film = self.film
        self.setEnabled(film is not None)
        if film is None:
            self._scale.setText("No film is open.")
            for label in (self._source, self._warnings, self._hint, self._spacing_text):
                label.hide()
            self._show_cards([], None)
            self._show_offered(None)
            return
        self._forget_begun(film)
        self._show_scale(film)
        begun = self._begun_reference()
        references = list(film.marks.references)
        if begun is not None and self._begun == len(references):
            references.append(begun)
        self._show_cards(references, film.calibration)
        self._show_spacing(film)
        self._show_offered(film.offered_file)
        another = "Trace another file" if film.marks.references else "Trace a file"
        self._file_button.setText(another)
        set_line(self._hint, self._hint_text(begun))
        self._follow_clicks(begun)

    def _forget_begun(self, film: OpenFilm) -> None:
        """Undo may have taken away what was begun, and Escape what had no click yet."""
        waiting = self.state.pointing.purpose is Purpose.REFERENCE
        last = len(film.marks.references) - (0 if waiting else 1)
        if self._begun is not None and self._begun > last:
            self._begun = None

    def _show_scale(self, film: OpenFilm) -> None:
        numbers, calibration = self.numbers, film.calibration
        if calibration is None:
            self._scale.setText("No scale: no millimetres will be shown.")
            set_line(self._source, self._why_none(film))
            self._warnings.hide()
            return
        pitch = numbers.mm_per_px(calibration.col_mm)
        if calibration.row_mm != calibration.col_mm:
            pitch = f"{numbers.mm_per_px(calibration.row_mm)} (rows), {pitch} (columns)"
        renewed = "" if film.is_current else " · being renewed"
        self._scale.setText(
            f"{pitch} mm per px ± {numbers.relative(GUARD * calibration.u_rel)} (95 %){renewed}"
        )
        set_line(self._source, numbers.in_text(calibration.source))
        set_line(self._warnings, _warning_text(calibration, numbers))

    def _why_none(self, film: OpenFilm) -> str:
        if film.changed_image is not None:
            return "The image has changed since these marks were made. See the step picture."
        if film.computed.problem is not None and film.is_current:
            return self.numbers.in_text(str(film.computed.problem))
        if not film.is_current and any(not _missing(r) for r in film.marks.references):
            return "Reading the known length …"
        if film.marks.references:
            return "" if self._begun is not None else "A known length is not finished yet."
        if film.radiograph.spacing is not None and not film.marks.use_detector_spacing:
            return "No known length is marked, and the file's own spacing is switched off."
        return "The file gives no pixel spacing that could be used instead of a known length."

    def _hint_text(self, begun: LengthReference | None) -> str:
        if self.state.pointing.purpose is Purpose.FILE:
            return "Click once anywhere on the file, where it lies apart from others."
        if begun is None or self.state.pointing.purpose is not Purpose.REFERENCE:
            return ""
        clicks = len(begun.points_px)
        if begun.kind == "line":
            return ("Click one end on the picture.", "Click the other end.")[min(clicks, 1)]
        if clicks == 0:
            return (
                "Click the stop's edge on the picture, then the tip. "
                "Middle clicks help on a bent file."
            )
        if clicks == 1:
            return "Click the tip; on a bent file a click between first."
        return "Type the length from stop to tip, then Enter."

    def _follow_clicks(self, begun: LengthReference | None) -> None:
        """After the second click the length is what is wanted next."""
        points = 0 if begun is None else len(begun.points_px)
        grown, self._points_seen = points > self._points_seen, points
        if begun is None or self._begun is None or not grown or points < 2:
            return
        if begun.kind == "line":
            self.state.point_for(Pointing())
        self._cards[self._begun].focus_length()

    def _show_cards(
        self, references: list[LengthReference], calibration: Calibration | None
    ) -> None:
        while len(self._cards) > len(references):
            card = self._cards.pop()
            card.hide()
            self._card_box.removeWidget(card)
            card.setParent(None)
            card.deleteLater()
        while len(self._cards) < len(references):
            self._cards.append(self._new_card(len(self._cards)))
        results = calibration.references if calibration is not None else ()
        pointed = self.state.pointing.reference
        for k, (card, reference) in enumerate(zip(self._cards, references, strict=True)):
            result = next((r for r in results if r.reference == reference), None)
            card.show_reference(reference, result, self.numbers, pointed=k == pointed)

    def _new_card(self, index: int) -> ReferenceCard:
        card = ReferenceCard(index)
        card.changed.connect(lambda fields: self._change(index, fields))
        card.remove_requested.connect(lambda: self._remove(index))
        card.clicks_requested.connect(lambda: self._go_on_clicking(index))
        card.entered.connect(lambda: self._entered(index))
        self._card_box.addWidget(card)
        card.show()
        return card

    def _show_spacing(self, film: OpenFilm) -> None:
        own = calibration_from_spacing(film.radiograph, film.marks.settings)
        self._spacing.setVisible(own is not None)
        if own is None:
            self._spacing_text.hide()
            return
        with QSignalBlocker(self._spacing):
            self._spacing.setChecked(film.marks.use_detector_spacing)
        numbers = self.numbers
        words = [f"{numbers.mm_per_px(own.col_mm)} mm per px, {clean(own.source)}."]
        if film.marks.references:
            words.append("Known lengths come first; this is compared with them.")
        shown = film.calibration.warnings if film.calibration is not None else ()
        words += [numbers.in_text(w.text) for w in own.warnings if w not in shown]
        set_line(self._spacing_text, " ".join(words))

    def _show_offered(self, offered: OfferedFile | None) -> None:
        """A file that was found and waits for the reader's answer."""
        self._accept.setVisible(offered is not None)
        self._reject.setVisible(offered is not None)
        text = warnings = ""
        if offered is not None:
            found, numbers = offered.found, self.numbers
            text = (
                "A file was found; it does not count yet. Confidence "
                f"{numbers.fixed(100.0 * found.confidence, 0)} %, stop ± "
                f"{numbers.uncertainty(found.u_stop_px, 'px')} px, tip ± "
                f"{numbers.uncertainty(found.u_tip_px, 'px')} px. Accept it, or drag an end."
            )
            warnings = "\n".join(f"⚠ {numbers.in_text(w.text)}" for w in found.reasons)
        set_line(self._offered, text)
        set_line(self._offered_warnings, warnings)

    # Edits.

    def _change(self, index: int, fields: dict[str, object]) -> None:
        if self.film is None:
            return
        if index < len(self.film.marks.references):
            self.edit(
                f"known length {index + 1}",
                lambda m: marks_edits.change_reference(m, index, **fields),
            )
            return
        kind, length = fields.get("kind"), fields.get("length_mm")
        if isinstance(kind, str):
            self.state.next_reference_kind = kind
        if isinstance(length, float):
            self.state.next_reference_length_mm = length
        self.refresh()

    def _remove(self, index: int) -> None:
        if self.film is None:
            return
        self._begun = None
        self.stop_pointing()
        if index < len(self.film.marks.references):
            self.edit(
                f"remove known length {index + 1}",
                lambda m: marks_edits.remove_reference(m, index),
            )
        self.refresh()

    def _entered(self, index: int) -> None:
        if index == self._begun:
            self.finish()

    def _set_spacing(self, use: bool) -> None:
        self.edit(
            "use the file's own spacing" if use else "leave the file's own spacing",
            lambda m: replace(m, use_detector_spacing=use),
        )


class ReferenceCard(QFrame):
    """One object of known length. Asks for changes, makes none.

    Signals: ``changed(dict)`` fields of `LengthReference`, ``remove_requested()``,
    ``clicks_requested()``, ``entered()`` after Enter in the length.
    """

    changed = Signal(dict)
    remove_requested = Signal()
    clicks_requested = Signal()
    entered = Signal()

    def __init__(self, index: int, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self.setObjectName(f"rx_reference_{index}")
        which = f"known length {index + 1}"
        self._kind = Choice(f"rx_kind_{index}", f"Kind of {which}")
        for kind, words in KINDS.items():
            self._kind.addItem(words, kind)
        self._kind.activated.connect(lambda _: self._send(kind=self._kind.currentData()))
        self._clicks = QLabel()
        remove = button("Remove", f"rx_remove_reference_{index}", f"Take {which} out")
        remove.clicked.connect(self.remove_requested)
        self._more = button("Click", f"rx_click_reference_{index}", f"Click on with {which}")
        self._more.clicked.connect(self.clicks_requested)
        self._length = NumberField(
            f"rx_length_{index}",
            f"Real length of {which} in mm, stop to tip",
            number_within("length", "mm", *LENGTH_MM),
        )
        self._length.committed.connect(lambda v: self._send(length_mm=v))
        self._length.entered.connect(self.entered)
        self._u = NumberField(
            f"rx_length_u_{index}",
            "How exactly the length is known in mm (one standard deviation)",
            number_within("uncertainty", "mm", *LENGTH_U_MM),
            digits=4,
        )
        self._u.committed.connect(lambda v: self._send(length_u_mm=v))
        self._tip = NumberField(
            f"rx_tip_size_{index}",
            "ISO size of the file's tip (may stay empty)",
            lambda text: checked_size(typed_number(text, name="tip size"), name="tip size"),
            optional=True,
            digits=3,
        )
        self._tip.committed.connect(lambda v: self._send(tip_size=v))
        self._tip_word = QLabel("Tip ISO")
        self._label = WordField(
            f"rx_label_{index}",
            "Name of this object (may stay empty)",
            placeholder="name, if you like",
        )
        self._label.propose(("file in the canal", "file beside the tooth", "implant", "post"))
        self._label.committed.connect(lambda text: self._send(label=text))
        self._state = text_line(f"rx_reference_state_{index}")
        self._problem = warning_line(f"rx_reference_problem_{index}")
        self._problem.hide()
        for field in (self._length, self._u, self._tip):
            field.problem_changed.connect(lambda _: self._show_problem())

        self.fields: tuple[NumberField | WordField, ...] = (
            self._length,
            self._u,
            self._tip,
            self._label,
        )
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 4, 6, 4)
        layout.setSpacing(3)
        layout.addLayout(
            in_a_row(
                QLabel(f"<b>{index + 1}</b>"), self._kind, self._clicks, self._more, None, remove
            )
        )
        layout.addLayout(
            in_a_row(
                QLabel("Length"),
                self._length,
                QLabel("±"),
                self._u,
                QLabel("mm"),
                None,
                self._tip_word,
                self._tip,
            )
        )
        layout.addWidget(self._problem)
        layout.addWidget(self._label)
        layout.addWidget(self._state)

    def show_reference(
        self,
        reference: LengthReference,
        result: ReferenceResult | None,
        numbers: Numbers,
        *,
        pointed: bool,
    ) -> None:
        """Show a known length and the scale that it gives alone; ``pointed``: clicks go to it."""
        mark = numbers.decimal_mark
        with QSignalBlocker(self._kind):
            self._kind.setCurrentIndex(self._kind.findData(reference.kind))
        clicks = len(reference.points_px)
        self._clicks.setText("1 click" if clicks == 1 else f"{clicks} clicks")
        self._more.setVisible(clicks < 2 and not pointed)
        self._length.show_number(reference.length_mm or None, mark)
        self._u.show_number(reference.length_u_mm, mark)
        self._tip.show_number(reference.tip_size, mark)
        self._label.show_text(reference.label)
        is_file = reference.kind == "file"
        self._tip.setVisible(is_file)
        self._tip_word.setVisible(is_file)
        for widget in (self._u, self._tip, self._label):
            widget.setEnabled(clicks > 0)
        # While it is being clicked, the line above says what comes next.
        missing = _missing(reference)
        set_line(
            self._state, _alone(result, numbers) if not missing else "" if pointed else missing
        )

    def take_length(self) -> bool:
        """Take the typed length; False when it does not hold."""
        return self._length.take()

    def focus_length(self) -> None:
        """Put the cursor into the length."""
        self._length.setFocus()
        self._length.selectAll()

    def _send(self, **fields: object) -> None:
        self.changed.emit(fields)

    def _show_problem(self) -> None:
        problems = [f.problem for f in (self._length, self._u, self._tip) if f.problem]
        set_line(self._problem, " ".join(f"⚠ {p}" for p in problems))


def _missing(reference: LengthReference) -> str:
    """What an unfinished known length still needs; empty when it is whole."""
    ends = ("the stop's edge", "the tip") if reference.kind == "file" else ("one end", "the other")
    if len(reference.points_px) < 2:
        return f"Gives no scale yet: click {ends[len(reference.points_px)]} on the picture."
    if not reference.length_mm > 0.0:
        return "Gives no scale yet: type its length."
    return ""


def _alone(result: ReferenceResult | None, numbers: Numbers) -> str:
    if result is None:
        return "…"
    text = f"Alone {numbers.mm_per_px(result.mm_per_px)} mm per px"
    if result.residual_sd is not None:
        text += f", {numbers.fixed(result.residual_sd, 1)} SD from the combined scale"
    return text


def _warning_text(calibration: Calibration, numbers: Numbers) -> str:
    return "\n".join(f"⚠ {numbers.in_text(w.text)}" for w in calibration.warnings)
