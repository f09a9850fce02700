"""Pseudonyms, deletion on request, files, backups, versions of the store."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from alembic.script import ScriptDirectory
from store_servers import PostgresServer, programs

from rxmeasure.errors import ConflictError, ForgottenError, ReviewFileError, StoreError, WriteError
from rxmeasure.record.review_file import load_review, review_path, save_review
from rxmeasure.review import Review
from rxmeasure.store import (
    Person,
    Pseudonyms,
    Role,
    Search,
    Store,
    make_key,
    make_store,
    open_store,
    read_key,
    versions,
)
from rxmeasure.store.files import add_files, export_files
from rxmeasure.store.people import REVIEW

LEAD = Person(name="lead-1", role=Role.LEAD)
Films = Callable[..., Review]
TYPED = "case-quokka"


@pytest.fixture
def key(tmp_path: Path) -> Pseudonyms:
    return make_key(tmp_path / "keys" / "patients.key")


@pytest.fixture
def keyed(where: str, key: Pseudonyms) -> Store:
    store = open_store(where, LEAD, key_path=key.path)
    yield store
    store.close()


# Pseudonyms


def test_a_typed_pseudonym_and_a_file_name_are_nowhere_in_the_store(
    file_place: str, key: Pseudonyms, review: Review
) -> None:
    named = replace(
        review,
        marks=replace(review.marks, patient_pseudonym=TYPED),
        image=replace(review.image, file_name="quokka film.png"),
    )
    with open_store(file_place, LEAD, key_path=key.path) as store:
        saved = store.save_review(named, based_on=0)
        kept = store.read(saved.record_id)
        assert "quokka" not in str(kept)
        found = store.find(Search(patient=store.keyed(TYPED)))
    assert [f.record_id for f in found] == [saved.record_id]
    assert kept.review().marks.patient_pseudonym == key.keyed(TYPED)
    assert b"quokka" not in Path(file_place).read_bytes()
    assert key.listed() == {key.keyed(TYPED): TYPED}


def test_a_keyed_pseudonym_stays_and_another_key_gives_another(
    tmp_path: Path, key: Pseudonyms
) -> None:
    other = make_key(tmp_path / "other.key")
    assert key.keyed(key.keyed(TYPED)) == key.keyed(TYPED)
    assert key.keyed(f" {TYPED} ") == key.keyed(TYPED)
    assert other.keyed(TYPED) != key.keyed(TYPED)
    assert read_key(key.path) == make_key(key.path) == key
    assert key.path.stat().st_mode & 0o077 == 0


def test_the_key_of_another_store_is_refused(
    keyed: Store, where: str, tmp_path: Path, review: Review
) -> None:
    film = replace(review, marks=replace(review.marks, patient_pseudonym=TYPED))
    keyed.save_review(film, based_on=0)
    other = make_key(tmp_path / "other.key")
    with open_store(where, LEAD, key_path=other.path) as store:
        assert store.read(1).review().canals == review.canals
        with pytest.raises(StoreError, match="not that of this store"):
            store.save_review(film, based_on=1)
    assert other.listed() == {}
    with open_store(where, LEAD) as store, pytest.raises(StoreError, match="no key"):
        store.save_review(film, based_on=1)


@pytest.mark.parametrize("text", ["", "abc", "0" * 63, "é" * 64])
def test_files_that_are_no_key(tmp_path: Path, text: str) -> None:
    path = tmp_path / "some.key"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(StoreError, match="no key of pseudonyms"):
        make_key(path)
    with pytest.raises(StoreError, match="no key of pseudonyms"):
        read_key(tmp_path / "none.key")


# Deletion on request


def test_what_is_forgotten_is_gone_and_the_chain_verifies(
    keyed: Store, where: str, key: Pseudonyms, other_film: Films
) -> None:
    films = [other_film(k, patient_pseudonym=TYPED, visit="wombat") for k in (1, 2)]
    kept = other_film(3, patient_pseudonym="another")
    for film in (*films, kept):
        keyed.save_review(film, based_on=0, tags=("numbat",), reason="bilby")
    keyed.save_review(films[0], based_on=1)
    before = [r.hash for r in keyed.history(1)]
    assert keyed.forget(TYPED, reason="asked by the patient") == 2
    history = keyed.history(1)
    assert [r.hash for r in history[:2]] == before
    assert [(r.action, r.reason) for r in history] == [
        ("save", ""),
        ("save", ""),
        ("forget", "asked by the patient"),
    ]
    for number in (None, 1, 2):
        with pytest.raises(ForgottenError):
            keyed.read(1, number)
    assert [f.record_id for f in keyed.find(Search())] == [3]
    assert keyed.verify().forgotten == 2
    assert key.listed() == {key.keyed("another"): "another"}
    with pytest.raises(StoreError, match="no record of this patient"):
        keyed.forget(TYPED, reason="twice")
    with pytest.raises(StoreError):
        keyed.undo(1, based_on=3, reason="back", to=1)
    assert keyed.save_review(films[0], based_on=0).record_id == 4
    if "://" not in where:
        keyed.forget("another", reason="asked")
        keyed.forget(TYPED, reason="asked")
        for file in Path(where).parent.glob("*rxstore*"):
            data = file.read_bytes()
            assert not any(word in data for word in (b"wombat", b"numbat", b"bilby"))


def test_a_record_that_changed_its_patient_goes_with_either(
    keyed: Store, other_film: Films
) -> None:
    keyed.save_review(other_film(1, patient_pseudonym="mistyped"), based_on=0)
    keyed.save_review(other_film(1, patient_pseudonym=TYPED), based_on=1)
    assert keyed.verify().revisions == 2
    assert keyed.find(Search(patient=keyed.keyed("mistyped"))) == ()
    assert keyed.forget("mistyped", reason="asked") == 1
    with pytest.raises(ForgottenError):
        keyed.read(1)
    assert keyed.verify().forgotten == 1


# Review files


def test_review_files_go_in_and_out_unchanged(
    keyed: Store, tmp_path: Path, review: Review, sample_images: Path
) -> None:
    folder, out = tmp_path / "in" / "deep", tmp_path / "out"
    folder.mkdir(parents=True)
    out.mkdir()
    save_review(review, folder / "one.rxreview.json")
    (added,) = add_files(keyed, [folder.parent], tags=("exam",))
    assert (added.number, added.changed, added.refusal) == (1, True, None)
    (again,) = add_files(keyed, [folder / "one.rxreview.json"])
    assert (again.record_id, again.number, again.changed) == (added.record_id, 1, False)
    (plain,) = export_files(keyed, Search(tag="exam"), out)
    assert plain.name == f"film-{review.image.sha256[:12]}.png.rxreview.json"
    (named,) = export_files(keyed, Search(), out, images=sample_images)
    assert named == review_path(out / "adequate_premolar.png")
    name = f"film-{review.image.sha256[:12]}.png"
    assert load_review(named) == replace(review, image=replace(review.image, file_name=name))
    assert list(export_files(keyed, Search(tag="none"), out)) == []


def test_a_file_that_differs_is_a_conflict_until_it_is_put_on_top(
    keyed: Store, tmp_path: Path, review: Review
) -> None:
    keyed.save_review(review, based_on=0)
    path = tmp_path / "one.rxreview.json"
    save_review(replace(review, marks=replace(review.marks, tooth="16")), path)
    damaged = tmp_path / "two.rxreview.json"
    damaged.write_text("{}")
    refused, wrong = add_files(keyed, [path, damaged])
    assert isinstance(refused.refusal, ConflictError)
    assert [place for place, _, _ in refused.refusal.difference] == ["marks.tooth"]
    assert isinstance(wrong.refusal, ReviewFileError)
    (added,) = add_files(keyed, [path], on_top=True, reason="tooth corrected")
    assert added.number == 2
    assert keyed.read(1).review().marks.tooth == "16"


def test_reviews_of_several_readers_do_not_write_over_one_another(
    store: Store, tmp_path: Path, other_film: Films
) -> None:
    for reader in ("a", "b"):
        store.save_review(other_film(1, reader=reader), based_on=0)
    written = list(export_files(store, Search(), tmp_path))
    assert {load_review(path).marks.reader for path in written} == {"a", "b"}


# Backups


def test_a_backup_of_a_file_in_use(file_place: str, tmp_path: Path, other_film: Films) -> None:
    target = tmp_path / "copy.rxstore"
    with open_store(file_place, LEAD) as store:
        store.save_review(other_film(1), based_on=0)
        store.back_up(target)
        store.save_review(other_film(2), based_on=0)
        with pytest.raises(WriteError, match="there already"):
            store.back_up(target)
        with pytest.raises(WriteError, match="cannot be written"):
            store.back_up(tmp_path / "none" / "copy.rxstore")
    with open_store(target, LEAD) as copy:
        assert copy.verify().revisions == 1
        assert copy.save_review(other_film(2), based_on=0).number == 1
    assert not list(tmp_path.glob(".*.part"))


def test_a_backup_of_a_server_can_be_restored(
    server_place: str, postgres: PostgresServer, tmp_path: Path, review: Review
) -> None:
    folder = programs()
    assert folder is not None
    target = tmp_path / "copy.dump"
    with open_store(server_place, LEAD) as store:
        store.save_review(review, based_on=0)
        store.back_up(target)
        noted = store.verify().newest_hash
    restored = postgres.url(postgres.new_database())
    subprocess.run([folder / "pg_restore", "-d", restored, target], check=True)
    with open_store(restored, LEAD) as copy:
        assert copy.verify(known_hash=noted).revisions == 1


def test_without_pg_dump_a_server_is_not_backed_up(
    server_place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with (
        open_store(server_place, LEAD) as store,
        pytest.raises(StoreError, match="postgresql-client"),
    ):
        store.back_up(tmp_path / "copy.dump")
    assert list(tmp_path.iterdir()) == []


# Versions

NEXT = """
from alembic import op
import sqlalchemy as sa
revision, down_revision, branch_labels, depends_on = "9999", {after!r}, None, None
def upgrade():
    op.add_column("records", sa.Column("room", sa.Text()))
    op.execute("{more}")
"""


def _with_a_next_version(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: str = "SELECT 1"
) -> None:
    folder = tmp_path / "migrations"
    shutil.copytree(versions.FOLDER, folder)
    step = NEXT.format(after=versions.NEWEST, more=more)
    (folder / "versions" / "9999_next.py").write_text(step)
    monkeypatch.setattr(versions, "FOLDER", folder)
    monkeypatch.setattr(versions, "NEWEST", "9999")


def test_the_newest_version_is_the_last_migration() -> None:
    assert ScriptDirectory(str(versions.FOLDER)).get_current_head() == versions.NEWEST


def test_an_older_store_is_migrated_and_a_newer_one_refused(
    nowhere: str, review: Review, tmp_path: Path
) -> None:
    with make_store(nowhere, LEAD) as store:
        store.save_review(review, based_on=0)
    with pytest.MonkeyPatch.context() as newer:
        _with_a_next_version(tmp_path, newer)
        with open_store(nowhere, LEAD) as store:
            assert store.verify().revisions == 1
            assert store.find(Search(kind=REVIEW))[0].number == 1
    with pytest.raises(StoreError, match="version 9999, made by a newer program"):
        open_store(nowhere, LEAD)


def test_a_migration_that_fails_leaves_the_store_as_it_was(
    nowhere: str, review: Review, tmp_path: Path
) -> None:
    with make_store(nowhere, LEAD) as store:
        store.save_review(review, based_on=0)
    with pytest.MonkeyPatch.context() as newer:
        _with_a_next_version(tmp_path, newer, more="SELECT nonsense")
        with pytest.raises(StoreError, match="nonsense"):
            open_store(nowhere, LEAD)
    with open_store(nowhere, LEAD) as store:
        assert store.save_review(review, based_on=1).number == 2
