"""Holding a store against its chain: every revision, its content, and what is searched."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, select

from rxmeasure.errors import BrokenChainError
from rxmeasure.store.chain import ORIGIN, Link, Sealed
from rxmeasure.store.header import Header, header_of
from rxmeasure.store.ledger import FORGET, AnyRow
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

#: Revisions that are read at once (choice: about 30 MB of reviews).
_AT_ONCE = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """A store that holds: its revisions, records, records forgotten, and the newest hash.

    Whoever keeps the hash elsewhere can show later that nothing before it was taken away.
    """

    revisions: int
    records: int
    forgotten: int
    newest_hash: str


@dataclass(slots=True)
class _Walk:
    """What was met so far."""

    seq: int = 0
    hash: str = ORIGIN
    numbers: dict[int, int] = field(default_factory=dict)
    searched: dict[int, int] = field(default_factory=dict)
    forgotten: set[int] = field(default_factory=set)
    known_hash_met: bool = False


def verify(connection: Connection, *, known_hash: str | None = None) -> Verified:
    """Check every revision of the store in one reading.

    Parameters
    ----------
    connection : Connection
        Of somebody who sees all.
    known_hash : str, optional
        The newest hash of an earlier time, which must still be in the chain.

    Raises
    ------
    BrokenChainError
        The first revision that is not what was saved.
    """
    walk = _Walk()
    query = select(RevisionRow.record_id).where(RevisionRow.action == FORGET)
    walk.forgotten.update(connection.scalars(query))
    for rows in _batches(connection):
        lists = _Lists.of(connection, [row.record_id for row in rows])
        for row in rows:
            _check_link(walk, row)
            _check_content(walk, row, lists)
            _check_searched(walk, row, lists)
            walk.known_hash_met |= row.hash == known_hash
    _check_end(connection, walk, known_hash)
    return Verified(
        revisions=walk.seq,
        records=len(walk.numbers),
        forgotten=len(walk.forgotten),
        newest_hash=walk.hash,
    )


def _batches(connection: Connection) -> Iterator[Sequence[AnyRow]]:
    query = (
        select(
            RevisionRow.__table__,
            Content.salt,
            Content.header,
            Content.body,
            Record.kind,
            Record.subject,
            Record.owner,
            Head.number.label("searched_number"),
            Head.patient,
            Head.date,
            Head.tooth,
            Head.film_kind,
            Head.visit,
        )
        .outerjoin(Content, Content.seq == RevisionRow.seq)
        .outerjoin(Record, Record.id == RevisionRow.record_id)
        .outerjoin(Head, Head.seq == RevisionRow.seq)
        .order_by(RevisionRow.seq)
        .limit(_AT_ONCE)
    )
    last = 0
    while rows := connection.execute(query.where(RevisionRow.seq > last)).all():
        yield rows
        last = rows[-1].seq


@dataclass(frozen=True, slots=True)
class _Lists:
    """Patients, verdicts and tags that are searched, by record."""

    patients: dict[int, set[str]]
    verdicts: dict[int, set[tuple[str, str]]]
    tags: dict[int, set[str]]

    @classmethod
    def of(cls, connection: Connection, record_ids: Sequence[int]) -> _Lists:
        lists = cls({}, {}, {})
        for row in connection.execute(
            select(RecordPatient.__table__).where(RecordPatient.record_id.in_(record_ids))
        ):
            lists.patients.setdefault(row.record_id, set()).add(row.patient)
        for row in connection.execute(
            select(HeadVerdict.__table__).where(HeadVerdict.record_id.in_(record_ids))
        ):
            lists.verdicts.setdefault(row.record_id, set()).add((row.rule_id, row.outcome))
        for row in connection.execute(
            select(HeadTag.__table__).where(HeadTag.record_id.in_(record_ids))
        ):
            lists.tags.setdefault(row.record_id, set()).add(row.tag)
        return lists


def _check_link(walk: _Walk, row: AnyRow) -> None:
    if row.seq != walk.seq + 1:
        raise _broken(row, f"revisions {walk.seq + 1} to {row.seq - 1} of the store are missing")
    if row.previous_hash != walk.hash:
        raise _broken(row, "it does not follow the revision before it")
    if _hash_of(row) != row.hash:
        raise _broken(row, "author, role, time, version or commitment were changed")
    if row.number != walk.numbers.get(row.record_id, 0) + 1:
        raise _broken(row, "it is not the next of its record")
    walk.seq, walk.hash = row.seq, row.hash
    walk.numbers[row.record_id] = row.number


def _hash_of(row: AnyRow) -> str:
    return Link(**{name: getattr(row, name) for name in Link.__dataclass_fields__}).hash


def _check_content(walk: _Walk, row: AnyRow, lists: _Lists) -> None:
    if row.header is None:
        if row.record_id not in walk.forgotten:
            raise _broken(row, "its content is gone and was not forgotten")
        return
    kept = Sealed(salt=row.salt, header=row.header, body=row.body)
    if kept.commitment != row.commitment:
        raise _broken(row, "its content was changed")
    patient = header_of(row.header).patient
    if patient is not None and patient not in lists.patients.get(row.record_id, set()):
        raise _broken(row, "its patient is not among those of the record")


def _check_searched(walk: _Walk, row: AnyRow, lists: _Lists) -> None:
    """The tables that are searched say what the header says."""
    if row.searched_number is None:
        return
    walk.searched[row.record_id] = row.searched_number
    if row.header is None or not _says(header_of(row.header), row, lists):
        raise _broken(row, "what is searched differs from its content")


def _says(header: Header, row: AnyRow, lists: _Lists) -> bool:
    names = ("kind", "subject", "owner", "patient", "date", "tooth", "film_kind", "visit")
    record_id = row.record_id
    return (
        all(getattr(header, name) == getattr(row, name) for name in names)
        and header.verdicts == lists.verdicts.get(record_id, set())
        and set(header.tags) == lists.tags.get(record_id, set())
    )


def _check_end(connection: Connection, walk: _Walk, known_hash: str | None) -> None:
    head = connection.execute(select(ChainHead.seq, ChainHead.hash)).one()
    if (head.seq, head.hash) != (walk.seq, walk.hash):
        raise _broken_end(f"revisions {walk.seq + 1} to {head.seq} at its end are missing")
    for record_id, number in walk.numbers.items():
        wanted = None if record_id in walk.forgotten else number
        if walk.searched.get(record_id) != wanted:
            raise _broken_end(f"record {record_id} is not searched by its newest revision")
    without = min(set(connection.scalars(select(Record.id))) - walk.numbers.keys(), default=None)
    if without is not None:
        raise _broken_end(f"record {without} has no revision")
    if known_hash not in (None, ORIGIN) and not walk.known_hash_met:
        raise _broken_end(f"the revision with the hash {known_hash} is no longer in it")


def _broken(row: Any, why: str) -> BrokenChainError:
    return _refusal(
        f"revision {row.number} of record {row.record_id} (number {row.seq} of the store, "
        f"by {row.author} at {row.time_utc}): {why}."
    )


def _broken_end(why: str) -> BrokenChainError:
    return _refusal(f"a chain that ends wrong: {why}.")


def _refusal(found: str) -> BrokenChainError:
    return BrokenChainError(
        found=found,
        needed="a store that this program alone has written.",
        next_step="Keep this store aside, take the newest backup that verifies, and find out who "
        "could write to the database.",
    )
