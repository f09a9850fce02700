"""The chain: whatever is changed behind the program's back is found, and named."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import Connection, create_engine, text

from rxmeasure.errors import AccessError, BrokenChainError
from rxmeasure.review import Review
from rxmeasure.store import Person, Role, Store, open_store
from rxmeasure.store.chain import ORIGIN, Link, Sealed, sealed

LEAD = Person(name="lead-1", role=Role.LEAD)
Films = Callable[..., Review]


@pytest.fixture
def full(store: Store, other_film: Films) -> Store:
    return _fill(store, other_film)


@pytest.fixture(scope="session")
def full_file(empty_file: Path, other_film: Films) -> Path:
    """A file of the same, to be copied."""
    path = empty_file.with_name("full.rxstore")
    shutil.copy(empty_file, path)
    with open_store(path, LEAD) as store:
        _fill(store, other_film)
    return path


def _fill(store: Store, other_film: Films) -> Store:
    """Three records; the second has two revisions, the third was forgotten."""
    film = other_film(2, tooth="16")
    store.save_review(other_film(1), based_on=0, tags=("a",))
    store.save_review(film, based_on=0)
    store.save_review(other_film(3, patient_pseudonym="px-" + "a" * 26), based_on=0)
    store.save_review(replace(film, verdicts=()), based_on=1, reason="again")
    store.forget("px-" + "a" * 26, reason="asked by the patient")
    return store


def _behind_its_back(where: str, *statements: str) -> None:
    """Run statements with the guards of the database off."""
    server = "://" in where
    engine = create_engine(
        where.replace("postgresql://", "postgresql+psycopg://") if server else f"sqlite:///{where}"
    )
    with engine.begin() as connection:
        for guard in _guards_off(connection, server=server):
            connection.execute(text(guard))
        for statement in statements:
            connection.execute(text(statement))
    engine.dispose()


def _guards_off(connection: Connection, *, server: bool) -> Iterator[str]:
    if server:
        yield "SET session_replication_role = replica"
        return
    names = connection.scalars(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).all()
    yield from (f"DROP TRIGGER {name}" for name in names)


def test_what_was_saved_holds(full: Store) -> None:
    verified = full.verify()
    assert (verified.revisions, verified.records, verified.forgotten) == (5, 3, 1)
    assert verified.newest_hash == full.history(3)[-1].hash


@pytest.mark.parametrize(
    ("statement", "named"),
    [
        ("UPDATE revisions SET author = 'x' WHERE seq = 2", "revision 1 of record 2 .*author"),
        ("UPDATE revisions SET role = 'student' WHERE seq = 4", "revision 2 of record 2 .*role"),
        ("UPDATE revisions SET time_utc = '2020' WHERE seq = 5", "revision 2 of record 3 .*time"),
        ("UPDATE revisions SET commitment = 'x' WHERE seq = 1", "revision 1 of record 1 .*commit"),
        ("UPDATE revisions SET hash = 'x' WHERE seq = 1", "revision 1 of record 1 "),
        (
            "UPDATE revisions SET previous_hash = 'x' WHERE seq = 3",
            "revision 1 of record 3 .*follow",
        ),
        ("UPDATE contents SET salt = 'x' WHERE seq = 4", "revision 2 of record 2 .*content was ch"),
        (
            "UPDATE contents SET header = replace(header, 'again', 'never') WHERE seq = 4",
            "revision 2 of record 2 .*content was changed",
        ),
        (
            "UPDATE contents SET body = (SELECT body FROM contents WHERE seq = 1) WHERE seq = 4",
            "revision 2 of record 2 .*content was changed",
        ),
        ("DELETE FROM contents WHERE seq = 2", "revision 1 of record 2 .*content is gone"),
        ("DELETE FROM revisions WHERE seq = 2", "revision 1 of record 3 .*2 to 2 .*missing"),
        ("DELETE FROM revisions WHERE seq = 5", "revision 1 of record 3 .*content is gone"),
        ("UPDATE heads SET tooth = '11' WHERE record_id = 2", "revision 2 of record 2 .*searched"),
        ("UPDATE heads SET seq = 2, number = 1 WHERE record_id = 2", "revision 1 of record 2 "),
        ("UPDATE records SET owner = 'x' WHERE id = 1", "revision 1 of record 1 .*searched"),
        ("UPDATE records SET subject = 'x' WHERE id = 1", "revision 1 of record 1 .*searched"),
        ("DELETE FROM head_verdicts WHERE record_id = 1", "revision 1 of record 1 .*searched"),
        ("DELETE FROM head_tags", "revision 1 of record 1 .*searched"),
        ("DELETE FROM heads WHERE record_id = 1", "record 1 is not searched"),
        (
            "INSERT INTO records (id, kind, owner, opened_by, shared)"
            " VALUES (9, 'key', 'x', 'x', false)",
            "record 9 has no revision",
        ),
    ],
)
def test_the_first_broken_revision_is_named(
    full_file: Path, tmp_path: Path, statement: str, named: str
) -> None:
    where = shutil.copy(full_file, tmp_path / "copy.rxstore")
    _behind_its_back(str(where), statement)
    with (
        open_store(where, LEAD) as store,
        pytest.raises(BrokenChainError, match=named),
    ):
        store.verify()


def test_a_chain_cut_at_its_end_is_found_by_a_hash_noted_before(full: Store, where: str) -> None:
    early = full.verify().newest_hash
    full.save("key", subject="case", content=[], based_on=0)
    noted = full.verify(known_hash=early).newest_hash
    _behind_its_back(
        where,
        "DELETE FROM contents WHERE seq = 6",
        "DELETE FROM heads WHERE seq = 6",
        "DELETE FROM revisions WHERE seq = 6",
    )
    with pytest.raises(BrokenChainError, match="6 to 6 at its end are missing"):
        full.verify()
    _behind_its_back(
        where,
        "DELETE FROM records WHERE id = 4",
        "UPDATE chain_head SET seq = 5, hash = (SELECT hash FROM revisions WHERE seq = 5)",
    )
    assert full.verify(known_hash=early).revisions == 5
    with pytest.raises(BrokenChainError, match="no longer in it"):
        full.verify(known_hash=noted)


def test_a_store_verifies_while_others_save(full: Store, where: str) -> None:
    done = threading.Event()

    def save() -> None:
        with open_store(where, Person(name="writer", role=Role.TEACHER)) as other:
            number = 0
            while not done.is_set():
                saved = other.save("key", subject="case", content=[number], based_on=number)
                number = saved.number

    writer = threading.Thread(target=save)
    writer.start()
    seen = [full.verify().revisions for _ in range(15)]
    done.set()
    writer.join()
    assert seen == sorted(seen)
    assert seen[-1] > seen[0]


def test_a_student_cannot_ask_for_the_whole(full: Store, where: str) -> None:
    with (
        open_store(where, Person(name="student-1", role=Role.STUDENT)) as own,
        pytest.raises(AccessError),
    ):
        own.verify()


LINK = Link(
    seq=2,
    record_id=1,
    number=2,
    action="save",
    author="a",
    role="lead",
    time_utc="2025-03-14T10:00:00.000000+00:00",
    software_version="1.0",
    commitment="c" * 64,
    previous_hash=ORIGIN,
)


@pytest.mark.parametrize("name", list(Link.__dataclass_fields__))
def test_every_field_counts_in_the_hash(name: str) -> None:
    value = getattr(LINK, name)
    changed = replace(LINK, **{name: value + 1 if isinstance(value, int) else value + "x"})
    assert changed.hash != LINK.hash


def test_the_hash_is_that_of_the_lines() -> None:
    # printf '%s\n...' ... | sha256sum of the ten lines, the last without a line break.
    import hashlib

    lines = f"{ORIGIN}\n2\n1\n2\nsave\na\nlead\n{LINK.time_utc}\n1.0\n{'c' * 64}"
    assert LINK.hash == hashlib.sha256(lines.encode()).hexdigest()


def test_equal_contents_have_different_commitments() -> None:
    assert sealed({"a": 1}, b"x").commitment != sealed({"a": 1}, b"x").commitment


def test_the_parts_of_a_content_cannot_change_places() -> None:
    one = Sealed(salt="ab", header="c", body=b"d")
    other = Sealed(salt="a", header="bc", body=b"d")
    assert one.commitment != other.commitment
