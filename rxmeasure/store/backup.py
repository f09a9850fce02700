"""Backups of a store that is in use."""

from __future__ import annotations

import os
import secrets
import shutil
import sqlite3
import subprocess
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from rxmeasure.errors import StoreError, WriteError


def back_up(engine: Engine, target: Path) -> None:
    """Write a copy of the whole store; others may go on saving meanwhile.

    A file is copied by SQLite's online backup, a server's database by ``pg_dump`` (custom
    format; ``pg_restore`` reads it).

    Raises
    ------
    WriteError
        The copy cannot be written, or something is there already.
    StoreError
        ``pg_dump`` is not installed or refuses.
    """
    if target.exists():
        raise WriteError(
            found=f"{target.name}, which is there already.",
            needed="a new name for each backup.",
            next_step="Name another file.",
        )
    part = target.with_name(f".{secrets.token_hex(8)}.part")
    try:
        if engine.dialect.name == "sqlite":
            _copy_file(engine, part)
        else:
            _dump(engine, part)
        os.replace(part, target)
    except OSError as fault:
        raise _not_written(target, fault.strerror or str(fault)) from fault
    except sqlite3.Error as fault:
        raise _not_written(target, str(fault)) from fault
    finally:
        with suppress(OSError):
            part.unlink()


def _copy_file(engine: Engine, part: Path) -> None:
    with engine.connect() as connection, closing(sqlite3.connect(part)) as copy:
        source: Any = connection.connection.driver_connection
        source.backup(copy)
        # One file, whatever reads it; a store that is made of it writes ahead again.
        copy.execute("PRAGMA journal_mode = DELETE")
    with part.open("rb+") as file:
        os.fsync(file.fileno())


def _dump(engine: Engine, part: Path) -> None:
    program = shutil.which("pg_dump")
    if program is None:
        raise StoreError(
            found="a store on a server, and no program pg_dump on this computer.",
            needed="the client programs of PostgreSQL (Debian package postgresql-client).",
            next_step="Install them, or have the server's own backup include this database.",
        )
    url = engine.url.set(drivername="postgresql", password=None)
    environment = {**os.environ}
    if engine.url.password is not None:
        environment["PGPASSWORD"] = str(engine.url.password)
    done = subprocess.run(
        [program, "--format=custom", f"--file={part}", f"--dbname={url.render_as_string()}"],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
    )
    if done.returncode != 0:
        said = done.stderr.strip().splitlines() or ["no reason"]
        raise StoreError(
            found=f"pg_dump refused: {said[0][:200]}.",
            needed="the login that owns the database.",
            next_step="Make the backup as that login.",
        )


def _not_written(target: Path, why: str) -> WriteError:
    return WriteError(
        found=f"{target.name} cannot be written: {why}.",
        needed="room for the whole copy and the right to write there; the store is untouched.",
        next_step="Name another file.",
    )
