"""An archive: find, fetch, send. Nothing is sent twice and nothing is left half done."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from rxmeasure.archive.files import OutgoingFile
from rxmeasure.archive.journal import Journal
from rxmeasure.archive.rows import (
    Level,
    found_rows,
    instance_row,
    series_row,
    study_keys,
    study_row,
)
from rxmeasure.archive.transfers import Fetching, Sending, Stop, Tell
from rxmeasure.archive.values import (
    Fetched,
    Found,
    InstanceRow,
    Progress,
    Query,
    Remark,
    Sent,
    SeriesRow,
    StudyRow,
    Uids,
)
from rxmeasure.archive.wire import Wire
from rxmeasure.errors import ArchiveError

#: Most answers that are taken (choice: more than anyone reads, little to hold).
MOST_STUDIES = 1_000
MOST_SERIES = 1_000
MOST_INSTANCES = 10_000


def _quiet(_: Progress) -> None:
    pass


def _go_on() -> bool:
    return False


class Archive:
    """An archive of the settings, made by `open_archive`. Nothing stays connected."""

    def __init__(self, name: str, wire: Wire, journal: Journal) -> None:
        self.name = name
        self._wire = wire
        self._journal = journal

    def test(self) -> None:
        """Ask the archive for a sign of life.

        Raises
        ------
        ArchiveError
            It cannot be reached, or does not know us.
        """
        self._wire.test()

    def find(self, query: Query) -> Found[StudyRow]:
        """Look for studies, at most 1,000.

        Raises
        ------
        ArchiveError
            It cannot be reached, or refuses.
        """
        answers = self._wire.find(Level.STUDY, study_keys(query), MOST_STUDIES)
        return found_rows(answers, study_row, MOST_STUDIES)

    def series(self, study_uid: str) -> Found[SeriesRow]:
        """List the series of a study; raises as `find`."""
        uids = Uids(study=study_uid)
        answers = self._wire.find(Level.SERIES, {"StudyInstanceUID": uids.study}, MOST_SERIES)
        return found_rows(answers, lambda answer: series_row(answer, uids.study), MOST_SERIES)

    def instances(self, study_uid: str, series_uid: str) -> Found[InstanceRow]:
        """List the objects of a series; raises as `find`."""
        uids = Uids(study=study_uid, series=series_uid)
        keys = {"StudyInstanceUID": uids.study, "SeriesInstanceUID": uids.series}
        answers = self._wire.find(Level.INSTANCE, keys, MOST_INSTANCES)
        return found_rows(
            answers, lambda answer: instance_row(answer, uids.study, uids.series), MOST_INSTANCES
        )

    def fetch(
        self, uids: Uids, folder: Path, progress: Tell = _quiet, stop: Stop = _go_on
    ) -> Fetched:
        """Fetch a study, a series or an object as ``folder/STUDY/OBJECT.dcm``.

        What is there is not fetched again, so the same call goes on after a stop or a fault.

        Parameters
        ----------
        uids : Uids
        folder : Path
            Is made where it is missing.
        progress : callable
            Called with a `Progress` after each object.
        stop : callable
            Asked before each object; True ends the fetch.

        Raises
        ------
        ArchiveError
            The archive cannot be reached or refuses before the first object; later faults are
            among ``failed``.
        WriteError
            A file cannot be written.
        """
        wanted, remarks = self._wanted(uids)
        return Fetching(self._wire, wanted, folder, progress, stop).result(remarks)

    def send(self, files: Sequence[Path], progress: Tell = _quiet, stop: Stop = _go_on) -> Sent:
        """Send DICOM files. The archive is asked first what it has; that is not sent again.

        After a stop or a fault the same call goes on.

        Parameters
        ----------
        files : sequence of Path
        progress, stop : callable
            As for `fetch`.

        Raises
        ------
        ArchiveError
            The archive cannot be reached or refuses before the first object; later faults are
            among ``failed``.
        WriteError
            What is sent cannot be noted.
        """
        sending = Sending(self._wire, self._journal, self._present, progress, stop)
        return sending.result(files)

    def _wanted(self, uids: Uids) -> tuple[list[InstanceRow], list[Remark]]:
        """Objects of what is asked for, and what to say of those that have no valid identifier."""
        if uids.series:
            series: tuple[str, ...] = (uids.series,)
            left_out = 0
        else:
            found_series = self.series(uids.study)
            _refuse_more(found_series.more, "series")
            series = tuple(row.series_uid for row in found_series.rows)
            left_out = found_series.left_out
        wanted: list[InstanceRow] = []
        for series_uid in series:
            found = self.instances(uids.study, series_uid)
            _refuse_more(found.more, "objects")
            wanted += [r for r in found.rows if uids.instance in ("", r.instance_uid)]
            left_out += found.left_out
        if not wanted and not left_out:
            raise ArchiveError(
                found="nothing in the archive under these identifiers.",
                needed="a study, series or object that is there.",
                next_step="List the studies again; it may have been moved or deleted.",
            )
        remark = Remark(
            what=uids.study,
            text=f"{left_out} entries whose identifier is none by the standard were left out.",
        )
        return wanted, [remark] if left_out else []

    def _present(self, files: Iterable[OutgoingFile]) -> set[str]:
        """Identifiers among the files' series that the archive says it has."""
        series = {(f.instance.study_uid, f.instance.series_uid) for f in files}
        return {row.instance_uid for place in sorted(series) for row in self.instances(*place).rows}


def _refuse_more(more: bool, what: str) -> None:
    if more:
        raise ArchiveError(
            found=f"more {what} than one study of radiographs has.",
            needed=f"at most {MOST_SERIES} series and {MOST_INSTANCES:,} objects in each.",
            next_step="Fetch one series or one object of it.",
        )
