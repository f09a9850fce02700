"""An archive as source of a batch: fetched in turn, resumable, removed when measured."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from batch_work import SAMPLES, results

from rxmeasure.batch import BatchSettings, Counts, films_of_folder, run, run_batch
from rxmeasure.errors import ArchiveError

pytest.importorskip("pynetdicom")

from loopback_archive import LoopbackArchive

from rxmeasure.archive import Query, archive, open_archive
from rxmeasure.batch.archive_films import films_of_archive

QUERY = Query(since=date(2024, 1, 1), until=date(2024, 12, 31))
FILMS = 4


@pytest.fixture
def originals(tmp_path: Path) -> Path:
    """Films of two studies as a folder has them, and a report in the second one."""
    from pydicom import dcmread

    folder = tmp_path / "originals"
    for k in range(FILMS + 1):
        film = dcmread(SAMPLES / "short_incisor.dcm")
        film.StudyInstanceUID = f"1.2.{k // 2 + 1}"
        film.StudyDate = f"20240{k // 2 + 1}01"
        film.SeriesInstanceUID = f"{film.StudyInstanceUID}.1"
        film.SOPInstanceUID = film.file_meta.MediaStorageSOPInstanceUID = f"1.2.9.{k}"
        if k == FILMS:
            film.StudyInstanceUID, film.Modality = "1.2.2", "SR"
            film.SeriesInstanceUID = "1.2.2.2"
        place = folder / film.StudyInstanceUID / f"{film.SOPInstanceUID}.dcm"
        place.parent.mkdir(parents=True, exist_ok=True)
        film.save_as(place, enforce_file_format=True)
    return folder


@dataclass
class Hospital(LoopbackArchive):
    """Matches days too, and notes what it hands out; of ``lost`` it hands out something else."""

    config: Path = Path()
    handed_out: list[str] = field(default_factory=list)
    lost: str = ""

    def _matching(self, identifier: Any) -> Iterator[Any]:
        first, _, last = str(identifier.get("StudyDate") or "-").partition("-")
        for held in super()._matching(identifier):
            if first <= held.StudyDate <= (last or "9"):
                yield held

    def note(self, event: Any) -> None:
        uid = str(event.identifier.SOPInstanceUID)
        self.answer_other = uid == self.lost
        self.handed_out.append(uid)


@pytest.fixture
def there(originals: Path, tmp_path: Path) -> Iterator[Hospital]:
    made = Hospital(config=tmp_path / "archives.toml")
    made.before_get = made.note
    for film in sorted(originals.rglob("*.dcm")):
        made.add(film)
    server = made.start()
    made.config.write_text(
        f'[archives.hospital]\nhost = "127.0.0.1"\nport = {made.port}\ncalled_ae = "ARCHIVE"\n'
    )
    made.config.chmod(0o600)
    yield made
    server.shutdown()


def batch(there: Hospital, out: Path, **more: object) -> Counts:
    place = open_archive("hospital", there.config)
    films = films_of_archive(place, QUERY, out / "films", keep=bool(more.pop("keep", False)))
    settings = more.pop("settings", BatchSettings())
    return run_batch(films, settings, out, **more)  # type: ignore[arg-type]


def test_every_radiograph_is_fetched_once_and_removed(there: Hospital, tmp_path: Path) -> None:
    out = tmp_path / "out"
    counts = batch(there, out)
    assert counts.new == FILMS
    assert there.handed_out == [f"1.2.9.{k}" for k in range(FILMS)]
    assert list((out / "films").rglob("*.dcm")) == []
    first = results(out)
    assert b"1.2.2/1.2.9.3.dcm" in first["batch.csv"]
    assert batch(there, out).done_before == FILMS
    assert len(there.handed_out) == FILMS
    assert results(out) == first


def test_a_film_that_comes_as_another_file_is_measured_by_that(
    there: Hospital, tmp_path: Path
) -> None:
    """Other options fetch it again; meanwhile the archive, or the receiver, writes it otherwise."""
    from pydicom import dcmread

    out = tmp_path / "out"
    batch(there, out)
    for uid, data in there.objects.items():
        film = dcmread(BytesIO(data))
        film.StationName = "another head"
        written = BytesIO()
        film.save_as(written, enforce_file_format=True)
        there.objects[uid] = written.getvalue()
    judged = BatchSettings(rule_ids=("zero_three",))
    for new in (FILMS, 0):
        counts = batch(there, out, settings=judged)
        assert (counts.new, counts.unreadable, counts.done_before) == (new, 0, FILMS - new)
    assert list((out / "films").rglob("*.dcm")) == []
    fresh = tmp_path / "fresh"
    batch(there, fresh, settings=judged)
    assert results(out) == results(fresh)


def test_same_values_as_from_a_folder(there: Hospital, originals: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    batch(there, kept, keep=True)
    again = tmp_path / "again"
    run_batch(films_of_folder(kept / "films"), BatchSettings(), again)
    assert results(kept) == results(again)
    assert len(list((kept / "films").rglob("*.dcm"))) == FILMS


def test_films_wait_in_small_number_and_a_stopped_run_goes_on(
    there: Hospital, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "CHUNK", 1)
    out = tmp_path / "out"

    def stop(_: Counts) -> None:
        assert len(there.handed_out) < FILMS
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        batch(there, out, progress=stop)
    counts = batch(there, out)
    assert (counts.done_before, counts.new) == (1, FILMS - 1)
    assert list((out / "films").rglob("*.dcm")) == []
    undisturbed = tmp_path / "undisturbed"
    batch(there, undisturbed)
    assert results(out) == results(undisturbed)


def test_an_object_that_cannot_be_had_is_told(there: Hospital, tmp_path: Path) -> None:
    there.lost = "1.2.9.1"
    out = tmp_path / "out"
    counts = batch(there, out)
    assert (counts.new, counts.unreadable) == (FILMS - 1, 1)
    assert "1.2.1/1.2.9.1.dcm" in (out / "batch.log.jsonl").read_text(encoding="utf-8")
    there.lost = ""
    assert batch(there, out).new == 1


def test_days_are_halved_where_an_archive_has_too_many(
    there: Hospital, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(archive, "MOST_STUDIES", 1)
    place = open_archive("hospital", there.config)
    found = films_of_archive(place, QUERY, tmp_path, keep=False)
    assert [film.name for film in found] == [
        "1.2.1/1.2.9.0.dcm", "1.2.1/1.2.9.1.dcm", "1.2.2/1.2.9.2.dcm", "1.2.2/1.2.9.3.dcm",
    ]  # fmt: skip
    with pytest.raises(ArchiveError, match="more studies than an archive tells"):
        list(films_of_archive(place, Query(since=date(2024, 1, 1)), tmp_path, keep=False))
