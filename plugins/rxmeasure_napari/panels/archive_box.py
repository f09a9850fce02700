"""Films from an archive: a search, its studies, the films of one."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from qtpy.QtCore import QSize, Qt
from qtpy.QtWidgets import (
    QFileDialog,
    QFormLayout,
    QFrame,
    QHBoxLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
)

from rxmeasure.errors import MarksError, RxMeasureError
from rxmeasure_napari.archive_desk import Film, settings_path
from rxmeasure_napari.panels.film_panel import Choice, breakable, button, set_line, text_line

if TYPE_CHECKING:
    from rxmeasure.archive import StudyRow
    from rxmeasure_napari.desk import Desk

_LIST_ROWS = 4
_ROW_GAP_PX = 4
_NONE_NAMED = "No archive is named in {path}. The README shows how one is entered."


class ArchiveBox(QFrame):
    """Search an archive and open a film of it; hidden until asked for."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._studies: tuple[StudyRow, ...] = ()
        self._films: list[Film] = []
        self.setObjectName("rx_archive")
        self.setFrameShape(QFrame.Shape.StyledPanel)
        rows = QVBoxLayout(self)
        rows.setContentsMargins(6, 4, 6, 4)
        rows.setSpacing(4)
        self._none = text_line("rx_archive_none")
        rows.addWidget(self._none)
        self._asking = QFrame()
        rows.addWidget(self._asking)
        self._lay_out(QVBoxLayout(self._asking))
        desk.archive.studies_found.connect(self._show_studies)
        desk.archive.films_found.connect(self._show_films)
        self.hide()

    def _lay_out(self, rows: QVBoxLayout) -> None:
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(4)
        rows.addLayout(self._form())
        self._study_list = _list("rx_archive_studies", "Studies found")
        self._study_list.currentRowChanged.connect(self._choose_study)
        self._film_list = _list("rx_archive_films", "Films of the study")
        self._film_list.itemActivated.connect(lambda _: self._open())
        rows.addWidget(self._study_list)
        rows.addWidget(self._film_list)
        self._where = text_line("rx_archive_where")
        folder = button("Choose folder…", "rx_archive_folder", "Where fetched films are kept")
        folder.clicked.connect(self._choose_folder)
        self._opener = button("Open film", "rx_archive_open")
        self._opener.clicked.connect(self._open)
        row = QHBoxLayout()
        row.addWidget(self._where, 1)
        row.addWidget(folder)
        row.addWidget(self._opener)
        rows.addLayout(row)

    def _form(self) -> QFormLayout:
        self._archive = Choice("rx_archive_name", "Archive")
        self._patient = _field("rx_archive_patient", "Patient number", "number in the archive")
        self._accession = _field("rx_archive_accession", "Accession number", "if known")
        self._since = _field("rx_archive_since", "First day", "2025-03-01")
        self._until = _field("rx_archive_until", "Last day", "2025-03-31")
        search = button("Search", "rx_archive_search", "Ask the archive for studies")
        search.clicked.connect(self._search)
        for field in (self._patient, self._accession, self._since, self._until):
            field.returnPressed.connect(self._search)
        days, last = QHBoxLayout(), QHBoxLayout()
        days.addWidget(self._since)
        days.addWidget(self._until)
        last.addWidget(self._accession, 1)
        last.addWidget(search)
        form = QFormLayout()
        form.setVerticalSpacing(4)
        form.addRow("Archive", self._archive)
        form.addRow("Patient", self._patient)
        form.addRow("Days", days)
        form.addRow("Accession", last)
        return form

    def unfold(self, on: bool) -> None:
        """Show the archives of the settings, or nothing."""
        self.setVisible(on)
        if not on:
            return
        names: tuple[str, ...] = ()
        reason = _NONE_NAMED.format(path=settings_path())
        try:
            names = self._desk.archive.names()
        except RxMeasureError as refusal:
            reason = str(refusal)
        set_line(self._none, "" if names else reason)
        self._asking.setVisible(bool(names))
        self._archive.show_choices(names, max(self._archive.currentIndex(), 0))
        self._show_places()

    # Showing.

    def _show_studies(self, studies: tuple[StudyRow, ...]) -> None:
        self._studies, self._films = studies, []
        _fill(self._study_list, [_study_words(study) for study in studies])
        self._show_places()

    def _show_films(self, films: list[Film]) -> None:
        self._films = films
        _fill(self._film_list, [_film_words(film, k) for k, film in enumerate(films, 1)])
        if films:
            self._film_list.setCurrentRow(0)
        else:
            self._desk.state.tell("This study has no film that can be opened.")
        self._show_places()

    def _show_places(self) -> None:
        self._study_list.setVisible(bool(self._studies))
        self._film_list.setVisible(bool(self._films))
        folder = self._desk.archive.folder
        set_line(self._where, "Films go to: not chosen yet" if folder is None else f"To {folder}")
        self._opener.setEnabled(bool(self._films) and folder is not None)
        self._opener.setToolTip(
            "Fetch the film and open it" if folder is not None else "Choose a folder first"
        )

    # Asking.

    def _search(self) -> None:
        from rxmeasure.archive import Query

        try:
            query = Query(
                patient_id=self._patient.text().strip(),
                accession_number=self._accession.text().strip(),
                since=_day(self._since.text()),
                until=_day(self._until.text()),
            )
        except RxMeasureError as refusal:
            self._desk.state.refuse(refusal)
            return
        self._show_studies(())
        self._desk.archive.search(self._archive.currentText(), query)

    def _choose_study(self, row: int) -> None:
        self._films = []
        self._show_places()
        if 0 <= row < len(self._studies):
            self._desk.archive.list_films(self._archive.currentText(), self._studies[row])

    def _choose_folder(self) -> None:
        start = str(self._desk.archive.folder or Path.home())
        chosen = QFileDialog.getExistingDirectory(self, "Folder for fetched films", start)
        if chosen:
            self._desk.archive.folder = Path(chosen)
            self._show_places()

    def _open(self) -> None:
        from rxmeasure.archive import Uids

        row = self._film_list.currentRow()
        if 0 <= row < len(self._films) and self._desk.archive.folder is not None:
            _, film = self._films[row]
            uids = Uids(study=film.study_uid, series=film.series_uid, instance=film.instance_uid)
            self._desk.archive.fetch(self._archive.currentText(), uids)


def _field(object_name: str, name: str, example: str) -> QLineEdit:
    made = QLineEdit()
    made.setObjectName(object_name)
    made.setAccessibleName(name)
    made.setToolTip(name)
    made.setPlaceholderText(example)
    return made


def _list(object_name: str, name: str) -> QListWidget:
    made = QListWidget()
    made.setObjectName(object_name)
    made.setAccessibleName(name)
    made.setTextElideMode(Qt.TextElideMode.ElideRight)
    made.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    return made


def _fill(shown: QListWidget, lines: list[str]) -> None:
    shown.clear()
    height_px = shown.fontMetrics().height() + _ROW_GAP_PX
    for line in lines:
        item = QListWidgetItem(line)
        item.setToolTip(breakable(line))
        item.setSizeHint(QSize(1, height_px))
        shown.addItem(item)
    height = height_px * min(max(len(lines), 1), _LIST_ROWS)
    shown.setFixedHeight(height + 2 * shown.frameWidth())


def _study_words(study: StudyRow) -> str:
    """Day, number in the archive, kinds, count, description; never a name."""
    count = "" if study.instance_count is None else f"{study.instance_count} objects"
    day = "no date" if study.taken is None else study.taken.isoformat()
    kinds = "/".join(study.modalities)
    return " · ".join(filter(None, (day, study.patient_id, kinds, count, study.description)))


def _film_words(film: Film, place: int) -> str:
    series, instance = film
    number = place if instance.number is None else instance.number
    return " · ".join(filter(None, (f"film {number}", series.modality, series.description)))


def _day(text: str) -> date | None:
    if not text.strip():
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise MarksError(
            found=f"the day '{text.strip()}'.",
            needed="a day written as year-month-day.",
            next_step="Type it as 2025-03-14, or leave it empty.",
        ) from None
