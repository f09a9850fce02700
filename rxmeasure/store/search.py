"""Searching: what is asked for, who asks, and the query of both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, exists, or_, select, true

from rxmeasure.store.people import Person
from rxmeasure.store.tables import Head, HeadTag, HeadVerdict, Record, RevisionRow

AnySelect = Select[*tuple[Any, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What is looked for; what is None is not asked.

    Attributes
    ----------
    kind, subject, owner, patient, author : str or None
        ``patient`` is the keyed pseudonym; ``author`` saved the newest revision.
    tooth, film_kind, visit : str or None
    since, until : str or None
        ISO days, both included.
    rule, outcome : str or None
        A verdict by this rule, with this outcome; one verdict must have both.
    tag : str or None
    """

    kind: str | None = None
    subject: str | None = None
    owner: str | None = None
    patient: str | None = None
    author: str | None = None
    tooth: str | None = None
    film_kind: str | None = None
    visit: str | None = None
    since: str | None = None
    until: str | None = None
    rule: str | None = None
    outcome: str | None = None
    tag: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A record and its newest revision, without the content.

    ``date`` is the ISO day of the visit, else of the review or the save.
    """

    record_id: int
    kind: str
    subject: str
    owner: str
    shared: bool
    patient: str | None
    number: int
    author: str
    time_utc: str
    date: str
    tooth: str
    film_kind: str
    visit: str


def visible(person: Person) -> ColumnElement[bool]:
    """Return the condition under which a person may see a record."""
    if person.role.sees_all:
        return true()
    return or_(Record.owner == person.name, Record.shared)


def found_query(search: Search, person: Person) -> AnySelect:
    """Return the query of the records found, newest first."""
    return _joined(select(*_COLUMNS), search, person).order_by(
        Head.date.desc(), Head.record_id.desc()
    )


def record_ids(search: Search, person: Person) -> AnySelect:
    """Return the query of the numbers of the records found."""
    return _joined(select(Head.record_id, Head.seq), search, person)


def found_of(row: Any) -> Found:
    """Return what a row of `found_query` says."""
    return Found(**row._mapping)


_COLUMNS = (
    Head.record_id,
    Record.kind,
    Record.subject,
    Record.owner,
    Record.shared,
    Head.patient,
    Head.number,
    RevisionRow.author,
    RevisionRow.time_utc,
    Head.date,
    Head.tooth,
    Head.film_kind,
    Head.visit,
)


def _joined(query: AnySelect, search: Search, person: Person) -> AnySelect:
    return (
        query.select_from(Head)
        .join(Record, Record.id == Head.record_id)
        .join(RevisionRow, RevisionRow.seq == Head.seq)
        .where(visible(person), *_conditions(search))
    )


def _conditions(search: Search) -> list[ColumnElement[bool]]:
    equal = (
        (Record.kind, search.kind),
        (Record.subject, search.subject),
        (Record.owner, search.owner),
        (Head.patient, search.patient),
        (RevisionRow.author, search.author),
        (Head.tooth, search.tooth),
        (Head.film_kind, search.film_kind),
        (Head.visit, search.visit),
    )
    conditions = [column == value for column, value in equal if value is not None]
    if search.since is not None:
        conditions.append(Head.date >= search.since)
    if search.until is not None:
        conditions.append(Head.date <= search.until)
    verdict = [
        column == value
        for column, value in (
            (HeadVerdict.rule_id, search.rule),
            (HeadVerdict.outcome, search.outcome),
        )
        if value is not None
    ]
    if verdict:
        conditions.append(exists().where(and_(HeadVerdict.record_id == Head.record_id, *verdict)))
    if search.tag is not None:
        conditions.append(
            exists().where(HeadTag.record_id == Head.record_id, HeadTag.tag == search.tag)
        )
    return conditions
