"""Records and revisions: what is saved returns, in order, and nothing is ever changed."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import DBAPIError

from rxmeasure import __version__
from rxmeasure.errors import ConflictError, ReviewFileError, StoreError
from rxmeasure.review import Review
from rxmeasure.store import Document, Person, Role, Search, Store, make_store, open_store

LEAD = Person(name="lead-1", role=Role.LEAD)
Films = Callable[..., Review]


def test_a_review_returns_as_it_was_but_for_the_name_of_its_file(
    store: Store, review: Review
) -> None:
    saved = store.save_review(review, based_on=0, tags=("exam",), reason="first reading")
    read = store.read(saved.record_id)
    name = f"film-{review.image.sha256[:12]}.png"
    assert read.review() == replace(review, image=replace(review.image, file_name=name))
    assert read.info == saved
    assert (saved.number, saved.action, saved.author, saved.role) == (1, "save", "lead-1", "lead")
    assert (saved.software_version, saved.reason) == (__version__, "first reading")
    assert read.header.tags == ("exam",)
    assert read.header.owner == "reader-1"


def test_one_record_for_each_image_and_reader(store: Store, other_film: Films) -> None:
    films = [other_film(k, reader=reader) for k in (1, 2) for reader in ("a", "b")]
    ids = {store.save_review(film, based_on=0).record_id for film in films}
    again = store.save_review(films[0], based_on=1)
    assert len(ids) == 4
    assert again.record_id in ids
    assert again.number == 2


def test_history_is_a_chain_with_every_revision(store: Store, review: Review) -> None:
    for number in range(4):
        store.save_review(review, based_on=number, reason=f"reading {number}")
    history = store.history(1)
    assert [r.number for r in history] == [1, 2, 3, 4]
    assert [r.reason for r in history] == [f"reading {k}" for k in range(4)]
    assert len({r.hash for r in history}) == 4
    assert [r.time_utc for r in history] == sorted(r.time_utc for r in history)


def test_a_later_saver_is_told_who_saved_and_what_differs(
    store: Store, review: Review, where: str
) -> None:
    store.save_review(review, based_on=0)
    theirs = replace(review, marks=replace(review.marks, tooth="16"))
    store.save_review(theirs, based_on=1)
    with (
        open_store(where, Person(name="reader-2", role=Role.TEACHER)) as other,
        pytest.raises(ConflictError, match="lead-1 saved revision 2") as refused,
    ):
        other.save_review(review, based_on=1)
    assert refused.value.difference == (("marks.tooth", '"16"', f'"{review.marks.tooth}"'),)
    assert refused.value.saved_number == 2
    assert len(store.history(1)) == 2


def test_an_undo_is_a_new_revision(store: Store, review: Review) -> None:
    store.save_review(review, based_on=0, tags=("kept",))
    store.save_review(
        replace(review, marks=replace(review.marks, tooth="16")), based_on=1, tags=("gone",)
    )
    undone = store.undo(1, based_on=2, reason="wrong tooth")
    assert (undone.number, undone.action, undone.reason) == (3, "undo", "wrong tooth")
    assert store.read(1).content == store.read(1, 1).content
    assert [f.tooth for f in store.find(Search(tag="kept"))] == [review.marks.tooth]
    assert store.find(Search(tag="gone")) == ()
    assert store.undo(1, based_on=3, reason="after all", to=2).number == 4
    assert store.read(1).content == store.read(1, 2).content
    with pytest.raises(ConflictError):
        store.undo(1, based_on=2, reason="late")


def test_a_revision_or_record_that_is_not_there(store: Store, review: Review) -> None:
    saved = store.save("key", subject="case", content=[], based_on=0)
    for number in (0, 7):
        with pytest.raises(StoreError, match="no revision of that number") as refused:
            store.read(saved.record_id, number)
        assert refused.value.next_step == "Look it up: rxmeasure store history"
        with pytest.raises(StoreError, match="no revision"):
            store.undo(saved.record_id, based_on=1, reason="", to=number)
    with pytest.raises(StoreError, match="no record"):
        store.save_review(review, based_on=3)
    assert store.count(Search()) == 1


def test_documents_of_other_kinds(store: Store) -> None:
    key = {"fill_to_apex_core_mm": 0.8, "agreed": ["teacher-1", "teacher-2"], "note": "ä"}
    saved = store.save("key", subject="exam/case-1", content=key, based_on=0, owner="teacher-1")
    assert store.read(saved.record_id).content == key
    assert [f.record_id for f in store.find(Search(kind="key", subject="exam/case-1"))] == [1]
    with pytest.raises(ReviewFileError, match="not finite"):
        store.save("key", subject="x", content=[float("nan")], based_on=0)
    with pytest.raises(ReviewFileError, match="save_review"):
        store.save("review", subject="x", content={}, based_on=0)
    with pytest.raises(ReviewFileError, match="needed: a review|Needed: a review"):
        store.read(saved.record_id).review()


def test_of_four_graders_on_one_revision_exactly_one_wins(
    store: Store, review: Review, where: str
) -> None:
    store.save_review(review, based_on=0)
    rounds, graders = 10, 4
    won: list[tuple[int, str]] = []
    lost: list[ConflictError] = []

    def grade(name: str) -> None:
        mine = replace(review, marks=replace(review.marks, visit=name))
        with open_store(where, Person(name=name, role=Role.TEACHER)) as own:
            for k in range(rounds):
                start.wait()
                try:
                    won.append((own.save_review(mine, based_on=k + 1).number, name))
                except ConflictError as conflict:
                    lost.append(conflict)

    start = threading.Barrier(graders)
    threads = [threading.Thread(target=grade, args=(f"grader-{k}",)) for k in range(graders)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(number for number, _ in won) == list(range(2, rounds + 2))
    assert len(lost) == rounds * (graders - 1)
    assert [(r.number, r.author) for r in store.history(1)[1:]] == sorted(won)
    assert store.verify().revisions == rounds + 1


REFUSED = (
    "UPDATE revisions SET author = 'x'",
    "DELETE FROM revisions",
    "UPDATE contents SET header = '{}'",
    "DELETE FROM contents",
    "UPDATE records SET owner = 'x'",
    "UPDATE records SET subject = NULL",
    "DELETE FROM records",
    "INSERT INTO revisions SELECT seq + 2, record_id, number + 1, action, author, role,"
    " time_utc, software_version, commitment, hash, hash FROM revisions",
    "INSERT INTO revisions SELECT seq + 1, record_id, number + 1, action, author, role,"
    " time_utc, software_version, commitment, previous_hash, hash FROM revisions",
)


def test_the_database_itself_refuses_to_change_what_was_saved(
    store: Store, review: Review, where: str
) -> None:
    store.save_review(review, based_on=0)
    engine = create_engine(_driver_url(where))
    for statement in REFUSED:
        with (
            pytest.raises(DBAPIError, match="never|follow|forgotten"),
            engine.begin() as connection,
        ):
            connection.execute(text(statement))
    engine.dispose()
    assert store.verify().revisions == 1


def _driver_url(where: str) -> str:
    if "://" in where:
        return where.replace("postgresql://", "postgresql+psycopg://")
    return f"sqlite:///{where}"


def test_a_server_refuses_a_hash_that_is_not_that_of_the_revision(
    server_place: str, review: Review
) -> None:
    with open_store(server_place, LEAD) as store:
        store.save_review(review, based_on=0)
    engine = create_engine(_driver_url(server_place))
    with pytest.raises(DBAPIError, match="not its own"), engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO revisions SELECT seq + 1, record_id, number + 1, action, author, role,"
                " time_utc, software_version, commitment, hash, 'abc' FROM revisions"
            )
        )
    engine.dispose()


def test_no_store_is_made_by_opening(nowhere: str, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no record store|without a record store"):
        open_store(nowhere, LEAD)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("place", "found"),
    [
        ("mysql://host/db", "none of a PostgreSQL"),
        ("postgresql://nobody@127.0.0.1:9/none", "no answer"),
        ("http://x y", "none of a PostgreSQL"),
    ],
)
def test_places_that_are_no_store(place: str, found: str) -> None:
    pytest.importorskip("psycopg")
    with pytest.raises(StoreError, match=found):
        open_store(place, LEAD)


def test_a_file_that_is_no_store(tmp_path: Path) -> None:
    path = tmp_path / "film.png"
    path.write_bytes(b"no database, " * 1000)
    with pytest.raises(StoreError, match="no record store, or a damaged one"):
        open_store(path, LEAD)
    assert path.read_bytes() == b"no database, " * 1000


def test_documents_saved_together_are_all_kept_or_none(store: Store) -> None:
    def note(subject: str, based_on: int) -> Document:
        return Document(kind="note", subject=subject, content={"review": None}, based_on=based_on)

    infos = store.save_together(note("a", 0), note("b", 0))
    assert [info.number for info in infos] == [1, 1]
    with pytest.raises(ConflictError, match="saved revision 1"):
        store.save_together(note("a", 1), note("c", 0), note("b", 0))
    assert {one.subject: one.number for one in store.find(Search())} == {"a": 1, "b": 1}
    assert store.verify().revisions == 2


def test_making_a_store_twice_keeps_it(store: Store, review: Review, where: str) -> None:
    store.save_review(review, based_on=0)
    with make_store(where, LEAD) as again:
        assert again.count(Search()) == 1
