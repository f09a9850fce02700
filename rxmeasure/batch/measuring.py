"""What a worker does: films in, plain results out."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from time import perf_counter
from typing import Any

from rxmeasure import __version__
from rxmeasure.errors import RxMeasureError
from rxmeasure.file_names import whole_text
from rxmeasure.marks import FilmKind, ReviewMarks
from rxmeasure.one_thread import one_thread
from rxmeasure.review import Review

#: Reader of the canals that the program proposes.
PROGRAM = "rxmeasure"


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSettings:
    """What holds for all films of a run.

    Attributes
    ----------
    film_kind : FilmKind
        Of films without marks.
    rule_ids : tuple of str
        Rule sets instead of those of the marks; empty: theirs.
    """

    film_kind: FilmKind = FilmKind.POSTOPERATIVE
    rule_ids: tuple[str, ...] = ()

    def hash(self, marks: bytes) -> str:
        """SHA-256 of all that shapes a film's result beside its image."""
        whole = {"version": __version__, **asdict(self)}
        text = json.dumps(whole, sort_keys=True).encode() + b"\0" + marks
        return hashlib.sha256(text).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One film to measure; the two hashes are its key. A ``lent`` file goes when it is done."""

    path: str
    name: str
    marks: str | None
    image_sha256: str
    settings_sha256: str
    lent: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmResult:
    """What became of a film.

    Attributes
    ----------
    task : Task
    reason : str
        Why it is quarantined; empty for a measured film.
    lasting : bool
        False where it is not the film's fault: nothing is kept, and the next run tries again.
    review : dict or None
        What a review file holds; its time is left empty, so that equal inputs give equal results.
    seconds : dict
        Time by step.
    """

    task: Task
    reason: str
    review: dict[str, Any] | None
    seconds: dict[str, float]
    lasting: bool = True


Chunk = Sequence[Task]
Work = Callable[[Chunk, BatchSettings], list[FilmResult]]


@one_thread
def measure_chunk(chunk: Chunk, settings: BatchSettings) -> list[FilmResult]:
    """Measure films one after the other; a film that fails is quarantined."""
    return [_measured(task, settings) for task in chunk]


def quarantined(task: Task, reason: str) -> FilmResult:
    """The result of a film that cannot be measured."""
    return FilmResult(task=task, reason=reason, review=None, seconds={})


def _not_now(task: Task, reason: str) -> FilmResult:
    return FilmResult(task=task, reason=reason, review=None, seconds={}, lasting=False)


def _measured(task: Task, settings: BatchSettings) -> FilmResult:
    """The result, if the files are those that the key stands for: drives drop, people save."""
    from rxmeasure.reading.radiograph_file import read_file

    try:
        result = _reviewed(task, settings)
    except _NotNow as why:
        return _not_now(task, str(why))
    except MemoryError:
        return _not_now(task, "Too little memory was left for this film.")
    except RxMeasureError as error:
        result = quarantined(task, str(error))
    except Exception as error:  # noqa: BLE001 - one film never stops a run
        fault = whole_text(f"{type(error).__name__}: {error}")
        result = quarantined(task, f"Fault of the program: {fault}")
    try:
        marks = b"" if task.marks is None else read_file(task.marks)
    except RxMeasureError as error:
        return _not_now(task, f"Marks: {error}")
    if settings.hash(marks) != task.settings_sha256:
        return _not_now(task, "The marks, or the program, changed while the run went on.")
    return result


class _NotNow(Exception):  # noqa: N818 - it says why, and is not an error of the film
    """The file is not there as it was when the run came to it."""


def _image(task: Task) -> bytes:
    from rxmeasure.reading.radiograph_file import read_file

    try:
        image = read_file(task.path)
    except RxMeasureError as error:
        raise _NotNow(str(error)) from error
    if hashlib.sha256(image).hexdigest() != task.image_sha256:
        raise _NotNow("The file changed while the run went on.")
    return image


def _reviewed(task: Task, settings: BatchSettings) -> FilmResult:
    from rxmeasure.proposals import with_unconfirmed
    from rxmeasure.reading.radiograph_file import radiograph_of
    from rxmeasure.record.review_file import review_tree
    from rxmeasure.review import review_film

    seconds: dict[str, float] = {}
    start = perf_counter()

    def lap(step: str) -> None:
        nonlocal start
        now = perf_counter()
        seconds[step] = now - start
        start = now

    radiograph = radiograph_of(_image(task), file_name=whole_text(Path(task.path).name))
    lap("read")
    marks = _marks_of(task, settings)
    if not marks.canals:
        marks = replace(with_unconfirmed(radiograph, marks), reader=PROGRAM)
    lap("propose")
    review: Review = replace(review_film(radiograph, marks), created_utc="")
    lap("review")
    return FilmResult(task=task, reason="", review=review_tree(review), seconds=seconds)


def _marks_of(task: Task, settings: BatchSettings) -> ReviewMarks:
    from rxmeasure.record.review_file import read_marks

    if task.marks is None:
        marks = ReviewMarks(film_kind=settings.film_kind)
    else:
        marks = read_marks(Path(task.marks))
    return replace(marks, rule_set_ids=settings.rule_ids) if settings.rule_ids else marks
