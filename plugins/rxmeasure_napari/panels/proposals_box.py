"""Proposed canals in the step canals: asking for them, what speaks for each, and the answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from qtpy.QtCore import QSignalBlocker, Qt, Signal
from qtpy.QtWidgets import QListWidget, QListWidgetItem, QToolButton, QVBoxLayout, QWidget

from rxmeasure.report.numbers import Numbers
from rxmeasure_napari.drawing import DECLINED_SIGN, PROPOSAL_SIGN
from rxmeasure_napari.keys import with_key
from rxmeasure_napari.panels.film_panel import button, set_line, text_line
from rxmeasure_napari.panels.pointing_panel import in_a_row
from rxmeasure_napari.review_state import OpenFilm, Purpose, ReviewState

if TYPE_CHECKING:
    from rxmeasure.proposals import CanalProposal, Declined, Proposals

NOT_FILLED = "Canals are proposed on post-operative and recall films only"
_MOST_ROWS = 4


class ProposalsBox(QWidget):
    """Proposals of the film in front. Asks for them and for edits, makes none.

    Signals: ``asked()`` for the whole film, ``click_asked()`` for one click on a fill.
    """

    asked = Signal()
    click_asked = Signal()

    def __init__(self, state: ReviewState, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._state = state
        self._ask = button("Propose canals", "rx_propose")
        self._ask.clicked.connect(lambda: self.asked.emit())
        self._click = button("Click a fill", "rx_propose_click")
        self._click.setCheckable(True)
        self._click.clicked.connect(lambda: self.click_asked.emit())
        self._said = text_line("rx_proposals_said")
        self._list = _list("rx_proposal_list", "Proposed canals")
        self._list.currentRowChanged.connect(self._choose)
        self._reasons = text_line("rx_proposal_reasons")
        self._reasons.setProperty("rx_role", "hint")
        self._accept = button(
            "Accept", "rx_accept", with_key("Make a canal of this proposal", "accept")
        )
        self._accept.clicked.connect(lambda: state.accept(self._front()))
        self._all = button("Accept all", "rx_accept_all", "Make a canal of each proposal")
        self._all.clicked.connect(lambda: state.accept(self._offered()))
        self._reject = button("Reject", "rx_reject", "Take this proposal away")
        self._reject.clicked.connect(lambda: state.reject(self._front()))
        self._answers = QWidget()
        row = in_a_row(self._accept, self._all, None, self._reject)
        row.setContentsMargins(0, 0, 0, 0)
        self._answers.setLayout(row)
        self._fold = QToolButton()
        self._fold.setObjectName("rx_declined")
        self._fold.setCheckable(True)
        self._fold.setAutoRaise(True)
        self._fold.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self._fold.setToolTip("Bright lines that are not proposed, and why")
        self._fold.toggled.connect(state.show_declined)
        self._declined = _list("rx_declined_list", "Lines that are not proposed")
        self._declined.setSelectionMode(QListWidget.SelectionMode.NoSelection)
        self._declined.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        layout.addLayout(in_a_row(self._ask, self._click, None))
        for widget in (
            self._said,
            self._list,
            self._reasons,
            self._answers,
            self._fold,
            self._declined,
        ):
            layout.addWidget(widget)

    def show_film(self, film: OpenFilm, numbers: Numbers) -> None:
        """Show what is proposed on a film and not answered."""
        filled = film.marks.film_kind.filled
        for asking, tip in (
            (self._ask, with_key("Find the filled canals of the whole film", "propose")),
            (self._click, "Find the filled canal at one click on its fill"),
        ):
            asking.setEnabled(filled and film.changed_image is None)
            asking.setToolTip(tip if filled else NOT_FILLED)
        with QSignalBlocker(self._click):
            self._click.setChecked(self._state.pointing.purpose is Purpose.FILL)
        self._show_offered(film, numbers)
        self._show_declined(film.proposals.declined if film.proposals is not None else ())

    def _show_offered(self, film: OpenFilm, numbers: Numbers) -> None:
        offered, front = film.offered, self._state.proposal
        with QSignalBlocker(self._list):
            texts = [_row_text(film.number_of(p), p, numbers) for p in offered]
            _show_rows(self._list, texts)
            self._list.setCurrentRow(offered.index(front) if front is not None else -1)
        set_line(self._said, _said(film.proposals, len(offered)))
        set_line(self._reasons, reasons_text(front) if front is not None else "")
        self._answers.setVisible(bool(offered))
        self._all.setVisible(len(offered) > 1)

    def _show_declined(self, declined: Sequence[Declined]) -> None:
        shown = self._state.shows_declined
        with QSignalBlocker(self._fold):
            self._fold.setChecked(shown)
        self._fold.setText(f"Not proposed: {len(declined)}")
        self._fold.setAccessibleName(f"Lines that are not proposed: {len(declined)}")
        self._fold.setArrowType(Qt.ArrowType.DownArrow if shown else Qt.ArrowType.RightArrow)
        self._fold.setVisible(bool(declined))
        _show_rows(
            self._declined, [f"{DECLINED_SIGN} {k}  {d.reason}" for k, d in enumerate(declined, 1)]
        )
        self._declined.setVisible(bool(declined) and shown)

    def _choose(self, row: int) -> None:
        offered = self._offered()
        if 0 <= row < len(offered):
            self._state.choose_proposal(offered[row])

    def _offered(self) -> tuple[CanalProposal, ...]:
        return self._state.film.offered if self._state.film is not None else ()

    def _front(self) -> tuple[CanalProposal, ...]:
        front = self._state.proposal
        return () if front is None else (front,)


def reasons_text(proposal: CanalProposal) -> str:
    """What speaks against a proposal, and why it has no apex."""
    parts = [f"Less sure because {'; '.join(proposal.reasons)}."] if proposal.reasons else []
    if proposal.why_no_apex:
        parts.append(f"No apex: {proposal.why_no_apex[:1].lower()}{proposal.why_no_apex[1:]}")
    return " ".join(parts)


def _row_text(number: int, proposal: CanalProposal, numbers: Numbers) -> str:
    apex = (
        f"apex {numbers.percent(proposal.apex_confidence)} sure"
        if proposal.apex_px is not None
        else "no apex found"
    )
    fill = numbers.percent(proposal.confidence)
    return f"{PROPOSAL_SIGN} {number}  proposed · fill {fill} sure · {apex}"


def _said(proposals: Proposals | None, offered: int) -> str:
    if proposals is None:
        return ""
    if offered:
        return "Look at each line on the film. Nothing is measured before you accept it."
    if proposals.canals:
        return "All proposals are answered."
    return "No filled canal is proposed."


def _list(name: str, accessible_name: str) -> QListWidget:
    made = QListWidget()
    made.setObjectName(name)
    made.setAccessibleName(accessible_name)
    made.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    made.setWordWrap(True)
    return made


def _show_rows(rows: QListWidget, texts: Sequence[str]) -> None:
    """Show these texts, as high as they are up to a few."""
    if [rows.item(k).text() for k in range(rows.count())] != list(texts):
        rows.clear()
        for text in texts:
            rows.addItem(QListWidgetItem(text))
    rows.setVisible(bool(texts))
    heights = [rows.sizeHintForRow(k) for k in range(min(len(texts), _MOST_ROWS))]
    rows.setFixedHeight(sum(heights) + 2 * rows.frameWidth() + 2)
