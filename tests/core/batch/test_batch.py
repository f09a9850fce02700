"""A batch: the same results however it was disturbed, on processes and on a cluster."""

from __future__ import annotations

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
from rxmeasure.errors import ImageReadError
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
