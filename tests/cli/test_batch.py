"""The verb batch: sources, profile, log, results in a store; what it refuses."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from rxmeasure.batch import Counts
from rxmeasure.cli import batch

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture
def films(tmp_path: Path) -> Path:
    """Two films with marks; those of one lie apart too."""
    folder = tmp_path / "films"
    folder.mkdir()
    for name in ("adequate_premolar.png", "working_length_premolar.png"):
        shutil.copy(SAMPLES / name, folder)
        shutil.copy(SAMPLES / name.replace(".png", ".marks.toml"), folder)
    return folder


def log_of(out: Path) -> list[dict]:
    lines = (out / "batch.log.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines]


def test_profile_and_log(run: Callable, films: Path, tmp_path: Path) -> None:
    (films / "broken.png").write_bytes(b"no image")
    done = run("batch", films, "--out", tmp_path / "out", "--workers", "1", "--profile")
    assert done.code == 10
    assert "2 measured, 1 in quarantine, 0 unreadable, 0 done before" in done.stdout
    for step in ("read", "propose", "review"):
        line = next(line for line in done.stdout.splitlines() if line.split()[:1] == [step])
        assert float(line.split()[1]) >= 0.0
    events = log_of(tmp_path / "out")
    assert sorted(e["event"] for e in events) == [
        "end", "measured", "measured", "quarantined", "start",
    ]  # fmt: skip
    assert all("time" in e for e in events)
    reasons = [e["reason"] for e in events if e["event"] == "quarantined"]
    assert all(reasons)


def test_progress_without_a_terminal_is_whole_lines(
    run: Callable, films: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = run("batch", films, "--out", tmp_path / "seldom", "--workers", "1").stderr
    assert said == ""
    monkeypatch.setattr(batch, "LINE_EVERY_S", 0.0)
    said = run("batch", films, "--out", tmp_path / "often", "--workers", "1").stderr
    assert re.fullmatch(r"2 of 2 films, \d+\.\d\d a second, 0 min left\n", said)


def test_time_left() -> None:
    counts = Counts(measured=100, unreadable=20, done_before=30)
    assert batch._rate(counts, 100_000, 50.0) == (
        "150 of 100000 films, 2.00 a second, 13 h 52 min left"
    )
    assert batch._rate(Counts(unreadable=3), 10, 5.0) == "3 of 10 films, 0.00 a second"


def test_a_wrong_line_of_a_table_is_refused_before_the_work(
    run: Callable, films: Path, tmp_path: Path
) -> None:
    table = films / "list.csv"
    table.write_text("film,marks\nadequate_premolar.png,\na,b,c\n")
    refused = run("batch", table, "--out", tmp_path / "out")
    assert refused.code == 5
    assert "line 3: 3 cells" in refused.stderr
    assert not (tmp_path / "out").exists()


def test_a_table_as_spreadsheets_save_it(run: Callable, films: Path, tmp_path: Path) -> None:
    table = films / "list.csv"
    table.write_bytes(b"\xef\xbb\xbfFilm;Marks\r\nadequate_premolar.png;\r\ngone.png;\r\n")
    done = run("batch", table, "--out", tmp_path / "out", "--json")
    counts = done.document["counts"]
    assert (done.code, counts["measured"], counts["unreadable"]) == (10, 1, 1)


def test_a_stop_is_logged(run: Callable, films: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "batch.csv").mkdir()
    assert run("batch", films, "--out", out).code == 9
    last = log_of(out)[-1]
    assert last["event"] == "stopped"
    assert "batch.csv cannot be written" in last["reason"]


def test_store_and_a_search_of_it(
    run: Callable, films: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RXMEASURE_KEY", str(tmp_path / "patients.key"))
    who = ("--as", "audit-lead", "--role", "lead")
    store, out = tmp_path / "x.rxstore", tmp_path / "out"
    assert run("store", "init", store, *who).code == 0
    saved = run("batch", films, "--out", out, "--store", store, *who, "--json")
    assert (saved.code, saved.document["counts"]["measured"]) == (0, 2)
    found = run("store", "search", store, *who, "--tag", "batch", "--json")
    assert found.document["count"] == 2
    again = ("batch", films, "--out", tmp_path / "again", "--from-store", store, *who)
    one = run(*again, "--film-kind", "working-length", "--json")
    assert one.document["counts"]["measured"] == 1
    assert [e["film"] for e in log_of(tmp_path / "again") if e["event"] == "measured"] == [
        "working_length_premolar.png"
    ]
    done = run(*again, "--film-kind", "working-length", "--json").document["counts"]
    assert (done["measured"], done["done_before"]) == (0, 1)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((), "Give a folder or a CSV, or --archive ARCHIVE."),
        (("films", "--archive", "x"), "Give a folder or a CSV, or --archive ARCHIVE."),
        (("films", "--store", "x.rxstore"), "A record store needs --as NAME."),
        (("films", "--tooth", "35"), "A search of reviews needs --from-store STORE."),
        (("--archive", "x", "--from-store", "y"), "--from-store needs the folder of the images."),
    ],
)
def test_options_that_do_not_fit(
    run: Callable, tmp_path: Path, options: tuple[str, ...], said: str
) -> None:
    refused = run("batch", *options, "--out", tmp_path / "out")
    assert refused.code == 2
    assert said in refused.stderr
