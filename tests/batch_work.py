"""Work for batches under test: it must be importable in processes of their own."""

from __future__ import annotations

import os
from pathlib import Path

from rxmeasure.batch.measuring import BatchSettings, Chunk, FilmResult, measure_chunk

DEADLY = "b_deadly.png"
REPOSITORY = Path(__file__).parents[1]
SAMPLES = REPOSITORY / "sample_images"
RESULTS = ("batch.csv", "batch.html", "batch.parquet")


def results(out: Path) -> dict[str, bytes]:
    """What a run wrote."""
    return {name: (out / name).read_bytes() for name in RESULTS}


def dies_at_one_film(chunk: Chunk, settings: BatchSettings) -> list[FilmResult]:
    """The process ends at one film, each time."""
    if any(Path(task.path).name == DEADLY for task in chunk):
        os._exit(1)
    return measure_chunk(chunk, settings)


def dies_once(chunk: Chunk, settings: BatchSettings) -> list[FilmResult]:
    """The process ends at one film, the first time."""
    for task in chunk:
        spent = Path(task.path + ".spent")
        if Path(task.path).name == DEADLY and not spent.exists():
            spent.touch()
            os._exit(1)
    return measure_chunk(chunk, settings)


def never_starts(*_: object) -> None:
    """What a process does first that cannot start."""
    os._exit(1)


def finds_no_file(chunk: Chunk, settings: BatchSettings) -> list[FilmResult]:
    """The drive drops while one film is measured, and is there again afterwards."""
    found = []
    for task in chunk:
        path = Path(task.path)
        away = path.with_name(f".{path.name}")
        if path.name == DEADLY:
            path.rename(away)
        found += measure_chunk([task], settings)
        if away.exists():
            away.rename(path)
    return found


def finds_another_image(chunk: Chunk, settings: BatchSettings) -> list[FilmResult]:
    """Another program writes to a film while it is measured, and takes that back."""
    found = []
    for task in chunk:
        path = Path(task.path)
        data = path.read_bytes()
        if path.name == DEADLY:
            path.write_bytes(data + b"more")
        found += measure_chunk([task], settings)
        path.write_bytes(data)
    return found


def finds_other_marks(chunk: Chunk, settings: BatchSettings) -> list[FilmResult]:
    """Somebody saves other marks after the run came to the film, and takes that back."""
    found = []
    for task in chunk:
        marks = None if task.marks is None else Path(task.marks)
        text = "" if marks is None else marks.read_text(encoding="utf-8")
        if marks is not None:
            marks.write_text(f"{text}\n# changed\n", encoding="utf-8")
        found += measure_chunk([task], settings)
        if marks is not None:
            marks.write_text(text, encoding="utf-8")
    return found
