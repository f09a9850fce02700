"""Connections to an SQLite file or a PostgreSQL server, and what their faults mean to a person."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.pool import QueuePool

from rxmeasure.errors import AccessError, RxMeasureError, StoreError, WriteError

_Result = TypeVar("_Result")

#: How long a writer waits for another one (choice: longer than any save took under load).
BUSY_S = 30
#: How long a client tries to reach a server that went away (choice: a restart takes seconds).
RECONNECT_S = 60.0
_RETRY_PAUSE_S = 0.2
#: Number of the advisory lock that makes savers wait for one another on a server.
_SAVING = 727_263

#: Format of results in the protocol of PostgreSQL: bytes as they are, not in hex.
_BINARY = 1

_NO_SPACE = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_FSYNC)
_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
#: SQLSTATE classes and codes of PostgreSQL (its manual, appendix A).
_GONE = ("08", "57P01", "57P02", "57P03")
_FULL = "53"
_READ_ONLY = "25006"
NOT_ALLOWED = "42501"


def is_server(where: str | Path) -> bool:
    """Whether a store is named by URL, not by path."""
    return "://" in str(where)


def connect_to(where: str | Path, *, make: bool = False) -> Engine:
    """Return the engine of a store: a path is an SQLite file, a URL a PostgreSQL database.

    Raises
    ------
    StoreError
        No such file, or no URL of PostgreSQL.
    """
    return _server(str(where)) if is_server(where) else _file(Path(where), make=make)


def _file(path: Path, *, make: bool) -> Engine:
    if not make and not path.is_file():
        raise StoreError(
            found=f"no record store {path}.",
            needed="a store that was made.",
            next_step=f"Make it: rxmeasure store init {path}",
        )
    if make and not path.parent.is_dir():
        raise StoreError(
            found=f"no folder {path.parent}.",
            needed="an existing folder for the store.",
            next_step="Make the folder or name another one.",
        )
    mode = "mode=rwc" if make else "immutable=1" if _at_rest(path) else "mode=rw"
    uri = f"file:{quote(str(path.resolve()))}?{mode}"

    def connect() -> sqlite3.Connection:
        # Without an isolation level the driver begins no transaction of its own; SQLAlchemy does.
        connection = sqlite3.connect(
            uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False
        )
        for setting in ("foreign_keys = ON", "synchronous = FULL", "secure_delete = ON"):
            connection.execute(f"PRAGMA {setting}")
        return connection

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _at_rest(path: Path) -> bool:
    """Whether the file can only be read here, and nobody has it open: no log lies beside it."""
    log = path.with_name(path.name + "-wal")
    return not os.access(path.parent, os.W_OK) and not log.exists()


def _server(text: str) -> Engine:
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as fault:
        raise _not_a_url() from fault
    if url.get_backend_name() != "postgresql":
        raise _not_a_url()
    try:
        engine = create_engine(
            url.set(drivername="postgresql+psycopg"),
            pool_pre_ping=True,
            connect_args={"connect_timeout": 10, "application_name": "rxmeasure"},
        )
    except ModuleNotFoundError as fault:
        raise StoreError(
            found="a store on a server, without the driver psycopg.",
            needed="the extra postgres of this package.",
            next_step='Install it: pip install "rxmeasure[postgres]"',
        ) from fault

    @event.listens_for(engine, "connect")
    def durable(connection: Any, _: Any) -> None:
        # An acknowledged save is on the disk, whatever the server's default.
        with connection.cursor() as cursor:
            cursor.execute("SET synchronous_commit TO on")
        connection.commit()

    @event.listens_for(engine, "before_cursor_execute", named=True)
    def in_binary(*, cursor: Any, context: Any, **_: Any) -> None:
        if context is not None and context.execution_options.get("binary", False):
            cursor.format = _BINARY

    return engine


def _not_a_url() -> StoreError:
    return StoreError(
        found="a URL that is none of a PostgreSQL database.",
        needed="postgresql://NAME@HOST/DATABASE, or the path of an SQLite file.",
        next_step="Correct the URL.",
    )


def lock_for_saving(connection: Connection) -> None:
    """Wait until no one else saves; the end of the transaction lets the next one."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_SAVING})")


def freeze(connection: Connection) -> None:
    """Let the next transaction see one moment of the store, as it always does in a file."""
    if connection.dialect.name == "postgresql":
        connection.execution_options(isolation_level="REPEATABLE READ")


def begin_nothing(connection: Connection) -> None:
    """Spare a server the beginning and end of a transaction: one statement needs none."""
    if connection.dialect.name == "postgresql":
        connection.execution_options(isolation_level="AUTOCOMMIT")


def take_off_disk(engine: Engine) -> None:
    """Empty the log of an SQLite file; in the file itself deleted bytes are overwritten."""
    if engine.dialect.name == "sqlite":
        with told(), engine.connect() as connection:
            raw: Any = connection.connection.driver_connection
            raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def patiently(work: Callable[[], _Result], engine: Engine, *, wait_s: float) -> _Result:
    """Do work on the database; when a server goes away, do it again once it is back.

    Raises
    ------
    RxMeasureError
        What the database says, in words for a person.
    """
    give_up = time.monotonic() + wait_s
    while True:
        try:
            return work()
        except DBAPIError as fault:
            if not _went_away(fault) or time.monotonic() > give_up:
                raise _in_words(fault) from fault
            engine.dispose()
            time.sleep(_RETRY_PAUSE_S)


@contextmanager
def told() -> Iterator[None]:
    """Tell faults of the database in words for a person."""
    try:
        yield
    except DBAPIError as fault:
        raise _in_words(fault) from fault


def _went_away(fault: DBAPIError) -> bool:
    if isinstance(fault.orig, sqlite3.Error):
        return False
    state = getattr(fault.orig, "sqlstate", None)
    # Without a state the server did not answer at all.
    no_answer = state is None and type(fault.orig).__name__ == "OperationalError"
    return fault.connection_invalidated or no_answer or str(state).startswith(_GONE)


def _in_words(fault: DBAPIError) -> RxMeasureError:
    if isinstance(fault.orig, sqlite3.Error):
        return _file_fault(fault.orig)
    return _server_fault(fault)


def _file_fault(fault: sqlite3.Error) -> RxMeasureError:
    code = getattr(fault, "sqlite_errorcode", 0)
    if code in _NO_SPACE:
        return _no_space()
    if code & 0xFF == sqlite3.SQLITE_READONLY:
        return WriteError(
            found="a store that does not allow writing.",
            needed="the right to write to the file and its folder; what was saved is untouched.",
            next_step="Have the right given to you, or copy the store to a folder of your own.",
        )
    if code & 0xFF == sqlite3.SQLITE_CANTOPEN:
        return StoreError(
            found="a store that cannot be opened.",
            needed="the right to read the file and to write to its folder.",
            next_step="Have the right given to you, or copy the store to a folder of your own.",
        )
    if code & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreError(
            found=f"a store that another program kept busy for {BUSY_S} s.",
            needed="a moment in which nobody else writes.",
            next_step="Save again. When this goes on, put the store on a PostgreSQL server.",
        )
    if code & 0xFF in _DAMAGED:
        return StoreError(
            found="a file that is no record store, or a damaged one.",
            needed="an SQLite file as this program made it.",
            next_step="Take the newest backup; keep the damaged file for whoever looks into it.",
        )
    return _unknown(fault)


def _server_fault(fault: DBAPIError) -> RxMeasureError:
    state = str(getattr(fault.orig, "sqlstate", None) or "")
    if _went_away(fault):
        return StoreError(
            found="no answer from the server of the record store.",
            needed="a PostgreSQL server that can be reached, and a login that it takes.",
            next_step="Ask who runs the server; then do the last step again. Saves that were "
            "confirmed are kept.",
        )
    if state.startswith(_FULL):
        return _no_space()
    if state == _READ_ONLY:
        return WriteError(
            found="a server that only reads at present.",
            needed="the server that takes writes; what was saved is untouched.",
            next_step="Ask who runs the server, then save again.",
        )
    if state == NOT_ALLOWED:
        return AccessError(
            found="a record that your login may not see or change.",
            needed="a record of your own, or another role.",
            next_step="Ask who runs the store.",
        )
    return _unknown(fault.orig or fault)


def _no_space() -> WriteError:
    return WriteError(
        found="no space left to save.",
        needed="room for the whole revision; what was saved before is untouched.",
        next_step="Free some space, then save again.",
    )


def _unknown(fault: BaseException) -> StoreError:
    first = str(fault).strip().splitlines()[0][:200] if str(fault).strip() else type(fault).__name__
    return StoreError(
        found=f"the database refused: {first}.",
        needed="a store that this program made and alone changes.",
        next_step="Check it: rxmeasure store verify",
    )
