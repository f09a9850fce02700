"""A batch: the same results however it was disturbed, on processes and on a cluster."""

from __future__ import annotations

import os
import shutil
from contextlib import closing
from html import escape
from pathlib import Path

import pytest
from batch_work import DEADLY, SAMPLES, results

from rxmeasure.batch import (
    BatchSettings,
    films_of_folder,
    films_of_table,
    run_batch,
)
from rxmeasure.batch import ledger as kept
from rxmeasure.batch.films import RESULT_FILES
from rxmeasure.errors import CriterionError, ImageReadError, WriteError
from rxmeasure.report.cautions import CAUTIONS

SETTINGS = BatchSettings()


def test_results(films: Path, tmp_path: Path) -> None:
    counts = run_batch(films_of_folder(films), SETTINGS, tmp_path / "out")
    assert (counts.measured, counts.quarantined, counts.done_before) == (3, 1, 1)
    from pyarrow import parquet

    lines = parquet.read_table(tmp_path / "out" / "batch.parquet").to_pylist()
    confirmed = {line["film"]: line["confirmed"] for line in lines}
    assert confirmed == {
        "a_marked.png": True, DEADLY: False, "c_bare.png": False, "d_damaged.png": None,
    }  # fmt: skip
    assert all(line["quarantined"] for line in lines if line["film"] == "d_damaged.png")
    text = (tmp_path / "out" / "batch.csv").read_text(encoding="utf-8")
    assert len(text.splitlines()) == len(lines) + 1


def test_same_command_again_does_nothing(
    films: Path, tmp_path: Path, undisturbed: dict[str, bytes]
) -> None:
    for new in (4, 0):
        counts = run_batch(films_of_folder(films), SETTINGS, tmp_path / "out")
        assert (counts.new, counts.done_before) == (new, 5 - new)
        assert results(tmp_path / "out") == undisturbed


def test_tables_hold_what_this_run_asked_for(films: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run_batch(films_of_folder(films), SETTINGS, out)
    (films / "c_bare.png").rename(films / "renamed.png")
    (films / DEADLY).unlink()
    (films / "e_again.png").unlink()
    counts = run_batch(films_of_folder(films), SETTINGS, out)
    assert (counts.new, counts.done_before) == (0, 3)
    fresh = tmp_path / "fresh"
    run_batch(films_of_folder(films), SETTINGS, fresh)
    assert results(out) == results(fresh)


def test_page_keeps_what_nobody_confirmed_apart_and_shows_the_cautions(
    films: Path, tmp_path: Path
) -> None:
    (films / "d_damaged.png").rename(films / "<b>bold.png")
    run_batch(films_of_folder(films), SETTINGS, tmp_path / "out")
    page = (tmp_path / "out" / "batch.html").read_text(encoding="utf-8")
    confirmed, proposed = page.split("Verdicts on canals that the program proposed, not confirmed")
    assert "Verdicts on canals with marks" in confirmed
    assert "zero_two, version" in confirmed
    assert "zero_two, version" in proposed
    assert "<b>" not in page
    for caution in CAUTIONS:
        assert escape(caution.head, quote=False).replace('"', "&#34;") in page


def test_links_are_not_followed(films: Path, tmp_path: Path) -> None:
    (films / "link.png").symlink_to(SAMPLES / "voids_canine.png")
    (films / "folder").symlink_to(SAMPLES)
    assert {film.name for film in films_of_folder(films)} == {
        "a_marked.png", DEADLY, "c_bare.png", "d_damaged.png", "e_again.png",
    }  # fmt: skip


def test_table_names_films_and_marks(films: Path) -> None:
    table = films / "list.csv"
    table.write_text("film,marks\nc_bare.png,a_marked.marks.toml\nd_damaged.png,\n")
    found = list(films_of_table(table))
    assert [film.name for film in found] == ["c_bare.png", "d_damaged.png"]
    assert found[0].marks == films / "a_marked.marks.toml"
    assert found[1].marks is None


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ImageReadError, match="a folder that cannot be read"):
        list(films_of_folder(tmp_path / "none"))


def test_a_folder_below_that_cannot_be_read_stops_nothing(films: Path, tmp_path: Path) -> None:
    """Its path is longer than the system takes; reading it fails for every user."""
    here = Path.cwd()
    try:
        os.chdir(films)
        for _ in range(30):
            Path("deep" * 50).mkdir()
            os.chdir("deep" * 50)
        Path("film.png").write_bytes(b"never reached")
    finally:
        os.chdir(here)
    counts = run_batch(films_of_folder(films), SETTINGS, tmp_path / "out")
    shutil.rmtree(films / ("deep" * 50))
    assert (counts.measured, counts.quarantined, counts.unreadable) == (3, 1, 1)
    assert "a folder that cannot be read" in (tmp_path / "out" / "batch.csv").read_text("utf-8")


def test_files_that_cannot_be_read_are_in_the_tables_of_this_run(
    films: Path, tmp_path: Path, undisturbed: dict[str, bytes]
) -> None:
    from pyarrow import parquet

    (films / "b_empty.png").touch()
    out = tmp_path / "out"
    counts = run_batch(films_of_folder(films), SETTINGS, out)
    assert (counts.new, counts.unreadable) == (4, 1)
    lines = parquet.read_table(out / "batch.parquet").to_pylist()
    names = [line["film"] for line in lines]
    assert names == sorted(names)
    told = next(line for line in lines if line["film"] == "b_empty.png")
    assert "an empty file" in told["quarantined"]
    assert told["image_sha256"] is None
    page = (out / "batch.html").read_text(encoding="utf-8")
    assert "<dt>Files that could not be read</dt><dd>1</dd>" in page
    assert "b_empty.png" in page
    (films / "b_empty.png").unlink()
    run_batch(films_of_folder(films), SETTINGS, out)
    assert results(out) == undisturbed


@pytest.mark.parametrize("where", [".", "results"])
def test_results_among_the_films_are_no_films(films: Path, where: str) -> None:
    out = films / where
    for new in (4, 0):
        counts = run_batch(films_of_folder(films), SETTINGS, out)
        assert (counts.new, counts.unreadable, counts.done_before) == (new, 0, 5 - new)
    assert {path.name for path in out.glob("batch.*")} <= RESULT_FILES


def test_a_draft_of_a_series_is_no_film(films: Path) -> None:
    (films / "a_marked.rxseriesdraft.json").write_text("{}")
    assert len(list(films_of_folder(films))) == 5


def test_a_rule_set_that_does_not_exist_is_refused_before_the_work(
    films: Path, tmp_path: Path
) -> None:
    with pytest.raises(CriterionError, match="zero_twoo"):
        run_batch(films_of_folder(films), BatchSettings(rule_ids=("zero_twoo",)), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_one_run_at_a_time(films: Path, tmp_path: Path) -> None:
    tmp_path.joinpath("out").mkdir()
    first = kept.Ledger(tmp_path / "out" / "batch.sqlite")
    with pytest.raises(WriteError, match="another run at work"):
        run_batch(films_of_folder(films), SETTINGS, tmp_path / "out")
    first.close()
    assert run_batch(films_of_folder(films), SETTINGS, tmp_path / "out").new == 4


def test_a_ledger_that_does_not_open_locks_nothing(tmp_path: Path) -> None:
    path = tmp_path / "batch.sqlite"
    path.write_bytes(b"no data base, and longer than the head of one" * 9)
    with pytest.raises(WriteError) as refusal:
        kept.Ledger(path)
    path.unlink()
    kept.Ledger(path).close()
    # While the refusal is at hand, so is what it came from.
    assert "not a database" in refusal.value.found


def test_no_films(tmp_path: Path) -> None:
    (tmp_path / "none").mkdir()
    counts = run_batch(films_of_folder(tmp_path / "none"), SETTINGS, tmp_path / "out")
    assert (counts.new, counts.unreadable, counts.done_before) == (0, 0, 0)
    assert len((tmp_path / "out" / "batch.csv").read_text(encoding="utf-8").splitlines()) == 1


def test_rows_come_by_name_without_a_sort(tmp_path: Path) -> None:
    """A sort would copy every review to a temporary file, for each table."""
    ledger = kept.Ledger(tmp_path / "batch.sqlite")
    with closing(ledger):
        plan = ledger._connection.execute(f"EXPLAIN QUERY PLAN {kept._ROWS}").fetchall()
    assert plan
    assert not any("TEMP B-TREE" in step[-1] for step in plan)
