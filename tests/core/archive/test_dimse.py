from __future__ import annotations

import logging
import socket
from collections.abc import Callable
from datetime import date
from pathlib import Path
from time import monotonic
from typing import Any

import pydicom
import pytest
from loopback_archive import LoopbackArchive, leaves_sockets
from orthanc import free_port
from pydicom.dataset import Dataset

from rxmeasure.archive import Archive, Progress, Query, Uids
from rxmeasure.errors import ArchiveError, ArchiveLostError

STUDY = Uids(study="1.2.3")
Open = Callable[..., Archive]
Start = Callable[..., LoopbackArchive]
Films = tuple[Path, ...]


def test_an_archive_answers(start: Start, opened: Open) -> None:
    opened(start()).test()


def test_user_and_password_are_shown(start: Start, opened: Open) -> None:
    loopback = start()
    opened(loopback, user="me", password="secret").test()
    assert loopback.users == [(b"me", b"secret")]


def test_studies_series_and_objects_are_listed(filled: LoopbackArchive, opened: Open) -> None:
    archive = opened(filled)
    (study,) = archive.find(Query(patient_name="Planted*")).rows
    assert (study.study_uid, study.patient_name) == ("1.2.3", "Planted^Name")
    assert (study.taken, study.modalities) == (date(2024, 2, 29), ("IO",))
    (series,) = archive.series("1.2.3").rows
    assert (series.series_uid, series.modality) == ("1.2.3.0", "IO")
    objects = archive.instances("1.2.3", "1.2.3.0").rows
    assert [row.instance_uid for row in objects] == [f"1.2.3.{n}" for n in range(1, 7)]
    assert archive.find(Query(patient_name="Someone*")).rows == ()


@pytest.mark.parametrize("by", ["get", "move"])
def test_what_was_fetched_is_what_the_archive_holds(
    filled: LoopbackArchive, opened: Open, films: Films, tmp_path: Path, by: str
) -> None:
    entries: dict[str, Any] = {}
    if by == "move":
        port = free_port()
        filled.move_to = ("127.0.0.1", port)
        entries = {"listen_port": port, "listen_host": "127.0.0.1"}
    told: list[Progress] = []
    fetched = opened(filled, **entries).fetch(STUDY, tmp_path / "out", told.append)
    assert fetched.new == len(films)
    assert fetched.failed == ()
    assert told[-1] == Progress(done=len(films), total=len(films))
    for before, after in zip(films, fetched.files, strict=True):
        assert pydicom.dcmread(after) == pydicom.dcmread(before)
        assert after.parent == tmp_path / "out" / "1.2.3"


def test_one_object_alone(filled: LoopbackArchive, opened: Open, tmp_path: Path) -> None:
    uids = Uids(study="1.2.3", series="1.2.3.0", instance="1.2.3.4")
    (path,) = opened(filled).fetch(uids, tmp_path).files
    assert path.name == "1.2.3.4.dcm"


def test_what_is_there_is_not_fetched_again_and_what_is_spoiled_is(
    filled: LoopbackArchive, opened: Open, tmp_path: Path
) -> None:
    archive = opened(filled)
    files = archive.fetch(STUDY, tmp_path).files
    files[2].write_bytes(b"cut short")
    again = archive.fetch(STUDY, tmp_path)
    assert again.new == 1
    assert again.files == files
    assert pydicom.dcmread(files[2]).SOPInstanceUID == "1.2.3.3"


def test_a_fetch_that_was_stopped_goes_on(
    filled: LoopbackArchive, opened: Open, tmp_path: Path
) -> None:
    archive = opened(filled)
    told: list[Progress] = []
    first = archive.fetch(STUDY, tmp_path, told.append, lambda: told[-1].done == 2)
    assert (first.new, first.stopped) == (2, True)
    second = archive.fetch(STUDY, tmp_path)
    assert (second.new, len(second.files), second.stopped) == (4, 6, False)


def test_a_fetch_goes_on_over_a_broken_connection(
    filled: LoopbackArchive, opened: Open, tmp_path: Path
) -> None:
    seen: list[str] = []

    def break_third(event: Any) -> None:
        seen.append(str(event.identifier.SOPInstanceUID))
        if len(seen) == 3:
            event.assoc.abort(block=False)

    filled.before_get = break_third
    fetched = opened(filled).fetch(STUDY, tmp_path)
    assert (len(fetched.files), fetched.failed) == (6, ())
    assert sorted(set(seen)) == [f"1.2.3.{n}" for n in range(1, 7)]


def test_files_go_out_once(start: Start, opened: Open, films: Films) -> None:
    loopback = start()
    archive = opened(loopback)
    first = archive.send(films)
    assert (first.sent, first.there_before, first.failed) == (films, (), ())
    second = archive.send(films)
    assert (second.sent, second.there_before, second.failed) == ((), films, ())
    assert loopback.stored == [f"1.2.3.{n}" for n in range(1, 7)]
    for data, path in zip(loopback.datasets(), films, strict=True):
        assert data == pydicom.dcmread(path)


def test_a_file_named_twice_goes_out_once(start: Start, opened: Open, films: Films) -> None:
    loopback = start()
    sent = opened(loopback).send((films[0], films[0]))
    assert (sent.sent, sent.there_before) == (films[:1], films[:1])
    assert loopback.stored == ["1.2.3.1"]


def test_an_archive_that_cannot_be_asked_gets_nothing_twice(
    start: Start, opened: Open, films: Films
) -> None:
    loopback = start(LoopbackArchive(find_status=0xC001))
    archive = opened(loopback)
    assert archive.send(films[:3]).sent == films[:3]
    again = archive.send(films)
    assert (again.sent, again.there_before) == (films[3:], films[:3])
    assert len(loopback.stored) == 6


def test_what_the_archive_lost_goes_out_again(start: Start, opened: Open, films: Films) -> None:
    loopback = start()
    archive = opened(loopback)
    archive.send(films)
    del loopback.objects["1.2.3.2"]
    assert archive.send(films).sent == films[1:2]


def test_other_content_under_a_taken_identifier_is_refused(
    start: Start, opened: Open, films: Films, tmp_path: Path
) -> None:
    archive = opened(start())
    archive.send(films)
    other = pydicom.dcmread(films[0])
    other.ImageComments = "other"
    other.save_as(tmp_path / "other.dcm")
    sent = archive.send((tmp_path / "other.dcm",))
    assert (sent.sent, sent.there_before) == ((), ())
    assert "other content" in sent.failed[0].text


def test_a_warning_is_told_and_the_object_counts_as_sent(
    start: Start, opened: Open, films: Films
) -> None:
    archive = opened(
        start(LoopbackArchive(store_status=lambda uid: 0xB000 if uid == "1.2.3.2" else 0))
    )
    sent = archive.send(films)
    assert sent.sent == films
    (warned,) = sent.warned
    assert warned.what == str(films[1])
    assert "B000" in warned.text


def test_half_of_the_objects_fail(start: Start, opened: Open, films: Films) -> None:
    loopback = start(LoopbackArchive(store_status=lambda uid: 0xA700 if int(uid[-1]) % 2 else 0))
    sent = opened(loopback).send(films)
    assert sent.sent == films[1::2]
    assert [remark.what for remark in sent.failed] == [str(path) for path in films[::2]]
    assert all("A700" in remark.text for remark in sent.failed)
    loopback.store_status = lambda uid: 0x0000
    again = opened(loopback).send(films)
    assert (again.sent, again.there_before) == (films[::2], films[1::2])
    assert len(loopback.stored) == 6


def test_sending_goes_on_over_broken_connections(start: Start, opened: Open, films: Films) -> None:
    loopback = start()
    tries: list[str] = []

    def break_each_first_time(uid: str) -> int:
        tries.append(uid)
        return -1 if tries.count(uid) == 1 else 0

    loopback.store_status = break_each_first_time
    sent = opened(loopback).send(films)
    assert (sent.sent, sent.failed) == (films, ())
    assert sorted(loopback.stored) == [f"1.2.3.{n}" for n in range(1, 7)]


def test_an_object_that_breaks_every_connection_fails_alone(
    start: Start, opened: Open, films: Films
) -> None:
    loopback = start(LoopbackArchive(store_status=lambda uid: -1 if uid == "1.2.3.3" else 0))
    sent = opened(loopback).send(films)
    assert sent.sent == films[:2] + films[3:]
    assert [remark.what for remark in sent.failed] == [str(films[2])]


@pytest.mark.filterwarnings("ignore:Invalid value for VR UI:UserWarning")
def test_files_that_are_no_objects_are_told(
    start: Start, opened: Open, films: Films, tmp_path: Path
) -> None:
    (tmp_path / "text.dcm").write_text("no DICOM")
    bad = pydicom.dcmread(films[0])
    bad.SOPInstanceUID = bad.file_meta.MediaStorageSOPInstanceUID = "1.2.3.1/.."
    bad.save_as(tmp_path / "bad.dcm")
    wrong = [tmp_path / "text.dcm", tmp_path / "bad.dcm", tmp_path / "none.dcm"]
    sent = opened(start()).send((*wrong, films[0]))
    assert sent.sent == films[:1]
    assert [remark.what for remark in sent.failed] == [str(path) for path in wrong]


@pytest.mark.parametrize(
    ("title", "known", "words"),
    [("OTHER", "", "another AE title"), ("ARCHIVE", "SOMEONE", "does not know our AE title")],
)
def test_a_wrong_title_is_told_at_once(
    start: Start, opened: Open, films: Films, title: str, known: str, words: str
) -> None:
    archive = opened(start(title=title, known=known))
    with pytest.raises(ArchiveError, match=words) as refusal:
        archive.send(films)
    assert not isinstance(refusal.value, ArchiveLostError)


@leaves_sockets
def test_nobody_listens(opened: Open, films: Films) -> None:
    with pytest.raises(ArchiveLostError, match="cannot be reached"):
        opened(free_port()).send(films)


def test_an_archive_that_never_answers(opened: Open) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        begun = monotonic()
        with pytest.raises(ArchiveLostError, match="no answer"):
            opened(silent.getsockname()[1], timeout_s=0.3).test()
        assert monotonic() - begun < 5.0


def hostile(**elements: Any) -> Dataset:
    answer = Dataset()
    answer.QueryRetrieveLevel = "STUDY"
    for keyword, value in elements.items():
        setattr(answer, keyword, value)
    return answer


@pytest.mark.filterwarnings("ignore:.*:UserWarning")
def test_identifiers_that_are_none_are_left_out(start: Start, opened: Open, tmp_path: Path) -> None:
    names = [
        "../../1.2.3",
        "1.2.3/../../x",
        "/etc/1.2",
        "1..2",
        "1.02",
        "1",
        "C:1.2",
        "1.2." + "9" * 62,
    ]
    bad = [hostile(StudyInstanceUID=name) for name in names]
    bad.append(hostile(PatientName="No^Study"))
    archive = opened(start(LoopbackArchive(extra=[*bad, hostile(StudyInstanceUID="1.2")])))
    found = archive.find(Query(patient_id="1"))
    assert [row.study_uid for row in found.rows] == ["1.2"]
    assert found.left_out == len(bad)
    with pytest.raises(ArchiveError, match="no unique identifier"):
        archive.fetch(Uids(study="../1.2"), tmp_path)


@pytest.mark.filterwarnings("ignore:.*:UserWarning")
def test_objects_with_hostile_identifiers_leave_no_file(
    start: Start, opened: Open, tmp_path: Path
) -> None:
    extra = [
        hostile(SeriesInstanceUID="1.2.5", SOPInstanceUID=f"../../../{n}.2", SOPClassUID="1.2.4")
        for n in range(3)
    ]
    out = tmp_path / "deep" / "out"
    fetched = opened(start(LoopbackArchive(extra=extra))).fetch(STUDY, out)
    assert (fetched.files, len(fetched.failed)) == ((), 1)
    assert "3 entries" in fetched.failed[0].text
    assert not list(tmp_path.rglob("*.dcm"))


def test_counts_and_texts_without_end_are_cut(start: Start, opened: Open) -> None:
    answer = hostile(
        StudyInstanceUID="1.2",
        NumberOfStudyRelatedInstances="999999999999",
        StudyDescription="long " * 12,
        PatientID="line\nbreak\x1b[31m",
    )
    (row,) = opened(start(LoopbackArchive(extra=[answer]))).find(Query(patient_id="1")).rows
    assert row.instance_count is None
    assert row.patient_id.isprintable()


def test_more_answers_than_anyone_reads_are_cut_off(
    start: Start, opened: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rxmeasure.archive.archive.MOST_STUDIES", 20)
    extra = [hostile(StudyInstanceUID=f"1.2.{n}") for n in range(5_000)]
    begun = monotonic()
    found = opened(start(LoopbackArchive(extra=extra))).find(Query(patient_id="1"))
    assert (len(found.rows), found.more) == (20, True)
    assert monotonic() - begun < 10.0


def test_an_answer_without_end_is_broken_off(
    start: Start, opened: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rxmeasure.archive.dimse._MOST_ANSWER_BYTES", 10_000)
    extra = [hostile(StudyInstanceUID=f"1.2.{n}") for n in range(500)]
    with pytest.raises(ArchiveError, match="does not end"):
        opened(start(LoopbackArchive(extra=extra))).find(Query(patient_id="1"))


def test_an_object_without_end_is_not_written(
    filled: LoopbackArchive, opened: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rxmeasure.archive.dimse.MAX_FILE_BYTES", 10_000)
    monkeypatch.setattr("rxmeasure.archive.dimse._SURROUNDINGS", 10_000)
    with pytest.raises(ArchiveError, match="does not end"):
        opened(filled).fetch(STUDY, tmp_path / "out")
    assert not list(tmp_path.rglob("*.dcm"))


def test_another_object_than_was_asked_for_is_not_taken(
    filled: LoopbackArchive, opened: Open, tmp_path: Path
) -> None:
    filled.answer_other = True
    fetched = opened(filled).fetch(STUDY, tmp_path / "out")
    assert (fetched.files, len(fetched.failed)) == ((), 6)
    assert not list(tmp_path.rglob("*.dcm"))


def test_nothing_of_a_patient_is_logged_or_noted(
    filled: LoopbackArchive,
    opened: Open,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    archive = opened(filled)
    archive.find(Query(patient_name="Planted^Name", patient_id="PHANTOM-12004"))
    fetched = archive.fetch(STUDY, tmp_path / "out")
    filled.objects.clear()
    assert archive.send(fetched.files).sent == fetched.files
    noted = (tmp_path / "archives.sent").read_bytes()
    for word in ("Planted", "PHANTOM", "1.2.3.4"):
        assert word not in caplog.text
        assert word.encode() not in noted
