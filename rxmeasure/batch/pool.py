"""Chunks through processes of this machine, a bounded number at a time."""

from __future__ import annotations

import os
import signal
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from multiprocessing import get_context, parent_process
from threading import Thread

from rxmeasure.batch.measuring import BatchSettings, Chunk, FilmResult, Task, Work, quarantined
from rxmeasure.errors import RxMeasureError

#: Chunks under way for each worker (choice: one at work, one waiting).
WINDOW = 2
DIED = "The process that measured this film died."


class PoolError(RxMeasureError):
    """No process can be started."""


def through_pool(
    chunks: Iterable[Chunk], settings: BatchSettings, work: Work, *, workers: int
) -> Generator[list[FilmResult]]:
    """Yield the results of chunks as they come.

    When a process dies, the films under way are measured again one by one; one whose process
    dies again is quarantined.

    Raises
    ------
    PoolError
        Processes do not even start.
    """
    waiting = iter(chunks)
    while True:
        under_way: dict[Future[list[FilmResult]], Chunk] = {}
        suspects: list[Chunk] = []
        with _pool(workers) as pool:
            try:
                yield from _until_done(pool, waiting, under_way, suspects, settings, work, workers)
                return
            except BrokenProcessPool:
                suspects += under_way.values()
            except BaseException:
                pool.shutdown(wait=True, cancel_futures=True)
                raise
        for task in (task for chunk in suspects for task in chunk):
            yield _alone(task, settings, work)


def _until_done(
    pool: ProcessPoolExecutor,
    waiting: Iterator[Chunk],
    under_way: dict[Future[list[FilmResult]], Chunk],
    refused: list[Chunk],
    settings: BatchSettings,
    work: Work,
    workers: int,
) -> Iterator[list[FilmResult]]:
    """Keep the window full; ``under_way`` and ``refused`` hold what a broken pool leaves undone."""
    while True:
        for chunk in islice(waiting, WINDOW * workers - len(under_way)):
            try:
                under_way[pool.submit(work, chunk, settings)] = chunk
            except BrokenProcessPool:
                refused.append(chunk)
                raise
        if not under_way:
            return
        done, _ = wait(under_way, return_when=FIRST_COMPLETED)
        for future in done:
            results = future.result()
            del under_way[future]
            yield results


def _alone(task: Task, settings: BatchSettings, work: Work) -> list[FilmResult]:
    with _pool(1) as pool:
        try:
            pool.submit(_ready).result()
        except BrokenProcessPool as error:
            raise PoolError(
                found="processes that end before they begin to work.",
                needed="memory for them, and an installation that is whole.",
                next_step="Mend that, then give the same command again; it goes on from there.",
            ) from error
        try:
            return pool.submit(work, [task], settings).result()
        except BrokenProcessPool:
            return [quarantined(task, DIED)]


def _ready() -> None:
    """What any process can do that starts at all."""


def _pool(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_prepare)


def _prepare() -> None:
    """One thread a process; stopping is left to the parent, and its end is this one's."""
    os.environ["OMP_NUM_THREADS"] = "1"
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A killed parent tells its processes nothing; they would wait for work for ever."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
