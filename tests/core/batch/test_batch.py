"""A batch: the same results however it was disturbed, on processes and on a cluster."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from html import escape
from pathlib import Path

import pytest
from batch_work import DEADLY, REPOSITORY, SAMPLES, dies_at_one_film, dies_once, results

from rxmeasure.batch import (
    BatchSettings,
    Counts,
    films_of_folder,
    films_of_table,
    ledger,
    run,
    run_batch,
)
from rxmeasure.batch.cluster import ClusterError
from rxmeasure.errors import ImageReadError, WriteError
from rxmeasure.report.cautions import CAUTIONS

SETTINGS = BatchSettings()


def test_results(films: Path, tmp_path: Path) -> None:
    counts = run_batch(films_of_folder(films), SETTINGS, tmp_path / "out")
    assert (counts.measured, counts.quarantined, counts.done_before) == (3, 1, 1)
    from pyarrow import parquet

    lines = parquet.read_table(tmp_path / "out" / "batch.parquet").to_pylist()
    confirmed = {line["film"]: line["confirmed"] for line in lines}
    assert confirmed == {
        "a_marked.png": True, DEADLY: False, "c_bare.png": False, "d_damaged.png": None,
    }  # fmt: skip
    assert all(line["quarantined"] for line in lines if line["film"] == "d_damaged.png")
    text = (tmp_path / "out" / "batch.csv").read_text(encoding="utf-8")
    assert len(text.splitlines()) == len(lines) + 1


def test_same_command_again_does_nothing(
    films: Path, tmp_path: Path, undisturbed: dict[str, bytes]
) -> None:
    counts = run_batch(films_of_folder(films), SETTINGS, tmp_path / "undisturbed")
    assert (counts.new, counts.done_before) == (0, 5)
    assert results(tmp_path / "undisturbed") == undisturbed


def test_tables_hold_what_this_run_asked_for(films: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run_batch(films_of_folder(films), SETTINGS, out)
    (films / "c_bare.png").rename(films / "renamed.png")
    (films / DEADLY).unlink()
    (films / "e_again.png").unlink()
    counts = run_batch(films_of_folder(films), SETTINGS, out)
    assert (counts.new, counts.done_before) == (0, 3)
    fresh = tmp_path / "fresh"
    run_batch(films_of_folder(films), SETTINGS, fresh)
    assert results(out) == results(fresh)


def test_page_keeps_what_nobody_confirmed_apart_and_shows_the_cautions(
    films: Path, tmp_path: Path
) -> None:
    (films / "d_damaged.png").rename(films / "<b>bold.png")
    run_batch(films_of_folder(films), SETTINGS, tmp_path / "out")
    page = (tmp_path / "out" / "batch.html").read_text(encoding="utf-8")
    confirmed, proposed = page.split("Verdicts on canals that the program proposed, not confirmed")
    assert "Verdicts on canals with marks" in confirmed
    assert "zero_two, version" in confirmed
    assert "zero_two, version" in proposed
    assert "<b>" not in page
    for caution in CAUTIONS:
        assert escape(caution.head, quote=False).replace('"', "&#34;") in page


def test_worker_that_dies_once_changes_nothing(
    films: Path, tmp_path: Path, undisturbed: dict[str, bytes]
) -> None:
    run_batch(films_of_folder(films), SETTINGS, tmp_path / "out", work=dies_once)
    assert (films / f"{DEADLY}.spent").exists()
    assert results(tmp_path / "out") == undisturbed


def test_film_that_kills_its_worker_is_quarantined(films: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    counts = run_batch(films_of_folder(films), SETTINGS, out, work=dies_at_one_film)
    assert (counts.measured, counts.quarantined) == (2, 2)
    assert "process that measured this film died" in (out / "batch.html").read_text()


def test_locked_ledger_then_again(
    films: Path, tmp_path: Path, undisturbed: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    ledger.Ledger(_made(out) / "batch.sqlite").close()
    other = sqlite3.connect(out / "batch.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr(ledger, "WAIT_S", 0.1)
    with pytest.raises(WriteError, match="locked"):
        run_batch(films_of_folder(films), SETTINGS, out)
    other.execute("ROLLBACK")
    other.close()
    run_batch(films_of_folder(films), SETTINGS, out)
    assert results(out) == undisturbed


def test_full_disk_then_again(
    films: Path, tmp_path: Path, undisturbed: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    small = sqlite3.connect(_made(out) / "batch.sqlite")
    real = sqlite3.connect

    def limited(*args: object, **more: object) -> sqlite3.Connection:
        connection = real(*args, **more)  # type: ignore[call-overload]
        connection.execute("PRAGMA max_page_count=3")
        return connection

    small.close()
    with monkeypatch.context() as patched:
        patched.setattr(sqlite3, "connect", limited)
        with pytest.raises(WriteError, match="full"):
            run_batch(films_of_folder(films), SETTINGS, out)
    run_batch(films_of_folder(films), SETTINGS, out)
    assert results(out) == undisturbed


def test_links_are_not_followed(films: Path, tmp_path: Path) -> None:
    (films / "link.png").symlink_to(SAMPLES / "voids_canine.png")
    (films / "folder").symlink_to(SAMPLES)
    assert {film.name for film in films_of_folder(films)} == {
        "a_marked.png", DEADLY, "c_bare.png", "d_damaged.png", "e_again.png",
    }  # fmt: skip


def test_table_names_films_and_marks(films: Path) -> None:
    table = films / "list.csv"
    table.write_text("film,marks\nc_bare.png,a_marked.marks.toml\nd_damaged.png,\n")
    found = list(films_of_table(table))
    assert [film.name for film in found] == ["c_bare.png", "d_damaged.png"]
    assert found[0].marks == films / "a_marked.marks.toml"
    assert found[1].marks is None


def test_cluster_gives_the_same(films: Path, tmp_path: Path, undisturbed: dict[str, bytes]) -> None:
    pytest.importorskip("distributed")
    with cluster(tmp_path) as (address, _):
        run_batch(films_of_folder(films), SETTINGS, tmp_path / "out", scheduler=address)
    assert results(tmp_path / "out") == undisturbed


def test_killed_scheduler_then_again(
    films: Path, tmp_path: Path, undisturbed: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    out = tmp_path / "out"
    monkeypatch.setattr(run, "CHUNK", 1)
    with cluster(tmp_path) as (address, scheduler):

        def kill(_: Counts) -> None:
            scheduler.kill()
            scheduler.wait()

        with pytest.raises(ClusterError):
            run_batch(films_of_folder(films), SETTINGS, out, scheduler=address, progress=kill)
    run_batch(films_of_folder(films), SETTINGS, out)
    assert results(out) == undisturbed


@contextmanager
def cluster(folder: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """A scheduler and two workers, each a process of its own."""
    where = folder / "scheduler.json"
    roots = os.pathsep.join([str(REPOSITORY), str(REPOSITORY / "tests")])
    env = {**os.environ, "PYTHONPATH": roots, "OMP_NUM_THREADS": "1"}
    dask = [sys.executable, "-W", "ignore", "-m", "distributed.cli.dask_"]
    common = ["--scheduler-file", str(where), "--no-dashboard"]
    started = [subprocess.Popen([*dask[:-1], "distributed.cli.dask_scheduler", *common,
                "--host", "127.0.0.1", "--port", "0"], env=env, cwd=folder)]  # fmt: skip
    try:
        _until(where.exists)
        started += [
            subprocess.Popen(
                [*dask[:-1], "distributed.cli.dask_worker", *common, "--nthreads", "1"],
                env=env, cwd=folder,
            )
            for _ in range(2)
        ]  # fmt: skip
        import json

        address = json.loads(where.read_text())["address"]
        from distributed import Client

        with Client(address) as client:
            client.wait_for_workers(2, timeout=60)
        yield address, started[0]
    finally:
        for process in reversed(started):
            process.send_signal(signal.SIGTERM)
            process.wait(timeout=30)


def _until(true: object) -> None:
    for _ in range(300):
        if true():  # type: ignore[operator]
            return
        time.sleep(0.1)
    raise TimeoutError


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ImageReadError, match="a folder that cannot be read"):
        list(films_of_folder(tmp_path / "none"))
