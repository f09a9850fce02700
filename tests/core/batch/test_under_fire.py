"""Disturbed in every way that can be arranged, a batch ends with what it gives undisturbed."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from batch_cluster import cluster, until, vanish
from batch_work import (
    DEADLY,
    REPOSITORY,
    dies_at_one_film,
    dies_once,
    finds_another_image,
    finds_no_file,
    finds_other_marks,
    never_starts,
    results,
)

from rxmeasure.batch import BatchSettings, Counts, films_of_folder, ledger, pool, run, run_batch
from rxmeasure.batch.cluster import ClusterError
from rxmeasure.batch.measuring import Work
from rxmeasure.batch.pool import PoolError
from rxmeasure.errors import WriteError

SETTINGS = BatchSettings()
Kept = dict[str, bytes]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    folder = tmp_path / "out"
    folder.mkdir()
    return folder


@pytest.fixture
def one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "CHUNK", 1)


def nothing_twice(out: Path) -> bool:
    """Every film was noted as done once, in all runs together."""
    log = (out / "batch.log.jsonl").read_text(encoding="utf-8")
    with sqlite3.connect(out / "batch.sqlite") as connection:
        done = connection.execute("SELECT count(*) FROM done").fetchone()[0]
    return log.count('"measured", "film"') + log.count('"quarantined", "film"') == done


def more_of(films: Path) -> None:
    """Six films more, so that a run is still at work when it is disturbed."""
    for k in range(6):
        (films / f"f{k}.png").write_bytes((films / DEADLY).read_bytes() + bytes([k]))


# Processes of this machine


def test_worker_that_dies_once(films: Path, out: Path, undisturbed: Kept) -> None:
    run_batch(films_of_folder(films), SETTINGS, out, work=dies_once)
    assert (films / f"{DEADLY}.spent").exists()
    assert results(out) == undisturbed
    assert nothing_twice(out)


def test_film_that_kills_its_worker_is_quarantined(films: Path, out: Path) -> None:
    counts = run_batch(films_of_folder(films), SETTINGS, out, work=dies_at_one_film)
    assert (counts.measured, counts.quarantined) == (2, 2)
    assert "process that measured this film died" in (out / "batch.html").read_text()


def test_processes_that_never_start_quarantine_nothing(
    films: Path, out: Path, undisturbed: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(pool, "_prepare", never_starts)
        with pytest.raises(PoolError, match="end before they begin"):
            run_batch(films_of_folder(films), SETTINGS, out)
    run_batch(films_of_folder(films), SETTINGS, out)
    assert results(out) == undisturbed


@pytest.mark.usefixtures("one_by_one")
def test_killed_worker(films: Path, out: Path, undisturbed: Kept) -> None:
    import psutil

    killed: list[int] = []

    def kill(_: Counts) -> None:
        if not killed:
            children = psutil.Process().children()
            worker = next(c for c in children if "spawn_main" in " ".join(c.cmdline()))
            worker.kill()
            killed.append(worker.pid)

    run_batch(films_of_folder(films), SETTINGS, out, progress=kill)
    assert killed
    assert results(out) == undisturbed
    assert nothing_twice(out)


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent as a signal")
def test_ctrl_c_then_again(films: Path, out: Path) -> None:
    more_of(films)
    command = [sys.executable, "-m", "rxmeasure.cli.main", "batch", str(films), "--out", str(out)]
    env = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    log = out / "batch.log.jsonl"
    with subprocess.Popen(
        # A job in the background of a shell is deaf to Ctrl-C.
        ["env", "--default-signal=INT", *command, "--workers", "1"],
        env=env,
        stderr=subprocess.PIPE,
        start_new_session=True,
    ) as stopped:
        until(lambda: stopped.poll() or (log.exists() and "measured" in log.read_text()))
        os.killpg(stopped.pid, signal.SIGINT)
        _, said = stopped.communicate(timeout=120)
    assert stopped.returncode == 130
    assert said.decode().strip().startswith("Stopped.")
    assert not (out / "batch.csv").exists()
    again = subprocess.run(command, env=env, capture_output=True, check=False, timeout=300)
    assert again.returncode == 10, again.stderr
    assert nothing_twice(out)
    fresh = out.parent / "fresh"
    run_batch(films_of_folder(films), SETTINGS, fresh)
    assert results(out) == results(fresh)


@pytest.mark.skipif(sys.platform == "win32", reason="the command is killed by a signal")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_killed_command_leaves_no_process_behind(
    films: Path, out: Path, how: signal.Signals
) -> None:
    import psutil

    more_of(films)
    command = [sys.executable, "-m", "rxmeasure.cli.main", "batch", str(films), "--out", str(out)]
    env = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    with subprocess.Popen(command, env=env) as killed:

        def workers() -> list[psutil.Process]:
            below = psutil.Process(killed.pid).children()
            return [c for c in below if "spawn_main" in " ".join(c.cmdline())]

        log = out / "batch.log.jsonl"
        until(lambda: log.exists() and '"measured", "film"' in log.read_text())
        left = workers()
        killed.send_signal(how)
        killed.wait()
    assert left
    until(lambda: not any(process.is_running() for process in left))
    run_batch(films_of_folder(films), SETTINGS, out)
    fresh = out.parent / "fresh"
    run_batch(films_of_folder(films), SETTINGS, fresh)
    assert results(out) == results(fresh)


# Files that change or vanish while the run goes on


@pytest.mark.parametrize(
    ("work", "reason"),
    [
        (finds_no_file, "no file at this place"),
        (finds_another_image, "The file changed while the run went on."),
        (finds_other_marks, "The marks, or the program, changed while the run went on."),
    ],
)
def test_what_is_no_fault_of_the_film_is_told_and_tried_again(
    films: Path, out: Path, undisturbed: Kept, work: Work, reason: str
) -> None:
    counts = run_batch(films_of_folder(films), SETTINGS, out, work=work)
    assert (counts.new, counts.unreadable) == (3, 1)
    assert reason in (out / "batch.csv").read_text(encoding="utf-8")
    counts = run_batch(films_of_folder(films), SETTINGS, out)
    assert (counts.new, counts.unreadable) == (1, 0)
    assert results(out) == undisturbed
    assert nothing_twice(out)


# The disk


def test_locked_ledger_then_again(
    films: Path, out: Path, undisturbed: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger.Ledger(out / "batch.sqlite").close()
    other = sqlite3.connect(out / "batch.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr(ledger, "WAIT_S", 0.1)
    with pytest.raises(WriteError, match="locked"):
        run_batch(films_of_folder(films), SETTINGS, out)
    other.execute("ROLLBACK")
    other.close()
    run_batch(films_of_folder(films), SETTINGS, out)
    assert results(out) == undisturbed


@pytest.fixture
def resized(out: Path) -> Iterator[Callable[[str], None]]:
    """The folder of results on a disk of its own, whose size can be set."""

    def mount(options: str) -> bool:
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(out)]
        return subprocess.run(command, capture_output=True, check=False).returncode == 0

    if shutil.which("mount") is None or not mount("size=64k"):
        pytest.skip("no right to mount a small disk")

    def resize(size: str) -> None:
        assert mount(f"remount,size={size}")

    try:
        yield resize
    finally:
        subprocess.run(["umount", str(out)], check=True)


@pytest.mark.usefixtures("one_by_one")
@pytest.mark.parametrize("size", ["24k", "64k"], ids=["ledger", "tables"])
def test_full_disk_then_again(
    films: Path, out: Path, undisturbed: Kept, resized: Callable[[str], None], size: str
) -> None:
    resized(size)
    with pytest.raises(WriteError) as refusal:
        run_batch(films_of_folder(films), SETTINGS, out)
    assert "same command again" in refusal.value.next_step
    resized("16m")
    run_batch(films_of_folder(films), SETTINGS, out)
    assert results(out) == undisturbed


# A cluster


def test_cluster_gives_the_same_though_a_film_kills_its_worker_once(
    films: Path, tmp_path: Path, out: Path, undisturbed: Kept
) -> None:
    pytest.importorskip("distributed")
    with cluster(tmp_path) as there:
        run_batch(films_of_folder(films), SETTINGS, out, scheduler=there.address)
        assert results(out) == undisturbed
        second = tmp_path / "second"
        run_batch(films_of_folder(films), SETTINGS, second, scheduler=there.address, work=dies_once)
        assert (films / f"{DEADLY}.spent").exists()
        assert results(second) == undisturbed
        third = tmp_path / "third"
        counts = run_batch(
            films_of_folder(films), SETTINGS, third, scheduler=there.address, work=dies_at_one_film
        )
    assert (counts.measured, counts.quarantined) == (2, 2)
    assert "process that measured this film died" in (third / "batch.html").read_text()
    assert all(map(nothing_twice, (out, second, third)))


@pytest.mark.usefixtures("one_by_one")
def test_vanished_worker(films: Path, tmp_path: Path, out: Path, undisturbed: Kept) -> None:
    pytest.importorskip("distributed")
    with cluster(tmp_path) as there:

        def kill(counts: Counts) -> None:
            if counts.new == 1:
                vanish(there.workers[0])

        run_batch(films_of_folder(films), SETTINGS, out, scheduler=there.address, progress=kill)
    assert results(out) == undisturbed
    assert nothing_twice(out)


@pytest.mark.usefixtures("one_by_one")
def test_killed_scheduler_then_again(
    films: Path, tmp_path: Path, out: Path, undisturbed: Kept
) -> None:
    pytest.importorskip("distributed")
    with cluster(tmp_path) as there:

        def kill(_: Counts) -> None:
            vanish(there.scheduler)

        with pytest.raises(ClusterError):
            run_batch(films_of_folder(films), SETTINGS, out, scheduler=there.address, progress=kill)
    run_batch(films_of_folder(films), SETTINGS, out)
    assert results(out) == undisturbed
    assert nothing_twice(out)


@pytest.mark.parametrize(
    ("there", "told"),
    [
        ("import rxmeasure\nrxmeasure.__version__ = '0.0.1'\n", r"0\.0\.1"),
        ("import sys\nsys.modules['rxmeasure'] = None\n", "no rxmeasure"),
    ],
    ids=["another version", "without the program"],
)
def test_workers_that_differ_are_refused(
    there: str, told: str, films: Path, tmp_path: Path, out: Path
) -> None:
    pytest.importorskip("distributed")
    other = tmp_path / "other"
    other.mkdir()
    (other / "sitecustomize.py").write_text(there)
    with (
        cluster(tmp_path, first=other) as running,
        pytest.raises(ClusterError, match=rf"{told} on tcp.*same version as here"),
    ):
        run_batch(films_of_folder(films), SETTINGS, out, scheduler=running.address)


def test_films_that_the_workers_do_not_find_are_tried_again(
    films: Path, tmp_path: Path, out: Path, undisturbed: Kept
) -> None:
    """A worker's machine lacks the drive: its films are told, not quarantined for good."""
    pytest.importorskip("distributed")
    with cluster(tmp_path) as there:
        address = there.address
        counts = run_batch(
            films_of_folder(films), SETTINGS, out, scheduler=address, work=finds_no_file
        )
        assert (counts.new, counts.unreadable) == (3, 1)
        run_batch(films_of_folder(films), SETTINGS, out, scheduler=address)
    assert results(out) == undisturbed
