"""Round trips through a real archive, which is also killed in the middle."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Timer
from time import sleep

import orthanc
import pydicom
import pytest
from dicom_films import DICOM, SAMPLES, lesion_on, marks_of
from loopback_archive import leaves_sockets
from orthanc import Orthanc

from rxmeasure.archive import Archive, Progress, Query, Sent, Uids, open_archive
from rxmeasure.dicom_objects.report_reading import read_report, review_in
from rxmeasure.dicom_objects.writing import DicomObject, write_objects
from rxmeasure.errors import ArchiveLostError
from rxmeasure.reading import read_radiograph
from rxmeasure.review import review_film

pytestmark = pytest.mark.skipif(
    not orthanc.installed(), reason="needs the Debian packages orthanc and orthanc-dicomweb"
)

WAYS = pytest.mark.parametrize("way", ["get", "move", "web"])


@pytest.fixture
def real(tmp_path: Path) -> Iterator[Orthanc]:
    folder = tmp_path / "archive"
    folder.mkdir()
    with orthanc.running(folder) as archive:
        yield archive


@WAYS
def test_a_film_is_found_measured_and_its_results_come_back_identical(
    real: Orthanc, tmp_path: Path, way: str
) -> None:
    archive = open_archive("here", real.config(way, tmp_path))
    archive.test()
    film = pydicom.dcmread(SAMPLES / DICOM)
    assert archive.send((SAMPLES / DICOM,)).sent

    (study,) = archive.find(Query(patient_name="Phantom*", modality="IO")).rows
    assert study.study_uid == film.StudyInstanceUID
    (path,) = archive.fetch(Uids(study=study.study_uid), tmp_path / "films").files
    assert pydicom.dcmread(path) == film

    review = review_film(read_radiograph(path), marks_of(DICOM))
    written = write_objects(path, review, tmp_path, lesions=(lesion_on(DICOM),))
    kinds = {DicomObject.REPORT, DicomObject.PRESENTATION, DicomObject.SEGMENTATION}
    assert kinds <= written.keys()
    objects = tuple(written.values())
    assert archive.send(objects).sent == objects

    back = archive.fetch(Uids(study=study.study_uid), tmp_path / "back")
    assert back.failed == ()
    came = {pydicom.dcmread(file).SOPInstanceUID: file for file in back.files}
    assert len(came) == 1 + len(objects)
    for kind, file in written.items():
        sent = pydicom.dcmread(file)
        assert pydicom.dcmread(came[sent.SOPInstanceUID]) == sent, kind
    report = pydicom.dcmread(written[DicomObject.REPORT]).SOPInstanceUID
    assert review_in(read_report(came[report])) == review


@pytest.mark.parametrize("way", ["get", "web"], ids=["dimse", "web"])
def test_nothing_is_held_twice(
    real: Orthanc, tmp_path: Path, films: tuple[Path, ...], way: str
) -> None:
    archive = open_archive("here", real.config(way, tmp_path))
    assert archive.send(films).sent == films
    assert archive.send(films).there_before == films
    assert real.held() == [f"1.2.3.{n}" for n in range(1, 7)]


def send_while(archive: Archive, films: tuple[Path, ...], told: Callable[[Progress], None]) -> int:
    """Send to an archive that ends meanwhile; how many were confirmed."""
    try:
        sent: Sent = archive.send(films, told)
    except ArchiveLostError:
        return 0
    assert len(sent.sent) + len(sent.failed) == len(films)
    return len(sent.sent)


@pytest.mark.parametrize("way", ["get", "web"], ids=["dimse", "web"])
@pytest.mark.parametrize(("after", "delay_s"), [(1, 0.0), (2, 0.02), (4, 0.0)])
@leaves_sockets
def test_an_archive_killed_while_it_receives_loses_nothing_and_has_nothing_twice(
    real: Orthanc, tmp_path: Path, films: tuple[Path, ...], way: str, after: int, delay_s: float
) -> None:
    archive = open_archive("here", real.config(way, tmp_path))

    def kill(progress: Progress) -> None:
        if progress.done == after:
            if delay_s:
                Timer(delay_s, real.kill).start()
            else:
                real.kill()

    confirmed = send_while(archive, films, kill)
    assert confirmed < len(films)
    real.start()
    again = archive.send(films)
    assert again.failed == ()
    assert {*again.sent, *again.there_before} == {*films}
    assert real.held() == [f"1.2.3.{n}" for n in range(1, 7)]


SENDER = """
import sys
from pathlib import Path
from rxmeasure.archive import open_archive
files = tuple(Path(name) for name in sys.argv[2:])
open_archive("here", Path(sys.argv[1])).send(files, lambda p: print(p.done, flush=True))
"""


@pytest.mark.parametrize("way", ["get", "web"], ids=["dimse", "web"])
def test_a_sender_killed_in_the_middle_goes_on(
    real: Orthanc, tmp_path: Path, films: tuple[Path, ...], way: str
) -> None:
    config = real.config(way, tmp_path)
    with subprocess.Popen(
        [sys.executable, "-c", SENDER, str(config), *map(str, films)],
        stdout=subprocess.PIPE,
        text=True,
    ) as sender:
        assert sender.stdout is not None
        for line in sender.stdout:
            if int(line) == 3:
                break
        sleep(0.02)
        sender.kill()
    again = open_archive("here", config).send(films)
    assert again.failed == ()
    assert {*again.sent, *again.there_before} == {*films}
    assert len(again.there_before) >= 3
    assert real.held() == [f"1.2.3.{n}" for n in range(1, 7)]
