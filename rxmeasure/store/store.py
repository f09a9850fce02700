"""The record store, as one person may use it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from sqlalchemy import Connection, Engine, Row, delete, func, insert, select, text, update

from rxmeasure import __version__
from rxmeasure.errors import (
    AccessError,
    ConflictError,
    ForgottenError,
    ReviewFileError,
    StoreError,
)
from rxmeasure.record.parsing import check_tree
from rxmeasure.record.review_file import review_from_tree, review_tree
from rxmeasure.review import Review
from rxmeasure.store.chain import Link, Sealed, packed, sealed, unpacked
from rxmeasure.store.difference import difference
from rxmeasure.store.engine import RECONNECT_S, connect_to, lock_for_saving, patiently
from rxmeasure.store.header import Header, ReviewRow, header_of, review_rows, search_entries
from rxmeasure.store.people import REVIEW, Person, Role
from rxmeasure.store.pseudonyms import Pseudonyms, read_key
from rxmeasure.store.search import Found, Search, found_of, found_query, record_ids, visible
from rxmeasure.store.tables import (
    ChainHead,
    Content,
    Head,
    HeadTag,
    HeadVerdict,
    Record,
    RevisionRow,
    StoreInfo,
)
from rxmeasure.store.versions import bring_up_to_date

_Result = TypeVar("_Result")

SAVE, UNDO, FORGET = "save", "undo", "forget"
#: Rows that are fetched at once (choice: a few MB).
_AT_ONCE = 2000


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """A revision with its content, a JSON tree."""

    info: RevisionInfo
    header: Header
    content: Any

    def review(self) -> Review:
        """Return the review, where the record is one.

        Raises
        ------
        ReviewFileError
            It is none.
        """
        if self.header.kind != REVIEW:
            raise ReviewFileError(
                found=f"a record of kind {self.header.kind}.",
                needed="a review.",
                next_step="Choose another record.",
            )
        return review_from_tree(self.content)


class Store:
    """Records and their revisions, as one person may see and write them.

    Made by `open_store` and `make_store`. Each call is one transaction; a save that
    returned is on the disk. Close it, or use it as a context. Threads may share it.
    """

    def __init__(self, engine: Engine, person: Person, pseudonyms: Pseudonyms | None) -> None:
        self.person = person
        self.pseudonyms = pseudonyms
        self._engine = engine

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    # Writing

    def save(
        self,
        kind: str,
        *,
        subject: str,
        content: Any,
        based_on: int,
        owner: str | None = None,
        shared: bool = False,
        tags: Sequence[str] = (),
        reason: str = "",
    ) -> RevisionInfo:
        """Save a document as the next revision of its record, or open the record.

        Parameters
        ----------
        kind, subject : str
            What it is, and what it is about.
        content : JSON tree
        based_on : int
            Number of the revision that was changed; 0: there was none.
        owner : str, optional
            Whose record it is; the person's without it.
        shared : bool
            Whether everybody may read the record; of an older record it stays as it was.
        tags : sequence of str
        reason : str

        Raises
        ------
        ConflictError
            The newest revision is another than ``based_on``; nothing was saved.
        AccessError
            The person may not write this record.
        ReviewFileError
            The content holds what JSON cannot keep.
        WriteError
            No space, or no right to write.
        StoreError
            The store is damaged, busy or out of reach.
        """
        header = Header(
            kind=kind,
            subject=subject,
            owner=self.person.name if owner is None else owner,
            patient=None,
            tags=tuple(tags),
            reason=reason,
            date=_now()[:10],
        )
        return self._save(header, content, based_on=based_on, shared=shared)

    def save_review(
        self, review: Review, *, based_on: int, tags: Sequence[str] = (), reason: str = ""
    ) -> RevisionInfo:
        """Save a review as the record of its image and reader (see `save`).

        The reader is that of the marks, else the person. The patient's pseudonym is kept
        keyed, and the name of the image's file is not kept.

        Raises
        ------
        StoreError
            A pseudonym of a patient, and no key on this computer.
        """
        patient = self._keyed(review.marks.patient_pseudonym)
        image = review.image
        name = f"film-{image.sha256[:12]}{Path(image.file_name).suffix.lower()}"
        kept = replace(
            review,
            image=replace(image, file_name=name),
            marks=replace(review.marks, patient_pseudonym=patient or ""),
        )
        header = Header(
            kind=REVIEW,
            subject=image.sha256,
            owner=review.marks.reader or self.person.name,
            patient=patient,
            tags=tuple(tags),
            reason=reason,
            **search_entries(kept),
        )
        return self._save(header, review_tree(kept), based_on=based_on, shared=False)

    def undo(
        self, record_id: int, *, based_on: int, reason: str, to: int | None = None
    ) -> RevisionInfo:
        """Save the content of an older revision again, as a new one.

        Parameters
        ----------
        record_id, based_on : int
        reason : str
        to : int, optional
            Number of the revision wanted; the one before ``based_on`` without it.

        Raises
        ------
        StoreError
            There is no such revision; else as for `save`.
        """
        wanted = based_on - 1 if to is None else to

        def work(connection: Connection) -> RevisionInfo:
            record = self._record(connection, record_id)
            self._check_may_write(record.owner, record.opened_by)
            content = self._content(connection, record_id, wanted)
            header = replace(header_of(content.header), reason=reason)
            again = sealed(header.as_tree(), content.body)
            newest = self._newest(connection, record_id)
            if newest.number != based_on:
                raise self._conflict(connection, newest, again)
            return self._append(connection, record_id, newest.number + 1, UNDO, header, again)

        return self._writing(work)

    def forget(self, patient: str, *, reason: str) -> int:
        """Delete all that is kept of a patient; the chain goes on to verify.

        Parameters
        ----------
        patient : str
            The pseudonym, keyed or as it was typed.
        reason : str
            Why; this is kept.

        Returns
        -------
        int
            How many records were emptied.

        Raises
        ------
        AccessError
            The person is not the lead.
        StoreError
            Nothing is kept of this patient.
        """
        if self.person.role is not Role.LEAD:
            raise AccessError(
                found=f"deletion asked by a {self.person.role}.",
                needed="the role lead.",
                next_step="Ask the lead of the clinic or course.",
            )
        keyed = self._keyed(patient)

        def work(connection: Connection) -> int:
            ids = connection.scalars(select(Record.id).where(Record.patient == keyed)).all()
            for record_id in ids:
                self._forget(connection, record_id, reason)
            return len(ids)

        emptied = self._writing(work)
        if not emptied:
            raise StoreError(
                found="no record of this patient.",
                needed="the pseudonym of a patient of this store.",
                next_step="Look it up: rxmeasure store search",
            )
        self._wipe()
        if self.pseudonyms is not None and keyed is not None:
            self.pseudonyms.forget(keyed)
        return emptied

    def admit(self, name: str, role: Role) -> None:
        """Let a person log in to the store on a server; the database's owner may do this.

        A login role without a password is made where there is none.

        Raises
        ------
        StoreError
            The store is a file, or the right is missing.
        """
        person = Person(name=name, role=role)
        self._check_server("people who log in")

        def work(connection: Connection) -> None:
            quoted = connection.dialect.identifier_preparer.quote_identifier(person.name)
            there = text("SELECT 1 FROM pg_roles WHERE rolname = :name")
            if connection.scalar(there, {"name": person.name}) is None:
                connection.exec_driver_sql(f"CREATE ROLE {quoted} LOGIN")
            connection.exec_driver_sql(f"GRANT rxmeasure_{role} TO {quoted}")

        self._writing(work)

    # Reading

    def find(self, search: Search, *, limit: int = 100, skip: int = 0) -> tuple[Found, ...]:
        """Return records, the newest date first."""
        query = found_query(search, self.person).limit(limit).offset(skip)
        return self._reading(lambda c: tuple(found_of(row) for row in c.execute(query)))

    def count(self, search: Search) -> int:
        """Return how many records there are."""
        query = select(func.count()).select_from(record_ids(search, self.person).subquery())
        return self._reading(lambda c: c.scalar(query) or 0)

    def read(self, record_id: int, number: int | None = None) -> Revision:
        """Return a revision with its content; the newest without a number.

        Raises
        ------
        StoreError
            There is none, or it is not open to this person.
        ForgottenError
            Its content was deleted on request.
        """

        def work(connection: Connection) -> Revision:
            self._record(connection, record_id)
            wanted = self._newest(connection, record_id).number if number is None else number
            content = self._content(connection, record_id, wanted)
            return Revision(
                info=_info(content, content.header),
                header=header_of(content.header),
                content=unpacked(content.body),
            )

        return self._reading(work)

    def history(self, record_id: int) -> tuple[RevisionInfo, ...]:
        """Return what the chain says of a record, oldest first.

        Raises
        ------
        StoreError
            There is none, or it is not open to this person.
        """
        query = (
            select(RevisionRow.__table__, Content.header)
            .outerjoin(Content, Content.seq == RevisionRow.seq)
            .where(RevisionRow.record_id == record_id)
            .order_by(RevisionRow.number)
        )

        def work(connection: Connection) -> tuple[RevisionInfo, ...]:
            self._record(connection, record_id)
            return tuple(_info(row, row.header) for row in connection.execute(query))

        return self._reading(work)

    def review_rows(self, search: Search | None = None) -> Iterator[ReviewRow]:
        """Yield every canal of the newest revision of the reviews found, for statistics."""
        asked = replace(search or Search(), kind=REVIEW)
        wanted = record_ids(asked, self.person).subquery()
        query = (
            select(RevisionRow.record_id, RevisionRow.author, Content.header)
            .join(wanted, wanted.c.seq == RevisionRow.seq)
            .join(Content, Content.seq == RevisionRow.seq)
            .order_by(RevisionRow.seq)
        )
        with self._engine.connect() as connection:
            rows = connection.execution_options(yield_per=_AT_ONCE).execute(query)
            yield from review_rows((row.record_id, row.author, row.header) for row in rows)

    # The transactions

    def _reading(self, work: Callable[[Connection], _Result]) -> _Result:
        def once() -> _Result:
            with self._engine.connect() as connection, connection.begin():
                return work(connection)

        return patiently(once, self._engine, wait_s=RECONNECT_S)

    def _writing(self, work: Callable[[Connection], _Result]) -> _Result:
        def once() -> _Result:
            with (
                self._engine.connect().execution_options(writes=True) as connection,
                connection.begin(),
            ):
                lock_for_saving(connection)
                return work(connection)

        return patiently(once, self._engine, wait_s=RECONNECT_S)

    # The steps

    def _save(self, header: Header, content: Any, *, based_on: int, shared: bool) -> RevisionInfo:
        check_tree(content, name="the document", error=ReviewFileError)
        check_tree(header.as_tree(), name="its heading", error=ReviewFileError)
        new = sealed(header.as_tree(), packed(content))

        def work(connection: Connection) -> RevisionInfo:
            record = self._record_of(connection, header)
            if record is None:
                self._check_may_open(header, shared=shared)
                if based_on:
                    raise _no_such("record")
                record_id = self._open(connection, header, shared=shared)
                return self._append(connection, record_id, 1, SAVE, header, new)
            self._check_may_write(record.owner, record.opened_by)
            newest = self._newest(connection, record.id)
            if newest.commitment == new.commitment:
                # The server went away after it had saved, and before it could say so.
                return _info(newest, new.header)
            if newest.number != based_on:
                raise self._conflict(connection, newest, new)
            return self._append(connection, record.id, based_on + 1, SAVE, header, new)

        return self._writing(work)

    def _open(self, connection: Connection, header: Header, *, shared: bool) -> int:
        opened = connection.execute(
            insert(Record)
            .values(
                kind=header.kind,
                subject=header.subject,
                owner=header.owner,
                opened_by=self.person.name,
                shared=shared,
                patient=header.patient,
            )
            .returning(Record.id)
        )
        return int(opened.scalar_one())

    def _append(
        self,
        connection: Connection,
        record_id: int,
        number: int,
        action: str,
        header: Header,
        content: Sealed,
    ) -> RevisionInfo:
        head = connection.execute(select(ChainHead.seq, ChainHead.hash)).one()
        link = Link(
            seq=head.seq + 1,
            record_id=record_id,
            number=number,
            action=action,
            author=self.person.name,
            role=str(self.person.role),
            time_utc=_now(),
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
        self._take_off_heads(connection, record_id)
        if action != FORGET:
            self._put_on_heads(connection, link, header)
        return _info(link, content.header)

    def _take_off_heads(self, connection: Connection, record_id: int) -> None:
        for table in (Head, HeadVerdict, HeadTag):
            connection.execute(delete(table).where(table.record_id == record_id))

    def _put_on_heads(self, connection: Connection, link: Link, header: Header) -> None:
        record_id = link.record_id
        connection.execute(
            insert(Head).values(
                record_id=record_id,
                seq=link.seq,
                number=link.number,
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
        for table, rows in ((HeadVerdict, verdicts), (HeadTag, tags)):
            if rows:
                connection.execute(insert(table), rows)

    def _forget(self, connection: Connection, record_id: int, reason: str) -> None:
        newest = self._newest(connection, record_id)
        header = Header(
            kind="", subject=None, owner="", patient=None, tags=(), reason=reason, date=_now()[:10]
        )
        emptied = sealed(header.as_tree(), b"")
        info = self._append(connection, record_id, newest.number + 1, FORGET, header, emptied)
        older = select(RevisionRow.seq).where(
            RevisionRow.record_id == record_id, RevisionRow.number < info.number
        )
        connection.execute(delete(Content).where(Content.seq.in_(older)))
        connection.execute(
            update(Record).where(Record.id == record_id).values(subject=None, patient=None)
        )

    def _wipe(self) -> None:
        """Take deleted bytes off the disk."""
        with self._engine.connect() as connection:
            raw: Any = connection.connection.driver_connection
            if connection.dialect.name == "sqlite":
                # They were overwritten in the file (secure_delete); the log still has them.
                raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _record_of(self, connection: Connection, header: Header) -> Row[Any] | None:
        return connection.execute(
            select(Record.id, Record.owner, Record.opened_by).where(
                Record.kind == header.kind,
                Record.subject == header.subject,
                Record.owner == header.owner,
                visible(self.person),
            )
        ).one_or_none()

    def _record(self, connection: Connection, record_id: int) -> Row[Any]:
        record = connection.execute(
            select(Record.id, Record.owner, Record.opened_by).where(
                Record.id == record_id, visible(self.person)
            )
        ).one_or_none()
        if record is None:
            raise _no_such("record")
        return record

    def _newest(self, connection: Connection, record_id: int) -> Row[Any]:
        return connection.execute(
            select(RevisionRow.__table__)
            .where(RevisionRow.record_id == record_id)
            .order_by(RevisionRow.number.desc())
            .limit(1)
        ).one()

    def _content(self, connection: Connection, record_id: int, number: int) -> Row[Any]:
        row = connection.execute(
            select(RevisionRow.__table__, Content.header, Content.body)
            .outerjoin(Content, Content.seq == RevisionRow.seq)
            .where(RevisionRow.record_id == record_id, RevisionRow.number == number)
        ).one_or_none()
        if row is None:
            raise _no_such(f"revision {number} of this record")
        if not row.body:
            raise ForgottenError(
                found="a record whose content was deleted on request.",
                needed="a record that was not forgotten.",
                next_step="Choose another record; its history is still there.",
            )
        return row

    def _conflict(self, connection: Connection, newest: Row[Any], yours: Sealed) -> ConflictError:
        content = self._content(connection, newest.record_id, newest.number)
        return ConflictError(
            found=f"{newest.author} saved revision {newest.number} at {newest.time_utc}.",
            needed="a change that is based on the newest revision; nothing was saved.",
            next_step="Look at the difference, then save your change on top of that revision.",
            saved_number=newest.number,
            difference=difference(unpacked(content.body), unpacked(yours.body)),
        )

    def _keyed(self, patient: str) -> str | None:
        if not patient.strip():
            return None
        if self.pseudonyms is None:
            raise StoreError(
                found="the pseudonym of a patient, and no key on this computer.",
                needed="the key file of the store, because pseudonyms are kept keyed.",
                next_step="Name the key file, or leave the pseudonym out.",
            )
        return self.pseudonyms.note(patient)

    def _check_may_open(self, header: Header, *, shared: bool) -> None:
        person = self.person
        own = header.owner == person.name and not shared and person.role.may_open(header.kind)
        if not (person.role.sees_all or own):
            raise AccessError(
                found=f"a {header.kind} of {header.owner}{', shared' if shared else ''}.",
                needed=f"a review or a {person.role} document of your own, {person.name}.",
                next_step="Save it under your own name, or ask who runs the store.",
            )

    def _check_may_write(self, owner: str, opened_by: str) -> None:
        person = self.person
        if not (person.role.sees_all or owner == opened_by == person.name):
            raise AccessError(
                found="a record that others opened.",
                needed="a record of your own.",
                next_step="Ask who runs the store.",
            )

    def _check_server(self, what: str) -> None:
        if self._engine.dialect.name != "postgresql":
            raise StoreError(
                found=f"{what}, asked of a store in a file.",
                needed="a store on a PostgreSQL server.",
                next_step="Guard the file by the rights of its folder.",
            )


def open_store(where: str | Path, person: Person, *, key_path: str | Path | None = None) -> Store:
    """Open a store; one of an older version is brought up to date.

    Parameters
    ----------
    where : str or Path
        The path of an SQLite file, or ``postgresql://...``.
    person : Person
        On a server where this person logs in: as the login says.
    key_path : path, optional
        Key of the patients' pseudonyms, which lies outside the store.

    Raises
    ------
    StoreError
        No store, a newer or damaged one, out of reach, or the key of another store.
    """
    pseudonyms = None if key_path is None else read_key(Path(key_path))
    return _opened(connect_to(where), person, pseudonyms, make=False)


def make_store(where: str | Path, person: Person, *, key_path: str | Path | None = None) -> Store:
    """Make a store where there is none, and open it (see `open_store`)."""
    pseudonyms = None if key_path is None else read_key(Path(key_path))
    return _opened(connect_to(where, make=True), person, pseudonyms, make=True)


def _opened(engine: Engine, person: Person, pseudonyms: Pseudonyms | None, *, make: bool) -> Store:
    def ready() -> None:
        bring_up_to_date(engine, make=make)
        _check_login(engine, person)
        if pseudonyms is not None:
            _check_key(engine, pseudonyms)

    patiently(ready, engine, wait_s=0)
    return Store(engine, person, pseudonyms)


def _check_login(engine: Engine, person: Person) -> None:
    """On a server, a member of the groups is who the login says."""
    if engine.dialect.name != "postgresql":
        return
    member = "pg_has_role(current_user, 'rxmeasure_' || :role, 'MEMBER')"
    guarded = "row_security_active('records')"
    query = text(f"SELECT current_user, {member}, {guarded}")
    with engine.connect() as connection:
        login, is_member, is_guarded = connection.execute(query, {"role": str(person.role)}).one()
    if is_guarded and not (login == person.name and is_member):
        raise AccessError(
            found=f"{person.name} as {person.role}, on the login {login}.",
            needed="the name of the login, and a role that it was given.",
            next_step="Log in as yourself, or ask who runs the store to admit you.",
        )


def _check_key(engine: Engine, pseudonyms: Pseudonyms) -> None:
    """The first key is the store's for good; another one is refused."""
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        info = connection.execute(select(StoreInfo.store_id, StoreInfo.key_check)).one()
        check = pseudonyms.check(info.store_id)
        if info.key_check is None:
            connection.execute(update(StoreInfo).values(key_check=check))
        elif info.key_check != check:
            raise StoreError(
                found=f"the key {pseudonyms.path}, which is not that of this store.",
                needed="the key that the store was made with.",
                next_step="Name the right key file, or bring it back from its copy.",
            )


def _info(row: Any, header: str | None) -> RevisionInfo:
    return RevisionInfo(
        record_id=row.record_id,
        number=row.number,
        action=row.action,
        author=row.author,
        role=row.role,
        time_utc=row.time_utc,
        software_version=row.software_version,
        hash=row.hash,
        reason="" if header is None else header_of(header).reason,
    )


def _no_such(what: str) -> StoreError:
    return StoreError(
        found=f"no {what} that is open to you.",
        needed="one that is in the store and that you may see.",
        next_step="Look it up: rxmeasure store search",
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="microseconds")
