"""Step 'picture': the film, what kind it is, which tooth, and how it is shown."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from qtpy.QtCore import QSignalBlocker, QSize, Qt, Signal
from qtpy.QtWidgets import (
    QCheckBox,
    QFileDialog,
    QFormLayout,
    QFrame,
    QHBoxLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import FilmKind
from rxmeasure.radiograph import PixelSpacing, Radiograph
from rxmeasure.record.sidecar import SIDECAR_SUFFIXES, sidecar_of
from rxmeasure.report.numbers import Numbers
from rxmeasure_napari import look
from rxmeasure_napari.grey_levels import GreyPreset
from rxmeasure_napari.panels.archive_box import ArchiveBox
from rxmeasure_napari.panels.film_panel import (
    Choice,
    FilmPanel,
    TextField,
    breakable,
    button,
    set_line,
    text_line,
)
from rxmeasure_napari.panels.tooth_field import ToothField
from rxmeasure_napari.review_state import OpenFilm, Step

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk

KIND_WORDS: dict[FilmKind, str] = {
    FilmKind.PREOPERATIVE: "Preoperative",
    FilmKind.WORKING_LENGTH: "Working length (file in place)",
    FilmKind.MASTER_CONE: "Master cone fit",
    FilmKind.POSTOPERATIVE: "Post-operative (canal filled)",
    FilmKind.RECALL: "Recall",
}
_ENDINGS = "*.dcm *.dicom *.dic *.png *.jpg *.jpeg *.tif *.tiff"
_FILES = f"Radiographs ({_ENDINGS} {_ENDINGS.upper()});;All files (*)"
_LIST_ROWS = 4


def image_facts(radiograph: Radiograph, numbers: Numbers) -> tuple[str, ...]:
    """What the reader has to know of an image: size, spacing, grey levels; a line each."""
    source = radiograph.source
    lossy = "lossy compression" if source.lossy else "no lossy compression"
    rows, columns = radiograph.shape
    turned = "turned; " if radiograph.polarity.turned else ""
    return (
        f"{columns} × {rows} px, {source.bits} bit, {source.format}, {lossy}",
        f"Spacing: {_spacing(radiograph.spacing, numbers)}",
        f"Grey levels: {turned}{radiograph.polarity.reason}",
    )


def _spacing(spacing: PixelSpacing | None, numbers: Numbers) -> str:
    if spacing is None:
        return "none usable; a known length gives mm"
    pitch = f"{numbers.mm_per_px(spacing.row_mm)} mm per pixel"
    if spacing.row_mm != spacing.col_mm:
        row, col = numbers.mm_per_px(spacing.row_mm), numbers.mm_per_px(spacing.col_mm)
        pitch = f"{row} mm between rows, {col} mm between columns"
    return f"{pitch}; {spacing.attribute}; {spacing.plane} plane"


def marks_beside(film: OpenFilm) -> Path | None:
    """Annotation file beside a film that has neither marks nor a kept review."""
    marks = film.marks
    reviewed = film.kept is not None or film.changed_image is not None
    if reviewed or marks.canals or marks.references:
        return None
    found = sidecar_of(film.path)
    return found if found is not None and found.name.endswith(SIDECAR_SUFFIXES) else None


class PicturePanel(FilmPanel):
    """Open a film, and say what it is.

    Signals: ``grey_requested(str)``, a `GreyPreset` that the picture shall be shown with.
    """

    step = Step.PICTURE
    grey_requested = Signal(str)

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(desk, parent)
        rows = QVBoxLayout(self)
        rows.setSpacing(4)
        self._changed = _ChangedImageBox(desk)
        self._archive = ArchiveBox(desk)
        rows.addWidget(self._changed)
        rows.addLayout(self._open_row())
        rows.addWidget(self._archive)
        rows.addWidget(self._film_list())
        self._empty = text_line("rx_no_film")
        self._empty.setText(
            "No film is open. Open one here, or drop image files on the window. "
            "The image file is never changed."
        )
        rows.addWidget(self._empty)
        self._of_film = QWidget()
        rows.addWidget(self._of_film)
        self._lay_out_film()
        rows.addStretch(1)

    # Laying out.

    def _open_row(self) -> QHBoxLayout:
        opener = button("Open films…", "rx_open", "Open radiographs: DICOM, PNG, JPEG or TIFF")
        opener.clicked.connect(self._open)
        self._close = button("Close film", "rx_close", "Close the film in front")
        self._close.clicked.connect(self._close_film)
        archive = button("Archive…", "rx_archive_unfold", "Open a film of a DICOM archive")
        archive.setCheckable(True)
        archive.toggled.connect(self._archive.unfold)
        course = button("Course…", "rx_course", "Mark the films of a course")
        course.clicked.connect(lambda: self.state.choose_step(Step.COURSE))
        row = QHBoxLayout()
        row.addWidget(opener, 1)
        row.addWidget(self._close, 1)
        row.addWidget(archive)
        row.addWidget(course)
        return row

    def _film_list(self) -> QListWidget:
        self._films = QListWidget()
        self._films.setObjectName("rx_films")
        self._films.setAccessibleName("Open films")
        self._films.setTextElideMode(Qt.TextElideMode.ElideMiddle)
        self._films.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._films.currentRowChanged.connect(self._choose)
        return self._films

    def _lay_out_film(self) -> None:
        rows = QVBoxLayout(self._of_film)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(4)
        self._restored = text_line("rx_restored")
        self._facts = look.hint("", "rx_facts")
        self._warnings = text_line("rx_warnings")
        self._warnings.setStyleSheet(look.told_style("warning"))
        self._marks_file: Path | None = None
        self._take_marks = button("", "rx_take_marks")
        self._take_marks.clicked.connect(self._take_marks_file)
        rows.addWidget(self._restored)
        rows.addWidget(self._take_marks)
        rows.addLayout(self._case_form())
        rows.addWidget(self._turn_box())
        rows.addLayout(self._grey_row())
        rows.addWidget(self._facts)
        rows.addWidget(self._warnings)
        rows.addWidget(self.next_button())

    def _case_form(self) -> QFormLayout:
        self._kind = Choice("rx_kind", "Film kind")
        self._kind.setToolTip("When in the treatment the film was taken; decides what is measured")
        for kind, words in KIND_WORDS.items():
            self._kind.addItem(words, str(kind))
        self._kind.activated.connect(self._take_kind)
        self._tooth = ToothField()
        self._tooth.committed.connect(self._take_tooth)
        self._case = self._text_field("rx_case", "Case", "patient_pseudonym", "pseudonym")
        self._visit = self._text_field("rx_visit", "Visit", "visit", "for example a date")
        self._reader = self._text_field("rx_reader", "Reader", "reader", "pseudonym")
        names = look.hint("Pseudonyms only: never a name or record number.", "rx_no_names")
        case_and_visit = QHBoxLayout()
        case_and_visit.addWidget(self._case)
        case_and_visit.addWidget(self._visit)
        form = QFormLayout()
        form.setVerticalSpacing(4)
        form.addRow("Film", self._kind)
        form.addRow("Tooth", self._tooth)
        form.addRow(self._tooth.below)
        form.addRow("Case, visit", case_and_visit)
        form.addRow("Reader", self._reader)
        form.addRow(names)
        return form

    def _text_field(self, object_name: str, name: str, field: str, example: str) -> TextField:
        made = TextField(object_name, name)
        made.setPlaceholderText(example)
        made.committed.connect(lambda text: self.edit_film(name.lower(), **{field: text}))
        return made

    def _turn_box(self) -> QCheckBox:
        self._turn = QCheckBox("Metal is dark: turn the grey levels")
        self._turn.setObjectName("rx_invert")
        self._turn.setAccessibleName("Turn the grey levels")
        self._turn.setToolTip("Metal and fill have to be bright. The image file is not changed.")
        self._turn.clicked.connect(self._take_turn)
        return self._turn

    def _grey_row(self) -> QHBoxLayout:
        row = QHBoxLayout()
        for preset in GreyPreset:
            shown = button(
                str(preset).capitalize(),
                f"rx_grey_{preset.name.lower()}",
                f"Brightness and contrast to see: {preset}. Nothing measured changes.",
            )
            shown.clicked.connect(lambda _=False, p=preset: self.grey_requested.emit(str(p)))
            row.addWidget(shown)
        return row

    # Showing.

    def refresh(self) -> None:
        """Show the film in front."""
        film = self.film
        self._show_films()
        self._close.setEnabled(film is not None)
        self._empty.setVisible(film is None)
        self._of_film.setVisible(film is not None)
        self._changed.show_film(film)
        if film is not None:
            self._show_film(film)

    def _show_films(self) -> None:
        films = self.state.films
        with QSignalBlocker(self._films):
            self._films.clear()
            for film in films:
                item = QListWidgetItem(film.name + (", not kept" if film.has_unkept_work else ""))
                item.setToolTip(breakable(str(film.path)))
                # No wider than the list, so that the name is shortened in its middle.
                item.setSizeHint(QSize(1, self._films.fontMetrics().height()))
                self._films.addItem(item)
            if self.film in films:
                self._films.setCurrentRow(films.index(self.film))
        self._films.setVisible(len(films) > 1)
        height = max(self._films.sizeHintForRow(0), 1) * min(len(films), _LIST_ROWS)
        self._films.setFixedHeight(height + 2 * self._films.frameWidth())

    def _show_film(self, film: OpenFilm) -> None:
        marks, radiograph, numbers = film.marks, film.radiograph, self.numbers
        set_line(self._restored, film.restored)
        set_line(self._facts, "\n".join(image_facts(radiograph, numbers)))
        warnings = (f"⚠ {numbers.in_text(w.text)}" for w in radiograph.warnings)
        set_line(self._warnings, "\n".join(warnings))
        self._kind.setCurrentIndex(list(KIND_WORDS).index(marks.film_kind))
        self._tooth.show_tooth(marks.tooth, self.desk.preferences.tooth_notation, numbers)
        self._case.show_value(marks.patient_pseudonym)
        self._visit.show_value(marks.visit)
        self._reader.show_value(marks.reader)
        self._turn.setChecked(film.work.inverted)
        self._marks_file = marks_beside(film)
        self._take_marks.setVisible(self._marks_file is not None)
        if self._marks_file is not None:
            words = f"Take the marks in {self._marks_file.name}"
            self._take_marks.setText(self._elided(words))
            self._take_marks.setAccessibleName(words)
            self._take_marks.setToolTip(breakable(str(self._marks_file)))

    def _elided(self, text: str) -> str:
        room = max(self.width() - 60, 100)
        return str(self.fontMetrics().elidedText(text, Qt.TextElideMode.ElideMiddle, room))

    # Asking.

    def commit(self) -> None:
        """Take what is typed and not yet taken."""
        for field in (self._tooth, self._case, self._visit, self._reader):
            field.commit()

    def forget(self) -> None:
        """Drop a refused tooth."""
        self._tooth.forget()

    def _take_kind(self) -> None:
        self.edit_film("film kind", film_kind=FilmKind(self._kind.currentData()))

    def _take_tooth(self, fdi: str) -> None:
        self.edit_film("tooth", tooth=fdi)

    def _take_turn(self, turned: bool) -> None:
        if self.film is None:
            return
        try:
            self.film.set_inverted(turned)
        except RxMeasureError as refusal:
            self.state.refuse(refusal)
            self._turn.setChecked(self.film.work.inverted)

    def _take_marks_file(self) -> None:
        if self.film is not None and self._marks_file is not None:
            self.desk.take_marks_file(self.film, self._marks_file)

    def _close_film(self) -> None:
        if self.film is not None:
            self.commit()
            self.desk.close_film(self.film)

    def _choose(self, row: int) -> None:
        if 0 <= row < len(self.state.films):
            self.state.choose_film(self.state.films[row])

    def _open(self) -> None:
        from napari.utils.history import get_open_history, update_open_history

        start = str(self.film.path.parent) if self.film is not None else get_open_history()[0]
        chosen, _ = QFileDialog.getOpenFileNames(self, "Open films", start, _FILES)
        for name in chosen:
            self.desk.open_path(Path(name))
        if chosen:
            update_open_history(chosen[0])


class _ChangedImageBox(QFrame):
    """The image is not the one of the review: go on with a reason, or start anew."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._film: OpenFilm | None = None
        self.setObjectName("rx_changed_image")
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self._text = text_line("rx_changed_text")
        self._text.setStyleSheet(look.told_style("warning"))
        self._reason = QLineEdit()
        self._reason.setObjectName("rx_changed_reason")
        self._reason.setAccessibleName("Reason to use the marks on this image")
        self._reason.setPlaceholderText("Reason, kept with the review")
        self._reason.textChanged.connect(self._show_whether_allowed)
        self._reason.returnPressed.connect(self._accept)
        self._use = button("Use the marks on this image", "rx_changed_accept")
        self._use.clicked.connect(self._accept)
        anew = button(
            "Start anew", "rx_changed_anew", "Leave the marks, begin with an empty review"
        )
        anew.clicked.connect(self._start_anew)
        buttons = QHBoxLayout()
        buttons.addWidget(self._use, 1)
        buttons.addWidget(anew)
        rows = QVBoxLayout(self)
        rows.setSpacing(4)
        rows.addWidget(self._text)
        rows.addWidget(self._reason)
        rows.addLayout(buttons)

    def show_film(self, film: OpenFilm | None) -> None:
        """Show the refusal of a film, or nothing."""
        refusal = film.changed_image if film is not None else None
        if film is not self._film or refusal is None:
            self._reason.clear()
        self._film = film
        set_line(self._text, f"⚠ {refusal}" if refusal is not None else "")
        self.setVisible(refusal is not None)
        self._show_whether_allowed()

    def _show_whether_allowed(self) -> None:
        given = bool(self._reason.text().strip())
        self._use.setEnabled(given)
        self._use.setToolTip("" if given else "Write the reason first")

    def _start_anew(self) -> None:
        if self._film is not None:
            self._desk.start_anew(self._film)

    def _accept(self) -> None:
        reason = self._reason.text().strip()
        if self._film is not None and reason:
            self._desk.accept_changed_image(self._film, reason)
