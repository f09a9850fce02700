"""A small course in a store, with queues and films given out, for tests of the window."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from store_servers import PostgresServer

from rxmeasure.store import Person, Role, Store, make_store, open_store
from rxmeasure.teaching.bank import case_of, copy_films
from rxmeasure.teaching.course import Key, KeyMeasure
from rxmeasure.teaching.course_file import sample_course_text
from rxmeasure.teaching.queue import QueueItem, marking_queue
from rxmeasure.teaching.rubric_file import sample_rubric_text
from rxmeasure.teaching.shelf import (
    Rules,
    add_case,
    begin_course,
    give_out,
    keep_key,
    own_queue,
)

STUDENT, OTHER, TEACHER = "student-1", "student-2", "teacher-1"
COURSE = "filling-sample"
#: Names and numbers that stand in the key alone.
KEY_MAKERS, KEY_VALUE = ("teacher-8", "teacher-9"), 1.2345


@dataclass(frozen=True, kw_only=True)
class CourseInStore:
    """Where the course lies, and which film of the bank each ticket shows.

    ``logins`` are the addresses for those who log in to a server.
    """

    where: Path | str
    films: dict[str, Path]
    shown: dict[str, str]
    logins: dict[str, str]

    def address(self, name: str) -> str:
        """What this person types to open the store."""
        return self.logins.get(name, str(self.where))

    def open(self, name: str) -> Store:
        """The store, as this person may see it."""
        role = Role.RATER if name == TEACHER else Role.STUDENT
        return open_store(self.address(name), Person(name=name, role=role))

    def items(self, name: str) -> tuple[QueueItem, ...]:
        """The queue of a person."""
        with self.open(name) as store:
            return own_queue(store, COURSE)


def course_in_store(
    folder: Path, bank: list[Path], server: PostgresServer | None = None
) -> CourseInStore:
    """Begin the sample course on films of one folder, with a student's and a teacher's queue."""
    database = "" if server is None else server.new_database()
    where = folder / "exam.rxstore" if server is None else server.url(database)
    logins = {} if server is None else {n: server.url(database, n) for n in (STUDENT, TEACHER)}
    cases = tuple(case_of(film, f"case-{number}") for number, film in enumerate(bank, 1))
    rules = Rules(
        course=sample_course_text(),
        rubric=sample_rubric_text(),
        students=(STUDENT, OTHER),
        teachers=(TEACHER,),
    )
    films, shown = {}, {}
    with make_store(where, Person(name="director", role=Role.TEACHER)) as store:
        if server is not None:
            store.admit(STUDENT, Role.STUDENT)
            store.admit(TEACHER, Role.RATER)
        course = begin_course(store, rules)
        levels = tuple((c.id, c.levels[-1].name) for c in course.rubric.criteria)
        measure = KeyMeasure(
            canal="1", name="fill_to_apex_core_mm", value=KEY_VALUE, unit="mm", spread=0.1
        )
        for case in cases:
            add_case(store, COURSE, case)
            key = Key(
                case=case.id, agreed_by=KEY_MAKERS, session="2026-02-02", levels=levels,
                measures=(measure,),
            )  # fmt: skip
            keep_key(store, COURSE, key)
        for rater in (STUDENT, TEACHER):
            queue = marking_queue(course, cases, rater, "2026-03-02")
            films[rater] = folder / f"for-{rater}"
            films[rater].mkdir()
            copy_films(queue, cases, bank[0].parent, films[rater])
            give_out(store, COURSE, queue)
            names = {case.id: case.image for case in cases}
            shown |= {ticket.ticket: names[ticket.case] for ticket in queue.tickets}
    return CourseInStore(where=where, films=films, shown=shown, logins=logins)
