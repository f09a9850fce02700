"""A record store as source of a batch, and as the place of its results."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from batch_work import DEADLY, results

from rxmeasure.batch import BatchSettings, films_of_folder, films_of_store, run_batch
from rxmeasure.batch.measuring import PROGRAM
from rxmeasure.errors import AccessError, StoreError
from rxmeasure.marks import MarksOrigin
from rxmeasure.store import Person, Role, Search, Store, engine, make_key, make_store, open_store

LEAD = Person(name="lead", role=Role.LEAD)
SETTINGS = BatchSettings()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    key = make_key(tmp_path / "patients.key")
    with make_store(tmp_path / "x.rxstore", LEAD, key_path=key.path) as made:
        yield made


def numbers(store: Store) -> set[int]:
    return {found.number for found in store.find(Search())}


def test_each_film_is_saved_once(films: Path, tmp_path: Path, store: Store) -> None:
    for out in ("one", "two"):
        run_batch(films_of_folder(films), SETTINGS, tmp_path / out, store=store)
    assert store.count(Search(kind="review")) == 3
    assert numbers(store) == {1}


def test_proposals_are_the_programs_and_nobody_confirmed_them(
    films: Path, tmp_path: Path, store: Store
) -> None:
    run_batch(films_of_folder(films), SETTINGS, tmp_path / "out", store=store)
    proposed = store.find(Search(owner=PROGRAM))
    assert len(proposed) == 2
    assert {found.author for found in proposed} == {"lead"}
    assert not any(row.confirmed for row in store.review_rows(Search(owner=PROGRAM)))
    (marked,) = store.find(Search(owner="the sample teaching clinic"))
    assert all(row.confirmed for row in store.review_rows(Search(owner=marked.owner)))


def test_other_settings_make_a_new_revision_of_proposals_alone(
    films: Path, tmp_path: Path, store: Store
) -> None:
    run_batch(films_of_folder(films), SETTINGS, tmp_path / "out", store=store)
    corrected = store.find(Search(owner=PROGRAM))[0].record_id
    review = store.read(corrected).review()
    canals = tuple(
        replace(canal, origin=MarksOrigin.PROPOSAL_ACCEPTED) for canal in review.marks.canals
    )
    by_hand = replace(review, marks=replace(review.marks, canals=canals))
    store.save_review(by_hand, based_on=1)
    other = replace(SETTINGS, rule_ids=("zero_three",))
    run_batch(films_of_folder(films), other, tmp_path / "out", store=store)
    found = {f.record_id: f.number for f in store.find(Search(owner=PROGRAM))}
    assert found.pop(corrected) == 2
    assert store.read(corrected).review().marks.canals == canals
    assert list(found.values()) == [2]
    assert {f.number for f in store.find(Search(owner="the sample teaching clinic"))} == {1}


def test_a_student_is_refused_before_the_work(films: Path, tmp_path: Path, store: Store) -> None:
    with (
        open_store(tmp_path / "x.rxstore", Person(name="s", role=Role.STUDENT)) as closed,
        pytest.raises(AccessError, match="the role clinician, teacher or lead"),
    ):
        run_batch(films_of_folder(films), SETTINGS, tmp_path / "out", store=closed)
    assert not (tmp_path / "out").exists()


def test_a_locked_store_is_told_and_the_run_goes_on_later(
    films: Path,
    tmp_path: Path,
    store: Store,
    undisturbed: dict[str, bytes],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(engine, "BUSY_S", 0.2)
    other = sqlite3.connect(tmp_path / "x.rxstore", isolation_level=None)
    out = tmp_path / "out"
    with open_store(tmp_path / "x.rxstore", LEAD, key_path=tmp_path / "patients.key") as waiting:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="busy"):
            run_batch(films_of_folder(films), SETTINGS, out, store=waiting)
        other.execute("ROLLBACK")
        other.close()
        run_batch(films_of_folder(films), SETTINGS, out, store=waiting)
    assert results(out) == undisturbed
    assert store.count(Search(kind="review")) == 3
    assert numbers(store) == {1}


def test_a_search_is_measured_by_the_marks_of_the_store(
    films: Path, tmp_path: Path, store: Store
) -> None:
    run_batch(films_of_folder(films), SETTINGS, tmp_path / "first", store=store)
    (films / "a_marked.marks.toml").unlink()
    out = tmp_path / "out"

    def again() -> list[str]:
        found = films_of_store(store, Search(tooth="35"), films_of_folder(films), out / "marks")
        return [film.name for film in found]

    assert again() == ["a_marked.png"]
    search = Search(tooth="35")
    for done in (0, 1):
        found = films_of_store(store, search, films_of_folder(films), out / "marks")
        counts = run_batch(found, SETTINGS, out)
        assert (counts.measured, counts.done_before) == (1 - done, done)
    line = (out / "batch.csv").read_text(encoding="utf-8").splitlines()[1]
    assert line.startswith("a_marked.png,")
    assert ",True," in line
    tagged = films_of_store(store, Search(tag="batch"), films_of_folder(films), out / "marks")
    assert sorted(film.name for film in tagged) == ["a_marked.png", DEADLY, "c_bare.png"]


def test_a_review_without_its_image_is_told(films: Path, tmp_path: Path, store: Store) -> None:
    run_batch(films_of_folder(films), SETTINGS, tmp_path / "first", store=store)
    (films / DEADLY).unlink()
    out = tmp_path / "out"
    found = films_of_store(store, Search(), films_of_folder(films), out / "marks")
    counts = run_batch(found, SETTINGS, out)
    assert (counts.measured, counts.unreadable) == (2, 1)
    assert "no image with its SHA-256" in (out / "batch.log.jsonl").read_text(encoding="utf-8")
