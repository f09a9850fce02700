"""Killed writers, a killed server, full disks: no acknowledged save is lost, none is half there."""

from __future__ import annotations

import os
import pwd
import random
import shutil
import sqlite3
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
import store_writer
from store_servers import PostgresServer, running_server

from rxmeasure.errors import WriteError
from rxmeasure.store import Person, Role, Search, Store, make_store, open_store

LEAD = Person(name="lead-1", role=Role.LEAD)
KILLS = 50


def _acknowledged(path: Path) -> list[tuple[str, int, str]]:
    lines = path.read_text().splitlines() if path.is_file() else []
    return [(subject, int(number), sha) for subject, number, sha in map(str.split, lines)]


def _check_all_there(store: Store, acknowledged: list[tuple[str, int, str]]) -> None:
    records = {f.subject: f.record_id for f in store.find(Search(kind="key"), limit=None)}
    for subject, number, sha in acknowledged:
        assert store_writer.digest(store.read(records[subject], number).content) == sha


def test_a_writer_killed_fifty_times_under_load(where: str, tmp_path: Path) -> None:
    noted = tmp_path / "acknowledged"
    rng = random.Random(10_002)
    for kill in range(KILLS):
        before = len(_acknowledged(noted))
        writer = store_writer.start(store_writer.write_until_killed, where, f"w{kill}", noted)
        _wait_for_saves(noted, before + 1)
        time.sleep(rng.uniform(0.0, 0.1))
        writer.kill()
        writer.join()
        with open_store(where, LEAD) as store:
            assert store.verify().revisions >= len(_acknowledged(noted))
    acknowledged = _acknowledged(noted)
    assert len(acknowledged) >= KILLS
    with open_store(where, LEAD) as store:
        _check_all_there(store, acknowledged)
        revisions = store.verify().revisions
    # A save can be done and its writer killed before it takes note: one for each thread and kill.
    assert revisions <= len(acknowledged) + KILLS * store_writer.THREADS
    if "://" not in where:
        with closing(sqlite3.connect(where)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def _wait_for_saves(noted: Path, wanted: int) -> None:
    until = time.monotonic() + 60
    while len(_acknowledged(noted)) < wanted:
        assert time.monotonic() < until, "the writer saves nothing"
        time.sleep(0.005)


def test_clients_go_on_after_the_server_was_killed(tmp_path: Path) -> None:
    noted = tmp_path / "acknowledged"
    with running_server() as server:
        where = server.url(server.new_database())
        kills, saved_after = 3, 5
        stop = threading.Event()
        faults: list[BaseException] = []
        make_store(where, LEAD).close()

        def write(name: str) -> None:
            try:
                with open_store(where, Person(name=name, role=Role.TEACHER)) as store:
                    store_writer.write_to(store, f"{name}/0", noted, lambda _: stop.is_set())
            except BaseException as fault:
                faults.append(fault)
                raise

        writers = [threading.Thread(target=write, args=(f"w{k}",)) for k in range(3)]
        for writer in writers:
            writer.start()
        for _ in range(kills):
            _wait_for_saves(noted, len(_acknowledged(noted)) + saved_after)
            server.kill()
            time.sleep(0.3)
            server.start()
        _wait_for_saves(noted, len(_acknowledged(noted)) + 3 * saved_after)
        stop.set()
        for writer in writers:
            writer.join()
        assert faults == []
        acknowledged = _acknowledged(noted)
        with open_store(where, LEAD) as store:
            # A save whose answer was lost is found again, not made twice.
            assert store.verify().revisions == len(acknowledged)
            _check_all_there(store, acknowledged)


def test_no_space_for_a_file(file_place: str, tmp_path: Path) -> None:
    noted, told = tmp_path / "acknowledged", tmp_path / "told"
    writer = store_writer.start(
        store_writer.write_until_refused, file_place, noted, told, 4 * 2**20
    )
    writer.join(timeout=120)
    assert told.read_text().startswith("WriteError: Found: no space left to save.")
    acknowledged = _acknowledged(noted)
    assert len(acknowledged) > 20
    with open_store(file_place, LEAD) as store:
        assert store.verify().revisions == len(acknowledged)
        _check_all_there(store, acknowledged)
        assert store.save("key", subject="next", content=[], based_on=0).number == 1


@pytest.fixture
def small_disk() -> Iterator[Path]:
    """A file system of a few MB."""
    folder = Path(tempfile.mkdtemp(prefix="rx-small-"))
    folder.chmod(0o755)
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=16m", "none", folder], capture_output=True, check=False
    )
    try:
        if mounted.returncode != 0:
            pytest.skip("no file system can be mounted here")
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", folder], capture_output=True, check=False)
        shutil.rmtree(folder, ignore_errors=True)


def test_no_space_on_a_disk(small_disk: Path, empty_file: Path, tmp_path: Path) -> None:
    place = str(shutil.copy(empty_file, small_disk / "clinic.rxstore"))
    noted = tmp_path / "acknowledged"
    with open_store(place, LEAD) as store, pytest.raises(WriteError, match="no space left"):
        store_writer.write_to(store, "filler/0", noted)
    acknowledged = _acknowledged(noted)
    assert len(acknowledged) > 20
    with open_store(place, LEAD) as store:
        assert store.verify().revisions == len(acknowledged)


def test_no_space_on_a_server(small_disk: Path, postgres: PostgresServer, tmp_path: Path) -> None:
    import psycopg

    noted = tmp_path / "acknowledged"
    if postgres.user is not None:
        shutil.chown(small_disk, postgres.user)
    (small_disk / "space").mkdir()
    if postgres.user is not None:
        shutil.chown(small_disk / "space", postgres.user)
    with psycopg.connect(postgres.url("postgres"), autocommit=True) as keeper:
        keeper.execute(f"CREATE TABLESPACE small LOCATION '{small_disk / 'space'}'")
        keeper.execute("CREATE DATABASE small_store TABLESPACE small")
    where = postgres.url("small_store")
    make_store(where, LEAD).close()
    with open_store(where, LEAD) as store:
        with pytest.raises(WriteError, match="no space left"):
            store_writer.write_to(store, "filler/0", noted)
        acknowledged = _acknowledged(noted)
        assert len(acknowledged) > 20
        assert store.verify().revisions == len(acknowledged)
        _check_all_there(store, acknowledged)
    with psycopg.connect(postgres.url("postgres"), autocommit=True) as keeper:
        keeper.execute("DROP DATABASE small_store WITH (FORCE)")
        keeper.execute("DROP TABLESPACE small")


def test_a_file_that_may_only_be_read(empty_file: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("needs the rights to become a user without rights")
    with tempfile.TemporaryDirectory(prefix="rx-ro-") as place:
        folder = Path(place)
        path = folder / "clinic.rxstore"
        shutil.copy(empty_file, path)
        with open_store(path, LEAD) as store:
            store.save("key", subject="old", content=[], based_on=0)
        before = path.read_bytes()
        told = folder / "told"
        told.touch()
        told.chmod(0o666)
        path.chmod(0o444)
        folder.chmod(0o755)
        nobody = pwd.getpwnam("nobody").pw_uid
        store_writer.start(store_writer.read_and_write_as, str(path), nobody, told).join()
        said = told.read_text()
        assert path.read_bytes() == before
    read, refused = said.splitlines()
    assert read == "1 revisions"
    assert refused.startswith("WriteError: Found: a store that does not allow writing.")


def test_a_server_that_only_reads(postgres: PostgresServer) -> None:
    import psycopg

    name = postgres.new_database()
    where = postgres.url(name)
    with make_store(where, LEAD) as store:
        store.save("key", subject="old", content=[], based_on=0)
    with psycopg.connect(where, autocommit=True) as keeper:
        keeper.execute(f"ALTER DATABASE {name} SET default_transaction_read_only = on")
    with open_store(where, LEAD) as store:
        with pytest.raises(WriteError, match="only reads"):
            store.save("key", subject="new", content=[], based_on=0)
        assert store.count(Search()) == 1
