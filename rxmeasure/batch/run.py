"""One run: films to chunks, chunks to workers, results to the ledger, tables at the end."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rxmeasure.atomic import make_folder
from rxmeasure.batch.films import CSV, LEDGER, LOG, PAGE, PARQUET, Film, Origin
from rxmeasure.batch.ledger import Ledger
from rxmeasure.batch.measuring import (
    BatchSettings,
    Chunk,
    FilmResult,
    Task,
    Work,
    measure_chunk,
)
from rxmeasure.batch.page import write_page
from rxmeasure.batch.pool import through_pool
from rxmeasure.batch.stored_films import check_may_save, save_result
from rxmeasure.batch.tables import write_csv, write_parquet
from rxmeasure.criteria.criterion import pick_rule_sets
from rxmeasure.errors import ArchiveError, RxMeasureError, WriteError
from rxmeasure.file_names import whole_text

if TYPE_CHECKING:
    from rxmeasure.store import Store

#: Films that go to a worker together (choice: a second or two of work).
CHUNK = 2


@dataclass(slots=True)
class Counts:
    """What a run did so far; ``seconds`` is the workers' time by step."""

    measured: int = 0
    quarantined: int = 0
    unreadable: int = 0
    done_before: int = 0
    seconds: Counter[str] = field(default_factory=Counter)

    @property
    def new(self) -> int:
        """Films that this run finished."""
        return self.measured + self.quarantined


def run_batch(
    films: Iterable[Film],
    settings: BatchSettings,
    out: Path,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    store: Store | None = None,
    work: Work = measure_chunk,
    progress: Callable[[Counts], None] | None = None,
) -> Counts:
    """Measure films and write ``batch.csv``, ``batch.parquet`` and ``batch.html`` into a folder.

    Films that the folder's ledger holds under the same image and settings are passed over.

    Parameters
    ----------
    films : iterable of Film
    settings : BatchSettings
    out : Path
        Made where it is missing.
    workers : int
        Processes on this machine.
    scheduler : str, optional
        Address of a dask scheduler whose workers do the work instead.
    store : Store, optional
        Reviews go there too; a film that a person reviewed there keeps that review.
    work : callable
        What a worker does with a chunk.
    progress : callable, optional
        Called after each chunk.

    Raises
    ------
    WriteError, StoreError, PoolError, ClusterError, ArchiveError
        The run stops; the same call goes on from there. AccessError: this person may not save.
    CriterionError
        There is no such rule set.
    """
    pick_rule_sets(settings.rule_ids)
    if store is not None:
        check_may_save(store)
    make_folder(out)
    ledger = Ledger(out / LEDGER)
    counts = Counts()
    log = _Log(out / LOG)
    chunks = _chunks(_tasks(films, settings, ledger, counts, log))
    try:
        log.tell("start", workers=workers, scheduler=scheduler)
        if scheduler is None:
            results = through_pool(chunks, settings, work, workers=workers)
        else:
            from rxmeasure.batch.cluster import through_cluster

            results = through_cluster(chunks, settings, work, address=scheduler)
        with closing(results):
            for chunk in results:
                _keep(chunk, ledger, store, log, counts)
                if progress is not None:
                    progress(counts)
        write_csv(ledger.rows(), out / CSV)
        write_parquet(ledger.rows(), out / PARQUET)
        write_page(ledger.rows(), out / PAGE)
        log.tell(
            "end",
            measured=counts.measured,
            quarantined=counts.quarantined,
            unreadable=counts.unreadable,
            done_before=counts.done_before,
        )
    except BaseException as error:
        with suppress(WriteError):
            log.tell("stopped", reason=str(error) or type(error).__name__)
        raise
    finally:
        ledger.close()
    return counts


def _tasks(
    films: Iterable[Film],
    settings: BatchSettings,
    ledger: Ledger,
    counts: Counts,
    log: _Log,
) -> Iterator[Task]:
    """Films that are neither done nor asked for; of equal ones the first."""
    for film in films:
        try:
            if film.fault is not None:
                raise film.fault
            task = _task(film, settings, ledger)
            wanted = ledger.ask(task)
            if wanted and film.origin is not None:
                fetched = _fetched(task, film.origin, ledger)
                wanted = fetched == task or ledger.ask(fetched)
                task = fetched
        except ArchiveError:
            raise
        except (RxMeasureError, OSError) as error:
            _note_unread(film.name, str(error), ledger, log, counts)
            continue
        if wanted:
            yield task
        else:
            counts.done_before += 1
            _give_back(task)


def _note_unread(name: str, reason: str, ledger: Ledger, log: _Log, counts: Counts) -> None:
    reason = whole_text(reason)
    ledger.note_unread(name, reason)
    counts.unreadable += 1
    log.tell("unreadable", film=name, reason=reason)


def _give_back(task: Task) -> None:
    if task.lent:
        path = Path(task.path)
        path.unlink(missing_ok=True)
        with suppress(OSError):
            path.parent.rmdir()


def _task(film: Film, settings: BatchSettings, ledger: Ledger) -> Task:
    from rxmeasure.reading.radiograph_file import read_file

    marks = b"" if film.marks is None else read_file(film.marks)
    return Task(
        path=str(film.path.absolute()),
        name=film.name,
        marks=None if film.marks is None else str(film.marks.absolute()),
        image_sha256=_image_hash(film, ledger),
        settings_sha256=settings.hash(marks),
        lent=film.origin is not None and not film.origin.keep,
    )


def _fetched(task: Task, origin: Origin, ledger: Ledger) -> Task:
    """The task of the file as it comes now: an object stays, its file may be written anew."""
    from rxmeasure.reading.radiograph_file import read_file

    origin.fetch()
    image_sha256 = hashlib.sha256(read_file(task.path)).hexdigest()
    if image_sha256 != task.image_sha256:
        ledger.note_origin(origin.uid, image_sha256)
    return replace(task, image_sha256=image_sha256)


def _image_hash(film: Film, ledger: Ledger) -> str:
    from rxmeasure.reading.radiograph_file import read_file

    known = None if film.origin is None else ledger.image_of(film.origin.uid)
    if known is not None:
        return known
    if film.origin is not None:
        film.origin.fetch()
    image_sha256 = hashlib.sha256(read_file(film.path)).hexdigest()
    if film.origin is not None:
        ledger.note_origin(film.origin.uid, image_sha256)
    return image_sha256


def _chunks(tasks: Iterator[Task]) -> Iterator[Chunk]:
    chunk: list[Task] = []
    for task in tasks:
        chunk.append(task)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def _keep(
    results: list[FilmResult], ledger: Ledger, store: Store | None, log: _Log, counts: Counts
) -> None:
    """The store first: a film in the ledger is never asked for again."""
    lasting = [result for result in results if result.lasting]
    for result in lasting:
        if store is not None:
            save_result(result, store)
    ledger.add(lasting)
    for result in results:
        if not result.lasting:
            _note_unread(result.task.name, result.reason, ledger, log, counts)
            _give_back(result.task)
            continue
        counts.seconds.update(result.seconds)
        if result.review is None:
            counts.quarantined += 1
        else:
            counts.measured += 1
        word = "measured" if result.review is not None else "quarantined"
        log.tell(word, film=result.task.name, image=result.task.image_sha256, reason=result.reason)
        _give_back(result.task)


class _Log:
    """Events of the runs, a JSON object a line."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def tell(self, event: str, **more: Any) -> None:
        line = {"time": datetime.now(UTC).isoformat(), "event": event, **more}
        try:
            with self._path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")
        except OSError as error:
            raise WriteError(
                found=f"{self._path.name} cannot be written: {error.strerror}.",
                needed="a folder with space; what is measured is kept.",
                next_step="Free some space, then give the same command again.",
            ) from error
