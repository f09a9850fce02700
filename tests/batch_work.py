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
