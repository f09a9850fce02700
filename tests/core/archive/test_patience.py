"""Archives whose bytes drip: each single wait is short, all of them together have no end."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from threading import Thread
from time import monotonic, sleep
from typing import Any

import pytest
import trustme
from loopback_archive import (
    LEAVES_SOCKETS,
    LoopbackArchive,
    own_certificate,
    pem,
    server_tls,
    settings,
)
from orthanc import free_port
from pydicom.dataset import Dataset

from rxmeasure.archive import Archive, Query, Uids, open_archive
from rxmeasure.archive.patience import STEP_TIMEOUTS
from rxmeasure.errors import ArchiveError, ArchiveLostError

Open = Callable[..., Archive]
Start = Callable[..., LoopbackArchive]

pytestmark = LEAVES_SOCKETS

TIMEOUT_S = 0.4
#: Three tries, of which each opens a connection, does its step and breaks off; then whether the
#: archive is alive. A hundred times less than what the drops would take.
SOON_S = 4 * 3 * STEP_TIMEOUTS * TIMEOUT_S + 5.0
ASKED = Query(patient_id="1")
FILM = Uids(study="1.2.3", series="1.2.3.0")


def ended(connection: socket.socket) -> None:
    """Wake who waits on it, then close it."""
    with connection, suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)


class Dripping:
    """Stands before an archive; lets so many of its bytes through, then a piece now and then."""

    def __init__(self, port: int, after: int, piece: int = 1) -> None:
        self._target = port
        self._after = after
        self._piece = piece
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self._open = True
        self._sockets = [self._listening]
        self._threads: list[Thread] = []
        self._start(self._serve)

    def close(self) -> None:
        self._open = False
        for connection in self._sockets:
            ended(connection)
        for thread in self._threads:
            thread.join()

    def _start(self, target: Callable[..., None], *args: socket.socket) -> None:
        self._threads.append(Thread(target=target, args=args, daemon=True))
        self._threads[-1].start()

    def _serve(self) -> None:
        while self._open:
            try:
                near, _ = self._listening.accept()
                far = socket.create_connection(("127.0.0.1", self._target))
            except OSError:
                return
            self._sockets += [near, far]
            self._start(self._pass_on, near, far)
            self._start(self._drip, far, near)

    def _pass_on(self, source: socket.socket, sink: socket.socket) -> None:
        with source, sink:
            try:
                while data := source.recv(2**16):
                    sink.sendall(data)
            except OSError:
                return

    def _drip(self, source: socket.socket, sink: socket.socket) -> None:
        left = self._after
        try:
            while data := source.recv(2**16):
                sink.sendall(data[:left])
                for at in range(left, len(data), self._piece):
                    if not self._open:
                        return
                    sleep(TIMEOUT_S * 0.7)
                    sink.sendall(data[at : at + self._piece])
                left = max(0, left - len(data))
        except OSError:
            return


@pytest.fixture
def dripping() -> Iterator[Callable[..., int]]:
    """Put a dripping line before a port; returns its own port."""
    lines: list[Dripping] = []

    def call(port: int, after: int, piece: int = 1) -> int:
        lines.append(Dripping(port, after, piece))
        return lines[-1].port

    yield call
    for line in lines:
        line.close()


def answers() -> list[Dataset]:
    made = []
    for number in range(100):
        made.append(Dataset())
        made[-1].StudyInstanceUID = f"1.2.{number}"
        made[-1].StudyDescription = "long " * 12
    return made


@pytest.mark.parametrize("after", [0, 5, 1_000], ids=["connection", "its header", "answers"])
def test_a_list_that_drips_is_not_waited_for(
    start: Start, opened: Open, dripping: Callable[..., int], after: int
) -> None:
    loopback = start(LoopbackArchive(extra=answers()))
    archive = opened(dripping(loopback.port, after), timeout_s=TIMEOUT_S)
    begun = monotonic()
    with pytest.raises(ArchiveLostError):
        archive.find(ASKED)
    assert monotonic() - begun < SOON_S


def test_answers_that_come_one_by_one_for_ever_are_not_waited_for(
    start: Start, opened: Open
) -> None:
    class Late(list[Dataset]):
        def __iter__(self) -> Iterator[Dataset]:
            for answer in list.__iter__(self):
                sleep(TIMEOUT_S / 2)
                yield answer

    archive = opened(start(LoopbackArchive(extra=Late(answers()))), timeout_s=TIMEOUT_S)
    begun = monotonic()
    with pytest.raises(ArchiveLostError, match="waited for no longer") as told:
        archive.find(ASKED)
    assert monotonic() - begun < SOON_S
    assert "timeout_s" in told.value.next_step


@pytest.fixture
def line_to_a_film(
    start: Start, opened: Open, films: tuple[Path, ...], dripping: Callable[..., int]
) -> Callable[[int], Archive]:
    """An archive with one film, the most of which comes in pieces of so many bytes."""

    def call(piece: int) -> Archive:
        loopback = LoopbackArchive()
        loopback.add(films[0])
        start(loopback)
        return opened(dripping(loopback.port, 20_000, piece), timeout_s=TIMEOUT_S)

    return call


def test_a_film_that_drips_is_not_waited_for(
    line_to_a_film: Callable[[int], Archive], tmp_path: Path
) -> None:
    archive = line_to_a_film(1)
    begun = monotonic()
    fetched = archive.fetch(FILM, tmp_path / "out")
    assert monotonic() - begun < SOON_S
    assert (fetched.new, [remark.what for remark in fetched.failed]) == (0, ["1.2.3.1"])
    assert not list(tmp_path.rglob("*.dcm"))


def test_a_film_on_a_slow_line_is_waited_for(
    line_to_a_film: Callable[[int], Archive], tmp_path: Path
) -> None:
    archive = line_to_a_film(2**16)
    begun = monotonic()
    fetched = archive.fetch(FILM, tmp_path / "out")
    assert (fetched.new, fetched.failed) == (1, ())
    assert monotonic() - begun > 3 * TIMEOUT_S


def test_an_archive_that_falls_silent_is_not_waited_for_longer_than_one_time_out(
    start: Start, opened: Open
) -> None:
    class Stuck(list[Dataset]):
        def __iter__(self) -> Iterator[Dataset]:
            yield self[0]
            sleep(10.0 * TIMEOUT_S)

    archive = opened(start(LoopbackArchive(extra=Stuck(answers()))), timeout_s=TIMEOUT_S)
    begun = monotonic()
    with pytest.raises(ArchiveLostError, match="connection with the archive broke"):
        archive.find(ASKED)
    assert monotonic() - begun < 10.0 * TIMEOUT_S


@pytest.mark.parametrize("web", [False, True])
def test_an_encrypted_connection_that_drips_open_is_not_waited_for(
    start: Start, opened: Open, dripping: Callable[..., int], tmp_path: Path, web: bool
) -> None:
    authority = trustme.CA()
    port = dripping(start(tls=server_tls(authority)).port, 0)
    entries: dict[str, Any] = {"ca_file": pem(authority, tmp_path), "timeout_s": TIMEOUT_S}
    if web:
        table = {"url": f"https://127.0.0.1:{port}/dicom-web", **entries}
        archive = open_archive("here", settings(tmp_path, table))
    else:
        archive = opened(port, tls=True, **entries)
    begun = monotonic()
    with pytest.raises(ArchiveLostError):
        archive.test()
    assert monotonic() - begun < SOON_S


def test_who_opens_a_connection_to_us_and_says_nothing_does_not_hold_us_up(
    start: Start, opened: Open, films: tuple[Path, ...], tmp_path: Path
) -> None:
    authority = trustme.CA()
    port = free_port()
    silent: list[socket.socket] = []
    loopback = LoopbackArchive(
        before_get=lambda _: silent.append(socket.create_connection(("127.0.0.1", port)))
    )
    loopback.add(films[0])
    archive = opened(
        start(loopback, tls=server_tls(authority)),
        tls=True,
        ca_file=pem(authority, tmp_path),
        **own_certificate(authority, tmp_path),
        listen_port=port,
        listen_host="127.0.0.1",
        timeout_s=TIMEOUT_S,
    )
    begun = monotonic()
    try:
        fetched = archive.fetch(FILM, tmp_path / "out")
        assert fetched.new == 0
    except ArchiveError:
        pass
    finally:
        for connection in silent:
            connection.close()
    assert silent
    assert monotonic() - begun < SOON_S


@pytest.mark.parametrize("stated_length", [True, False])
@pytest.mark.parametrize("after", [3, 200], ids=["header", "body"])
def test_a_web_answer_that_drips_is_not_waited_for(
    tmp_path: Path, dripping: Callable[..., int], after: int, stated_length: bool
) -> None:
    body = b"[" + b" " * 2_000 + b"]"
    length = f"Content-Length: {len(body)}\r\n" if stated_length else ""
    head = f"HTTP/1.1 200 OK\r\nContent-Type: application/dicom+json\r\n{length}\r\n"
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with suppress(OSError):
            while True:
                connection, _ = server.accept()
                with connection:
                    connection.recv(2**16)
                    connection.sendall(head.encode() + body)

    serving = Thread(target=serve)
    serving.start()
    port = dripping(server.getsockname()[1], after)
    table = {"url": f"http://127.0.0.1:{port}/dicom-web", "timeout_s": TIMEOUT_S}
    archive = open_archive("here", settings(tmp_path, table))
    begun = monotonic()
    with pytest.raises(ArchiveLostError, match="waited for no longer"):
        archive.find(ASKED)
    assert monotonic() - begun < SOON_S
    ended(server)
    serving.join()
