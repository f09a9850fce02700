"""Steps inside a transaction: the next revision, what is there, and what is taken away."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Row, Select, bindparam, delete, insert, select, update

from rxmeasure import __version__
from rxmeasure.errors import ConflictError, ForgottenError, StoreError
from rxmeasure.store.chain import Link, Sealed, sealed, unpacked
from rxmeasure.store.difference import difference
from rxmeasure.store.header import Header
from rxmeasure.store.people import Person
from rxmeasure.store.search import visible
from rxmeasure.store.tables import (
    ChainHead,
    Content,
    Head,
    HeadTag,
    HeadVerdict,
    Record,
    RecordPatient,
    RevisionRow,
)

AnyRow = Row[*tuple[Any, ...]]

SAVE, UNDO, FORGET = "save", "undo", "forget"


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisionInfo:
    """What the chain keeps of a revision; ``reason`` is empty once it was forgotten."""

    record_id: int
    number: int
    action: str
    author: str
    role: str
    time_utc: str
    software_version: str
    hash: str
    reason: str


def info_of(row: Any, reason: str) -> RevisionInfo:
    """Return what a row of the revisions says, with the reason of its header."""
    return RevisionInfo(
        record_id=row.record_id,
        number=row.number,
        action=row.action,
        author=row.author,
        role=row.role,
        time_utc=row.time_utc,
        software_version=row.software_version,
        hash=row.hash,
        reason=reason,
    )


def now() -> str:
    """Return the time as revisions keep it: ISO 8601, UTC."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def newest(connection: Connection, record_id: int) -> AnyRow:
    """Return the newest revision of a record."""
    return connection.execute(
        select(RevisionRow.__table__)
        .where(RevisionRow.record_id == record_id)
        .order_by(RevisionRow.number.desc())
        .limit(1)
    ).one()


def saved_already(connection: Connection, record_id: int, content: Sealed) -> AnyRow | None:
    """Return the revision of a content: a server may go away after a save, before it says so."""
    return connection.execute(
        select(RevisionRow.__table__).where(
            RevisionRow.record_id == record_id, RevisionRow.commitment == content.commitment
        )
    ).one_or_none()


def content_at(
    connection: Connection, record_id: int, number: int | None, *, asked_by: Person | None = None
) -> AnyRow:
    """Return a revision with its header and body; the newest without a number.

    Raises
    ------
    StoreError
        There is no such revision, or the person who asks may not see its record.
    ForgottenError
        Its content was deleted on request.
    """
    query = _content_query(asked_by, newest=number is None)
    wanted = {"record": record_id} if number is None else {"record": record_id, "number": number}
    row = connection.execute(query, wanted).one_or_none()
    if row is None:
        look = "search" if number is None else "history"
        raise no_such("revision of that number", f"rxmeasure store {look}")
    if not row.body:
        raise ForgottenError(
            found="a record whose content was deleted on request.",
            needed="a record that was not forgotten.",
            next_step="Choose another record; its history is still there.",
        )
    return row


@lru_cache(maxsize=64)
def _content_query(asked_by: Person | None, *, newest: bool) -> Select[*tuple[Any, ...]]:
    """Made once for each person: making it takes longer than a server needs to answer it."""
    query = (
        select(RevisionRow.__table__, Content.header, Content.body)
        .join(Record, Record.id == RevisionRow.record_id)
        .outerjoin(Content, Content.seq == RevisionRow.seq)
        .where(RevisionRow.record_id == bindparam("record"))
        .order_by(RevisionRow.number.desc())
        .limit(1)
        .execution_options(binary=True)
    )
    if not newest:
        query = query.where(RevisionRow.number == bindparam("number"))
    return query if asked_by is None else query.where(visible(asked_by))


def append(
    connection: Connection,
    person: Person,
    record_id: int,
    *,
    number: int,
    action: str,
    header: Header,
    content: Sealed,
) -> RevisionInfo:
    """Add a revision to the end of the chain, and make it the one that is searched."""
    head = connection.execute(select(ChainHead.seq, ChainHead.hash)).one()
    link = Link(
        seq=head.seq + 1,
        record_id=record_id,
        number=number,
        action=action,
        author=person.name,
        role=str(person.role),
        time_utc=now(),
        software_version=__version__,
        commitment=content.commitment,
        previous_hash=head.hash,
    )
    fields = {name: getattr(link, name) for name in Link.__dataclass_fields__}
    connection.execute(insert(RevisionRow).values(**fields, hash=link.hash))
    connection.execute(
        insert(Content).values(
            seq=link.seq, salt=content.salt, header=content.header, body=content.body
        )
    )
    _take_off_heads(connection, record_id)
    if header.patient is not None:
        _note_patient(connection, record_id, header.patient)
    if action != FORGET:
        _put_on_heads(connection, link, header)
    return info_of(link, header.reason)


def empty(connection: Connection, person: Person, record_id: int, reason: str) -> None:
    """Delete what a record holds; its revisions and the reason stay."""
    header = Header(
        kind="", subject=None, owner="", patient=None, tags=(), reason=reason, date=now()[:10]
    )
    last = append(
        connection,
        person,
        record_id,
        number=newest(connection, record_id).number + 1,
        action=FORGET,
        header=header,
        content=sealed(header.as_tree(), b""),
    )
    connection.execute(delete(RecordPatient).where(RecordPatient.record_id == record_id))
    older = select(RevisionRow.seq).where(
        RevisionRow.record_id == record_id, RevisionRow.number < last.number
    )
    connection.execute(delete(Content).where(Content.seq.in_(older)))
    connection.execute(update(Record).where(Record.id == record_id).values(subject=None))


def _note_patient(connection: Connection, record_id: int, patient: str) -> None:
    noted = select(RecordPatient.patient).where(
        RecordPatient.record_id == record_id, RecordPatient.patient == patient
    )
    if connection.scalar(noted) is None:
        connection.execute(insert(RecordPatient).values(record_id=record_id, patient=patient))


def _take_off_heads(connection: Connection, record_id: int) -> None:
    for table in (Head, HeadVerdict, HeadTag):
        connection.execute(delete(table).where(table.record_id == record_id))


def _put_on_heads(connection: Connection, link: Link, header: Header) -> None:
    record_id = link.record_id
    connection.execute(
        insert(Head).values(
            record_id=record_id,
            seq=link.seq,
            number=link.number,
            patient=header.patient,
            date=header.date,
            tooth=header.tooth,
            film_kind=header.film_kind,
            visit=header.visit,
        )
    )
    verdicts = [
        {"record_id": record_id, "rule_id": rule, "outcome": outcome}
        for rule, outcome in header.verdicts
    ]
    tags = [{"record_id": record_id, "tag": tag} for tag in set(header.tags)]
    if verdicts:
        connection.execute(insert(HeadVerdict), verdicts)
    if tags:
        connection.execute(insert(HeadTag), tags)


def conflict(connection: Connection, there: AnyRow, yours: Sealed) -> ConflictError:
    """Return the refusal of a change to another revision than the newest, with the difference."""
    content = content_at(connection, there.record_id, there.number)
    return ConflictError(
        found=f"{there.author} saved revision {there.number} at {_in_minutes(there.time_utc)}.",
        needed="a change that is based on the newest revision; nothing was saved.",
        next_step="Look at the difference, then save your change on top of that revision (of a "
        "review file: rxmeasure store add --on-top).",
        record_id=there.record_id,
        saved_number=there.number,
        difference=difference(unpacked(content.body), unpacked(yours.body)),
    )


def _in_minutes(time_utc: str) -> str:
    return f"{datetime.fromisoformat(time_utc):%Y-%m-%d %H:%M} UTC"


def no_such(what: str, look: str = "rxmeasure store search") -> StoreError:
    """Return the refusal of something that is not there, or not for this person."""
    return StoreError(
        found=f"no {what} that is open to you.",
        needed="one that is in the store and that you may see.",
        next_step=f"Look it up: {look}",
    )
