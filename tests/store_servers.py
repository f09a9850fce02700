"""A PostgreSQL server of the tests' own, in a temporary folder, as a user without rights."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

#: Whom the server runs as where the tests run as root, which PostgreSQL refuses.
UNPRIVILEGED = ("postgres", "nobody")


def programs() -> Path | None:
    """Folder of the server's programs: those of the newest Debian package."""
    folders = Path("/usr/lib/postgresql").glob("*/bin")
    found = [f for f in folders if (f / "initdb").is_file() and (f / "postgres").is_file()]
    return max(found, key=lambda folder: float(folder.parent.name), default=None)


class PostgresServer:
    """A server that can be killed and started again."""

    def __init__(self, bin_folder: Path, folder: Path) -> None:
        self.bin = bin_folder
        self.folder = folder
        self.data = folder / "data"
        self.port = _free_port()
        self.user = _unprivileged_user()
        if self.user is not None:
            shutil.chown(folder, self.user)
        self._run("initdb", "-D", str(self.data), "-U", "keeper", "-A", "trust", "-N")
        self._process: subprocess.Popen[bytes] | None = None
        self._databases = 0

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [self.bin / "postgres", "-D", self.data, "-p", str(self.port)]
                + ["-k", self.folder, "-c", "listen_addresses=127.0.0.1"]
                + ["-c", "max_connections=50", "-c", "shared_buffers=64MB"],
                stdout=log,
                stderr=log,
                user=self.user,
                cwd=self.folder,
            )
        self._wait_until_ready()

    def kill(self) -> None:
        """End the server as a power cut does: no process of it gets to say anything."""
        assert self._process is not None
        workers = subprocess.run(
            ["ps", "-o", "pid=", "--ppid", str(self._process.pid)],
            capture_output=True,
            text=True,
            check=False,
        ).stdout.split()
        self._process.kill()
        self._process.wait()
        for pid in workers:
            _end(int(pid))

    def stop(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)
            self._process.wait(timeout=120)

    def url(self, database: str, user: str = "keeper") -> str:
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"

    def new_database(self) -> str:
        self._databases += 1
        name = f"store_{self._databases}"
        place = ("-h", "127.0.0.1", "-p", str(self.port), "-U", "keeper")
        self._run("createdb", *place, name)
        return name

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run(
            [self.bin / program, *arguments],
            capture_output=True,
            text=True,
            user=self.user,
            cwd=self.folder,
            check=False,
        )
        assert done.returncode == 0, done.stderr

    def _wait_until_ready(self) -> None:
        until = time.monotonic() + 60
        while time.monotonic() < until:
            done = subprocess.run(
                [self.bin / "pg_isready", "-q", "-h", "127.0.0.1", "-p", str(self.port)],
                check=False,
            )
            if done.returncode == 0:
                return
            time.sleep(0.05)
        raise AssertionError((self.folder / "log").read_text())


@contextmanager
def running_server() -> Iterator[PostgresServer]:
    """A server for the time of the context; skips the test where PostgreSQL is not installed."""
    pytest.importorskip("psycopg")
    folder = programs()
    if folder is None:
        pytest.skip("PostgreSQL is not installed (Debian package postgresql)")
    with server_of(folder) as server:
        yield server


@contextmanager
def server_of(programs_folder: Path, *, place: Path | None = None) -> Iterator[PostgresServer]:
    """A server of these programs, its data in a new folder in ``place``."""
    with tempfile.TemporaryDirectory(prefix="rx-pg-", dir=place) as folder:
        server = PostgresServer(programs_folder, Path(folder))
        server.start()
        try:
            yield server
        finally:
            server.stop()


def _unprivileged_user() -> str | None:
    if os.geteuid() != 0:
        return None
    known = {entry.pw_name for entry in pwd.getpwall()}
    return next(name for name in UNPRIVILEGED if name in known)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _end(pid: int) -> None:
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return
