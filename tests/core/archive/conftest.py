from __future__ import annotations

import gc
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import active_count
from time import monotonic, sleep
from typing import Any

import pydicom
import pytest
from dicom_films import DICOM, SAMPLES
from loopback_archive import LoopbackArchive, settings

from rxmeasure.archive import Archive, open_archive

Open = Callable[..., Archive]


@pytest.fixture(autouse=True)
def _short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rxmeasure.archive.transfers.PAUSES_S", (0.01, 0.01))


@pytest.fixture
def left_sockets() -> None:
    """Name the tests after which `pytest_runtest_protocol` collects."""


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Function) -> Iterator[None]:
    """Collect the sockets that the library left, so that no later test is blamed."""
    threads = active_count()
    result = yield
    if "left_sockets" in item.fixturenames:
        until = monotonic() + 10.0
        while active_count() > threads and monotonic() < until:
            sleep(0.05)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            gc.collect()
    return result


@pytest.fixture
def start() -> Iterator[Callable[..., LoopbackArchive]]:
    """Start archives on loopback, by default the given one; all end with the test."""
    servers = []

    def call(archive: LoopbackArchive | None = None, **more: Any) -> LoopbackArchive:
        archive = archive or LoopbackArchive()
        servers.append(archive.start(**more))
        return archive

    yield call
    for server in servers:
        server.shutdown()


@pytest.fixture
def opened(tmp_path: Path) -> Open:
    """An archive of a file of settings that was just written."""

    def call(loopback: LoopbackArchive | int, **entries: Any) -> Archive:
        port = loopback if isinstance(loopback, int) else loopback.port
        table = {
            "host": "127.0.0.1",
            "port": port,
            "called_ae": "ARCHIVE",
            "timeout_s": 5.0,
            **entries,
        }
        return open_archive("here", settings(tmp_path, table))

    return call


@pytest.fixture(scope="session")
def films(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ...]:
    """Six small films of one series, each another object."""
    folder = tmp_path_factory.mktemp("films")
    film = pydicom.dcmread(SAMPLES / DICOM)
    film.PatientName = "Planted^Name"
    paths = []
    for number in range(1, 7):
        film.SOPInstanceUID = film.file_meta.MediaStorageSOPInstanceUID = f"1.2.3.{number}"
        film.StudyInstanceUID, film.SeriesInstanceUID = "1.2.3", "1.2.3.0"
        film.InstanceNumber = number
        paths.append(folder / f"film-{number}.dcm")
        film.save_as(paths[-1])
    return tuple(paths)


@pytest.fixture
def filled(start: Callable[..., LoopbackArchive], films: tuple[Path, ...]) -> LoopbackArchive:
    """An archive that holds these films."""
    archive = start()
    for path in films:
        archive.add(path)
    return archive
