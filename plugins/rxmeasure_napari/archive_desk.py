"""The window's way to a DICOM archive: searches, fetches and sends, all off the GUI thread."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QObject, Signal

from rxmeasure_napari.background import Background
from rxmeasure_napari.review_state import OpenFilm

if TYPE_CHECKING:
    from rxmeasure.archive import (
        Archive,
        Fetched,
        InstanceRow,
        Progress,
        Query,
        Remark,
        Sent,
        SeriesRow,
        StudyRow,
        Uids,
    )
    from rxmeasure_napari.desk import Desk

#: Modalities whose objects the program can open.
FILMS = frozenset({"IO", "DX", "CR", "PX", "RG"})

Film = tuple["SeriesRow", "InstanceRow"]


class ArchiveDesk(QObject):
    """What the panels ask of an archive.

    Signals: ``studies_found(object)``, the studies of the last search;
    ``films_found(object)``, pairs of series and object of the study that was chosen.
    """

    studies_found = Signal(object)
    films_found = Signal(object)

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self._desk = desk
        self._work = Background("archive", self)
        self._work.progressed.connect(partial(desk.tell_busy, self._work))
        self._stop = threading.Event()
        #: Where fetched films go; chosen anew in each window.
        self.folder: Path | None = None

    def names(self) -> tuple[str, ...]:
        """Archives of the settings, none where there are no settings.

        Raises
        ------
        ArchiveError
            The settings cannot be read.
        """
        from rxmeasure.archive import archive_names

        path = settings_path()
        return archive_names(path) if path.exists() else ()

    def search(self, name: str, query: Query) -> None:
        """Look for studies."""
        self._run("search", partial(_studies, name, query), self._take_studies, f"asking {name}")

    def list_films(self, name: str, study: StudyRow) -> None:
        """List the films of a study."""
        work = partial(_films, name, study.study_uid)
        self._run("search", work, self.films_found.emit, f"asking {name}")

    def fetch(self, name: str, film: Uids) -> None:
        """Fetch a film into the folder and open it."""
        if self.folder is None:
            return
        self._stop.clear()
        work = partial(_fetched, name, film, self.folder, self._stop.is_set)
        self._run("fetch", work, self._take_film, f"fetching from {name}")

    def send(self, name: str, film: OpenFilm) -> None:
        """Send the kept review of a film as DICOM objects."""
        self._stop.clear()
        work = partial(_sent, name, film.path, self._stop.is_set)
        self._run("send", work, partial(self._tell_sent, name), f"sending to {name}")

    def cancel(self) -> None:
        """Stop what runs: a search is dropped, a transfer ends after the object on its way."""
        self._stop.set()
        self._work.cancel("search")

    def close(self) -> None:
        """Stop the thread."""
        self._stop.set()
        self._work.close()

    def _run(
        self, key: str, work: Callable[[Any], Any], then: Callable[[Any], object], word: str
    ) -> None:
        self._work.run(key, work, then, self._desk.state.refuse, word=word)

    def _take_studies(self, found: Any) -> None:
        self.studies_found.emit(found.rows)
        if found.more:
            self._desk.state.tell("There are more studies. Narrow the search.", "warning")
        elif not found.rows:
            self._desk.state.tell("The archive has no such study.")

    def _take_film(self, fetched: Fetched) -> None:
        for path in fetched.files:
            self._desk.open_path(path)
        if fetched.failed:
            self._desk.state.tell(f"Not fetched. {_words(fetched.failed)}", "warning")

    def _tell_sent(self, name: str, sent: Sent) -> None:
        told = f"{name}: {len(sent.sent)} sent, {len(sent.there_before)} there before."
        if sent.stopped:
            told += " Stopped; send again to go on."
        if not sent.failed:
            self._desk.state.tell(f"{told} {_words(sent.warned)}".strip())
            return
        self._desk.state.tell(
            f"{told} {len(sent.failed)} not taken. {_words(sent.failed)}", "warning"
        )


def settings_path() -> Path:
    """The file that names the archives; ``RXMEASURE_ARCHIVES`` or that of this user."""
    from rxmeasure.archive import default_config_path

    return Path(os.environ.get("RXMEASURE_ARCHIVES") or default_config_path())


def _archive(name: str) -> Archive:
    from rxmeasure.archive import open_archive

    return open_archive(name, settings_path())


def _words(remarks: tuple[Remark, ...]) -> str:
    return " ".join(dict.fromkeys(remark.text for remark in remarks))


def _counted(progress: Callable[[str], None]) -> Callable[[Progress], None]:
    return lambda step: progress(f"{step.done} of {step.total}" if step.total > 1 else "")


def _studies(name: str, query: Query, progress: object) -> Any:
    return _archive(name).find(query)


def _films(name: str, study_uid: str, progress: object) -> list[Film]:
    archive = _archive(name)
    return [
        (series, instance)
        for series in archive.series(study_uid).rows
        if series.modality in FILMS
        for instance in archive.instances(study_uid, series.series_uid).rows
    ]


def _fetched(
    name: str, film: Uids, folder: Path, stop: Callable[[], bool], progress: Callable[[str], None]
) -> Fetched:
    return _archive(name).fetch(film, folder, _counted(progress), stop)


def _sent(name: str, path: Path, stop: Callable[[], bool], progress: Callable[[str], None]) -> Sent:
    from rxmeasure.dicom_objects.writing import DicomObject, write_objects
    from rxmeasure.record.review_file import load_review, review_path

    archive = _archive(name)
    with TemporaryDirectory() as folder:
        written = write_objects(path, load_review(review_path(path)), Path(folder))
        # A copy of the film with another spacing is for the reader to hand on, not for us.
        files = [file for kind, file in written.items() if kind is not DicomObject.CALIBRATED]
        return archive.send(files, _counted(progress), stop)
