"""The course of one window: who marks, which films wait, what is filled in. No Qt, no napari."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from psygnal import Signal

from rxmeasure.errors import ConflictError, TeachingError
from rxmeasure_napari.history import Undoable
from rxmeasure_napari.series_state import file_key

if TYPE_CHECKING:
    from rxmeasure.store import Person, Store
    from rxmeasure.teaching.queue import QueueItem
    from rxmeasure.teaching.rubric import Rubric
    from rxmeasure_napari.review_state import OpenFilm


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """What a person put into the rubric's form: criterion and level, and a comment."""

    levels: tuple[tuple[str, str], ...] = ()
    comment: str = ""


class FilledForm(Undoable[Filled]):
    """The form of one film until it is handed in.

    Parameters
    ----------
    begun : Filled, optional
        What was handed in and is corrected now; else nothing is chosen at first.
    based_on : int, optional
        Number of the revision that was handed in; 0: none was.
    """

    changed = Signal()

    def __init__(self, begun: Filled = Filled(), based_on: int = 0) -> None:
        super().__init__()
        self._begun = self._filled = begun
        self.based_on = based_on

    @property
    def level_of(self) -> Mapping[str, str]:
        """Criterion -> level, as far as chosen."""
        return dict(self._filled.levels)

    @property
    def comment(self) -> str:
        """A word on the film."""
        return self._filled.comment

    @property
    def has_unkept_work(self) -> bool:
        """Whether something is filled in, which is in no store yet."""
        return self._filled != self._begun

    def take_up(self, filled: Filled) -> None:
        """Go on with what a crash left; one step of undo."""
        self._change("unfinished marking", filled)

    def choose(self, criterion: str, level: str) -> None:
        """Give a criterion its level; one step of undo."""
        levels = tuple({**self.level_of, criterion: level}.items())
        self._change(f"{criterion} {level}", replace(self._filled, levels=levels))

    def write(self, comment: str) -> None:
        """Change the comment; one step of undo."""
        self._change("comment", replace(self._filled, comment=comment))

    def _now(self) -> Filled:
        return self._filled

    def _take(self, value: Filled) -> None:
        self._filled = value
        self.changed.emit()


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenCourse:
    """What the store shows this person of a course.

    Attributes
    ----------
    person : Person
    course : str
    courses : tuple of str
        All courses of the store.
    rubric : Rubric
    items : tuple of QueueItem
        The person's own queue.
    handed_in : mapping
        Ticket -> number of the revision that is handed in.
    filled : mapping
        Ticket -> what the person handed in.
    """

    person: Person
    course: str
    courses: tuple[str, ...]
    rubric: Rubric
    items: tuple[QueueItem, ...]
    handed_in: Mapping[str, int]
    filled: Mapping[str, Filled]

    @property
    def tasks(self) -> tuple[QueueItem, ...]:
        """Films that wait to be marked."""
        return tuple(item for item in self.items if item.ticket not in self.handed_in)

    @property
    def corrigible(self) -> tuple[QueueItem, ...]:
        """Films that are handed in, and may be marked again; both markings are kept."""
        return tuple(item for item in self.items if item.ticket in self.handed_in)

    @property
    def needs_measurement(self) -> bool:
        """Whether a review has to go along: a student measures, a marker may."""
        return self.person.role == "student"


def read_course(store: Store, course: str = "") -> OpenCourse:
    """Read what the person may see of a course; of the first one where none is named.

    Raises
    ------
    RxMeasureError
        No course in the store, or the store cannot be reached.
    """
    from rxmeasure.teaching.shelf import (
        courses_of,
        handed_in,
        own_queue,
        own_submissions,
        rubric_of,
    )

    courses = courses_of(store)
    if not courses:
        raise TeachingError(
            found="no course in this store.",
            needed="the store of a course.",
            next_step="Choose another store, or ask who runs the course.",
        )
    chosen = course or courses[0]
    return OpenCourse(
        person=store.person,
        course=chosen,
        courses=courses,
        rubric=rubric_of(store, chosen),
        items=own_queue(store, chosen),
        handed_in=handed_in(store, chosen),
        filled={
            one.ticket: Filled(levels=one.levels, comment=one.comment)
            for one in own_submissions(store, chosen)
        },
    )


class CourseState:
    """The course that is open in one window, if any.

    Attributes
    ----------
    opened : OpenCourse or None
        As it was last read from the store.
    folder : Path or None
        Where the films of the queue lie.
    conflicts : dict
        Ticket -> what was handed in elsewhere, until the person decides.
    """

    changed = Signal()
    #: A ticket whose form was edited.
    edited = Signal(str)

    def __init__(self) -> None:
        self.opened: OpenCourse | None = None
        self.folder: Path | None = None
        self.conflicts: dict[str, ConflictError] = {}
        self._forms: dict[str, FilledForm] = {}
        self._drafted: dict[str, Filled] = {}

    @property
    def has_unkept_work(self) -> bool:
        """Whether a form is filled in that was not handed in."""
        return any(form.has_unkept_work for form in self._forms.values())

    def take(self, opened: OpenCourse | None, drafted: Mapping[str, Filled] | None = None) -> None:
        """Show the course as the store has it now; None: leave it.

        ``drafted``: forms that a crash left, by their tickets; None: as before.
        """
        same = _whose(opened) == _whose(self.opened)
        self._forms = {t: f for t, f in self._forms.items() if same and f.has_unkept_work}
        if drafted is not None or not same:
            self._drafted = dict(drafted or {})
        self.opened = opened
        self.conflicts.clear()
        self.changed.emit()

    def look_in(self, folder: Path) -> None:
        """Say where the films lie."""
        self.folder = folder
        self.changed.emit()

    def take_conflict(self, ticket: str, conflict: ConflictError) -> None:
        """Another window handed in this film first."""
        self.conflicts[ticket] = conflict
        self.changed.emit()

    def task_of(self, film: OpenFilm | None) -> QueueItem | None:
        """The task that a film belongs to, open or handed in."""
        if film is None or self.opened is None or self.folder is None:
            return None
        folder, key = self.folder, file_key(film.path)
        return next((t for t in self.opened.items if file_key(folder / t.film) == key), None)

    def form_of(self, film: OpenFilm | None) -> FilledForm | None:
        """What is filled in for a film; None where it is no task."""
        task = self.task_of(film)
        opened = self.opened
        if task is None or opened is None:
            return None
        if task.ticket not in self._forms:
            number = opened.handed_in.get(task.ticket, 0)
            form = FilledForm(opened.filled.get(task.ticket, Filled()), number)
            self._forms[task.ticket] = form
            if task.ticket in self._drafted:
                form.take_up(self._drafted.pop(task.ticket))
            form.changed.connect(partial(self._tell, task.ticket))
        return self._forms[task.ticket]

    def form_at(self, ticket: str) -> FilledForm | None:
        """The form of a ticket, where one was begun."""
        return self._forms.get(ticket)

    def _tell(self, ticket: str) -> None:
        self.edited.emit(ticket)
        self.changed.emit()

    def forget_form(self, ticket: str) -> None:
        """The form was handed in."""
        self._forms.pop(ticket, None)


def _whose(opened: OpenCourse | None) -> object:
    return None if opened is None else (opened.person, opened.course)
