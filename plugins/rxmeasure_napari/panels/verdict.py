"""Step 'verdict': what the published criteria say of the canal in front."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QCheckBox,
    QFileDialog,
    QHBoxLayout,
    QPushButton,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.criteria.criterion import (
    RuleSet,
    default_rule_set_ids,
    load_rule_set,
    load_rule_sets,
    published_rule_sets,
)
from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import Override, ReviewMarks
from rxmeasure_napari import look, marks_edits
from rxmeasure_napari.panels.canal_chips import CanalChips
from rxmeasure_napari.panels.film_panel import FilmPanel, drop
from rxmeasure_napari.review_state import OwnCriteria, Step
from rxmeasure_napari.verdict_cards import VerdictCards

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk


class VerdictPanel(FilmPanel):
    """Verdict cards of the canal in front, and the choice of criteria."""

    step = Step.VERDICT

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(desk, parent)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 2, 4, 2)
        layout.setSpacing(4)
        self._chips = CanalChips(desk.state)
        layout.addWidget(self._chips)
        self._cards = VerdictCards()
        self._cards.setObjectName("rx_verdicts")
        self._cards.override_requested.connect(self._override)
        self._cards.override_withdrawn.connect(self._withdraw)
        layout.addWidget(self._cards)
        self._choose = QToolButton()
        self._choose.setObjectName("rx_choose_criteria")
        self._choose.setText("Choose criteria")
        self._choose.setAccessibleName("Choose criteria")
        self._choose.setCheckable(True)
        self._choose.setArrowType(Qt.ArrowType.RightArrow)
        self._choose.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self._choose.toggled.connect(self._fold)
        self._own = QPushButton("Own criteria …")
        self._own.setObjectName("rx_own_criteria")
        self._own.setAccessibleName("Own criteria")
        self._own.setToolTip("Judge by a criteria file of your own too (TOML)")
        self._own.clicked.connect(self._choose_own)
        choice = QHBoxLayout()
        choice.addWidget(self._choose)
        choice.addWidget(self._own)
        choice.addStretch(1)
        layout.addLayout(choice)
        self._own_hint = look.hint("", "rx_own_criteria_hint")
        layout.addWidget(self._own_hint)
        self._sets = QWidget()
        self._boxes: dict[str, QCheckBox] = {}
        self._own_boxes: dict[OwnCriteria, QCheckBox] = {}
        self._rows = boxes = QVBoxLayout(self._sets)
        boxes.setContentsMargins(12, 0, 0, 0)
        for rule_set in published_rule_sets().values():
            box = _box_of(rule_set)
            box.clicked.connect(self._choose_sets)
            boxes.addWidget(box)
            self._boxes[rule_set.id] = box
        layout.addWidget(self._sets)
        layout.addStretch(1)
        self._shown: tuple[object, ...] = ()
        self._fold(False)

    def _state_signals(self) -> tuple[Any, ...]:
        return (*super()._state_signals(), self.state.canal_chosen)

    def refresh(self) -> None:
        """Show the verdicts on the canal in front."""
        self._chips.refresh()
        film, canal = self.film, self.state.canal
        review = film.review if film is not None and film.computed.problem is None else None
        shown = (review, canal, self.numbers, self._why_missing())
        if shown != self._shown:
            self._shown = shown
            self._cards.show_review(
                review, canal, numbers=self.numbers, missing=self._why_missing()
            )
        self._show_sets()

    def _why_missing(self) -> str:
        film = self.film
        if film is None:
            return "No film is open."
        if film.computed.problem is not None:
            return str(film.computed.problem)
        if film.review is None and not film.is_current:
            return "Measuring …"
        if film.review is None:
            return "No verdict yet: trace a canal in the step 'canals'."
        return ""

    def _override(self, override: Override) -> None:
        self.state.try_edit(
            f"verdict on {override.rule_id}", lambda m: marks_edits.add_override(m, override)
        )

    def _withdraw(self, override: Override) -> None:
        self.state.try_edit(
            f"take back the verdict on {override.rule_id}",
            lambda m: marks_edits.remove_override(m, override),
        )

    # Choice of criteria.

    def _fold(self, unfolded: bool) -> None:
        self._choose.setArrowType(Qt.ArrowType.DownArrow if unfolded else Qt.ArrowType.RightArrow)
        self._sets.setVisible(unfolded)

    def _show_sets(self) -> None:
        film = self.film
        self._choose.setEnabled(film is not None)
        self._own.setEnabled(film is not None)
        own = film.work.own_criteria if film is not None else ()
        self._show_own(own)
        self._own_hint.setText(_about_own(film.marks, own) if film is not None else "")
        self._own_hint.setVisible(bool(self._own_hint.text()))
        if film is None:
            return
        kind = film.marks.film_kind
        chosen = film.marks.rule_set_ids or default_rule_set_ids(kind)
        known = published_rule_sets()
        for rule_id, box in self._boxes.items():
            box.setChecked(rule_id in chosen)
            box.setVisible(kind in known[rule_id].film_kinds or rule_id in chosen)

    def _choose_sets(self) -> None:
        own = self.film.work.own_criteria if self.film is not None else ()
        chosen = tuple(rule_id for rule_id, box in self._boxes.items() if box.isChecked())
        if not chosen:
            self.state.tell("At least one set of criteria stays chosen.")
            self._show_sets()
            return

        def change(marks: ReviewMarks) -> ReviewMarks:
            default = default_rule_set_ids(marks.film_kind)
            return marks_edits.with_rule_sets(
                marks,
                () if set(chosen) == set(default) else chosen,
                own=[one.rule_set.id for one in own],
            )

        self.state.try_edit("choice of criteria", change)

    # Criteria of the reader's own.

    def _show_own(self, own: tuple[OwnCriteria, ...]) -> None:
        if own == tuple(self._own_boxes):
            return
        for box in self._own_boxes.values():
            drop(box)
        self._own_boxes = {one: _box_of(one.rule_set, f", {one.path.name}") for one in own}
        for one, box in self._own_boxes.items():
            box.setChecked(True)
            box.clicked.connect(partial(self._leave_out, one))
            self._rows.addWidget(box)

    def _choose_own(self) -> None:
        film = self.film
        if film is None:
            return
        chosen, _ = QFileDialog.getOpenFileName(
            self, "Own criteria", str(film.path.parent), "Criteria (*.toml)"
        )
        if not chosen:
            return
        path = Path(chosen)
        others = [one for one in film.work.own_criteria if one.path != path]
        try:
            rule_set = load_rule_set(path)
            load_rule_sets((*(one.path for one in others), path))
        except RxMeasureError as error:
            self.state.refuse(error)
            return
        if rule_set.id in self._boxes:
            self.state.tell(f"{path.name} is '{rule_set.id}', which comes with the program.")
            return
        film.judge_by((*others, OwnCriteria(path=path, rule_set=rule_set)))
        self._choose.setChecked(True)

    def _leave_out(self, left: OwnCriteria) -> None:
        if self.film is not None:
            own = self.film.work.own_criteria
            self.film.judge_by(tuple(one for one in own if one != left))


def _box_of(rule_set: RuleSet, more: str = "") -> QCheckBox:
    box = QCheckBox(f"{rule_set.id}, version {rule_set.version}{more}")
    box.setObjectName(f"rx_criteria_{rule_set.id}")
    box.setToolTip(rule_set.title)
    return box


def _about_own(marks: ReviewMarks, own: tuple[OwnCriteria, ...]) -> str:
    """What a review file does not keep of own criteria; empty where that does not matter."""
    known = {*published_rule_sets(), *(one.rule_set.id for one in own)}
    missing = dict.fromkeys(
        rule_set_id
        for o in marks.overrides
        if o.canal and (rule_set_id := o.rule_id.partition("/")[0]) not in known
    )
    if missing:
        return (
            f"A verdict on your own criteria {', '.join(missing)} was changed by hand. The review "
            "file does not hold these criteria: choose their file again."
        )
    if own:
        return (
            "The review file keeps the verdicts on your own criteria, not the criteria. When the "
            "film is opened again, choose their file again to judge by them."
        )
    return ""
