"""What a batch costs as it grows: time per film, and memory per worker.

    python tests/benchmarks/batch_growth.py time [--films 100 1000 10000]
    python tests/benchmarks/batch_growth.py memory [--films 5000] [--plot memory.png]
    python tests/benchmarks/batch_growth.py memory --films 300 --whole-size [--first-seed 40000]

Time: copies of a small film with marks, each with a hash of its own, so that the work for a film
is little and that of bookkeeping shows. A run of one film gives the cost of starting, which is
taken off. CPU time stands beside the wall clock, since a machine may do other work; that of the
parent (hashes, ledger, log, tables, page) stands apart.

Memory: resident memory of each worker, read each second. The small film is a sample at half its
size without marks, so that the network of the proposals runs; --whole-size takes phantoms of
1200 x 900.
"""

from __future__ import annotations

import argparse
import csv
import io
import os
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import psutil
from batch import PICTURES, copies
from PIL import Image

from rxmeasure.batch import BatchSettings, Counts, films_of_folder, run_batch
from rxmeasure.phantom import cached_phantom

SAMPLE = Path(__file__).parents[2] / "sample_images" / "adequate_premolar.png"
#: Of the sample at a quarter of its size; of an unfilled canal the least is measured.
MARKS = """film_kind = "preoperative"
[[canals]]
name = "single"
clicks_px = [[18.75, 60.5], [74.6, 65.4], [132.8, 63.7]]
"""


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("what", choices=("time", "memory"))
    asked.add_argument("--films", type=int, nargs="+")
    asked.add_argument("--workers", type=int, default=1)
    asked.add_argument("--whole-size", action="store_true")
    asked.add_argument("--first-seed", type=int, default=40_000)
    asked.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    asked.add_argument("--plot", type=Path)
    options = asked.parse_args()
    if options.what == "time":
        show_time(options.films or [100, 1_000, 10_000], options.workers)
        return
    if options.whole_size:
        pictures = [cached_phantom(options.first_seed + k, options.cache)[0].read_bytes()
                    for k in range(PICTURES)]  # fmt: skip
    else:
        pictures = [smaller(2)]
    watched = memory_of(pictures, (options.films or [5_000])[0], options.workers)
    show_memory(watched, options.plot)


def smaller(times: int) -> bytes:
    """The sample at a part of its size."""
    with Image.open(SAMPLE) as whole, io.BytesIO() as file:
        whole.resize((whole.width // times, whole.height // times)).save(file, "png")
        return file.getvalue()


@dataclass(frozen=True, kw_only=True)
class Cost:
    """Seconds of a run."""

    wall: float
    workers: float
    parent: float


def show_time(counts: list[int], workers: int) -> None:
    """Print the cost of each film in runs of growing length."""
    cost_of(1, workers)  # the parent's own imports
    start = cost_of(1, workers)
    print(
        f"start, with one film: {start.wall:.2f} s wall, {start.workers:.2f} s CPU of the "
        f"worker, {start.parent:.2f} s of the parent",
        flush=True,
    )
    print("  films   wall   CPU   parent, ms for each film; films a second with the start")
    for films in counts:
        cost = cost_of(films, workers)
        wall, cpu, parent = (
            1000.0 * (now - once) / (films - 1)
            for now, once in (
                (cost.wall, start.wall),
                (cost.workers + cost.parent, start.workers + start.parent),
                (cost.parent, start.parent),
            )
        )
        print(f"{films:>7} {wall:6.1f} {cpu:6.1f} {parent:6.2f} {films / cost.wall:20.2f}",
              flush=True)  # fmt: skip


def cost_of(films: int, workers: int) -> Cost:
    """The cost of a run on copies of the small film with marks."""
    with tempfile.TemporaryDirectory() as folder:
        paths = copies([smaller(4)], films, Path(folder) / "films")
        for path in paths:
            path.with_suffix(".marks.toml").write_text(MARKS)
        before, start = os.times(), time.perf_counter()
        counts = run(Path(folder), workers)
        wall, after = time.perf_counter() - start, os.times()
    assert counts.measured == films
    return Cost(wall=wall, workers=sum(after[2:4]) - sum(before[2:4]),
                parent=sum(after[:2]) - sum(before[:2]))  # fmt: skip


def run(top: Path, workers: int, progress: Callable[[Counts], None] | None = None) -> Counts:
    """A batch of the folder ``films``."""
    return run_batch(films_of_folder(top / "films"), BatchSettings(), top / "out",
                     workers=workers, progress=progress)  # fmt: skip


@dataclass
class Watched:
    """Films done and MB of each worker, second by second."""

    films: list[int] = field(default_factory=list)
    workers_mb: list[list[float]] = field(default_factory=list)
    parent_mb: list[float] = field(default_factory=list)


def memory_of(pictures: list[bytes], films: int, workers: int) -> Watched:
    """Watch the processes of a run on copies of pictures."""
    watched, done, over = Watched(), [0], threading.Event()

    def watch() -> None:
        parent = psutil.Process()
        while not over.wait(1.0):
            sizes = [size_mb(child) for child in parent.children() if is_worker(child)]
            if len(sizes) == workers and all(sizes):
                watched.films.append(done[0])
                watched.workers_mb.append(sizes)
                watched.parent_mb.append(size_mb(parent))

    with tempfile.TemporaryDirectory() as folder:
        copies(pictures, films, Path(folder) / "films")
        watcher = threading.Thread(target=watch)
        watcher.start()
        try:
            counts = run(Path(folder), workers, lambda c: done.__setitem__(0, c.new))
        finally:
            over.set()
            watcher.join()
    assert counts.measured == films, counts
    return watched


def is_worker(process: psutil.Process) -> bool:
    """Not the process that tracks resources."""
    try:
        return any("spawn_main" in word for word in process.cmdline())
    except psutil.Error:
        return False


def size_mb(process: psutil.Process) -> float:
    """Resident memory; 0 of one that has ended."""
    try:
        return float(process.memory_info().rss) / 2**20
    except psutil.Error:
        return 0.0


def show_memory(watched: Watched, plot: Path | None) -> None:
    """Print sizes in tenths of the run; write them as CSV and picture."""
    print("  films   MB of each worker   MB of the parent")
    last = len(watched.films) - 1
    for k in sorted({round(last * tenth / 10) for tenth in range(11)}):
        sizes = "  ".join(f"{mb:6.1f}" for mb in watched.workers_mb[k])
        print(f"{watched.films[k]:>7}   {sizes}   {watched.parent_mb[k]:6.1f}")
    most = max(max(sizes) for sizes in watched.workers_mb)
    half = last // 2
    print(f"most of a worker: {most:.1f} MB; most in the second half of the run: "
          f"{max(max(sizes) for sizes in watched.workers_mb[half:]):.1f} MB")  # fmt: skip
    if plot is not None:
        draw(watched, plot)


def draw(watched: Watched, path: Path) -> None:
    """Memory over films, and the same numbers as CSV beside it."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 3.6), layout="constrained")
    axes = figure.add_subplot()
    for k in range(len(watched.workers_mb[0])):
        axes.plot(watched.films, [sizes[k] for sizes in watched.workers_mb], lw=1.2,
                  label=f"worker {k + 1}")  # fmt: skip
    axes.plot(watched.films, watched.parent_mb, lw=1.2, ls="--", label="parent")
    axes.axhline(300.0, color="black", lw=0.8, ls=":")
    axes.text(0.0, 303.0, "300 MB wanted of a worker")
    axes.set(xlabel="Films measured", ylabel="Resident memory (MB)", ylim=(0.0, 340.0))
    axes.legend(loc="lower right")
    figure.savefig(path, dpi=150)
    with path.with_suffix(".csv").open("w", newline="") as file:
        writer = csv.writer(file)
        for films, workers, parent in zip(
            watched.films, watched.workers_mb, watched.parent_mb, strict=True
        ):
            writer.writerow([films, *workers, parent])


if __name__ == "__main__":
    main()
