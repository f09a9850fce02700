"""Verbs of the record store: from review files to a backup, with every refusal told."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rxmeasure.record.review_file import load_review


@pytest.fixture
def clinic(
    run: Callable, sample_copy: Callable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Path]:
    """A folder with a reviewed sample film and an empty store; who works is in the environment."""
    folder = sample_copy()
    assert run("review", folder / "adequate_premolar.png").code == 0
    for name, value in (
        ("RXMEASURE_PERSON", "reader-1"),
        ("RXMEASURE_ROLE", "lead"),
        ("RXMEASURE_KEY", str(tmp_path / "patients.key")),
    ):
        monkeypatch.setenv(name, value)
    assert run("store", "init", tmp_path / "clinic.rxstore").code == 0
    return tmp_path


def _json(run: Callable, *arguments: object) -> dict:
    result = run("store", *arguments, "--json")
    assert result.code == 0, result.stderr
    return result.document


def test_a_review_goes_in_is_found_and_comes_out(run: Callable, clinic: Path) -> None:
    store, out = clinic / "clinic.rxstore", clinic / "out"
    out.mkdir()
    added = run("store", "add", store, clinic / "films", "--tag", "exam", "--reason", "first")
    assert added.code == 0
    assert "saved as revision 1 of record 1" in added.stdout
    assert "is already revision 1" in run("store", "add", store, clinic / "films").stdout
    found = _json(run, "search", store, "--tooth", "35", "--tag", "exam", "--outcome", "met")
    assert [r["record_id"] for r in found["records"]] == [1]
    case = load_review(clinic / "films/adequate_premolar.png.rxreview.json").marks.patient_pseudonym
    assert _json(run, "search", store, "--case", case)["count"] == 1
    assert _json(run, "search", store, "--since", "2030-01-01")["count"] == 0
    history = _json(run, "history", store, "1")["revisions"]
    assert [(r["author"], r["reason"]) for r in history] == [("reader-1", "first")]
    (written,) = _json(run, "export", store, out, "--images", clinic / "films")["files"]
    assert Path(written).name == "adequate_premolar.png.rxreview.json"
    verified = _json(run, "verify", store)["verified"]
    assert verified["revisions"] == 1
    assert run("store", "verify", store, "--hash", "0" * 63 + "1").code == 13


def test_a_conflict_shows_the_difference(run: Callable, clinic: Path) -> None:
    store = clinic / "clinic.rxstore"
    path = clinic / "films" / "adequate_premolar.png.rxreview.json"
    run("store", "add", store, path)
    document = json.loads(path.read_text())
    document["review"]["marks"]["tooth"] = "36"
    path.write_text(json.dumps(document))
    refused = run("store", "add", store, path)
    assert refused.code == 14
    assert "reader-1 saved revision 1" in refused.stderr
    assert 'marks.tooth: saved "35", yours "36"' in refused.stderr
    assert "rxmeasure store add --on-top" in refused.stderr
    assert run("store", "add", store, path, "--on-top").code == 0
    assert run("store", "undo", store, "1", "--based-on", "2", "--reason", "35 after all").code == 0
    assert run("store", "undo", store, "1", "--based-on", "2").code == 14
    assert _json(run, "search", store, "--tooth", "35")["count"] == 1


def test_of_several_files_some_refused(run: Callable, clinic: Path) -> None:
    (clinic / "films" / "bad.rxreview.json").write_text("{}")
    result = run("store", "add", clinic / "clinic.rxstore", clinic / "films", "--json")
    assert result.code == 10
    assert [a["changed"] for a in result.document["added"]] == [True]
    assert [r["exit_code"] for r in result.document["refused"]] == [7]


def test_backup_and_deletion_on_request(run: Callable, clinic: Path) -> None:
    store, copy = clinic / "clinic.rxstore", clinic / "copy.rxstore"
    run("store", "add", store, clinic / "films")
    assert run("store", "backup", store, copy).code == 0
    assert run("store", "backup", store, copy).code == 9
    case = load_review(clinic / "films/adequate_premolar.png.rxreview.json").marks.patient_pseudonym
    refused = run("store", "forget", store, case, "--reason", "asked", "--role", "clinician")
    assert refused.code == 13
    assert _json(run, "forget", store, case, "--reason", "asked")["records"] == 1
    assert _json(run, "verify", store)["verified"]["forgotten"] == 1
    assert _json(run, "verify", copy)["verified"]["forgotten"] == 0


def test_who_works_must_be_said(
    run: Callable, clinic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("RXMEASURE_PERSON")
    assert run("store", "search", clinic / "clinic.rxstore").code == 2


def test_people_are_admitted_to_servers_only(run: Callable, clinic: Path) -> None:
    result = run("store", "admit", clinic / "clinic.rxstore", "x", "--to-role", "student", "--json")
    assert result.code == 13
    assert "in a file" in result.error["found"]


def test_without_the_extra(run: Callable, clinic: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rxmeasure.cli.store.find_spec", lambda _: None)
    result = run("store", "search", clinic / "clinic.rxstore", "--json")
    assert result.code == 13
    assert "rxmeasure[store]" in result.error["next_step"]


def test_no_store(run: Callable, clinic: Path) -> None:
    result = run("store", "search", clinic / "none.rxstore", "--json")
    assert result.code == 13
    assert "store init" in result.error["next_step"]


def test_an_audit_reads_the_store_as_it_reads_the_files(run: Callable, clinic: Path) -> None:
    store = clinic / "clinic.rxstore"
    assert run("store", "add", store, clinic / "films").code == 0
    of_store = run("audit", "run", store, "--json").document["audit"]
    of_files = run("audit", "run", clinic / "films", "--json").document["audit"]
    assert of_store["levels"] == of_files["levels"]
    assert of_store["levels"][0]["count"]["n_judged"] == 1


def test_a_store_is_audited_by_a_person(
    run: Callable, clinic: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("RXMEASURE_PERSON")
    refused = run("audit", "run", clinic / "clinic.rxstore")
    assert refused.code == 2
    assert "--as NAME" in refused.stderr


@pytest.mark.parametrize(
    ("days", "told"),
    [
        (("--since", "2024-02-30"), "2024-02-30"),
        (("--until", "last year"), "last year"),
        (("--since", "2025-01-02", "--until", "2025-01-01"), "2025-01-02 to 2025-01-01"),
    ],
)
def test_days_that_are_none_are_refused_and_find_not_just_nothing(
    run, clinic: Path, days: tuple[str, ...], told: str
) -> None:
    made = run("store", "init", clinic / "days.rxstore", "--as", "reader-1")
    assert made.code == 0
    result = run("store", "search", clinic / "days.rxstore", "--as", "reader-1", *days, "--json")
    assert result.code == 12
    assert told in result.error["found"]
