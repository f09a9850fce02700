"""Opening and making stores: version, login and key are checked before anything is read."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Engine, text

from rxmeasure.errors import AccessError
from rxmeasure.store.engine import connect_to, patiently
from rxmeasure.store.people import Person
from rxmeasure.store.pseudonyms import read_key
from rxmeasure.store.store import Store
from rxmeasure.store.versions import bring_up_to_date


def open_store(where: str | Path, person: Person, *, key_path: str | Path | None = None) -> Store:
    """Open a store; one of an older version is brought up to date.

    Parameters
    ----------
    where : str or Path
        The path of an SQLite file, or ``postgresql://...``.
    person : Person
        On a server where this person logs in: as the login says.
    key_path : path, optional
        Key of the patients' pseudonyms, which lies outside the store. It is held against the
        store when the first pseudonym is met.

    Raises
    ------
    StoreError
        No store, a newer or damaged one, or out of reach; no such key.
    """
    return _opened(connect_to(where), person, key_path, make=False)


def make_store(where: str | Path, person: Person, *, key_path: str | Path | None = None) -> Store:
    """Make a store where there is none, and open it (see `open_store`)."""
    store = _opened(connect_to(where, make=True), person, key_path, make=True)
    if key_path is not None:
        store.checked_pseudonyms()
    return store


def _opened(engine: Engine, person: Person, key_path: str | Path | None, *, make: bool) -> Store:
    def ready() -> None:
        bring_up_to_date(engine, make=make)
        _check_login(engine, person)

    try:
        pseudonyms = None if key_path is None else read_key(Path(key_path))
        patiently(ready, engine, wait_s=0)
    except BaseException:
        engine.dispose()
        raise
    return Store(engine, person, pseudonyms)


def _check_login(engine: Engine, person: Person) -> None:
    """On a server, a member of the groups is who the login says."""
    if engine.dialect.name != "postgresql":
        return
    member = "pg_has_role(current_user, 'rxmeasure_' || :role, 'MEMBER')"
    guarded = "row_security_active('records')"
    query = text(f"SELECT current_user, {member}, {guarded}")
    with engine.connect() as connection:
        login, is_member, is_guarded = connection.execute(query, {"role": str(person.role)}).one()
    if is_guarded and not (login == person.name and is_member):
        raise AccessError(
            found=f"{person.name} as {person.role}, on the login {login}.",
            needed="the name of the login, and a role that it was given.",
            next_step="Log in as yourself, or ask who runs the store to admit you.",
        )
