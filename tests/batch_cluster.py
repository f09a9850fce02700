"""A real dask cluster on loopback: a scheduler and two workers, each a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from batch_work import REPOSITORY

#: Seconds that a start may take on a busy machine.
PATIENCE_S = 120

Process = subprocess.Popen[bytes]


@dataclass(frozen=True, kw_only=True)
class Cluster:
    """Where the scheduler listens, and the processes."""

    address: str
    scheduler: Process
    workers: tuple[Process, Process]


@contextmanager
def cluster(folder: Path, *, first: Path | None = None) -> Iterator[Cluster]:
    """Start all, and end all. ``first`` is a folder in which workers look for modules first."""
    roots = [*([] if first is None else [str(first)]), str(REPOSITORY), str(REPOSITORY / "tests")]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(roots), "OMP_NUM_THREADS": "1"}
    where = folder / "scheduler.json"
    common = ("--scheduler-file", str(where), "--no-dashboard")
    own = ("--host", "127.0.0.1", "--port", "0")
    started = [_started("scheduler", *common, *own, env=env, folder=folder)]
    try:
        until(where.exists)
        for _ in range(2):
            started.append(_started("worker", *common, "--nthreads", "1", env=env, folder=folder))
        address = json.loads(where.read_text())["address"]
        from distributed import Client

        with Client(address, timeout=PATIENCE_S) as client:
            client.wait_for_workers(2, timeout=PATIENCE_S)
        yield Cluster(address=address, scheduler=started[0], workers=(started[1], started[2]))
    finally:
        for process in reversed(started):
            _end(process)


def vanish(process: Process) -> None:
    """Kill a process and those it started, as if their machine were gone."""
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def until(true: Callable[[], object]) -> None:
    """Wait for something."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > end:
            raise TimeoutError
        time.sleep(0.05)


def _started(what: str, *options: str, env: Mapping[str, str], folder: Path) -> Process:
    module = f"distributed.cli.dask_{what}"
    command = [sys.executable, "-W", "ignore", "-m", module, *options]
    return subprocess.Popen(command, env=env, cwd=folder, start_new_session=True)


def _end(process: Process) -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            vanish(process)
