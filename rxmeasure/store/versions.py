"""The version of a store: made new, brought up to date, or refused as newer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.exc import DBAPIError

from rxmeasure.errors import AccessError, StoreError
from rxmeasure.store.engine import NOT_ALLOWED

#: Newest migration; a store of this version is opened without Alembic.
NEWEST = "0001"
FOLDER = Path(__file__).with_name("migrations")


def found_version(connection: Connection) -> str | None:
    """Return the version of a store, or None where there is none."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return str(connection.scalar(text("SELECT version_num FROM alembic_version")))


def bring_up_to_date(engine: Engine, *, make: bool) -> None:
    """Migrate a store of an older version; where there is none, make one if asked to.

    Raises
    ------
    StoreError
        There is no store, or a newer program made it.
    """
    with engine.connect() as connection:
        found = found_version(connection)
    if found == NEWEST:
        return
    if found is None and not make:
        raise StoreError(
            found="a database without a record store in it.",
            needed="a store that was made.",
            next_step="Make it: rxmeasure store init",
        )
    try:
        _upgrade(engine)
    except DBAPIError as fault:
        if getattr(fault.orig, "sqlstate", None) != NOT_ALLOWED:
            raise
        raise AccessError(
            found="a login that may not make or change the tables of a store.",
            needed="the owner of the database, with the right to make roles (CREATEROLE).",
            next_step="Have it done by that login: rxmeasure store init",
        ) from fault


def _upgrade(engine: Engine) -> None:
    """All steps in one transaction: a step that fails leaves the store as it was."""
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    if engine.dialect.name == "sqlite":
        with engine.connect() as connection:
            raw: Any = connection.connection.driver_connection
            raw.execute("PRAGMA journal_mode = WAL")
    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        found = found_version(connection)
        if found is not None and found not in known:
            raise StoreError(
                found=f"a record store of version {found}, made by a newer program.",
                needed=f"version {NEWEST} or older.",
                next_step="Open it with the newer program.",
            )
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
