"""What each archive has acknowledged, so that nothing goes out twice.

Asked first is always the archive itself; this file helps where an archive cannot be asked, and
tells when another content comes under an identifier that is taken. It holds digests only.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rxmeasure.archive.files import OutgoingFile
from rxmeasure.errors import WriteError

_WAIT_S = 10.0
_TABLE = """CREATE TABLE IF NOT EXISTS acknowledged (
    object TEXT PRIMARY KEY, content TEXT NOT NULL) WITHOUT ROWID"""


class Journal:
    """The objects that one archive has acknowledged."""

    def __init__(self, path: Path, archive: str) -> None:
        self._path = path
        self._archive = archive

    def content(self, file: OutgoingFile) -> str | None:
        """SHA-256 of what was acknowledged under this file's identifier, None if nothing was.

        Raises
        ------
        WriteError
            The journal cannot be used.
        """
        with self._opened() as connection:
            row = connection.execute(
                "SELECT content FROM acknowledged WHERE object = ?", (self._digest(file),)
            ).fetchone()
        return None if row is None else str(row[0])

    def add(self, file: OutgoingFile) -> None:
        """Note an acknowledgement; on return it is on the disk.

        Raises
        ------
        WriteError
            The journal cannot be used.
        """
        with self._opened() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO acknowledged VALUES (?, ?)",
                (self._digest(file), file.sha256),
            )

    def _digest(self, file: OutgoingFile) -> str:
        named = f"{self._archive}\0{file.instance.instance_uid}"
        return hashlib.sha256(named.encode()).hexdigest()

    @contextmanager
    def _opened(self) -> Iterator[sqlite3.Connection]:
        try:
            connection = sqlite3.connect(self._path, timeout=_WAIT_S)
            try:
                with connection:
                    connection.execute("PRAGMA synchronous=FULL")
                    connection.execute(_TABLE)
                    yield connection
            finally:
                connection.close()
        except sqlite3.Error as error:
            raise WriteError(
                found=f"{self._path} cannot be used: {error}. It notes what was sent.",
                needed="a folder of settings that can be written to.",
                next_step="Free the folder, then send again; what is there is not sent twice.",
            ) from error
