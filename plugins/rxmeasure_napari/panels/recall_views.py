"""The pair in front: how it was aligned, and how it is shown."""

from __future__ import annotations

from qtpy.QtCore import QSignalBlocker
from qtpy.QtWidgets import QButtonGroup, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from rxmeasure.criteria.results import Outcome
from rxmeasure.recall.alignment import AlignmentVerdict, RootAlignment
from rxmeasure.recall.pairs import PairAlignment
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.subtraction import error_text
from rxmeasure_napari import look, series_edits
from rxmeasure_napari.keys import with_key
from rxmeasure_napari.panels.film_panel import Choice, button, set_line, text_line
from rxmeasure_napari.panels.pointing_panel import in_a_row
from rxmeasure_napari.recall_desk import RecallDesk
from rxmeasure_napari.recall_layers import DENSER, LESS_DENSE, SAME
from rxmeasure_napari.series_state import PairResult, SeriesState, Tool, View

#: Sign before the word of an alignment's verdict, and the outcome that has its colour.
SIGNS = {
    AlignmentVerdict.ACCEPTED: ("✓", Outcome.MET),
    AlignmentVerdict.CAUTION: ("≈", Outcome.BORDERLINE),
    AlignmentVerdict.REFUSED: ("✗", Outcome.NOT_MET),
}
#: Changes a second of the blinking by itself; never as fast as three flashes (WCAG 2.1, 2.3.1).
RATES = (0.0, 0.5, 1.0, 2.0)
_NO_POINTS = "The program's alignment is used. Mark the same places in both films for your own."
_CLICK_POINTS = (
    "Click a place in one film, then the same place in the other: cusps, crown edges, apices. Five "
    "or more spread over the film; Enter ends it."
)


class ViewsPage(QWidget):
    """Pair, verdict of its alignment, views, points by hand."""

    def __init__(self, recall: RecallDesk) -> None:
        super().__init__()
        self._recall = recall
        self._series = recall.series
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        layout.addLayout(self._pair_row())
        self._verdict = look.heading("", "rx_pair_verdict")
        layout.addWidget(self._verdict)
        self._reason = text_line("rx_pair_reason")
        layout.addWidget(self._reason)
        self._angles = look.hint("", "rx_pair_angles")
        layout.addWidget(self._angles)
        self._again = button("Align", "rx_align", "Begin the alignment that was stopped")
        self._again.clicked.connect(recall.follow_soon)
        layout.addWidget(self._again)
        layout.addLayout(self._view_row())
        layout.addWidget(self._blink_row())
        self._swipe = look.hint(
            "Drag the divider on the picture: left of it the earlier film, right of it the later.",
            "rx_swipe_hint",
        )
        layout.addWidget(self._swipe)
        self._legend = _Legend()
        layout.addWidget(self._legend)
        self._depth = look.hint("", "rx_view_depth")
        layout.addWidget(self._depth)
        layout.addWidget(look.heading("Points by hand"))
        self._points = text_line("rx_points")
        layout.addWidget(self._points)
        self._mark = button("Mark points", "rx_mark_points", "Click the same places in both films")
        self._mark.setCheckable(True)
        self._mark.clicked.connect(self._mark_points)
        self._clear = button(
            "Take the points away", "rx_clear_points", "Align by the program again"
        )
        self._clear.clicked.connect(self._clear_points)
        layout.addLayout(in_a_row(self._mark, self._clear, None))

    def _pair_row(self) -> QHBoxLayout:
        self._before = Choice("rx_pair_before", "Earlier visit of the pair")
        self._after = Choice("rx_pair_after", "Later visit of the pair")
        for box in (self._before, self._after):
            box.currentIndexChanged.connect(self._choose_pair)
        return in_a_row(QLabel("Visit"), self._before, QLabel("against"), self._after, None)

    def _view_row(self) -> QHBoxLayout:
        self._views = QButtonGroup(self)
        made = []
        for place, view in enumerate(View):
            chip = button(view.value.capitalize(), f"rx_view_{view.name.lower()}")
            chip.setCheckable(True)
            self._views.addButton(chip, place)
            made.append(chip)
        self._views.idClicked.connect(lambda k: self._recall.show_view(list(View)[k]))
        return in_a_row(*made, None)

    def _blink_row(self) -> QWidget:
        change = button("Other film", "rx_blink", with_key("Show the other visit", "blink"))
        change.clicked.connect(self._recall.blink)
        self._rate = Choice("rx_blink_rate", "Changes a second")
        for rate in RATES:
            self._rate.addItem(f"{rate:g} a second" if rate else "by hand")
        self._rate.currentIndexChanged.connect(lambda k: self._recall.blink_by_itself(RATES[k]))
        self._up = look.hint("", "rx_blink_up")
        row = QWidget()
        cells = QHBoxLayout(row)
        cells.setContentsMargins(0, 0, 0, 0)
        cells.addWidget(change)
        cells.addWidget(self._rate)
        cells.addWidget(self._up, 1)
        self._blink = row
        return row

    # Showing.

    def refresh(self) -> None:
        """Show the pair in front."""
        self._show_pair_choice()
        front = self._series.front
        result = self._series.pair(front.before, front.after)
        current = self._series.is_aligned(front.before, front.after)
        self._show_verdict(result if current else None)
        self._show_views(result if current else None)
        self._show_points(result if current else None)
        self._again.setVisible(not current and self._can_align and not self._recall.is_busy)

    @property
    def _can_align(self) -> bool:
        front = self._series.front
        first = self._series.film_of(front.before)
        waits_for_roots = first is not None and first.is_current and self._series.needs_roots(first)
        return waits_for_roots or self._series.pair_inputs(front.before, front.after) is not None

    def _show_pair_choice(self) -> None:
        names, front = visit_names(self._series), self._series.front
        self._before.show_choices(names, front.before - 1)
        self._after.show_choices(names, front.after - 1)

    def _choose_pair(self, _: int) -> None:
        before, after = self._before.currentIndex() + 1, self._after.currentIndex() + 1
        if before != after and min(before, after) > 0:
            self._series.bring(before=min(before, after), after=max(before, after))
        else:
            self.refresh()

    def _show_verdict(self, result: PairResult | None) -> None:
        numbers = self._recall.desk.numbers
        if result is None:
            words = "Aligning …" if self._recall.is_busy else "Not aligned."
            self._verdict.setText(words if len(self._series.visits) > 1 else "Add two visits.")
            self._verdict.setStyleSheet("")
            set_line(self._reason, "")
            set_line(self._angles, "")
            return
        if result.found is None:
            self._say(Outcome.NOT_MET, "✗ refused")
            set_line(self._reason, numbers.in_text(str(result.problem)))
            set_line(self._angles, "")
            return
        found = result.found
        sign, outcome = SIGNS[found.verdict]
        # The error of a refused pair says nothing; where it is the reason, it is told there.
        error = "" if found.refused else f": {numbers.in_text(error_text(found))}"
        self._say(outcome, f"{sign} {found.verdict}{error}")
        seen = " The films are shown side by side." if found.refused else ""
        set_line(self._reason, numbers.in_text(found.reason) + seen)
        # Of films that may not be laid over each other the reason says what there is to say.
        set_line(self._angles, "" if found.refused else angle_text(found, numbers))

    def _say(self, outcome: Outcome, text: str) -> None:
        self._verdict.setText(text)
        self._verdict.setStyleSheet(f"color: {look.VERDICT[outcome]};")

    def _show_views(self, result: PairResult | None) -> None:
        front = self._series.front
        refused = result is None or result.found is None or result.found.refused
        for place, view in enumerate(View):
            chip = self._views.button(place)
            chip.setEnabled(view is View.SIDE or not refused)
            chip.setToolTip("" if chip.isEnabled() else "Only films that are aligned")
            chip.setChecked(view is (View.SIDE if refused else front.view))
        shown = View.SIDE if refused else front.view
        self._blink.setVisible(shown is View.BLINK)
        up = front.after if front.later_up else front.before
        self._up.setText(f"now visit {up}")
        with QSignalBlocker(self._rate):
            if not self._recall.blinks_by_itself:
                self._rate.setCurrentIndex(0)
        self._swipe.setVisible(shown is View.SWIPE)
        seen = self._recall.registered()
        self._legend.setVisible(shown is View.SUBTRACTION and seen is not None)
        if seen is not None:
            self._legend.show_end(seen.end, front.before, self._recall.desk.numbers)
        depth = ""
        if shown is not View.SIDE and result is not None and result.found is not None:
            depth = depth_text(self._recall.depth_root(result.found))
        set_line(self._depth, depth)

    def _show_points(self, result: PairResult | None) -> None:
        front = self._series.front
        pair = self._series.pair_marks(front.before, front.after)
        self._mark.setChecked(front.tool is Tool.LANDMARK)
        self._mark.setText("Done" if self._mark.isChecked() else "Mark points")
        self._mark.setEnabled(len(self._series.visits) > 1)
        self._clear.setVisible(pair is not None)
        by_hand = result.found.by_hand if result is not None and result.found is not None else None
        if pair is None:
            words = _CLICK_POINTS if front.tool is Tool.LANDMARK else _NO_POINTS
        elif len(pair.first_px) != len(pair.second_px):
            words = (
                f"{len(pair.first_px)} in visit {front.before}, {len(pair.second_px)} in visit "
                f"{front.after}: each needs its partner."
            )
        else:
            words = f"{len(pair.first_px)} points in both films."
        if pair is not None and by_hand is not None and by_hand.left_out_px is not None:
            words += " Left out one by one: " + self._left_out(by_hand.left_out_px, result)
        set_line(self._points, words)

    def _left_out(self, left_out_px: object, result: PairResult | None) -> str:
        import numpy as np

        numbers = self._recall.desk.numbers
        mm = result.inputs.mm_per_px if result is not None else None
        values = np.asarray(left_out_px) * (mm or 1.0)
        unit, decimals = ("mm", 2) if mm else ("px", 1)
        each = ", ".join(
            f"{k} {numbers.fixed(float(v), decimals)}" for k, v in enumerate(values, 1)
        )
        return f"{each} {unit}."

    # Asking.

    def commit(self) -> None:
        """Nothing is typed here."""

    def _mark_points(self, on: bool) -> None:
        self._recall.take_tool(Tool.LANDMARK if on else Tool.LOOK)

    def _clear_points(self) -> None:
        front = self._series.front
        self._recall.take_tool(Tool.LOOK)
        self._recall.edit(
            "take the points away",
            lambda m: series_edits.clear_landmarks(m, front.before, front.after),
        )


def visit_names(series: SeriesState) -> list[str]:
    """Number and date of each visit, as a choice."""
    return [
        f"{number} · {visit.date or 'no date'}" for number, visit in enumerate(series.visits, 1)
    ]


class _Legend(QWidget):
    """Colours of the subtraction with their meaning and unit."""

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("rx_legend")
        self._low, self._high = QLabel(), QLabel()
        self._low.setObjectName("rx_legend_low")
        self._high.setObjectName("rx_legend_high")
        bar = QLabel()
        bar.setObjectName("rx_legend_bar")
        bar.setFixedHeight(10)
        bar.setStyleSheet(
            "background: qlineargradient(x1:0, y1:0, x2:1, y2:0, "
            f"stop:0 {LESS_DENSE}, stop:0.5 {SAME}, stop:1 {DENSER});"
        )
        self._unit = look.hint("", "rx_legend_unit")
        ends = QHBoxLayout()
        ends.addWidget(self._low)
        ends.addWidget(QLabel("0 same"), 1)
        ends.addWidget(self._high)
        ends.itemAt(1).widget().setAlignment(look.CENTRE)
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(1)
        rows.addWidget(bar)
        rows.addLayout(ends)
        rows.addWidget(self._unit)

    def show_end(self, end: float, before: int, numbers: Numbers) -> None:
        """Say what the two ends stand for."""
        self._low.setText(f"−{numbers.fixed(end, 0)} less dense")
        self._high.setText(f"+{numbers.fixed(end, 0)} denser")
        self._unit.setText(
            f"Later film less earlier film, in grey levels of visit {before} after matching the "
            "contrast. Parts at other depths do not cover each other."
        )


def angle_text(found: PairAlignment, numbers: Numbers) -> str:
    """How the beam differs, root by root: the root's length against that of its crown."""
    roots = found.automatic.roots if found.automatic is not None else ()
    return "\n".join(line for root in roots if (line := _angle_of(root, numbers)))


def _angle_of(root: RootAlignment, numbers: Numbers) -> str:
    name = root.name if root.proposed else f"root {root.name}"
    if root.crown_root_ratio is None:
        words = f"{name}: angulation not known, the crown cannot be followed."
        return words[:1].upper() + words[1:]
    percent = 100.0 * (root.crown_root_ratio - 1.0)
    word = "longer" if percent > 0.0 else "shorter"
    amount = numbers.fixed(abs(percent), 1)
    return f"Angulation: the later film shows {name} {amount} % {word} against its crown."


def depth_text(root: str) -> str:
    """At which depth the films cover each other."""
    if root:
        return f"Laid over each other at the depth of root {root}."
    return "Laid over each other as one plane: no root is traced in the earlier film."
