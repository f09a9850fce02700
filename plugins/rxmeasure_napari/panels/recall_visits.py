"""Visits of a series: which films, in which order, of which day."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtWidgets import QFileDialog, QHBoxLayout, QLabel, QLineEdit, QVBoxLayout, QWidget

from rxmeasure.recall.series import VisitMarks
from rxmeasure.record.sidecar import SERIES_SUFFIX
from rxmeasure_napari import look, series_edits
from rxmeasure_napari.panels.film_panel import TextField, button, drop, set_line, text_line
from rxmeasure_napari.panels.pointing_panel import in_a_row, warning_line
from rxmeasure_napari.recall_desk import RecallDesk
from rxmeasure_napari.review_state import OpenFilm

_IMAGES = "Radiographs (*.dcm *.png *.jpg *.jpeg *.tif *.tiff);;All files (*)"


class VisitsPage(QWidget):
    """Rows of visits; films to add; the day of the treatment; what core refuses."""

    def __init__(self, recall: RecallDesk) -> None:
        super().__init__()
        self._recall = recall
        self._series = recall.series
        self._rows: list[VisitRow] = []
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        self._empty = text_line("rx_visits_empty")
        layout.addWidget(self._empty)
        self._list = QVBoxLayout()
        self._list.setSpacing(3)
        layout.addLayout(self._list)
        layout.addLayout(self._add_rows())
        self._treated = TextField("rx_treated", "Day of the treatment")
        self._treated.setPlaceholderText("YYYY-MM-DD")
        self._treated.committed.connect(self._set_treated)
        layout.addLayout(in_a_row(QLabel("Treated on"), self._treated, None))
        self._problem = warning_line("rx_series_problem")
        layout.addWidget(self._problem)
        self._reason = TextField("rx_differing_reason", "Why these visits are compared")
        self._reason.setPlaceholderText("Reason to compare them all the same")
        self._reason.committed.connect(self._set_reason)
        layout.addWidget(self._reason)
        self._warnings = text_line("rx_series_warnings")
        layout.addWidget(self._warnings)

    def _add_rows(self) -> QVBoxLayout:
        self._films = QVBoxLayout()
        self._films.setSpacing(2)
        self._shown_films: list[str] = []
        files = button("Add files…", "rx_add_files", "Films of other visits of this tooth")
        files.clicked.connect(self._choose_files)
        self._by_date = button("Order by date", "rx_order_visits", "The earliest visit first")
        self._by_date.clicked.connect(self._order)
        opener = button("Open a series…", "rx_open_series", f"A file NAME{SERIES_SUFFIX}")
        opener.clicked.connect(self._open_series)
        rows = QVBoxLayout()
        rows.addLayout(self._films)
        rows.addLayout(in_a_row(files, self._by_date, opener, None))
        return rows

    # Showing.

    def refresh(self) -> None:
        """Show the visits as they stand."""
        visits = self._series.visits
        set_line(
            self._empty,
            ""
            if visits
            else "Two to ten films of one tooth, each a visit. Add those that are open, or files.",
        )
        while len(self._rows) > len(visits):
            drop(self._rows.pop())
        while len(self._rows) < len(visits):
            row = VisitRow(self._recall, len(self._rows) + 1)
            self._rows.append(row)
            self._list.addWidget(row)
        for row, visit in zip(self._rows, visits, strict=True):
            row.show_visit(visit)
        self._by_date.setEnabled(len(visits) > 1)
        self._show_films()
        self._show_problem()

    def _show_films(self) -> None:
        """A button for each open film that is no visit yet."""
        left = [f for f in self._recall.state.films if self._series.number_of(f) is None]
        if [film.id for film in left] == self._shown_films:
            return
        self._shown_films = [film.id for film in left]
        while (item := self._films.takeAt(0)) is not None:
            drop(item.widget())
        for place, film in enumerate(left):
            self._films.addWidget(self._add_button(place, film))
        if len(left) > 1:
            every = button(f"Add all {len(left)} open films", "rx_add_all")
            every.clicked.connect(lambda: self._recall.add_films(left))
            self._films.addWidget(every)

    def _add_button(self, place: int, film: OpenFilm) -> QWidget:
        name = look.NameLine(f"rx_open_film_{place}")
        name.show_name(film.name)
        add = button("Add", f"rx_add_film_{place}", "Add this open film as a visit")
        add.setAccessibleName(f"Add {film.name}")
        add.clicked.connect(lambda: self._recall.add_films([film]))
        row = QWidget()
        cells = QHBoxLayout(row)
        cells.setContentsMargins(0, 0, 0, 0)
        cells.addWidget(name, 1)
        cells.addWidget(add)
        return row

    def _show_problem(self) -> None:
        series, numbers = self._series, self._recall.desk.numbers
        marks = series.marks
        self._treated.show_value(marks.treated)
        problem = series.problem
        set_line(self._problem, "" if problem is None else numbers.in_text(str(problem)))
        asked = problem is not None and problem.overridable
        self._reason.setVisible(asked or bool(marks.differing_reason))
        self._reason.show_value(marks.differing_reason)
        warnings = series.series.warnings if series.series is not None else ()
        set_line(self._warnings, "\n".join(f"• {numbers.in_text(w.text)}" for w in warnings))

    # Asking.

    def commit(self) -> None:
        """Take what is typed and not yet taken."""
        for field in (self._treated, self._reason, *(row.date for row in self._rows)):
            field.commit()

    def _set_treated(self, text: str) -> None:
        self._recall.edit("day of the treatment", lambda m: series_edits.set_treated(m, text))

    def _set_reason(self, text: str) -> None:
        self._recall.edit("reason to compare", lambda m: series_edits.set_differing_reason(m, text))

    def _order(self) -> None:
        self._recall.edit("order by date", series_edits.by_date)

    def _choose_files(self) -> None:
        chosen, _ = QFileDialog.getOpenFileNames(
            self, "Films of other visits", str(self._folder()), _IMAGES
        )
        self._recall.add_files([Path(path) for path in chosen])

    def _open_series(self) -> None:
        chosen, _ = QFileDialog.getOpenFileName(
            self, "Open a series", str(self._folder()), f"Series (*{SERIES_SUFFIX})"
        )
        if chosen:
            self._recall.open(Path(chosen))

    def _folder(self) -> Path:
        film = self._recall.state.film
        return film.path.parent if film is not None else Path.home()


class VisitRow(QWidget):
    """One visit: its film, its date, its scale."""

    def __init__(self, recall: RecallDesk, number: int) -> None:
        super().__init__()
        self._recall = recall
        self._number = number
        self._name = look.NameLine(f"rx_visit_{number}")
        self.date = TextField(f"rx_visit_date_{number}", f"Date of visit {number}")
        self.date.setPlaceholderText("YYYY-MM-DD")
        self.date.setMaximumWidth(96)
        self.date.committed.connect(self._set_date)
        away = button("✕", f"rx_remove_visit_{number}", "Take this visit away; undo brings it back")
        away.setAccessibleName(f"Take visit {number} away")
        away.clicked.connect(self._remove)
        self._facts = look.hint("", f"rx_visit_facts_{number}")
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(0)
        row = QHBoxLayout()
        row.setSpacing(4)
        row.addWidget(QLabel(f"{number}"))
        row.addWidget(self._name, 1)
        row.addWidget(self.date)
        row.addWidget(away)
        rows.addLayout(row)
        rows.addWidget(self._facts)

    def show_visit(self, visit: VisitMarks) -> None:
        """Show the visit as it stands."""
        film = self._recall.series.film_of(self._number)
        path = Path(visit.image)
        self._name.show_name(path.name)
        self._name.setToolTip(str(path))
        self.date.show_value(visit.date)
        self._facts.setText(self._facts_of(film))

    def _facts_of(self, film: OpenFilm | None) -> str:
        if film is None:
            return "This film is not open: open it, or take the visit away."
        marks = film.marks
        tooth = f"tooth {marks.tooth}" if marks.tooth else "tooth not stated"
        scale = "scale known" if film.calibration is not None else "no scale: ratios only"
        canals = [canal.name for canal in marks.canals]
        drawn = f"traced: {', '.join(canals)}" if canals else "no canal traced"
        return f"{tooth} · {scale} · {drawn}"

    def _set_date(self, text: str) -> None:
        number = self._number
        done = self._recall.edit(
            f"date of visit {number}", lambda m: series_edits.set_date(m, number, text)
        )
        if not done:
            QLineEdit.setText(self.date, self._recall.series.visits[number - 1].date)

    def _remove(self) -> None:
        number = self._number
        self._recall.edit(
            f"take visit {number} away", lambda m: series_edits.remove_visit(m, number)
        )
