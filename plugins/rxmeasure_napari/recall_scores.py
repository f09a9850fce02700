"""Scores that the reader gives to the roots of a tooth, one scale and one root at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from qtpy.QtCore import QSignalBlocker, Qt, Signal
from qtpy.QtGui import QMouseEvent
from qtpy.QtWidgets import (
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.recall.scores import Choice as ScaleChoice
from rxmeasure.recall.scores import ReaderScore, Scale, Symptoms, score
from rxmeasure.recall.series import Suggestion
from rxmeasure.report.numbers import clean
from rxmeasure.report.series_words import (
    SYMPTOMS,
    choice_text,
    root_heading,
    score_text,
    source_text,
    suggestion_text,
    tooth_words,
)
from rxmeasure_napari import look
from rxmeasure_napari.panels.film_panel import (
    Choice,
    breakable,
    button,
    drop,
    set_line,
    text_line,
)

#: Most root buttons in one row of the panel.
_ROOTS_ACROSS = 4


class ScoreForm(QWidget):
    """The reader's scores at one visit; nothing is chosen before the reader chooses it.

    Signals
    -------
    scores_changed : tuple of ReaderScore
        All scores of the visit after a click.
    symptoms_changed : Symptoms
    """

    scores_changed = Signal(tuple)
    symptoms_changed = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("rx_scores")
        self.setStyleSheet(look.style_sheet())
        self._scales: tuple[Scale, ...] = ()
        self._roots: tuple[str, ...] = ()
        self._scores: tuple[ReaderScore, ...] = ()
        self._suggestions: tuple[Suggestion, ...] = ()
        self._symptoms = Symptoms.NOT_STATED
        self._visit = 0
        self._scale_id = ""
        self._root = ""
        self._built: tuple[object, ...] = ()
        self._root_buttons: dict[str, QPushButton] = {}
        self._choices: dict[str, QPushButton] = {}

        self._symptom_box = Choice("rx_score_symptoms", "Signs and symptoms at this visit")
        self._symptom_box.addItems([words.capitalize() for words in SYMPTOMS.values()])
        self._symptom_box.activated.connect(self._state_symptoms)
        self._scale_box = Choice("rx_score_scale", "Scale of the scores")
        self._scale_box.setSizeAdjustPolicy(
            Choice.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
        )
        self._scale_box.setMinimumContentsLength(20)
        self._scale_box.activated.connect(self._choose_scale)
        self._question = look.heading("", "rx_score_question")
        self._missing = text_line("rx_score_missing")
        self._card = QFrame()
        self._card.setProperty("rx_role", "card")
        self._root_heading = look.heading("", "rx_score_root")
        self._given = text_line("rx_score_given")
        self._take_back = button("Take back", "rx_score_take_back", "Take this root's score away")
        self._take_back.clicked.connect(self._take_score_back)
        self._suggestion = look.hint("", "rx_score_suggestion")
        self._tooth = text_line("rx_score_tooth")
        self._note = look.hint("", "rx_score_note")
        self._source = look.hint("", "rx_score_source")
        self._roots_grid = QGridLayout()
        self._choices_grid = QGridLayout()
        self._lay_out()

    def show_scores(
        self,
        scales: Mapping[str, Scale],
        roots: Sequence[str],
        scores: tuple[ReaderScore, ...],
        suggestions: Sequence[Suggestion],
        symptoms: Symptoms,
        *,
        visit: int,
    ) -> None:
        """Show the scores of one visit.

        Parameters
        ----------
        scales : mapping
            As `published_scales`.
        roots : sequence of str
            Those to score; roots that have a score are shown too.
        scores : tuple of ReaderScore
            All of the visit.
        suggestions : sequence of Suggestion
            What the measurement suggests, of any visit; shown only beside a score.
        symptoms : Symptoms
        visit : int
            Counted from 1.
        """
        self._scales = tuple(scales.values())
        self._roots = tuple(dict.fromkeys([*roots, *(s.root for s in scores)]))
        self._scores, self._symptoms, self._visit = scores, symptoms, visit
        self._suggestions = tuple(s for s in suggestions if s.visit == visit)
        if self._scale_id not in scales:
            self._scale_id = next(iter(scales), "")
        if self._root not in self._roots:
            self._root = next(iter(self._roots), "")
        self._refresh()

    # -- laying out -----------------------------------------------------------

    def _lay_out(self) -> None:
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(4)
        rows.addWidget(self._symptom_box)
        rows.addWidget(self._scale_box)
        rows.addWidget(self._question)
        rows.addWidget(self._missing)
        self._roots_grid.setSpacing(3)
        rows.addLayout(self._roots_grid)
        rows.addWidget(self._card)
        inside = QVBoxLayout(self._card)
        inside.setContentsMargins(6, 4, 6, 4)
        inside.setSpacing(3)
        inside.addWidget(self._root_heading)
        self._choices_grid.setColumnStretch(1, 1)
        self._choices_grid.setHorizontalSpacing(6)
        self._choices_grid.setVerticalSpacing(2)
        inside.addLayout(self._choices_grid)
        given = QHBoxLayout()
        given.addWidget(self._given, 1)
        given.addWidget(self._take_back, 0, Qt.AlignmentFlag.AlignTop)
        inside.addLayout(given)
        inside.addWidget(self._suggestion)
        rows.addWidget(self._tooth)
        rows.addWidget(self._note)
        rows.addWidget(self._source)

    def _refresh(self) -> None:
        with QSignalBlocker(self._symptom_box):
            self._symptom_box.setCurrentIndex(list(SYMPTOMS).index(self._symptoms))
        self._show_scales()
        scale = self._scale
        self._card.setVisible(scale is not None and bool(self._root))
        set_line(self._missing, "" if self._roots else "Mark a root, to score it.")
        if scale is None:
            return
        set_line(self._question, scale.question)
        set_line(self._note, clean(scale.note))
        set_line(self._source, f"Source: {clean(source_text(scale))}")
        self._rebuild(scale)
        self._show_roots(scale)
        self._show_choices(scale)
        self._show_tooth(scale)

    def _rebuild(self, scale: Scale) -> None:
        """Make the buttons anew where other roots or another scale are shown."""
        wanted = (self._roots, scale)
        if wanted == self._built:
            return
        self._built = wanted
        for grid in (self._roots_grid, self._choices_grid):
            _empty(grid)
        self._root_buttons = {root: self._root_button(root) for root in self._roots}
        for k, made in enumerate(self._root_buttons.values()):
            self._roots_grid.addWidget(made, k // _ROOTS_ACROSS, k % _ROOTS_ACROSS)
        self._choices = {}
        for row, choice in enumerate(scale.choices):
            made = self._choice_button(choice)
            self._choices[choice.value] = made
            self._choices_grid.addWidget(made, row, 0, Qt.AlignmentFlag.AlignTop)
            self._choices_grid.addWidget(
                _Anchor(choice, made), row, 1, Qt.AlignmentFlag.AlignVCenter
            )

    def _root_button(self, root: str) -> QPushButton:
        made = button("", f"rx_score_root_{root}")
        made.setCheckable(True)
        made.clicked.connect(lambda: self._choose_root(root))
        return made

    def _choice_button(self, choice: ScaleChoice) -> QPushButton:
        made = button(choice.value, f"rx_score_{choice.value}", clean(choice.label))
        made.setProperty("rx_role", "choice")
        made.setAccessibleName(choice_text(choice))
        made.setCheckable(True)
        made.clicked.connect(lambda: self._give(choice))
        return made

    # -- showing --------------------------------------------------------------

    def _show_scales(self) -> None:
        titles = [clean(scale.title) for scale in self._scales]
        with QSignalBlocker(self._scale_box):
            if titles != [self._scale_box.itemText(k) for k in range(self._scale_box.count())]:
                self._scale_box.clear()
                self._scale_box.addItems(titles)
            self._scale_box.setCurrentIndex([s.id for s in self._scales].index(self._scale_id))
        self._scale_box.setToolTip(self._scale_box.currentText())

    def _show_roots(self, scale: Scale) -> None:
        for root, made in self._root_buttons.items():
            given = self._given_to(root)
            name = _short(clean(root))
            made.setText(f"{name}: {given.value}" if given else f"{name}: –")
            told = score_text(scale.choice(given.value)) if given else "not scored yet"
            made.setAccessibleName(f"{root_heading(root)}: {told}")
            made.setToolTip(made.accessibleName())
            made.setChecked(root == self._root)
            made.setVisible(len(self._root_buttons) > 1)

    def _show_choices(self, scale: Scale) -> None:
        self._root_heading.setText(breakable(root_heading(self._root)))
        given = self._given_to(self._root)
        for value, made in self._choices.items():
            made.setChecked(given is not None and given.value == value)
        self._take_back.setVisible(given is not None)
        set_line(self._suggestion, self._suggestion_words(given))
        if given is None:
            self._given.setText("Not scored yet.")
        else:
            self._given.setText(f"Your score: {score_text(scale.choice(given.value))}")

    def _suggestion_words(self, given: ReaderScore | None) -> str:
        """Empty before the reader has scored, and where the measurement decides nothing."""
        if given is None:
            return ""
        wanted = (given.scale_id, given.root)
        for one in self._suggestions:
            if (one.scale_id, one.root) == wanted:
                same = " too" if one.suggested == given.value else ""
                return f"Beside it, {suggestion_text(one.suggested)}{same}. The score is yours."
        return ""

    def _show_tooth(self, scale: Scale) -> None:
        words = tooth_words(scale, self._scores, self._roots)
        self._tooth.setTextFormat(Qt.TextFormat.RichText)
        text = "" if words is None else f"<b>Tooth: {escape(words.score)}</b>; {words.ruled_by}"
        self._tooth.setText(text)
        self._tooth.setVisible(words is not None)
        self._tooth.setToolTip("The worst root rules the tooth; nothing is averaged.")

    # -- asking ---------------------------------------------------------------

    @property
    def _scale(self) -> Scale | None:
        return next((s for s in self._scales if s.id == self._scale_id), None)

    def _given_to(self, root: str) -> ReaderScore | None:
        wanted = (self._scale_id, root)
        return next((s for s in self._scores if (s.scale_id, s.root) == wanted), None)

    def _choose_scale(self, place: int) -> None:
        self._scale_id = self._scales[place].id
        self._refresh()

    def _choose_root(self, root: str) -> None:
        self._root = root
        self._refresh()

    def _state_symptoms(self, place: int) -> None:
        stated = list(SYMPTOMS)[place]
        self._ask(self.symptoms_changed, stated, stated is not self._symptoms)

    def _give(self, choice: ScaleChoice) -> None:
        scale, given = self._scale, self._given_to(self._root)
        assert scale is not None
        new = score(scale, self._root, choice.value)
        self._ask(
            self.scores_changed,
            (*self._others(), new),
            given is None or given.value != choice.value,
        )

    def _take_score_back(self) -> None:
        self._ask(self.scores_changed, self._others(), True)

    def _others(self) -> tuple[ReaderScore, ...]:
        wanted = (self._scale_id, self._root)
        return tuple(s for s in self._scores if (s.scale_id, s.root) != wanted)

    def _ask(self, signal: Signal, value: object, new: bool) -> None:
        """Ask for new values; what is shown stays as it is until they are shown."""
        self._refresh()
        if new:
            signal.emit(value)


class _Anchor(QLabel):
    """The words beside a score; a click on them is a click on the score."""

    def __init__(self, choice: ScaleChoice, chooses: QPushButton) -> None:
        super().__init__()
        self._chooses = chooses
        self.setObjectName(f"rx_score_anchor_{choice.value}")
        group = "" if choice.group == choice.value else f" ({choice.group})"
        self.setText(clean(choice.label) + group)
        self.setWordWrap(True)
        self.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.setIndent(0)
        self.setBuddy(chooses)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        """Choose."""
        if event.button() == Qt.MouseButton.LeftButton:
            self._chooses.click()


def _short(name: str) -> str:
    return name if len(name) <= 8 else f"{name[:7]}…"


def _empty(grid: QGridLayout) -> None:
    while grid.count():
        drop(grid.takeAt(0).widget())
