"""What a batch has done so far: one row for each (image, settings), in an SQLite file.

What a run asks for lies in a table of its own that ends with the run, so that results of
other settings or of films that are gone stay in the file and out of this run's tables.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rxmeasure.batch.films import LOCK
from rxmeasure.batch.measuring import FilmResult, Task
from rxmeasure.errors import WriteError

#: Seconds that a locked file is waited for (choice).
WAIT_S = 10.0
_TABLE = """CREATE TABLE IF NOT EXISTS done (
    image TEXT NOT NULL, settings TEXT NOT NULL, name TEXT NOT NULL, reason TEXT NOT NULL,
    review BLOB, PRIMARY KEY (image, settings))"""
_ORIGIN = """CREATE TABLE IF NOT EXISTS origin (
    uid TEXT PRIMARY KEY, image TEXT NOT NULL) WITHOUT ROWID"""
_ASKED = """CREATE TEMP TABLE asked (
    image TEXT NOT NULL, settings TEXT NOT NULL, name TEXT NOT NULL,
    PRIMARY KEY (image, settings)) WITHOUT ROWID"""
#: So that the rows come by name without being sorted, which would copy them all.
_BY_NAME = "CREATE INDEX temp.asked_by_name ON asked (name, settings)"
_UNREAD = """CREATE TEMP TABLE unread (
    name TEXT PRIMARY KEY, reason TEXT NOT NULL) WITHOUT ROWID"""
_ROWS = """SELECT image, asked.settings AS settings, asked.name AS name, reason, review
    FROM asked CROSS JOIN done USING (image, settings)
    UNION ALL SELECT NULL, '', name, reason, NULL FROM unread
    ORDER BY name, settings"""


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerRow:
    """A film that is done; ``review`` (a JSON tree) is None where it is quarantined.

    The two hashes are None where the film could not be read in this run.
    """

    image_sha256: str | None
    settings_sha256: str | None
    name: str
    reason: str
    review: dict[str, Any] | None


class Ledger:
    """The rows. A chunk that was written is on the disk, and a key is written once.

    One run at a time has a ledger: two would measure everything twice, and write the same tables.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        with _told(path), ExitStack() as opened:
            lock = opened.enter_context(closing(_lock(path.with_name(LOCK))))
            connection = opened.enter_context(closing(sqlite3.connect(path, timeout=WAIT_S)))
            connection.execute("PRAGMA synchronous=FULL")
            for statement in (_TABLE, _ORIGIN, _ASKED, _BY_NAME, _UNREAD):
                connection.execute(statement)
            opened.pop_all()
        self._lock = lock
        self._connection = connection

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()
        self._lock.close()

    def ask(self, task: Task) -> bool:
        """Note that this run asks for a film; say whether it is left to do.

        It is not where it is done, or where this run has asked for the same image before.
        """
        key = (task.image_sha256, task.settings_sha256)
        with _told(self._path):
            new = self._connection.execute(
                "INSERT OR IGNORE INTO asked VALUES (?, ?, ?)", (*key, task.name)
            ).rowcount
            done = self._connection.execute(
                "SELECT 1 FROM done WHERE image = ? AND settings = ?", key
            ).fetchone()
            self._connection.commit()
        return bool(new) and done is None

    def note_unread(self, name: str, reason: str) -> None:
        """Keep for the tables of this run that a film could not be read; the next run tries."""
        with _told(self._path), self._connection:
            self._connection.execute("INSERT OR IGNORE INTO unread VALUES (?, ?)", (name, reason))

    def image_of(self, uid: str) -> str | None:
        """SHA-256 of the image of an origin, where it was fetched before."""
        with _told(self._path):
            row = self._connection.execute(
                "SELECT image FROM origin WHERE uid = ?", (uid,)
            ).fetchone()
        return None if row is None else str(row[0])

    def note_origin(self, uid: str, image_sha256: str) -> None:
        """Keep the SHA-256 of what was fetched from an origin."""
        with _told(self._path), self._connection:
            self._connection.execute(
                "INSERT OR REPLACE INTO origin VALUES (?, ?)", (uid, image_sha256)
            )

    def add(self, results: Iterable[FilmResult]) -> None:
        """Write results together; those that are there stay.

        Raises
        ------
        WriteError
            No space, locked, damaged; nothing of these results was written.
        """
        rows = [
            (
                result.task.image_sha256,
                result.task.settings_sha256,
                result.task.name,
                result.reason,
                None if result.review is None else _packed(result.review),
            )
            for result in results
        ]
        with _told(self._path), self._connection:
            self._connection.executemany("INSERT OR IGNORE INTO done VALUES (?, ?, ?, ?, ?)", rows)

    def rows(self) -> Iterator[LedgerRow]:
        """Yield the films that this run asked for and that are done, by name, one at a time.

        Those that could not be read are among them.
        """
        with _told(self._path), closing(self._connection.execute(_ROWS)) as found:
            for image, settings, name, reason, review in found:
                yield LedgerRow(
                    image_sha256=image,
                    settings_sha256=settings or None,
                    name=name,
                    reason=reason,
                    review=None if review is None else _unpacked(review)["review"],
                )


def _packed(review: dict[str, Any]) -> bytes:
    return zlib.compress(json.dumps(review, sort_keys=True).encode())


def _unpacked(packed: bytes) -> Any:
    return json.loads(zlib.decompress(packed))


def _lock(path: Path) -> sqlite3.Connection:
    """A lock that ends with the process, however that ends."""
    with _told(path):
        connection = sqlite3.connect(path, timeout=0.0, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode=MEMORY")
        connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        connection.close()
        if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
            raise _not_usable(path, error) from error
        raise WriteError(
            found=f"another run at work in {path.parent}.",
            needed="a folder of results for one run at a time.",
            next_step="Wait until it has ended, or give another folder with --out.",
        ) from error
    return connection


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise _not_usable(path, error) from error


def _not_usable(path: Path, error: sqlite3.Error) -> WriteError:
    return WriteError(
        found=f"{path.name} cannot be used: {error}.",
        needed="a folder with space, and no other run in it.",
        next_step="Free the folder, then give the same command again; it goes on from there.",
    )
