"""The part of the desk that acts for a course: opens its store, opens films, hands in.

The store is opened in the role of a student or of a blind rater, and read through
`rxmeasure.teaching.shelf` alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from qtpy.QtCore import QObject

from rxmeasure.errors import ConflictError, RxMeasureError, StoreError, TeachingError
from rxmeasure_napari.background import Background
from rxmeasure_napari.course_state import CourseState, Filled, OpenCourse, read_course
from rxmeasure_napari.form_drafts import FormDrafts, drafts_of
from rxmeasure_napari.review_state import OpenFilm, Step
from rxmeasure_napari.writer import current_review

if TYPE_CHECKING:
    from rxmeasure.review import Review
    from rxmeasure.store import Store
    from rxmeasure.teaching.course import Submission
    from rxmeasure_napari.desk import Desk

_READ, _HAND_IN = "read", "hand in"
#: A course, and by ticket what a crash left of forms.
_Read = tuple[OpenCourse, Mapping[str, Filled]]


class CourseDesk(QObject):
    """Container of the course of one window.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.desk = desk
        self.course: CourseState = desk.state.course
        self._store: Store | None = None
        self._drafts = FormDrafts(desk)
        self.course.edited.connect(self._save_draft)
        self._work = Background("course", self)
        self._work.progressed.connect(partial(desk.tell_busy, self._work))

    @property
    def is_shown(self) -> bool:
        """Whether the step is in front."""
        return self.desk.state.step is Step.COURSE

    @property
    def is_busy(self) -> bool:
        """Whether the store is asked, or takes something."""
        return self._work.busy

    def cancel(self) -> None:
        """Stop waiting for the store; what is being handed in goes on."""
        self._work.cancel(_READ)

    def close(self) -> None:
        """Finish what is being handed in, and let go of the store."""
        self._work.close(finish=True)
        self._let_go()

    # The course.

    def sign_in(self, where: str, name: str, role: str) -> None:
        """Open a store as a student or a blind rater, off the GUI thread."""

        def work(progress: Callable[[str], None]) -> tuple[Store, _Read]:
            store = _opened(where, name, role)
            try:
                opened = _read(store)
                progress("")
            except BaseException:
                store.close()
                raise
            return store, opened

        def take(found: tuple[Store, _Read]) -> None:
            self._let_go()
            self._store, read = found
            opened, _ = read
            beside = Path(where).expanduser().parent
            films = [beside / item.film for item in opened.items]
            self.course.folder = beside if any(map(Path.is_file, films)) else None
            self._take(read)

        self._work.run(_READ, work, take, self.desk.state.refuse, word="opening the course")

    def choose(self, course: str) -> None:
        """Go to another course of the store, or read the same again."""
        store = self._store
        if store is not None:
            self._work.run(
                _READ,
                lambda progress: _read(store, course),
                self._take,
                self.desk.state.refuse,
                word="reading the course",
            )

    def _take(self, read: _Read) -> None:
        opened, drafted = read
        left = {t: filled for t, filled in drafted.items() if self.course.form_at(t) is None}
        self.course.take(opened, left)
        if left:
            tickets = ", ".join(left)
            self.desk.state.tell(f"Unfinished marking was taken up: {tickets}; undo goes back.")

    def _save_draft(self, ticket: str) -> None:
        opened, form = self.course.opened, self.course.form_at(ticket)
        if opened is not None and form is not None:
            self._drafts.save(opened, ticket, form)

    def leave(self) -> None:
        """Close the course; its films stay open."""
        self.course.take(None)
        self._let_go()

    def _let_go(self) -> None:
        if self._store is not None:
            self._store.close()
        self._store = None

    # Its films.

    def open_task(self, ticket: str) -> None:
        """Open the film of a task, from the folder of the films."""
        course, opened = self.course, self.course.opened
        item = next((t for t in opened.items if t.ticket == ticket), None) if opened else None
        if item is None or course.folder is None:
            return
        path = course.folder / item.film
        if path.is_file():
            self.desk.open_path(path)
            return
        self.desk.state.refuse(
            TeachingError(
                found=f"no film {item.film} in {course.folder}.",
                needed="the folder of films that was given out with your queue.",
                next_step="Choose that folder.",
            )
        )

    # Handing in.

    def hand_in(self, film: OpenFilm) -> None:
        """Hand in the form of a film, with its review.

        It replaces what the person handed in before, or a conflict that was shown.
        """
        store, opened, submission = self._store, self.course.opened, self._submission(film)
        form = self.course.form_of(film)
        if store is None or opened is None or submission is None or form is None or self.is_busy:
            return
        conflict = self.course.conflicts.get(submission.ticket)
        based_on = form.based_on if conflict is None else conflict.saved_number

        def work(progress: object) -> OpenCourse:
            from rxmeasure.teaching.shelf import hand_in

            hand_in(store, opened.course, submission, based_on=based_on)
            return read_course(store, opened.course)

        self._finish(film, submission.ticket, work, told="Handed in")

    def leave_as_saved(self, film: OpenFilm) -> None:
        """Let what was handed in elsewhere stand."""
        store, opened, task = self._store, self.course.opened, self.course.task_of(film)
        if store is None or opened is None or task is None or self.is_busy:
            return

        def work(progress: object) -> OpenCourse:
            return read_course(store, opened.course)

        self._finish(film, task.ticket, work, told="Left as it was handed in")

    def _finish(
        self, film: OpenFilm, ticket: str, work: Callable[[object], OpenCourse], *, told: str
    ) -> None:
        """Run what ends a task; then close its film, and open the next one."""

        def refused(error: RxMeasureError) -> None:
            if isinstance(error, ConflictError):
                self.course.take_conflict(ticket, error)
            else:
                self.desk.state.refuse(error)
                self.course.changed.emit()

        def go_on(opened: OpenCourse) -> None:
            self._drafts.drop(opened, ticket)
            self.course.forget_form(ticket)
            self.course.take(opened)
            self.desk.close_film(film)
            left = opened.tasks
            all_done = "" if left else f" All {len(opened.items)} films are handed in."
            self.desk.state.tell(f"{told}: {ticket}.{all_done}")
            if left:
                self.open_task(left[0].ticket)

        self._work.run(_HAND_IN, work, go_on, refused, word="handing in")
        self.course.changed.emit()

    def _submission(self, film: OpenFilm) -> Submission | None:
        """What would be handed in; a refusal is told."""
        from rxmeasure.teaching.course import Submission, ordered_levels

        opened, task = self.course.opened, self.course.task_of(film)
        form = self.course.form_of(film)
        if opened is None or task is None or form is None:
            return None
        try:
            review = _review_of(film, needed=opened.needs_measurement)
        except RxMeasureError as error:
            self.desk.state.refuse(error)
            return None
        return Submission(
            rater=opened.person.name,
            ticket=task.ticket,
            levels=ordered_levels(opened.rubric, form.level_of),
            comment=form.comment,
            review=review,
        )


def _read(store: Store, course: str = "") -> _Read:
    opened = read_course(store, course)
    return opened, drafts_of(opened)


def _opened(where: str, name: str, role: str) -> Store:
    """Open the store.

    Raises
    ------
    RxMeasureError
        It cannot be opened by this person, or its packages are missing.
    """
    try:
        from rxmeasure.store import Person, Role, open_store
    except ImportError as error:
        raise StoreError(
            found=f"the package {error.name} is missing.",
            needed="the packages of the record store.",
            next_step="Install them: pip install 'rxmeasure[store]'",
        ) from error

    place = where if "://" in where else Path(where).expanduser()
    return open_store(place, Person(name=name, role=Role(role)))


def _review_of(film: OpenFilm, *, needed: bool) -> Review | None:
    """The review that goes along; a marker who traced nothing hands in levels alone."""
    return current_review(film) if needed or film.marks.canals else None
