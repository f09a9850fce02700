"""Step 'fill': the numbers of one canal, its profiles, its voids."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Qt
from qtpy.QtGui import QHideEvent, QShowEvent
from qtpy.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QLayout,
    QListWidget,
    QListWidgetItem,
    QSizePolicy,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.errors import RxMeasureError
from rxmeasure.filling.measures import NO_SCALE
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.report.content import MeasureRow, gap_row, measure_rows
from rxmeasure.report.picture import gap_numbers
from rxmeasure_napari import look
from rxmeasure_napari.panels.canal_chips import CanalChips
from rxmeasure_napari.panels.film_panel import FilmPanel, breakable, set_line, text_line
from rxmeasure_napari.profile_view import ProfileView
from rxmeasure_napari.review_state import Step

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk

#: Measures that stand on top, in the order of the question, with short words; the others
#: are folded away.
FIRST = {
    "canal_length_mm": "Canal, reference to apex",
    "fill_to_apex_core_mm": "Core to apex",
    "fill_to_apex_sealer_mm": "Sealer to apex",
    "tip_to_apex_mm": "Tip to apex",
    "corrected_working_length_mm": "Corrected working length",
    "trial_working_length_mm": "Trial working length",
    "fill_length_mm": "Fill, along the canal",
    "void_count": "Visible voids",
    "taper_mm_per_mm": "Taper",
    "puff_area_mm2": "Sealer puff, approximate",
}
#: Distances to the apex: a word says which side of it.
TO_APEX = ("fill_to_apex_core_mm", "fill_to_apex_sealer_mm", "tip_to_apex_mm")


#: Labels longer than this (characters) may take two lines.
LONG_WORDS = 30


class FillPanel(FilmPanel):
    """What was measured on the canal in front."""

    step = Step.FILL

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(desk, parent)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 2, 4, 2)
        layout.setSpacing(4)
        self._chips = CanalChips(desk.state)
        layout.addWidget(self._chips)
        self._missing = text_line("rx_fill_missing")
        layout.addWidget(self._missing)
        self._rows = _MeasureTable("rx_measures")
        layout.addWidget(self._rows)
        self._profiles = ProfileView()
        self._profiles.setObjectName("rx_profiles")
        self._profiles.place_hovered.connect(desk.state.hover_place)
        self._profiles.gap_chosen.connect(desk.show_gap)
        layout.addWidget(self._profiles, 1)
        self._gap_title = text_line("rx_gap_title")
        layout.addWidget(self._gap_title)
        self._gaps = QListWidget()
        self._gaps.setObjectName("rx_gaps")
        self._gaps.setAccessibleName("Voids of this canal")
        self._gaps.setWordWrap(True)
        self._gaps.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._gaps.currentRowChanged.connect(self._go_to_gap)
        layout.addWidget(self._gaps)
        self._more = QToolButton()
        self._more.setObjectName("rx_more_measures")
        self._more.setText("All measures")
        self._more.setAccessibleName("All measures")
        self._more.setCheckable(True)
        self._more.setArrowType(Qt.ArrowType.RightArrow)
        self._more.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self._more.toggled.connect(self._fold)
        layout.addWidget(self._more)
        self._others = _MeasureTable("rx_other_measures")
        layout.addWidget(self._others)
        self._warnings = text_line("rx_fill_warnings")
        layout.addWidget(self._warnings)
        layout.addStretch(0)
        self._shown: tuple[object, ...] = ()
        self._fold(False)

    def showEvent(self, event: QShowEvent) -> None:
        """Follow the place and the void in front, too."""
        if not self._watching:
            self.state.place_hovered.connect(self._mark_place)
            self.state.gap_chosen.connect(self._mark_gap)
        super().showEvent(event)

    def hideEvent(self, event: QHideEvent) -> None:
        """Stop following."""
        if self._watching:
            self.state.place_hovered.disconnect(self._mark_place)
            self.state.gap_chosen.disconnect(self._mark_gap)
        super().hideEvent(event)

    def _state_signals(self) -> tuple[Any, ...]:
        return (*super()._state_signals(), self.state.canal_chosen)

    def refresh(self) -> None:
        """Show the canal in front, or why there is nothing to show."""
        film, canal = self.film, self.state.canal
        self._chips.refresh()
        measured = film.measured(canal) if film is not None else None
        set_line(self._missing, self._why_missing(measured))
        shown = (film, measured, self.numbers)
        if shown == self._shown:
            return
        self._shown = shown
        self._show_numbers(measured)
        self._show_profiles(measured)
        self._show_gaps(measured)
        warnings = [self.numbers.in_text(w.text) for w in measured.warnings] if measured else []
        set_line(self._warnings, "\n".join(f"• {text}" for text in warnings))

    def _why_missing(self, measured: CanalMeasurement | None) -> str:
        film = self.film
        if film is None:
            return "No film is open."
        problem = film.computed.problem
        if problem is not None and film.is_current:
            return _refusal(problem)
        if measured is None and not film.is_current:
            return "Measuring …"
        if measured is None:
            return (
                "Nothing measured yet: trace a canal in the step 'canals', coronal reference "
                "first, radiographic apex last."
            )
        if film.calibration is None:
            return "No scale, so no millimetres: trace a file of known length in 'calibrate'."
        return ""

    def _show_numbers(self, measured: CanalMeasurement | None) -> None:
        film = self.film
        rows: list[tuple[str, MeasureRow]] = []
        if measured is not None and film is not None and film.review is not None:
            verdicts = [v for v in film.review.verdicts if v.canal == measured.name]
            pairs = measure_rows(measured, verdicts, self.numbers)
            named = [(m.name, r) for m, r in pairs if m is not None]
            first = [
                (FIRST[name], _with_side(name, r))
                for short in FIRST
                for name, r in named
                if name == short
            ]
            rows = [(r.label, r) for m, r in pairs if m is None or m.name not in FIRST]
            self._rows.show_rows(first)
        else:
            self._rows.show_rows([])
        self._others.show_rows(rows)
        self._more.setVisible(bool(rows))
        self._others.setVisible(bool(rows) and self._more.isChecked())

    def _show_profiles(self, measured: CanalMeasurement | None) -> None:
        film = self.film
        self._profiles.setVisible(measured is not None)
        if film is None or measured is None:
            return
        calibration = film.calibration
        self._profiles.show_canal(
            measured,
            film.radiograph,
            mm_per_px=calibration.col_mm if calibration is not None else None,
            gap_numbers=self._numbers_of(measured),
            numbers=self.numbers,
        )
        self._profiles.emphasise_gap(self.state.gap)

    def _numbers_of(self, measured: CanalMeasurement) -> dict[int, int]:
        review = self.film.review if self.film is not None else None
        if review is None:
            return {}
        return {
            k: number for (name, k), number in gap_numbers(review).items() if name == measured.name
        }

    def _show_gaps(self, measured: CanalMeasurement | None) -> None:
        self._gaps.blockSignals(True)
        self._gaps.clear()
        gaps = measured.gaps if measured is not None else ()
        numbered = self._numbers_of(measured) if measured is not None else {}
        for k, gap in enumerate(gaps):
            row = gap_row(gap, numbered.get(k, k + 1), self.numbers)
            item = QListWidgetItem(
                f"{row.number}  {row.kind}, {row.third} third, {row.place} from the end, "
                f"{row.size}; confidence {row.confidence}"
            )
            item.setToolTip(f"Area {row.area}; missing density {row.contrast}")
            self._gaps.addItem(item)
        self._gaps.blockSignals(False)
        self._gaps.setVisible(bool(gaps))
        line = self._gaps.fontMetrics().lineSpacing()
        self._gaps.setMaximumHeight(min(len(gaps), 3) * (2 * line + 6) + 6)
        set_line(self._gap_title, self._gap_sentence(measured))

    def _gap_sentence(self, measured: CanalMeasurement | None) -> str:
        if measured is None or not measured.profile:
            return ""
        floor = measured.smallest_visible_void
        seen = ""
        if floor is not None:
            value, unit = (
                (floor.value_px, "px") if floor.value_mm is None else (floor.value_mm, "mm")
            )
            seen = f" Smaller than {self.numbers.fixed(value, 2)} {unit} could not be seen here."
        if not measured.gaps:
            return f"No visible void; that is not 'no void'.{seen}"
        return f"Visible voids, numbered as on the film; choose one to go there.{seen}"

    def _fold(self, unfolded: bool) -> None:
        self._more.setArrowType(Qt.ArrowType.DownArrow if unfolded else Qt.ArrowType.RightArrow)
        self._others.setVisible(unfolded)

    # Links between list, plots and picture.

    def _go_to_gap(self, row: int) -> None:
        if row >= 0:
            self.desk.show_gap(row)

    def _mark_place(self, s_px: object) -> None:
        self._profiles.mark_place(s_px if isinstance(s_px, float) else None)

    def _mark_gap(self, index: object) -> None:
        chosen = index if isinstance(index, int) else None
        self._profiles.emphasise_gap(chosen)
        self._gaps.blockSignals(True)
        self._gaps.setCurrentRow(-1 if chosen is None else chosen)
        self._gaps.blockSignals(False)


class _MeasureTable(QWidget):
    """Measures as lines: name, value ± u unit; the scale's source or the reason below."""

    def __init__(self, object_name: str) -> None:
        super().__init__()
        self.setObjectName(object_name)
        self._lines = QVBoxLayout(self)
        self._lines.setContentsMargins(0, 0, 0, 0)
        self._lines.setSpacing(1)

    def show_rows(self, rows: list[tuple[str, MeasureRow]]) -> None:
        """Show these rows in place of the old ones."""
        _empty(self._lines)
        notes = {row.note for _, row in rows if row.note and not row.missing}
        for words, row in rows:
            name = QLabel(words)
            if len(words) > LONG_WORDS:
                name.setWordWrap(True)
                name.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            name.setToolTip(row.label)
            value = QLabel(_value_text(row))
            value.setObjectName(f"rx_value_{row.name}")
            value.setToolTip(row.note)
            value.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop)
            value.setIndent(0)
            line = QHBoxLayout()
            line.addWidget(name, 1)
            line.addWidget(value)
            self._lines.addLayout(line)
            if row.missing and row.note and row.note not in notes:
                why = text_line()
                set_line(why, row.note)
                why.setEnabled(False)
                self._lines.addWidget(why)
        if len(notes) == 1:
            note = notes.pop()
            source = note if note == NO_SCALE else f"scale: {note}"
            self._lines.addWidget(look.hint(breakable(f"± standard uncertainty; {source}")))


def _empty(layout: QLayout) -> None:
    while layout.count():
        item = layout.takeAt(0)
        inner, widget = item.layout(), item.widget()
        if inner is not None:
            _empty(inner)
        if widget is not None:
            widget.hide()
            widget.deleteLater()


def _with_side(measure_name: str, row: MeasureRow) -> MeasureRow:
    """A distance to the apex with a word for its side in place of a sign."""
    if measure_name not in TO_APEX or row.missing:
        return row
    side = "beyond" if row.value.startswith("-") else "short"
    return replace(row, value=row.value.lstrip("-"), unit=f"{row.unit} {side}")


def _value_text(row: MeasureRow) -> str:
    if row.missing:
        return "–"
    plain = bool(row.u) and row.u[0] in "0123456789<"
    spread = f" ± {row.u}" if plain else (f", {row.u}" if row.u else "")
    return f"{row.value}{spread} {row.unit}".strip()


def _refusal(problem: RxMeasureError) -> str:
    return str(problem)
