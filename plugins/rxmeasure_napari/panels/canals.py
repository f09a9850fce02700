"""The step canals: clicks along each canal, its landmarks and what is stated of it."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from qtpy.QtCore import QSignalBlocker, Qt, Signal
from qtpy.QtWidgets import (
    QFormLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.errors import MarksError
from rxmeasure.fit.dimensions import checked_size, checked_taper
from rxmeasure.marks import (
    CanalMarks,
    FilmKind,
    Landmark,
    LandmarkState,
    MarksOrigin,
    NominalShape,
    ReviewMarks,
)
from rxmeasure.marks_check import LONGEST_MM
from rxmeasure.report.content import ORIGINS
from rxmeasure.report.numbers import Numbers
from rxmeasure.tooth import usual_canals
from rxmeasure.values import Length
from rxmeasure_napari import look, marks_edits
from rxmeasure_napari.keys import keys_for, with_key
from rxmeasure_napari.panels.film_panel import Choice, button, set_line, text_line
from rxmeasure_napari.panels.number_field import (
    NumberField,
    WordField,
    number_within,
    typed_number,
)
from rxmeasure_napari.panels.pointing_panel import PointingPanel, in_a_row, warning_line
from rxmeasure_napari.panels.proposals_box import ProposalsBox
from rxmeasure_napari.review_state import OpenFilm, Pointing, Purpose, Step

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk

CORONAL_REFERENCES = (
    "cusp tip",
    "incisal edge",
    "buccal cusp tip",
    "lingual cusp tip",
    "palatal cusp tip",
    "mesiobuccal cusp tip",
    "distobuccal cusp tip",
    "mesiolingual cusp tip",
    "distolingual cusp tip",
    "edge of the restoration",
)

APEX_STATES = {
    LandmarkState.NOT_GIVEN: "seen, at the last click",
    LandmarkState.RESORBED: "resorbed",
    LandmarkState.OPEN_APEX: "open apex",
    LandmarkState.UNCLEAR: "unclear",
    LandmarkState.OUTSIDE_FILM: "outside the film",
}
SEEN_APART = "seen, marked apart"
#: An apex that is so may still have a place of its own.
PLACED_STATES = (LandmarkState.NOT_GIVEN, LandmarkState.RESORBED, LandmarkState.OPEN_APEX)

FILE_FILMS = (FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE)

#: Text of the live length, as a multiple of the rest.
LARGE = 1.25

CORRECT_BY_HAND = (
    "Correct by hand: drag a point; arrow keys move the chosen one by 0.5 px; Delete takes it "
    "out; a click on the line adds one."
)


class CanalsPanel(PointingPanel):
    """The canals of the film, and the one in front with its landmarks and stated numbers."""

    step = Step.CANALS
    purposes = (Purpose.CANAL, Purpose.LANDMARK, Purpose.FILL)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(desk, parent)
        self._shown = ""
        self._list = QListWidget()
        self._list.setObjectName("rx_canal_list")
        self._list.setAccessibleName("Canals of this film")
        self._list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._list.setToolTip(
            f"Next canal {keys_for('next_canal')}, canal before {keys_for('previous_canal')}"
        )
        self._list.currentItemChanged.connect(self._choose)
        self._new = button("New canal", "rx_new_canal", with_key("Trace a new canal", "new_canal"))
        self._new.clicked.connect(lambda: self.state.begin_canal())
        self._more_clicks = button(
            "More clicks", "rx_more_clicks", "Take more clicks at the apical end of this canal"
        )
        self._more_clicks.clicked.connect(lambda: self.state.begin_canal(self._shown))
        self._remove = button("Remove", "rx_remove_canal", "Take this canal out")
        self._remove.clicked.connect(self._remove_canal)
        self._proposals = ProposalsBox(desk.state)
        self._proposals.asked.connect(self._propose)
        self._proposals.click_asked.connect(self._await_fill)
        self._origin = text_line("rx_canal_origin")
        self._confirm = button(
            "Confirm", "rx_confirm", "Say that you looked at the line and it is right"
        )
        self._confirm.clicked.connect(self._confirm_canal)
        self._hint = text_line("rx_canal_hint")
        self._length = text_line("rx_canal_length")
        large = self._length.font()
        large.setBold(True)
        large.setPointSizeF(large.pointSizeF() * LARGE)
        self._length.setFont(large)
        self._source = text_line("rx_canal_source")
        self._warnings = warning_line("rx_canal_warnings")
        self._fields = CanalFields()
        self._fields.changed.connect(self._change)
        self._fields.renamed.connect(self._rename)
        self._fields.reference_named.connect(self._name_reference)
        self._fields.apex_chosen.connect(self._set_apex)
        self._fields.place_requested.connect(self._place)
        self._fields.landmark_removed.connect(self._remove_landmark)
        self._by_hand = text_line("rx_correct_by_hand")
        self._by_hand.setProperty("rx_role", "hint")

        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 4, 6, 4)
        layout.setSpacing(4)
        layout.addWidget(self._list)
        layout.addLayout(in_a_row(self._new, self._more_clicks, None, self._remove))
        layout.addWidget(self._proposals)
        for line in (self._hint, self._length, self._source):
            layout.addWidget(line)
        origin = in_a_row(self._origin, self._confirm)
        origin.setStretch(0, 1)
        layout.addLayout(origin)
        layout.addWidget(self._warnings)
        layout.addWidget(self._fields)
        layout.addWidget(self._by_hand)
        layout.addWidget(self.next_button())
        layout.addStretch(1)

    # The step.

    def enter(self) -> None:
        """Begin the first canal, or go on with one that has too few clicks for a line."""
        film = self.film
        if film is None or film.changed_image is not None:
            return
        unfinished = next((c.name for c in film.marks.canals if len(c.clicks_px) < 2), None)
        nothing = not film.marks.canals and not film.offered
        if unfinished is not None or nothing:
            self.state.begin_canal(unfinished)

    def finish(self) -> None:
        """End the canal being clicked and go on to the fill; say so when it is no line yet."""
        pointing = self.state.pointing
        if pointing.purpose in (Purpose.LANDMARK, Purpose.FILL):
            self.stop_pointing()
            return
        canal = self._traced()
        if canal is not None and len(canal.clicks_px) == 1:
            self.state.tell(
                f"Canal {canal.name} has one click: click along it, the radiographic apex last.",
                "warning",
            )
            return
        self.stop_pointing()
        self.state.next_step()

    def typed_fields(self) -> list[NumberField | WordField]:
        """Fields of the canal in front."""
        return self._fields.typed

    def _traced(self) -> CanalMarks | None:
        """The canal that clicks go to; empty before its first click, None when there is none."""
        pointing = self.state.pointing
        if self.film is None or pointing.purpose is not Purpose.CANAL:
            return None
        begun = CanalMarks(name=pointing.canal, clicks_px=())
        return marks_edits.canal_of(self.film.marks, pointing.canal) or begun

    # What is shown.

    def refresh(self) -> None:
        """Show the canals and the one in front."""
        film = self.film
        self.setEnabled(film is not None)
        self._new.setText("New canal")
        if film is None:
            self._shown = ""
            self._show_list(None, None)
            set_line(self._hint, "No film is open.")
            hidden = (self._length, self._source, self._warnings, self._by_hand, self._origin)
            for widget in (*hidden, self._confirm, self._proposals, self._fields):
                widget.hide()
            return
        self._proposals.show()
        self._proposals.show_film(film, self.numbers)
        traced = self._traced()
        canal = traced or marks_edits.canal_of(film.marks, self.state.canal)
        self._turn_to(canal.name if canal is not None else "")
        self._show_list(film, traced)
        kept = canal is not None and canal in film.marks.canals
        self._remove.setEnabled(canal is not None)
        self._more_clicks.setEnabled(kept and traced is None)
        self._show_next_name(film)
        set_line(self._hint, self._hint_text(canal, traced))
        self._show_length(film, canal)
        self._show_origin(canal)
        self._show_warnings(film, canal)
        self._fields.setVisible(canal is not None)
        if canal is not None:
            self._fields.show_canal(canal, film.marks, self.numbers, self.state.pointing)
        whole = kept and traced is None
        set_line(self._by_hand, CORRECT_BY_HAND if whole else "")

    def _turn_to(self, name: str) -> None:
        """What is typed belongs to the canal that was shown."""
        if name != self._shown:
            self.commit()
            self._shown = name
            for field in self.typed_fields():
                field.restore()

    def _show_next_name(self, film: OpenFilm) -> None:
        try:
            name = marks_edits.new_canal_name(film.marks)
        except MarksError as error:
            self._new.setEnabled(False)
            self._new.setToolTip(str(error))
            return
        self._new.setEnabled(True)
        self._new.setToolTip(with_key(f"Trace a new canal: {name}", "new_canal"))

    def _show_list(self, film: OpenFilm | None, traced: CanalMarks | None) -> None:
        canals = list(film.marks.canals) if film is not None else []
        if traced is not None and traced not in canals:
            canals.append(traced)
        front = traced.name if traced is not None else self.state.canal
        with QSignalBlocker(self._list):
            while self._list.count() > len(canals):
                self._list.takeItem(self._list.count() - 1)
            while self._list.count() < len(canals):
                self._list.addItem(QListWidgetItem())
            for row, canal in enumerate(canals):
                item = self._list.item(row)
                item.setText(self._row_text(film, canal))
                item.setData(Qt.ItemDataRole.UserRole, canal.name)
            names = [canal.name for canal in canals]
            self._list.setCurrentRow(names.index(front) if front in names else -1)
        self._list.setVisible(bool(canals))
        rows = min(max(len(canals), 1), 5)
        height = max(self._list.sizeHintForRow(0), self.fontMetrics().height() + 4)
        self._list.setFixedHeight(rows * height + 2 * self._list.frameWidth() + 2)

    def _row_text(self, film: OpenFilm | None, canal: CanalMarks) -> str:
        clicks = len(canal.clicks_px)
        count = "1 click" if clicks == 1 else f"{clicks} clicks"
        found = _length_of(film, canal.name)
        if not canal.confirmed:
            count = str(MarksOrigin.NOT_CONFIRMED)
        if clicks < 2 or found is None:
            return f"{canal.name} · {count}"
        length, confidence = found
        seen = f"line seen on {self.numbers.percent(confidence)}"
        return f"{canal.name} · {count} · {_with_u(length, self.numbers)} · {seen}"

    def _hint_text(self, canal: CanalMarks | None, traced: CanalMarks | None) -> str:
        pointing = self.state.pointing
        if pointing.purpose is Purpose.LANDMARK:
            return f"Click the {marks_edits.LANDMARKS[pointing.landmark]} on the picture."
        if pointing.purpose is Purpose.FILL:
            return "Click once on a fill on the picture."
        if canal is None and self.film is not None and self.film.offered:
            return ""
        if canal is None:
            return "No canal yet. Begin one with 'New canal'."
        if traced is None:
            return "This canal needs two clicks or more." if len(canal.clicks_px) < 2 else ""
        if not traced.clicks_px:
            return (
                f"{traced.name}: click the coronal reference, then along the canal, the "
                "radiographic apex last; Enter when done."
            )
        if len(traced.clicks_px) == 1:
            return "Now along the canal, the radiographic apex last."
        return "Enter when the last click is on the radiographic apex."

    def _show_length(self, film: OpenFilm, canal: CanalMarks | None) -> None:
        found = _length_of(film, canal.name) if canal is not None else None
        if found is None:
            for line in (self._length, self._source):
                line.hide()
            return
        length, _ = found
        numbers = self.numbers
        set_line(self._length, f"{_with_u(length, numbers)} along the canal")
        if length.scale_source is None:
            set_line(self._source, "No scale, so no millimetres: see the step calibrate.")
        else:
            set_line(
                self._source,
                f"Scale: {numbers.in_text(length.scale_source)}. ± is one standard uncertainty.",
            )

    def _show_origin(self, canal: CanalMarks | None) -> None:
        """Who placed the points, where it was not the reader alone."""
        origin = MarksOrigin.BY_HAND if canal is None else canal.origin
        unseen = origin is MarksOrigin.NOT_CONFIRMED
        by_hand = origin is MarksOrigin.BY_HAND
        words = "" if by_hand else f"Clicks and apex: {ORIGINS[origin]}."
        self._origin.setStyleSheet(look.told_style("warning" if unseen else "note"))
        set_line(self._origin, f"⚠ {words}" if unseen else words)
        self._confirm.setVisible(unseen)

    def _show_warnings(self, film: OpenFilm, canal: CanalMarks | None) -> None:
        numbers = self.numbers
        lines = []
        problem = film.computed.problem
        if film.changed_image is not None:
            lines.append("The image has changed since these marks were made: see the step picture.")
        elif problem is not None and film.is_current and film.marks.canals:
            lines.append(numbers.in_text(str(problem)))
        measured = film.measured(canal.name) if canal is not None else None
        if measured is not None and self._traced() is None:
            lines += [numbers.in_text(w.text) for w in measured.warnings]
        set_line(self._warnings, "\n".join(f"⚠ {line}" for line in lines))

    # Edits.

    def _choose(self, item: QListWidgetItem | None) -> None:
        if item is not None and self.film is not None:
            name = item.data(Qt.ItemDataRole.UserRole)
            if marks_edits.canal_of(self.film.marks, name) is not None:
                self.state.choose_canal(name)

    def _propose(self) -> None:
        if self.film is not None:
            self.desk.propose(self.film)

    def _await_fill(self) -> None:
        waiting = self.state.pointing.purpose is Purpose.FILL
        self.state.point_for(Pointing() if waiting else Pointing(purpose=Purpose.FILL))

    def _confirm_canal(self) -> None:
        name = self._shown
        self.edit(f"confirm canal {name}", lambda m: marks_edits.confirm_canal(m, name))

    def _remove_canal(self) -> None:
        name = self._shown
        self.stop_pointing()
        if self._front() is not None:
            self.edit(f"remove canal {name}", lambda m: marks_edits.remove_canal(m, name))
        elif self.film is not None and self.film.marks.canals:
            self.state.choose_canal(self.film.marks.canals[0].name)

    def _rename(self, new: str) -> None:
        old, state = self._shown, self.state
        if self._front() is None:
            self._begin_under(new)
            return
        traced = self._traced() is not None
        in_front = self.film is state.film and state.canal == old
        done = self.edit(f"rename canal {old}", lambda m: marks_edits.rename_canal(m, old, new))
        if done and in_front:
            state.choose_canal(new)
            if traced:
                state.begin_canal(new)
        self._fields.show_name(self._shown)

    def _begin_under(self, name: str) -> None:
        """Give the canal that has no click yet another name; a name that is taken is refused."""
        film = self.film
        if film is None or not name or marks_edits.canal_of(film.marks, name) is not None:
            self.state.tell(
                f"A canal named '{name}' is there already." if name else "A canal needs a name.",
                "warning",
            )
        else:
            self.state.begin_canal(name)
        self._fields.show_name(self.state.pointing.canal)

    def _change(self, label: str, fields: dict[str, object]) -> None:
        name = self._shown
        if self._front() is not None:
            self.edit(
                f"{label} of canal {name}", lambda m: marks_edits.change_canal(m, name, **fields)
            )

    def _front(self) -> CanalMarks | None:
        """The canal that is shown; None before its first click."""
        return marks_edits.canal_of(self.film.marks, self._shown) if self.film else None

    def _name_reference(self, label: str) -> None:
        canal = self._front()
        if canal is None or not canal.clicks_px:
            return
        point = canal.coronal_reference.point_px or canal.clicks_px[0]
        named = Landmark(point_px=point, state=LandmarkState.MARKED, label=label)
        self._change("coronal reference", {"coronal_reference": named if label else Landmark()})

    def _set_apex(self, state: LandmarkState) -> None:
        canal = self._front()
        if canal is None:
            return
        point = canal.radiographic_apex.point_px if state in PLACED_STATES else None
        if state is LandmarkState.NOT_GIVEN and point is not None:
            state = LandmarkState.MARKED
        self.edit(
            f"radiographic apex of canal {canal.name}",
            lambda m: marks_edits.set_landmark(
                m, canal.name, "radiographic_apex", point, state=state
            ),
        )

    def _place(self, landmark: str) -> None:
        if self._front() is not None:
            pointing = Pointing(purpose=Purpose.LANDMARK, canal=self._shown, landmark=landmark)
            self.state.point_for(Pointing() if pointing == self.state.pointing else pointing)

    def _remove_landmark(self, landmark: str) -> None:
        canal = self._front()
        if canal is not None:
            self.edit(
                f"remove {marks_edits.LANDMARKS[landmark]} of canal {canal.name}",
                lambda m: marks_edits.set_landmark(m, canal.name, landmark, None),
            )


class CanalFields(QWidget):
    """What can be stated and placed for one canal. Asks for changes, makes none.

    Signals: ``changed(str, dict)`` a label and fields of `CanalMarks`,
    ``renamed(str)``, ``reference_named(str)``, ``apex_chosen(LandmarkState)``,
    ``place_requested(str)`` and ``landmark_removed(str)`` with the landmark.
    """

    changed = Signal(str, dict)
    renamed = Signal(str)
    reference_named = Signal(str)
    apex_chosen = Signal(object)
    place_requested = Signal(str)
    landmark_removed = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._name = WordField("rx_canal_name", "Name of this canal")
        self._name.committed.connect(self.renamed)
        self._reference = WordField(
            "rx_coronal_reference",
            "Where the length begins: the coronal reference, at the first click",
            placeholder="not named",
        )
        self._reference.propose(CORONAL_REFERENCES)
        self._reference.committed.connect(self.reference_named)
        self._apex = Choice("rx_apex_state", "Radiographic apex")
        self._apex.addItems(list(APEX_STATES.values()))
        # By place: Qt hands a text enumeration back as bare text.
        self._apex.activated.connect(lambda k: self.apex_chosen.emit(tuple(APEX_STATES)[k]))
        self._size = NumberField(
            "rx_nominal_size",
            "ISO size of the last shaping file or cone",
            lambda text: checked_size(typed_number(text, name="size")),
            optional=True,
            digits=4,
        )
        self._size.setPlaceholderText("ISO")
        self._taper = NumberField(
            "rx_nominal_taper",
            "Taper of the last shaping file or cone: .04 or 4 %",
            typed_taper,
            optional=True,
            digits=4,
        )
        self._taper.setPlaceholderText(".04")
        for field in (self._size, self._taper):
            field.committed.connect(lambda _: self._send_nominal())
        self._stop = self._mm_field("stop_to_tip_mm", "stop-to-tip length")
        self._locator = self._mm_field("locator_reading_mm", "locator reading")
        self._downpack = self._mm_field("downpack_depth_mm", "downpack depth")
        self._problem = warning_line("rx_canal_problem")
        self._problem.hide()
        self._numbers = (self._size, self._taper, self._stop, self._locator, self._downpack)
        self.typed: list[NumberField | WordField] = [self._name, self._reference, *self._numbers]
        for field in self._numbers:
            field.problem_changed.connect(lambda _: self._show_problem())
        self._landmarks = {
            name: LandmarkRow(name)
            for name in ("orifice", "core_end", "sealer_end", "post_end", "radiographic_apex")
        }
        for name, row in self._landmarks.items():
            row.place_requested.connect(partial(self.place_requested.emit, name))
            row.remove_requested.connect(partial(self.landmark_removed.emit, name))
        self._lay_out()

    def _lay_out(self) -> None:
        form = _form()
        form.addRow("Name", self._name)
        form.addRow("Reference", self._reference)
        form.addRow("Apex", self._apex)
        self._stop_row = in_a_row(self._stop, QLabel("mm"), None)
        form.addRow("Stop to tip", self._stop_row)
        form.addRow("Size, taper", in_a_row(self._size, self._taper, None))
        form.addRow("Orifice", self._landmarks["orifice"])
        self._form = form
        self._fold = QToolButton()
        self._fold.setObjectName("rx_more")
        self._fold.setText("More")
        self._fold.setAccessibleName("More about this canal")
        self._fold.setToolTip("Ends of core, sealer and post, apex apart, locator, downpack")
        self._fold.setCheckable(True)
        self._fold.setAutoRaise(True)
        self._fold.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self._fold.setArrowType(Qt.ArrowType.RightArrow)
        self._fold.toggled.connect(self._unfold)
        self._folded = QWidget()
        more = _form(self._folded)
        for name, word in (
            ("core_end", "Core end"),
            ("sealer_end", "Sealer end"),
            ("post_end", "Post end"),
            ("radiographic_apex", "Apex apart"),
        ):
            more.addRow(word, self._landmarks[name])
        more.addRow("Locator", in_a_row(self._locator, QLabel("mm"), None))
        self._downpack_row = in_a_row(self._downpack, QLabel("mm from the fill's end"), None)
        more.addRow("Downpack", self._downpack_row)
        self._more = more
        self._folded.hide()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        layout.addLayout(form)
        layout.addWidget(self._problem)
        layout.addWidget(self._fold)
        layout.addWidget(self._folded)

    def show_name(self, name: str) -> None:
        """Show the canal's name, whatever is typed."""
        self._name.show_text(name)

    def show_canal(
        self, canal: CanalMarks, marks: ReviewMarks, numbers: Numbers, pointing: Pointing
    ) -> None:
        """Show what is known of one canal."""
        mark = numbers.decimal_mark
        usual = usual_canals(marks.tooth)
        taken = {c.name for c in marks.canals} - {canal.name}
        names = usual.names if usual is not None else ("single",)
        self._name.propose(tuple(n for n in names if n not in taken))
        self._name.show_text(canal.name)
        self._reference.show_text(canal.coronal_reference.label)
        self._show_apex(canal)
        nominal = canal.nominal
        self._size.show_number(nominal.size if nominal else None, mark)
        self._taper.show_number(nominal.taper if nominal else None, mark)
        self._stop.show_number(canal.stop_to_tip_mm, mark)
        self._locator.show_number(canal.locator_reading_mm, mark)
        self._downpack.show_number(canal.downpack_depth_mm, mark)
        for name, row in self._landmarks.items():
            waiting = pointing.purpose is Purpose.LANDMARK and pointing.landmark == name
            row.show_landmark(getattr(canal, name), waiting=waiting)
        self._form.setRowVisible(self._stop_row, marks.film_kind in FILE_FILMS)
        filled = marks.film_kind.filled
        for name in ("core_end", "sealer_end", "post_end"):
            self._more.setRowVisible(self._landmarks[name], filled)
        self._more.setRowVisible(self._downpack_row, filled)
        fields: tuple[QWidget, ...] = (self._reference, self._apex, *self._numbers)
        for widget in (*fields, *self._landmarks.values()):
            widget.setEnabled(bool(canal.clicks_px))

    def _show_apex(self, canal: CanalMarks) -> None:
        apex = canal.radiographic_apex
        seen = apex.state in (LandmarkState.NOT_GIVEN, LandmarkState.MARKED)
        apart = apex.point_px is not None and apex.point_px not in canal.clicks_px[-1:]
        with QSignalBlocker(self._apex):
            self._apex.setItemText(0, SEEN_APART if apart else APEX_STATES[LandmarkState.NOT_GIVEN])
            self._apex.setCurrentIndex(0 if seen else list(APEX_STATES).index(apex.state))

    def _mm_field(self, name: str, words: str) -> NumberField:
        field = NumberField(
            f"rx_{name}",
            f"{words[:1].upper()}{words[1:]} in mm",
            number_within(words, "mm", 0.1, LONGEST_MM),
            optional=True,
        )
        field.committed.connect(lambda value: self.changed.emit(words, {name: value}))
        return field

    def _send_nominal(self) -> None:
        size, taper = self._size.value, self._taper.value
        if size is not None and taper is not None:
            shape = NominalShape(size=size, taper=taper)
            self.changed.emit("size and taper", {"nominal": shape})
        elif size is None and taper is None:
            self.changed.emit("size and taper", {"nominal": None})
        self._show_problem()

    def _show_problem(self) -> None:
        problems = [field.problem for field in self._numbers if field.problem]
        if not problems and (self._size.value is None) != (self._taper.value is None):
            problems = ["Size and taper belong together: type the other one too."]
        set_line(self._problem, " ".join(f"⚠ {p}" for p in problems))

    def _unfold(self, more: bool) -> None:
        self._folded.setVisible(more)
        self._fold.setArrowType(Qt.ArrowType.DownArrow if more else Qt.ArrowType.RightArrow)


class LandmarkRow(QWidget):
    """One landmark: whether it is placed, and the ways to place it or to take it out.

    Signals: ``place_requested()``, ``remove_requested()``.
    """

    place_requested = Signal()
    remove_requested = Signal()

    def __init__(self, landmark: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        words = marks_edits.LANDMARKS[landmark]
        self._word = QLabel()
        self._word.setObjectName(f"rx_landmark_{landmark}")
        self._place = button("Place", f"rx_place_{landmark}", f"Click the {words} on the picture")
        self._place.setAccessibleName(f"Place the {words}")
        self._place.setCheckable(True)
        self._place.clicked.connect(lambda: self.place_requested.emit())
        self._remove = button("Remove", f"rx_remove_{landmark}", f"Take the {words} out")
        self._remove.setAccessibleName(f"Remove the {words}")
        self._remove.clicked.connect(lambda: self.remove_requested.emit())
        row = in_a_row(self._word, None, self._place, self._remove)
        row.setContentsMargins(0, 0, 0, 0)
        self.setLayout(row)

    def show_landmark(self, landmark: Landmark, *, waiting: bool) -> None:
        """Show whether it is placed; ``waiting``: the next click places it."""
        placed = landmark.point_px is not None
        word = "placed" if placed else "not placed"
        self._word.setText("click it now" if waiting else word)
        with QSignalBlocker(self._place):
            self._place.setChecked(waiting)
        self._place.setText("Place again" if placed else "Place")
        self._remove.setVisible(placed)


def typed_taper(text: str) -> float:
    """A taper in mm per mm, typed as .04, 0.04, 4 or 4 %.

    Raises
    ------
    MarksError
        It is no number, or no taper that a file or cone has.
    """
    number = typed_number(text.strip().removesuffix("%"), name="taper")
    percent = "%" in text or number >= 1.0
    return checked_taper(number / 100.0 if percent else number)


def _length_of(film: OpenFilm | None, canal: str) -> tuple[Length, float] | None:
    """Length of a canal and the share of its line that is seen: of the line now, else measured."""
    if film is None:
        return None
    if film.preview is not None and film.preview_canal == canal:
        return film.preview.length, film.preview.confidence
    measured = film.measured(canal)
    if measured is None:
        return None
    return measured.canal_length, measured.centre_line.confidence


def _with_u(length: Length, numbers: Numbers) -> str:
    """A length with its standard uncertainty; pixels without a scale."""
    if length.value_mm is None or length.u_mm is None:
        return (
            f"{numbers.quantity(length.value_px, 'px')} ± {numbers.uncertainty(length.u_px, 'px')} "
            "px"
        )
    return (
        f"{numbers.quantity(length.value_mm, 'mm')} ± {numbers.uncertainty(length.u_mm, 'mm')} mm"
    )


def _form(parent: QWidget | None = None) -> QFormLayout:
    form = QFormLayout(parent)
    form.setContentsMargins(0, 0, 0, 0)
    form.setHorizontalSpacing(8)
    form.setVerticalSpacing(3)
    form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
    return form
