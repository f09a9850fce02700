"""Folders that are traps: links, pipes, depth, and names that are no text."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import pytest

from rxmeasure.batch import BatchSettings, films_of_folder, run_batch
from rxmeasure.batch.measuring import Chunk, FilmResult, quarantined
from rxmeasure.reading import read_radiograph

NAMES = (
    b"caf\xe9.png", b"line\nbreak.png", b"<script>alert(1)<_script>.png", b"=cmd.png",
    b"a;=1+1;.png", b"a\\..\\x.png", b"esc\x1b[31m.png", "rtl\u202egnp.exe".encode(),
)  # fmt: skip
FORMULA = ("=", "+", "-", "@")


def told(chunk: Chunk, settings: BatchSettings) -> list[FilmResult]:
    """Refuse each film with its name as the reason."""
    return [quarantined(task, task.name) for task in chunk]


@pytest.fixture
def trap(tmp_path: Path) -> Path:
    """Nine films, and what is none."""
    outside = tmp_path / "outside.png"
    outside.write_bytes(b"not for this run")
    films = tmp_path / "films"
    films.mkdir()
    for name in NAMES:
        (films / os.fsdecode(name)).write_bytes(b"film " + name)
    (films / "link.png").symlink_to(outside)
    (films / "zero.png").symlink_to("/dev/zero")
    (films / "self.png").symlink_to("self.png")
    (films / "loop").symlink_to(films)
    (films / "away").symlink_to(tmp_path)
    os.mkfifo(films / "pipe.png")
    (films / "marked.png").write_bytes(b"marked")
    (films / "marked.png.marks.toml").symlink_to(outside)
    return films


def test_links_are_passed_over_and_names_become_text(trap: Path) -> None:
    films = list(films_of_folder(trap))
    assert len(films) == len(NAMES) + 2
    assert {film.marks for film in films} == {None}
    for film in films:
        film.name.encode("utf-8")
        assert film.path.resolve().parent == trap.resolve()


def test_a_batch_of_traps_comes_to_its_end(trap: Path, tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    out = tmp_path / "out"
    counts = run_batch(films_of_folder(trap), BatchSettings(), out, work=told)
    assert (counts.quarantined, counts.unreadable) == (len(NAMES) + 1, 1)
    text = (out / "batch.csv").read_text(encoding="utf-8")
    rows = list(csv.reader(text.splitlines()[1:]))
    assert len(rows) == len(NAMES) + 2
    # As a spreadsheet parts it, by commas or by semicolons.
    cells = [cell for row in rows for cell in row]
    cells += [cell for line in text.splitlines() for cell in line.split(";")]
    assert not [cell for cell in cells if cell.lstrip(' "').startswith(FORMULA)]


def test_folders_a_thousand_deep(tmp_path: Path) -> None:
    place = tmp_path
    for _ in range(1200):
        place /= "a"
        place.mkdir()
    film = place / "film.png"
    film.write_bytes(b"x")
    try:
        assert [found.path for found in films_of_folder(tmp_path)] == [film]
    finally:
        # Step by step: what clears temporary folders goes down by recursion.
        film.unlink()
        while place != tmp_path:
            place.rmdir()
            place = place.parent


def test_a_film_keeps_no_bytes_of_its_name_that_are_no_text(tmp_path: Path) -> None:
    import bombs

    path = tmp_path / os.fsdecode(b"caf\xe9.png")
    path.write_bytes(bombs.picture("PNG"))
    assert read_radiograph(path).source.file_name == "caf\ufffd.png"
