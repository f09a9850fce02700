"""Step 'keep': what is kept, keep it, and write the report."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from qtpy.QtCore import QUrl
from qtpy.QtGui import QDesktopServices
from qtpy.QtWidgets import (
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks_check import finished_marks
from rxmeasure.record.review_file import SUFFIX, review_path
from rxmeasure.report.content import tooth_text
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.options import ToothNotation
from rxmeasure_napari import look
from rxmeasure_napari.keys import with_key
from rxmeasure_napari.panels.film_panel import (
    Choice,
    FilmPanel,
    breakable,
    button,
    drop,
    set_line,
    text_line,
)
from rxmeasure_napari.panels.picture import KIND_WORDS
from rxmeasure_napari.review_state import OpenFilm, Step

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk

_DRAFT = "Until then it is saved as a draft."
_NO_SCALE = "none: ratios and pixels only, no millimetres"


def summary_of(film: OpenFilm, notation: ToothNotation, numbers: Numbers) -> dict[str, str]:
    """What will be kept, by its heading."""
    marks = film.marks
    return {
        "Film": KIND_WORDS[marks.film_kind],
        "Tooth": tooth_text(marks.tooth, notation),
        "Canals": _canals(film),
        "Scale": _scale(film, numbers),
        "Case": marks.patient_pseudonym or "not given",
        "Visit": marks.visit or "not given",
        "Reader": marks.reader or "not given",
        "By hand": _by_hand(len(marks.overrides)),
    }


def _canals(film: OpenFilm) -> str:
    whole = [c.name for c in finished_marks(film.marks).canals]
    begun = [c.name for c in film.marks.canals if c.name not in whole]
    text = ", ".join(whole) or "none"
    return text + (f"; not finished and left out: {', '.join(begun)}" if begun else "")


def _scale(film: OpenFilm, numbers: Numbers) -> str:
    calibration = film.calibration
    if calibration is None:
        return _NO_SCALE
    u = numbers.relative(calibration.u_rel)
    return f"{numbers.in_text(calibration.source)}; ± {u} (one standard uncertainty)"


def _by_hand(count: int) -> str:
    if not count:
        return "no verdict changed"
    return f"{count} {'decision' if count == 1 else 'decisions'} with a reason"


def why_not_kept(film: OpenFilm | None) -> str:
    """Why there is nothing to keep now; empty when there is."""
    if film is None:
        return "No film is open. Open one in the step 'picture'."
    if film.changed_image is not None:
        return str(film.changed_image)
    if not film.marks.canals:
        return "No canal is traced yet. Click along one in the step 'canals'."
    if not film.is_current:
        return "The last edit is being measured."
    if film.computed.problem is not None:
        return str(film.computed.problem)
    if film.review is None:
        return "No canal is finished yet: it needs two clicks or more, the apex last."
    return ""


def state_of_keeping(film: OpenFilm) -> str:
    """Whether the review file holds what is shown, and since when."""
    target = review_path(film.path)
    if film.kept is None:
        return "Not kept yet." + (f" {_DRAFT}" if film.has_unkept_work else "")
    if film.has_unkept_work:
        return f"Changed since it was kept in {target.name}. {_DRAFT}"
    return f"Kept {_written_at(target)}, in {target.name}."


def _written_at(path: Path) -> str:
    try:
        seconds = path.stat().st_mtime
    except OSError:
        return "before, but the file is no longer there"
    return datetime.fromtimestamp(seconds).strftime("%Y-%m-%d %H:%M")


def files_of(film: OpenFilm, folder: Path) -> list[Path]:
    """Review file and reports of a film that are there now."""
    report = folder / film.name
    wanted = [
        review_path(film.path),
        report.with_name(report.name + ".html"),
        report.with_name(report.name + ".pdf"),
    ]
    return [path for path in wanted if path.is_file()]


class KeepPanel(FilmPanel):
    """Keep the review, write the report, open what was written."""

    step = Step.KEEP

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(desk, parent)
        self._folder: Path | None = None
        self._exported: dict[str, list[Path]] = {}
        self._form = QFormLayout()
        self._form.setVerticalSpacing(2)
        self._facts: dict[str, QLabel] = {}
        self._state_line = text_line("rx_keep_state")
        self._why_not = text_line("rx_keep_why_not")
        self._why_not.setStyleSheet(look.told_style("warning"))
        self._keep = button("Keep the review", "rx_keep")
        self._keep.clicked.connect(self._keep_now)
        self._files = _FileList(self._tell)
        rows = QVBoxLayout(self)
        rows.setSpacing(4)
        rows.addLayout(self._form)
        rows.addWidget(self._state_line)
        rows.addWidget(self._why_not)
        rows.addWidget(self._keep)
        rows.addLayout(self._report_row())
        rows.addLayout(self._folder_row())
        rows.addWidget(self._send_row())
        rows.addWidget(self._busy_row())
        rows.addWidget(self._files)
        rows.addStretch(1)
        desk.busy_changed.connect(self._show_busy)
        desk.written.connect(self._take_written)

    # Laying out.

    def _report_row(self) -> QHBoxLayout:
        self._report = button("Write report (HTML, PDF)", "rx_report")
        self._report.clicked.connect(self._write_report)
        self._export = button("Save JSON as…", "rx_export")
        self._export.clicked.connect(self._export_now)
        row = QHBoxLayout()
        row.addWidget(self._report, 1)
        row.addWidget(self._export)
        return row

    def _folder_row(self) -> QHBoxLayout:
        self._where = text_line("rx_report_where")
        choose = button("Choose folder…", "rx_report_folder", "Where the report is written")
        choose.clicked.connect(self._choose_folder)
        self._beside = button("Beside the film", "rx_report_beside", "Write it beside the film")
        self._beside.clicked.connect(lambda: self._report_to(None))
        row = QHBoxLayout()
        row.addWidget(self._where, 1)
        row.addWidget(choose)
        row.addWidget(self._beside)
        return row

    def _send_row(self) -> QWidget:
        self._sender = QWidget()
        self._archive = Choice("rx_send_archive", "Archive")
        self._send = button("Send to archive", "rx_send")
        self._send.clicked.connect(self._send_now)
        row = QHBoxLayout(self._sender)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self._archive, 1)
        row.addWidget(self._send)
        return self._sender

    def _busy_row(self) -> QWidget:
        self._busy = QWidget()
        self._busy_word = text_line("rx_busy")
        bar = QProgressBar()
        bar.setRange(0, 0)
        bar.setTextVisible(False)
        bar.setAccessibleName("Work is running")
        cancel = button("Cancel", "rx_keep_cancel", "Stop the work that runs")
        cancel.clicked.connect(self.desk.cancel)
        row = QHBoxLayout(self._busy)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self._busy_word, 1)
        row.addWidget(bar, 1)
        row.addWidget(cancel)
        self._busy.hide()
        return self._busy

    # Showing.

    def refresh(self) -> None:
        """Show what would be kept, and what is."""
        film = self.film
        notation = self.desk.preferences.tooth_notation
        self._show_summary({} if film is None else summary_of(film, notation, self.numbers))
        set_line(self._state_line, "" if film is None else state_of_keeping(film))
        reason = why_not_kept(film)
        set_line(self._why_not, reason)
        for made, tip in (
            (self._keep, with_key("Write the review file beside the film", "keep")),
            (self._report, "Write the report as a page and as a PDF"),
            (self._export, "Write the review file to another place as well"),
        ):
            made.setEnabled(not reason)
            made.setToolTip(reason or tip)
        where = "beside the film" if self._folder is None else f"to {self._folder}"
        set_line(self._where, f"Report {where}")
        self._beside.setVisible(self._folder is not None)
        self._show_sending(film)
        self._show_files()

    def _show_summary(self, summary: dict[str, str]) -> None:
        for heading, text in summary.items():
            if heading not in self._facts:
                self._facts[heading] = text_line(f"rx_keep_{heading.lower().replace(' ', '_')}")
                self._form.addRow(heading, self._facts[heading])
            set_line(self._facts[heading], text)
        for heading, line in self._facts.items():
            self._form.setRowVisible(line, heading in summary)

    def _show_sending(self, film: OpenFilm | None) -> None:
        """Offer to send what is kept, where an archive is named in the settings."""
        try:
            names = self.desk.archive.names()
        except RxMeasureError:
            names = ()  # told where films are opened from archives
        self._sender.setVisible(bool(names))
        self._archive.show_choices(names, max(self._archive.currentIndex(), 0))
        ready = film is not None and film.kept is not None and not film.has_unkept_work
        self._send.setEnabled(ready)
        self._send.setToolTip(
            "Send report, drawings and masks as DICOM objects" if ready else "Keep it first"
        )

    def _show_files(self) -> None:
        film = self.film
        if film is None:
            self._files.show_files([])
            return
        folder = self._folder or film.path.parent
        exported = [path for path in self._exported.get(film.id, []) if path.is_file()]
        self._files.show_files(list(dict.fromkeys([*files_of(film, folder), *exported])))

    def _show_busy(self, word: str) -> None:
        set_line(self._busy_word, word)
        self._busy.setVisible(bool(word))

    def _take_written(self, _: object) -> None:
        if self.isVisible():
            self.refresh()

    def _tell(self, text: str) -> None:
        self.state.tell(text, "warning")

    # Asking.

    def _keep_now(self) -> None:
        if self.film is not None:
            self.desk.keep(self.film)

    def _write_report(self) -> None:
        if self.film is not None:
            self.desk.write_report(self.film, folder=self._folder)

    def _send_now(self) -> None:
        if self.film is not None:
            self.desk.archive.send(self._archive.currentText(), self.film)

    def _choose_folder(self) -> None:
        start = self._folder or (self.film.path.parent if self.film is not None else Path.home())
        chosen = QFileDialog.getExistingDirectory(self, "Folder for the report", str(start))
        if chosen:
            self._report_to(Path(chosen))

    def _report_to(self, folder: Path | None) -> None:
        self._folder = folder
        self.refresh()

    def _export_now(self) -> None:
        film = self.film
        if film is None:
            return
        proposed = str(review_path(film.path))
        chosen, _ = QFileDialog.getSaveFileName(
            self, "Save the review", proposed, f"Review files (*{SUFFIX});;All files (*)"
        )
        if chosen:
            path = Path(chosen)
            if not path.suffix:
                path = path.with_name(path.name + SUFFIX)
            self._exported.setdefault(film.id, []).append(path)
            self.desk.export_review(film, path)
            self.refresh()


class _FileList(QWidget):
    """Files that were written, each with a button to open it, and their folder."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        super().__init__()
        self._tell = tell
        self._shown: list[tuple[Path, str]] = []
        self._rows = QVBoxLayout(self)
        self._rows.setContentsMargins(0, 0, 0, 0)
        self._rows.setSpacing(2)

    def show_files(self, paths: list[Path]) -> None:
        """Show these files with the time they were written."""
        found = [(path, _written_at(path)) for path in paths]
        if found == self._shown:
            return
        self._shown = found
        while (item := self._rows.takeAt(0)) is not None:
            drop(item.widget())
        for k, (path, time) in enumerate(found):
            self._rows.addWidget(self._row(k, path, time))
        if paths:
            folder = button("Open folder", "rx_open_folder", "Show the last file's folder")
            folder.clicked.connect(lambda: self._open(paths[-1].parent))
            self._rows.addWidget(folder)

    def _row(self, place: int, path: Path, time: str) -> QWidget:
        name = text_line(f"rx_written_{place}")
        set_line(name, f"{path.name}\nwritten {time}")
        name.setToolTip(breakable(str(path)))
        opener = button("Open", f"rx_open_{place}", f"Open {path.name}")
        opener.setAccessibleName(f"Open {path.name}")
        opener.clicked.connect(lambda: self._open(path))
        row = QWidget()
        cells = QHBoxLayout(row)
        cells.setContentsMargins(0, 0, 0, 0)
        cells.addWidget(name, 1)
        cells.addWidget(opener)
        return row

    def _open(self, path: Path) -> None:
        if not QDesktopServices.openUrl(QUrl.fromLocalFile(str(path))):
            self._tell(f"No program on this computer opens {path.name}. It lies in {path.parent}.")
