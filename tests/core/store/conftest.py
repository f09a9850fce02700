"""Stores of the tests: a file and a server's database, and reviews to put into them."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from store_servers import PostgresServer, running_server

from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks
from rxmeasure.review import Review, review_film
from rxmeasure.store import Person, Role, Store, make_store, open_store

LEAD = Person(name="lead-1", role=Role.LEAD)


@pytest.fixture(scope="session")
def review(sample_images: Path) -> Review:
    """A real review, without a patient: a sample film, measured; most of its profile left out."""
    image = sample_images / "adequate_premolar.png"
    marks = read_marks(image.with_suffix(".marks.toml"))
    measured = review_film(
        read_radiograph(image), replace(marks, patient_pseudonym="", reader="reader-1")
    )
    canals = tuple(replace(canal, profile=canal.profile[:3]) for canal in measured.canals)
    return replace(measured, canals=canals)


@pytest.fixture(scope="session")
def other_film(review: Review) -> Callable[..., Review]:
    """The review as one of another film: with another image, and marks changed."""

    def changed(number: int, **marks: object) -> Review:
        return replace(
            review,
            image=replace(review.image, sha256=f"{number:064x}"),
            marks=replace(review.marks, **marks),
        )

    return changed


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    with running_server() as server:
        yield server


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store without records, to be copied."""
    path = tmp_path_factory.mktemp("template") / "empty.rxstore"
    make_store(path, LEAD).close()
    return path


@pytest.fixture(scope="session")
def database(postgres: PostgresServer) -> str:
    """A database with a store, for one test after another."""
    name = postgres.new_database()
    make_store(postgres.url(name), LEAD).close()
    return name


@pytest.fixture
def file_place(empty_file: Path, tmp_path: Path) -> str:
    """A new store in a file."""
    return str(shutil.copy(empty_file, tmp_path / "clinic.rxstore"))


@pytest.fixture
def server_place(postgres: PostgresServer, database: str) -> str:
    """A store on a server, emptied."""
    import psycopg

    with psycopg.connect(postgres.url(database)) as keeper:
        keeper.execute("SET session_replication_role = replica")
        keeper.execute(
            "TRUNCATE records, record_patients, revisions, contents, heads, head_verdicts,"
            " head_tags RESTART IDENTITY"
        )
        keeper.execute("UPDATE chain_head SET seq = 0, hash = repeat('0', 64)")
        keeper.execute("UPDATE store_info SET key_check = NULL")
    return postgres.url(database)


@pytest.fixture(params=["file", "server"])
def where(request: pytest.FixtureRequest) -> str:
    """A new store on either database."""
    return str(request.getfixturevalue(f"{request.param}_place"))


@pytest.fixture
def store(where: str) -> Iterator[Store]:
    """The new store, as the lead sees it."""
    with open_store(where, LEAD) as opened:
        yield opened


@pytest.fixture(params=["file", "server"])
def nowhere(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a store may be made, and none is."""
    if request.param == "file":
        return str(tmp_path / "clinic.rxstore")
    server: PostgresServer = request.getfixturevalue("postgres")
    return server.url(server.new_database())
