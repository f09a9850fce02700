"""Findings at each root and visit: a click, an outline, the brush, or that none is visible."""

from __future__ import annotations

from qtpy.QtCore import QSignalBlocker
from qtpy.QtWidgets import QButtonGroup, QComboBox, QDoubleSpinBox, QLabel, QVBoxLayout, QWidget

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import PointPx
from rxmeasure.recall.lesion import LandmarkDistance, Lesion
from rxmeasure.recall.series import LesionMark
from rxmeasure.report.numbers import Numbers
from rxmeasure.tooth import usual_canals
from rxmeasure_napari import look, series_edits
from rxmeasure_napari.drawing import length_text
from rxmeasure_napari.panels.film_panel import Choice, button, drop, set_line, text_line
from rxmeasure_napari.panels.pointing_panel import in_a_row
from rxmeasure_napari.recall_desk import RecallDesk
from rxmeasure_napari.recall_drawing import size_words
from rxmeasure_napari.series_state import SeriesState, Tool

_TOOLS = {
    Tool.SEED: ("Click", "Click near the middle of the lesion: its outline is found"),
    Tool.OUTLINE: ("Outline", "Click along the edge; Enter ends it"),
    Tool.PAINT: ("Paint", "Drag over the lesion"),
    Tool.ERASE: ("Erase", "Drag over what does not belong to it"),
}
_HINTS = {
    Tool.SEED: "Click near the middle of the lesion, in one film and then in the other.",
    Tool.OUTLINE: "Click along the edge of the lesion; Enter ends it, Delete takes the last point.",
    Tool.PAINT: "Drag over the lesion with the brush.",
    Tool.ERASE: "Drag over what does not belong to the lesion.",
}
#: Radius of the brush: least, most, step (mm).
_BRUSH_MM = (0.1, 3.0, 0.1)


def known_roots(series: SeriesState) -> list[str]:
    """Names for lesions: those marked, the canals traced, the tooth's usual canals."""
    marked = [one.root for visit in series.visits for one in visit.lesions]
    films = [film for n in range(1, len(series.visits) + 1) if (film := series.film_of(n))]
    traced = [canal.name for film in films for canal in film.marks.canals]
    usual = [usual_canals(film.marks.tooth) for film in films]
    names = [name for one in usual if one is not None for name in one.names]
    return list(dict.fromkeys([*marked, *traced, *names])) or ["root"]


class LesionsPage(QWidget):
    """The root in front, the tools, and what is marked and measured at each visit."""

    def __init__(self, recall: RecallDesk) -> None:
        super().__init__()
        self._recall = recall
        self._series = recall.series
        self._rows: list[FindingRow] = []
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        self._root = Choice("rx_lesion_root", "Root of the lesion")
        self._root.setEditable(True)
        self._root.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self._root.setToolTip("The same name at every visit; type another for one more lesion")
        self._root.textActivated.connect(self._choose_root)
        self._root.lineEdit().editingFinished.connect(self.commit)
        layout.addLayout(in_a_row(QLabel("Lesion at root"), self._root, None))
        layout.addLayout(self._tool_row())
        self._hint = look.hint("", "rx_lesion_hint")
        layout.addWidget(self._hint)
        self._list = QVBoxLayout()
        self._list.setSpacing(6)
        layout.addLayout(self._list)

    def _tool_row(self) -> object:
        self._tools = QButtonGroup(self)
        self._tools.setExclusive(False)
        made = []
        for place, (tool, (words, tip)) in enumerate(_TOOLS.items()):
            chip = button(words, f"rx_tool_{tool.name.lower()}", tip)
            chip.setCheckable(True)
            self._tools.addButton(chip, place)
            made.append(chip)
        self._tools.idClicked.connect(self._choose_tool)
        self._brush = QDoubleSpinBox()
        self._brush.setObjectName("rx_brush_mm")
        self._brush.setAccessibleName("Radius of the brush in millimetres")
        self._brush.setRange(*_BRUSH_MM[:2])
        self._brush.setSingleStep(_BRUSH_MM[2])
        self._brush.setDecimals(1)
        self._brush.setSuffix(" mm")
        self._brush.valueChanged.connect(lambda mm: self._series.bring(brush_mm=mm))
        return in_a_row(*made, self._brush, None)

    # Showing.

    def refresh(self) -> None:
        """Show the findings as they stand."""
        front = self._series.front
        names = known_roots(self._series)
        if front.root and front.root not in names:
            names.append(front.root)
        with QSignalBlocker(self._root):
            if [self._root.itemText(k) for k in range(self._root.count())] != names:
                self._root.clear()
                self._root.addItems(names)
            if not self._root.lineEdit().isModified():
                self._root.setCurrentText(front.root or names[0])
        if not front.root:
            self._series.bring(root=names[0])
            return
        for place, tool in enumerate(_TOOLS):
            chip = self._tools.button(place)
            chip.setChecked(front.tool is tool)
            chip.setEnabled(bool(self._series.visits))
        self._brush.setVisible(front.tool in (Tool.PAINT, Tool.ERASE))
        with QSignalBlocker(self._brush):
            self._brush.setValue(front.brush_mm)
        set_line(self._hint, _HINTS.get(front.tool, self._resting_hint()))
        self._show_rows()

    def _resting_hint(self) -> str:
        if self._series.is_empty:
            return "Add visits first."
        return (
            "Choose how to mark, then mark in the film. Points are dragged, Delete takes one out."
        )

    def _show_rows(self) -> None:
        visits = self._series.visits
        while len(self._rows) > len(visits):
            drop(self._rows.pop())
        while len(self._rows) < len(visits):
            row = FindingRow(self._recall, len(self._rows) + 1)
            self._rows.append(row)
            self._list.addWidget(row)
        for row in self._rows:
            row.refresh()

    # Asking.

    def commit(self) -> None:
        """Take the root that is typed."""
        line = self._root.lineEdit()
        if line.isModified():
            line.setModified(False)
            self._choose_root(line.text())

    def _choose_root(self, name: str) -> None:
        self._root.lineEdit().setModified(False)
        self._series.bring(root=name.strip() or self._series.front.root, handle=None)

    def _choose_tool(self, place: int) -> None:
        tool = list(_TOOLS)[place]
        on = self._tools.button(place).isChecked()
        self._recall.take_tool(tool if on else Tool.LOOK)


class FindingRow(QWidget):
    """What is marked at one visit for the root in front, and the other lesions there."""

    def __init__(self, recall: RecallDesk, number: int) -> None:
        super().__init__()
        self._recall = recall
        self._series = recall.series
        self._number = number
        self._head = look.heading("", f"rx_finding_{number}")
        self._none = button("None visible", f"rx_none_visible_{number}")
        self._none.setToolTip("You see no lesion at this root at this visit")
        self._none.clicked.connect(self._say_none)
        self._adjust = button("Adjust", f"rx_adjust_{number}")
        self._adjust.setToolTip("Make the outline that was found one of points that you drag")
        self._adjust.clicked.connect(self._make_adjustable)
        self._away = button("✕", f"rx_remove_finding_{number}", "Take what is marked here away")
        self._away.setAccessibleName(f"Take the finding at visit {number} away")
        self._away.clicked.connect(self._remove)
        self._text = text_line(f"rx_finding_text_{number}")
        self._notes = look.hint("", f"rx_finding_notes_{number}")
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(1)
        head = in_a_row(self._head, self._adjust, self._none, self._away)
        head.setStretch(0, 1)
        rows.addLayout(head)
        rows.addWidget(self._text)
        rows.addWidget(self._notes)

    def refresh(self) -> None:
        """Show the finding as it stands."""
        visit, front = self._series.visit(self._number), self._series.front
        if visit is None:
            return
        numbers = self._recall.desk.numbers
        self._head.setText(f"Visit {self._number} · {visit.date or 'no date'}")
        mark = series_edits.finding(self._series.marks, self._number, front.root)
        found = self._series.lesion(self._number, mark) if mark is not None else None
        words, notes = finding_text(mark, found, numbers)
        others = [one for one in visit.lesions if one.root != front.root]
        if others:
            words += "\n" + "; ".join(self._short(one, numbers) for one in others)
        set_line(self._text, words)
        set_line(self._notes, numbers.in_text(notes))
        self._away.setEnabled(mark is not None)
        self._none.setEnabled(mark is None or not mark.none_visible)
        self._adjust.setVisible(self._found_outline() != ())

    def _short(self, mark: LesionMark, numbers: Numbers) -> str:
        found = self._series.lesion(self._number, mark)
        return size_words(found, numbers) if isinstance(found, Lesion) else mark.root

    def _found_outline(self) -> tuple[PointPx, ...]:
        """The outline that a click found; empty where the reader drew one."""
        mark = series_edits.finding(self._series.marks, self._number, self._series.front.root)
        found = self._series.lesion(self._number, mark) if mark is not None else None
        by_click = mark is not None and mark.seed_px is not None
        return found.outline_px if isinstance(found, Lesion) and by_click else ()

    def _make_adjustable(self) -> None:
        number, root = self._number, self._series.front.root
        mark = series_edits.adjustable(root, self._found_outline())
        self._recall.edit(
            f"adjust outline {root} at visit {number}",
            lambda m: series_edits.set_finding(m, number, mark),
        )

    def _say_none(self) -> None:
        number, root = self._number, self._series.front.root
        self._recall.edit(
            f"no lesion visible at {root}, visit {number}",
            lambda m: series_edits.set_finding(m, number, LesionMark(root=root, none_visible=True)),
        )

    def _remove(self) -> None:
        number, root = self._number, self._series.front.root
        self._recall.edit(
            f"take lesion {root} at visit {number} away",
            lambda m: series_edits.remove_finding(m, number, root),
        )


def finding_text(
    mark: LesionMark | None, found: Lesion | RxMeasureError | None, numbers: Numbers
) -> tuple[str, str]:
    """What is told of one finding: its numbers, and the notes on them."""
    if mark is None:
        return "nothing marked", ""
    if isinstance(found, RxMeasureError):
        return "not measured", str(found)
    if found is None:
        points = len(mark.outline_px)
        unfinished = bool(points) and not series_edits.is_finished(mark)
        return (f"{points} points; an outline needs three" if unfinished else "measuring …"), ""
    notes = " ".join([found.declined, *(warning.text for warning in found.warnings)]).strip()
    words = size_words(found, numbers)
    if found.size is not None:
        size = found.size
        words += (
            f"\nlargest {length_text(size.largest_diameter, numbers)}, across it "
            f"{length_text(size.perpendicular_diameter, numbers)}; {found.source}"
        )
    words += "".join(f"\n{_place_of(one, numbers)}" for one in found.distances)
    return words, notes


def _place_of(one: LandmarkDistance, numbers: Numbers) -> str:
    """A landmark inside the lesion, or beyond its edge."""
    mm, px = one.distance.value_mm, one.distance.value_px
    value, unit = (px, "px") if mm is None else (mm, "mm")
    side = "inside" if value < 0.0 else "outside"
    return f"{one.landmark}: {numbers.quantity(abs(value), unit)} {unit} {side} its edge"
