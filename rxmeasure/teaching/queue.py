"""Blind queues: films in random order under tickets that tell nothing."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import PurePath

import numpy as np

from rxmeasure.errors import TeachingError
from rxmeasure.teaching.calibration import calibration_of_records
from rxmeasure.teaching.course import (
    Case,
    Course,
    CourseRecords,
    Marking,
    Submission,
    case_named,
    measured_of,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueItem:
    """What a rater sees of one film of the queue: its place, ticket and neutral file name."""

    place: int
    ticket: str
    film: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """What a ticket stands for. Kept from the rater."""

    ticket: str
    rater: str
    case: str
    session: str
    showing: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Queue:
    """One rater's queue of one session; ``tickets`` in the order of ``items``."""

    rater: str
    session: str
    items: tuple[QueueItem, ...]
    tickets: tuple[Ticket, ...]


def marking_queue(course: Course, cases: Iterable[Case], rater: str, session: str) -> Queue:
    """The queue of one rater for one session.

    The order depends on the course's secret, the rater and the session alone, not on the order
    of the cases. Some cases come a second time, never right after the first: as many as the
    course says, but at most half of them.

    Parameters
    ----------
    course : Course
    cases : iterable of Case
    rater : str
    session : str
        Date, e.g. ``2026-03-02``.

    Raises
    ------
    TeachingError
        No cases, or a session that is no date.
    """
    _check_date(session)
    known = sorted({case.id: case for case in cases}.values(), key=lambda case: case.id)
    if not known:
        raise TeachingError(
            found=f"no cases for {rater}.",
            needed="one case or more.",
            next_step="Add cases to the bank.",
        )
    rng = _random(course, rater, session)
    order = [known[place] for place in rng.permutation(len(known))]
    shown = [(case, 1) for case in order]
    again = min(course.repeats, len(order) // 2)
    # Repeats come from the first half and return in the second.
    for case in order[:again]:
        shown.insert(int(rng.integers(len(order) // 2 + 1, len(shown) + 1)), (case, 2))
    tickets = tuple(
        Ticket(
            ticket=_ticket(course, rater, session, case, showing),
            rater=rater,
            case=case.id,
            session=session,
            showing=showing,
        )
        for case, showing in shown
    )
    items = tuple(
        QueueItem(place=place, ticket=t.ticket, film=t.ticket + PurePath(case.image).suffix.lower())
        for place, (t, (case, _)) in enumerate(zip(tickets, shown, strict=True), start=1)
    )
    return Queue(rater=rater, session=session, items=items, tickets=tickets)


def cases_for(
    records: CourseRecords, rater: str, *, names: Sequence[str] = (), works: bool = False
) -> tuple[Case, ...]:
    """The cases of a rater's next queue.

    Parameters
    ----------
    records : CourseRecords
    rater : str
    names : sequence of str
        Only these cases; all of the kind without them.
    works : bool
        Students' own fillings instead of the bank.

    Raises
    ------
    TeachingError
        An unknown rater or case, another student's filling for a student, or students' fillings
        for teachers who have not calibrated.
    """
    if rater not in (*records.students, *records.teachers):
        raise TeachingError(
            found=f"{rater!r}, who takes no part in the course.",
            needed="a student or teacher of the course.",
            next_step="Correct the name, or begin the course with this person.",
        )
    if names:
        cases = tuple(case_named(records.cases, name) for name in names)
    else:
        cases = tuple(case for case in records.cases if bool(case.author) == works)
    if rater in records.students:
        if names and any(case.author not in ("", rater) for case in cases):
            raise TeachingError(
                found=f"another student's filling for {rater}.",
                needed="the student's own fillings, or cases of the bank.",
                next_step="Take that case out.",
            )
        return tuple(case for case in cases if case.author in ("", rater))
    if any(case.author for case in cases):
        calibration = calibration_of_records(records)
        if not calibration.passed:
            raise TeachingError(
                found=f"students' fillings, and a calibration that falls short: "
                f"{calibration.why_not}",
                needed="teachers who agree on the bank before they mark students.",
                next_step="Talk the differences over and mark the calibration films again.",
            )
    return cases


def resolved(submissions: Sequence[Submission], tickets: Iterable[Ticket]) -> tuple[Marking, ...]:
    """Markings of cases from what was handed in for tickets; the last one for a ticket counts.

    Raises
    ------
    TeachingError
        A ticket that was never given out, or given to another rater.
    """
    known = {ticket.ticket: ticket for ticket in tickets}
    last: dict[str, Marking] = {}
    for given in submissions:
        ticket = known.get(given.ticket)
        if ticket is None or ticket.rater != given.rater:
            raise TeachingError(
                found=f"the ticket {given.ticket} from {given.rater}.",
                needed="a ticket of that rater's own queue.",
                next_step="Correct the ticket.",
            )
        last[given.ticket] = Marking(
            rater=given.rater,
            case=ticket.case,
            session=ticket.session,
            showing=ticket.showing,
            levels=given.levels,
            comment=given.comment,
            measured=given.measured or measured_of(given.review),
            review=given.review,
        )
    return tuple(last.values())


def _check_date(session: str) -> None:
    try:
        date.fromisoformat(session)
    except ValueError as error:
        raise TeachingError(
            found=f"the session {session!r}.",
            needed="a date like 2026-03-02, so that sessions have an order.",
            next_step="Give the date.",
        ) from error


def _digest(*parts: str) -> bytes:
    return hashlib.sha256("\x1f".join(parts).encode("utf-8")).digest()


def _random(course: Course, rater: str, session: str) -> np.random.Generator:
    seed = int.from_bytes(_digest(course.secret, course.id, rater, session)[:8], "big")
    return np.random.default_rng(seed)


def _ticket(course: Course, rater: str, session: str, case: Case, showing: int) -> str:
    digest = _digest(course.secret, course.id, rater, session, case.id, str(showing))
    return base64.b32encode(digest).decode("ascii")[:8]
