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
from rxmeasure.teaching.course import Case, Course, Marking, Submission, measured_of


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
