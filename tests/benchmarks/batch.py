"""Films per second of a batch, against decoding alone and a naive loop.

    python tests/benchmarks/batch.py [--films 48] [--first-seed 10000] [--cache FOLDER]

Portrait phantoms of 1200 x 900, without marks, so that canals are proposed, measured and judged.
Each way runs on copies with hashes of their own; a batch's time contains the start of its
processes (some three seconds), so few films make two workers look worse: 48 films take about two
minutes on two cores that do nothing else, 96 less than four. CPU time stands beside the wall
clock (of this process and its ended children), since a machine may do other work. The naive loop
is that of speed.py: ridge filter on the whole picture, cheapest path, widths row by row; it is
given the clicks that a batch has to find.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from speed import cases, naive_trace, naive_widths

from rxmeasure.batch import BatchSettings, films_of_folder, run_batch
from rxmeasure.phantom import cached_phantom
from rxmeasure.reading import read_radiograph

#: Different pictures; copies of them get hashes of their own by bytes after the picture's end.
PICTURES = 4


def copies(pictures: list[bytes], count: int, folder: Path) -> list[Path]:
    """``count`` files of repeated content with distinct hashes."""
    folder.mkdir()
    paths = [folder / f"{k:06d}.png" for k in range(count)]
    for k, path in enumerate(paths):
        path.write_bytes(pictures[k % len(pictures)] + k.to_bytes(4))
    return paths


def timed(name: str, films: int, work: Callable[[], object]) -> float:
    """Print and return the wall clock."""
    before, start = os.times(), time.perf_counter()
    work()
    wall, after = time.perf_counter() - start, os.times()
    cpu = sum(after[:4]) - sum(before[:4])
    parent = sum(after[:2]) - sum(before[:2])
    print(f"{name:<24} {films / wall:8.2f} films/s {wall:8.2f} s wall {cpu:8.2f} s CPU "
          f"({parent:5.2f} of them here) {films / cpu:8.2f} films per CPU second",
          flush=True)  # fmt: skip
    return wall


def one_batch(films: Path, out: Path, workers: int = 1) -> None:
    run_batch(films_of_folder(films), BatchSettings(), out, workers=workers)


def side_by_side(halves: list[Path], top: Path) -> None:
    """Two batches that know nothing of each other."""
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        list(pool.map(one_batch, halves, [top / f"{half.name}-out" for half in halves]))


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--films", type=int, default=48)
    asked.add_argument("--first-seed", type=int, default=10_000)
    asked.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    options = asked.parse_args()
    count = options.films
    clicked = cases(options.first_seed, PICTURES, options.cache)
    pictures = [cached_phantom(c.truth.seed, options.cache)[0].read_bytes()
                for c in clicked]  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        top = Path(folder)
        paths = copies(pictures, count, top / "films")
        one = timed("decode only", count, lambda: [read_radiograph(p) for p in paths])
        naive = timed("naive loop, 1 process", PICTURES,
                      lambda: [naive_widths(c, naive_trace(c)) for c in clicked])  # fmt: skip
        walls = {}
        for workers in (1, 2):
            walls[workers] = timed(f"batch, {workers} workers", count,
                                   lambda n=workers: one_batch(top / "films", top / f"out{n}", n)
            )  # fmt: skip
        halves = [top / "first", top / "second"]
        for number, half in enumerate(halves):
            half.mkdir()
            for path in paths[number::2]:
                path.rename(half / path.name)
        apart = timed("two batches side by side", count, lambda: side_by_side(halves, top))
    against_naive = walls[1] / count / (naive / PICTURES)
    print(
        f"1 worker: {walls[1] / one:.1f} times decoding, {against_naive:.2f} times naive; "
        f"2 workers: {walls[1] / walls[2]:.2f} times as fast as 1, "
        f"two batches side by side: {walls[1] / apart:.2f} times"
    )


if __name__ == "__main__":
    main()
