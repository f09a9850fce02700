"""Step 'verdict': what the published criteria say of the canal in front."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QCheckBox, QToolButton, QVBoxLayout, QWidget

from rxmeasure.criteria.criterion import default_rule_set_ids, published_rule_sets
from rxmeasure.marks import Override, ReviewMarks
from rxmeasure_napari import marks_edits
from rxmeasure_napari.panels.canal_chips import CanalChips
from rxmeasure_napari.panels.film_panel import FilmPanel
from rxmeasure_napari.review_state import Step
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
        layout.addWidget(self._choose)
        self._sets = QWidget()
        self._boxes: dict[str, QCheckBox] = {}
        boxes = QVBoxLayout(self._sets)
        boxes.setContentsMargins(12, 0, 0, 0)
        for rule_set in published_rule_sets().values():
            box = QCheckBox(f"{rule_set.id}, version {rule_set.version}")
            box.setObjectName(f"rx_criteria_{rule_set.id}")
            box.setToolTip(rule_set.title)
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
        if film is None:
            return
        kind = film.marks.film_kind
        chosen = film.marks.rule_set_ids or default_rule_set_ids(kind)
        known = published_rule_sets()
        for rule_id, box in self._boxes.items():
            box.setChecked(rule_id in chosen)
            box.setVisible(kind in known[rule_id].film_kinds or rule_id in chosen)

    def _choose_sets(self) -> None:
        chosen = tuple(rule_id for rule_id, box in self._boxes.items() if box.isChecked())
        if not chosen:
            self.state.tell("At least one set of criteria stays chosen.")
            self._show_sets()
            return

        def change(marks: ReviewMarks) -> ReviewMarks:
            default = default_rule_set_ids(marks.film_kind)
            return marks_edits.with_rule_sets(marks, () if set(chosen) == set(default) else chosen)

        self.state.try_edit("choice of criteria", change)
