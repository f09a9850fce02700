"""A course in the record store: what each person may read and write there.

All documents of a course lie in the store of `rxmeasure.store`, whose roles rule them. Rules,
cases, keys and what tickets stand for belong to the course and are open to teachers alone. The
rubric is shared. A queue belongs to its rater, who may read it; what a rater hands in belongs to
that rater. A teacher who marks blind opens the store as a rater.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

from rxmeasure.errors import ConflictError, TeachingError
from rxmeasure.record.review_file import review_from_tree, review_tree
from rxmeasure.review import Review
from rxmeasure.store import Document, Found, Role, Search, Store
from rxmeasure.teaching.course import (
    Case,
    Course,
    CourseRecords,
    Key,
    Submission,
    measured_of,
)
from rxmeasure.teaching.course_file import parse_course
from rxmeasure.teaching.queue import Queue, QueueItem, Ticket, resolved
from rxmeasure.teaching.rubric import Rubric, check_levels
from rxmeasure.teaching.rubric_file import parse_rubric

if TYPE_CHECKING:
    from cattrs import Converter

_Value = TypeVar("_Value")

RULES = "course-rules"
RUBRIC = "course-rubric"
CASE = "course-case"
KEY = "course-key"
TICKETS = "course-tickets"
QUEUE = "course-queue"
#: What raters hand in, and what they drew; the store lets each role open its own kinds.
MARKS = {Role.STUDENT: "student-marks", Role.RATER: "rater-marks"}
DRAWN = {Role.STUDENT: "student-drawn", Role.RATER: "rater-drawn"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """The rules of a course as they were written, and who takes part."""

    course: str
    rubric: str
    students: tuple[str, ...]
    teachers: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tickets:
    tickets: tuple[Ticket, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Items:
    items: tuple[QueueItem, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    review: Review


# What teachers do


def begin_course(store: Store, rules: Rules) -> Course:
    """Keep the rules of a course, and share its rubric; again after a change of the rules.

    Raises
    ------
    TeachingError
        The rules are wrong, or somebody is named twice, without a name, or student and teacher.
    StoreError
        The person may not do this, or the store cannot be reached.
    """
    course = _course_of(rules)
    _check_people(rules)
    both = set(rules.students) & set(rules.teachers)
    if both:
        raise TeachingError(
            found=f"{', '.join(sorted(both))} as student and as teacher.",
            needed="each person once.",
            next_step="Take the person out of one list.",
        )
    _put(store, RULES, course.id, rules, owner=course.id)
    _put(store, RUBRIC, course.id, {"rubric": rules.rubric}, owner=course.id, shared=True)
    return course


def _check_people(rules: Rules) -> None:
    for word, names in (("student", rules.students), ("teacher", rules.teachers)):
        wrong = sorted({name for name in names if names.count(name) > 1 or not name.strip()})
        if wrong:
            raise TeachingError(
                found=f"the {word} {wrong[0]!r}, twice or without a name.",
                needed="the pseudonym of each person once.",
                next_step="Correct the list of people.",
            )


def rules_of(store: Store, course_id: str) -> Rules:
    """The rules of a course, for teachers.

    Raises
    ------
    TeachingError
        No such course that is open to the person, or the person is a student of it.
    """
    found = store.find(Search(kind=RULES, subject=course_id))
    if not found:
        raise _no_course(store, course_id)
    rules = _structured(store.read(found[0].record_id).content, Rules)
    if store.person.name in rules.students:
        raise TeachingError(
            found=f"{store.person.name}, a student of this course.",
            needed="a teacher: the whole course is closed to its students.",
            next_step="See your own queue: rxmeasure course tasks",
        )
    return rules


def check_student(rules: Rules, name: str) -> None:
    """Refuse an author who is no student of the course; empty: nobody's.

    Raises
    ------
    TeachingError
        No such student.
    """
    if name and name not in rules.students:
        raise TeachingError(
            found=f"no student {name!r} in the course.",
            needed=f"one of: {', '.join(rules.students)}.",
            next_step="Correct the pseudonym.",
        )


def add_case(store: Store, course_id: str, case: Case) -> None:
    """Put a film into the bank, or change what is said of it.

    Raises
    ------
    TeachingError
        Another film has this name: markings of that one would count for this one.
    """
    subject = f"{course_id}/{case.id}"
    found = store.find(Search(kind=CASE, subject=subject, owner=course_id))
    if found:
        there = _structured(store.read(found[0].record_id).content, Case)
        if there.sha256 != case.sha256:
            raise TeachingError(
                found=f"the case {case.id} with another film.",
                needed="a name of its own for each film.",
                next_step="Rename the file, e.g. with the pseudonym before it.",
            )
    _put(store, CASE, subject, case, owner=course_id)


def keep_key(store: Store, course_id: str, key: Key, *, reason: str = "") -> None:
    """Keep the key of a case; an older one stays as an earlier revision."""
    _put(store, KEY, f"{course_id}/{key.case}", key, owner=course_id, reason=reason)


def give_out(store: Store, course_id: str, queue: Queue) -> None:
    """Keep what the tickets of a queue stand for, and give the queue to its rater.

    Raises
    ------
    TeachingError
        The rater has another queue of this session.
    """
    subject = f"{course_id}/{queue.rater}/{queue.session}"
    given = store.find(Search(kind=TICKETS, subject=subject))
    if given and _structured(store.read(given[0].record_id).content, _Tickets) != _Tickets(
        tickets=queue.tickets
    ):
        raise TeachingError(
            found=f"another queue of {queue.rater} on {queue.session}.",
            needed="one queue of a rater in a session, because tickets were given out.",
            next_step="Choose another date.",
        )
    _put(store, TICKETS, subject, _Tickets(tickets=queue.tickets), owner=course_id)
    _put(store, QUEUE, subject, _Items(items=queue.items), owner=queue.rater)


def records_of(
    store: Store, course_id: str, *, drawn: Callable[[Ticket], bool] = lambda _: False
) -> CourseRecords:
    """All that a course has gathered, for teachers.

    Parameters
    ----------
    store : Store
    course_id : str
    drawn : callable, optional
        For which tickets the whole review is read, with all that was drawn; else only its
        numbers are.

    Raises
    ------
    TeachingError
        No such course that is open to the person.
    """
    rules = rules_of(store, course_id)
    tickets = [t for some in _all(store, TICKETS, course_id, _Tickets) for t in some.tickets]
    submissions = [
        one for kind in MARKS.values() for one in _all(store, kind, course_id, Submission)
    ]
    wanted = {ticket.ticket for ticket in tickets if drawn(ticket)}
    return CourseRecords(
        course=_course_of(rules),
        cases=_all(store, CASE, course_id, Case),
        keys=_all(store, KEY, course_id, Key),
        students=rules.students,
        teachers=rules.teachers,
        markings=resolved(
            [_with_review(store, course_id, s) if s.ticket in wanted else s for s in submissions],
            tickets,
        ),
    )


# What every rater does


def courses_of(store: Store) -> tuple[str, ...]:
    """The courses of a store, by their ids."""
    return tuple(sorted(one.subject for one in store.find(Search(kind=RUBRIC), limit=None)))


def rubric_of(store: Store, course_id: str) -> Rubric:
    """The rubric of a course, for everybody.

    Raises
    ------
    TeachingError
        No such course.
    """
    found = store.find(Search(kind=RUBRIC, subject=course_id))
    if not found:
        raise _no_course(store, course_id)
    return parse_rubric(store.read(found[0].record_id).content["rubric"], "the rubric")


def own_queue(store: Store, course_id: str) -> tuple[QueueItem, ...]:
    """The films that the person is to mark, session after session, each under its ticket."""
    found = sorted(
        (
            one
            for one in store.find(Search(kind=QUEUE, owner=store.person.name), limit=None)
            if one.subject.startswith(f"{course_id}/")
        ),
        key=lambda one: one.subject,
    )
    return tuple(
        item
        for one in found
        for item in _structured(store.read(one.record_id).content, _Items).items
    )


def hand_in(store: Store, course_id: str, submission: Submission, *, based_on: int = 0) -> None:
    """Keep what the person makes of one film of the own queue: all of it, or nothing.

    Parameters
    ----------
    store : Store
    course_id : str
    submission : Submission
    based_on : int
        Number of the person's own marking that this one replaces (`handed_in`); 0: there was none.

    Raises
    ------
    TeachingError
        Not the person's own, no such ticket in the queue, or levels that the rubric does not have.
    ConflictError
        The person has handed in this film meanwhile, elsewhere; its difference names criteria.
    """
    _check_own(store, course_id, submission)
    check_levels(rubric_of(store, course_id), dict(submission.levels))
    role, subject = store.person.role, f"{course_id}/{submission.ticket}"
    numbers = replace(submission, measured=measured_of(submission.review), review=None)
    documents = [_document(MARKS[role], subject, numbers, based_on=based_on)]
    if submission.review is not None:
        drawn = _Drawn(review=_without_patient(submission.review))
        newest = _newest(store, DRAWN[role], subject)
        documents.append(_document(DRAWN[role], subject, drawn, based_on=newest))
    try:
        store.save_together(*documents)
    except ConflictError as conflict:
        raise _in_levels(store, conflict, numbers) from conflict


def handed_in(store: Store, course_id: str) -> dict[str, int]:
    """The tickets that the person has handed in, each with the number of its newest revision."""
    kind, start = MARKS.get(store.person.role), f"{course_id}/"
    if kind is None:
        return {}
    found = store.find(Search(kind=kind, owner=store.person.name), limit=None)
    return {
        one.subject.removeprefix(start): one.number
        for one in found
        if one.subject.startswith(start)
    }


def own_submissions(store: Store, course_id: str) -> tuple[Submission, ...]:
    """What the person has handed in."""
    kind = MARKS.get(store.person.role)
    return () if kind is None else _all(store, kind, course_id, Submission)


# How it is kept


def _check_own(store: Store, course_id: str, submission: Submission) -> None:
    person = store.person
    if person.role not in MARKS:
        raise TeachingError(
            found=f"a marking by a {person.role}.",
            needed="a student, or a teacher who marks blind as a rater.",
            next_step="Open the store in the role rater.",
        )
    if submission.rater != person.name:
        raise TeachingError(
            found=f"a marking of {submission.rater} from {person.name}.",
            needed="a marking of one's own.",
            next_step="Correct the name.",
        )
    if submission.ticket not in {item.ticket for item in own_queue(store, course_id)}:
        raise TeachingError(
            found=f"the ticket {submission.ticket}.",
            needed="a ticket of your own queue.",
            next_step="Correct the ticket.",
        )


def _in_levels(store: Store, conflict: ConflictError, yours: Submission) -> ConflictError:
    """The same refusal, its difference in the words of the rubric."""
    content = store.read(conflict.record_id, conflict.saved_number).content
    saved = _structured(content, Submission)
    levels, own = dict(saved.levels), dict(yours.levels)
    pairs = [(name, levels.get(name, ""), own.get(name, "")) for name in {**levels, **own}]
    pairs.append(("comment", saved.comment, yours.comment))
    told = [pair for pair in pairs if pair[1] != pair[2]]
    if saved.measured != yours.measured:
        told.append(("measurement", _canals(saved), _canals(yours)))
    return ConflictError(
        found=conflict.found,
        needed=conflict.needed,
        next_step="Look at the difference, then hand in on top of it, or leave it.",
        record_id=conflict.record_id,
        saved_number=conflict.saved_number,
        difference=tuple(told),
    )


def _canals(submission: Submission) -> str:
    return ", ".join(canal.name for canal in submission.measured) or "none"


def _without_patient(review: Review) -> Review:
    """The review without the case's pseudonym, which no rater needs."""
    return replace(review, marks=replace(review.marks, patient_pseudonym=""))


def _with_review(store: Store, course_id: str, submission: Submission) -> Submission:
    if not submission.measured:
        return submission  # what was drawn belongs to a marking that this one replaced
    subject = f"{course_id}/{submission.ticket}"
    for kind in DRAWN.values():
        found = store.find(Search(kind=kind, subject=subject, owner=submission.rater))
        if found:
            drawn = _structured(store.read(found[0].record_id).content, _Drawn)
            return replace(submission, review=drawn.review)
    return submission


def _course_of(rules: Rules) -> Course:
    return parse_course(rules.course, "the course", parse_rubric(rules.rubric, "the rubric"))


def _put(
    store: Store,
    kind: str,
    subject: str,
    value: Any,
    *,
    owner: str | None = None,
    shared: bool = False,
    reason: str = "",
) -> None:
    """Save a document on top of what is there."""
    based_on = _newest(store, kind, subject, owner)
    document = _document(kind, subject, value, based_on=based_on)
    store.save_together(replace(document, owner=owner, shared=shared, reason=reason))


def _document(kind: str, subject: str, value: Any, *, based_on: int) -> Document:
    content = _converter().unstructure(value)
    return Document(kind=kind, subject=subject, content=content, based_on=based_on)


def _newest(store: Store, kind: str, subject: str, owner: str | None = None) -> int:
    """Number of the newest revision of a record; 0 where there is none."""
    there = store.find(Search(kind=kind, subject=subject, owner=owner or store.person.name))
    return there[0].number if there else 0


def _all(store: Store, kind: str, course_id: str, what: type[_Value]) -> tuple[_Value, ...]:
    """All documents of a kind in a course that the person may read, in order of their subject."""
    found: Iterable[Found] = store.find(Search(kind=kind), limit=None)
    own = sorted((f for f in found if f.subject.startswith(f"{course_id}/")), key=_place)
    return tuple(_structured(store.read(f.record_id).content, what) for f in own)


def _place(found: Found) -> tuple[str, str]:
    return found.subject, found.owner


def _structured(tree: Any, what: type[_Value]) -> _Value:
    return _converter().structure(tree, what)


def _no_course(store: Store, course_id: str) -> TeachingError:
    return TeachingError(
        found=f"no course {course_id!r} that is open to {store.person.name} "
        f"as {store.person.role}.",
        needed="a course of this store.",
        next_step="Correct the name of the course, or open the store in the right role.",
    )


@cache
def _converter() -> Converter:
    from cattrs import Converter

    converter = Converter(forbid_extra_keys=True)
    converter.register_unstructure_hook(Review, review_tree)
    converter.register_structure_hook(Review, lambda tree, _: review_from_tree(tree))
    return converter
