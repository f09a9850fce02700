"""The record store, as one person may use it."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from sqlalchemy import Connection, Engine, func, insert, select, text, update

from rxmeasure.errors import AccessError, ReviewFileError, StoreError
from rxmeasure.record.parsing import check_tree
from rxmeasure.record.review_file import review_from_tree, review_tree
from rxmeasure.review import Review
from rxmeasure.store import ledger
from rxmeasure.store.backup import back_up
from rxmeasure.store.chain import Sealed, packed, sealed, unpacked
from rxmeasure.store.engine import (
    RECONNECT_S,
    begin_nothing,
    freeze,
    lock_for_saving,
    patiently,
    take_off_disk,
    told,
)
from rxmeasure.store.header import Header, ReviewRow, header_of, review_rows, search_entries
from rxmeasure.store.ledger import AnyRow, RevisionInfo
from rxmeasure.store.people import REVIEW, Person, Role
from rxmeasure.store.pseudonyms import Pseudonyms, is_keyed
from rxmeasure.store.search import Found, Search, found_of, found_query, record_ids, visible
from rxmeasure.store.tables import Content, Record, RecordPatient, RevisionRow, StoreInfo
from rxmeasure.store.verify import Verified, verify

_Result = TypeVar("_Result")

#: Rows that are fetched at once (choice: a few MB).
_AT_ONCE = 2000


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A document about to be saved; its fields are those of `Store.save`."""

    kind: str
    subject: str
    content: Any
    based_on: int
    owner: str | None = None
    shared: bool = False
    tags: Sequence[str] = ()
    reason: str = ""


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
        (info,) = self.save_together(
            Document(
                kind=kind,
                subject=subject,
                content=content,
                based_on=based_on,
                owner=owner,
                shared=shared,
                tags=tags,
                reason=reason,
            )
        )
        return info

    def save_together(self, *documents: Document) -> tuple[RevisionInfo, ...]:
        """Save documents in one transaction: all of them, or where one is refused none.

        Raises
        ------
        StoreError, ReviewFileError, WriteError
            As for `save`.
        """
        steps = [
            self._saving(
                self._document_header(document),
                document.content,
                based_on=document.based_on,
                shared=document.shared,
            )
            for document in documents
        ]
        return self._writing(lambda connection: tuple(step(connection) for step in steps))

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
        typed = review.marks.patient_pseudonym.strip()
        patient = self.keyed(typed) if typed else None
        if patient != typed and patient is not None:
            self.checked_pseudonyms().note(typed)
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
        step = self._saving(header, review_tree(kept), based_on=based_on, shared=False)
        return self._writing(step)

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
        salt = secrets.token_hex(32)

        def work(connection: Connection) -> RevisionInfo:
            record = self._record(connection, record_id)
            self._check_may_write(record.owner, record.opened_by)
            content = ledger.content_at(connection, record_id, wanted)
            header = replace(header_of(content.header), reason=reason)
            again = sealed(header.as_tree(), content.body, salt=salt)
            return self._go_on(connection, record_id, ledger.UNDO, header, again, based_on)

        return self._writing(work)

    def forget(self, patient: str, *, reason: str) -> int:
        """Delete all that is kept of a patient; the chain goes on to verify.

        A record that was ever saved under the patient is emptied whole.

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
        keyed = self.keyed(patient)
        emptied: set[int] = set()

        def work(connection: Connection) -> None:
            of_patient = select(RecordPatient.record_id).where(RecordPatient.patient == keyed)
            for record_id in connection.scalars(of_patient).all():
                ledger.empty(connection, self.person, record_id, reason)
                emptied.add(record_id)

        self._writing(work)
        if not emptied:
            raise ledger.no_such("record of this patient")
        take_off_disk(self._engine)
        if self.pseudonyms is not None:
            self.pseudonyms.forget(keyed)
        return len(emptied)

    def keyed(self, patient: str) -> str:
        """Return the pseudonym that the store keeps for a patient; one that is keyed stays.

        Raises
        ------
        StoreError
            No key on this computer, or that of another store.
        """
        return patient if is_keyed(patient) else self.checked_pseudonyms().keyed(patient)

    def checked_pseudonyms(self) -> Pseudonyms:
        """Return the key, held against the store; the first key is the store's for good.

        Raises
        ------
        StoreError
            No key, or that of another store.
        """
        pseudonyms = self.pseudonyms
        if pseudonyms is None:
            raise StoreError(
                found="the pseudonym of a patient, and no key on this computer.",
                needed="the key file of the store, because pseudonyms are kept keyed.",
                next_step="Name the key file, or leave the pseudonym out.",
            )
        query = select(StoreInfo.store_id, StoreInfo.key_check)
        info = self._reading(lambda connection: connection.execute(query).one())
        check = pseudonyms.check(info.store_id)
        if info.key_check is None:
            self._writing(lambda c: c.execute(update(StoreInfo).values(key_check=check)))
        elif info.key_check != check:
            raise StoreError(
                found=f"the key {pseudonyms.path}, which is not that of this store.",
                needed="the key that the store was made with.",
                next_step="Name the right key file, or bring it back from its copy.",
            )
        return pseudonyms

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

    def find(self, search: Search, *, limit: int | None = 100, skip: int = 0) -> tuple[Found, ...]:
        """Return records, the newest date first."""
        query = found_query(search, self.person).limit(limit).offset(skip)
        return self._reading(
            lambda c: tuple(found_of(row) for row in c.execute(query)), one_statement=True
        )

    def count(self, search: Search) -> int:
        """Return how many records there are."""
        query = select(func.count()).select_from(record_ids(search, self.person).subquery())
        return self._reading(lambda c: c.scalar(query) or 0, one_statement=True)

    def read(self, record_id: int, number: int | None = None) -> Revision:
        """Return a revision with its content; the newest without a number.

        Raises
        ------
        StoreError
            There is none, or it is not open to this person.
        ForgottenError
            Its content was deleted on request.
        """

        def work(connection: Connection) -> AnyRow:
            return ledger.content_at(connection, record_id, number, asked_by=self.person)

        row = self._reading(work, one_statement=True)
        header = header_of(row.header)
        return Revision(
            info=ledger.info_of(row, header.reason), header=header, content=unpacked(row.body)
        )

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
            return tuple(ledger.info_of(row, _reason(row)) for row in connection.execute(query))

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
        with told(), self._engine.connect() as connection:
            rows = connection.execution_options(yield_per=_AT_ONCE).execute(query)
            yield from review_rows((row.record_id, row.author, row.header) for row in rows)

    # Keeping

    def verify(self, *, known_hash: str | None = None) -> Verified:
        """Check every revision against the chain (see `rxmeasure.store.verify`).

        Raises
        ------
        BrokenChainError
            The first revision that is not what was saved.
        AccessError
            The person does not see all.
        """
        self._check_sees_all()
        return self._reading(
            lambda connection: verify(connection, known_hash=known_hash), as_of_one_moment=True
        )

    def back_up(self, target: str | Path) -> None:
        """Write a copy of the whole store (see `rxmeasure.store.backup`).

        Raises
        ------
        WriteError
            The copy cannot be written, or something is there already.
        StoreError
            The server cannot be copied from here.
        AccessError
            The person does not see all.
        """
        self._check_sees_all()
        back_up(self._engine, Path(target))

    # The transactions

    def _reading(
        self,
        work: Callable[[Connection], _Result],
        *,
        as_of_one_moment: bool = False,
        one_statement: bool = False,
    ) -> _Result:
        def once() -> _Result:
            with self._engine.connect() as connection:
                if as_of_one_moment:
                    freeze(connection)
                if one_statement:
                    begin_nothing(connection)
                with connection.begin():
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

    def _document_header(self, document: Document) -> Header:
        if document.kind == REVIEW:
            raise ReviewFileError(
                found="a document of the kind review.",
                needed="a review.",
                next_step="Save it with save_review, or give the document another kind.",
            )
        return Header(
            kind=document.kind,
            subject=document.subject,
            owner=self.person.name if document.owner is None else document.owner,
            patient=None,
            tags=tuple(document.tags),
            reason=document.reason,
            date=ledger.now()[:10],
        )

    def _saving(
        self, header: Header, content: Any, *, based_on: int, shared: bool
    ) -> Callable[[Connection], RevisionInfo]:
        """Check a content, and return the step of a transaction that saves it."""
        check_tree(content, name="the document", error=ReviewFileError)
        check_tree(header.as_tree(), name="its heading", error=ReviewFileError)
        new = sealed(header.as_tree(), packed(content))

        def work(connection: Connection) -> RevisionInfo:
            record = self._record_of(connection, header)
            if record is not None:
                self._check_may_write(record.owner, record.opened_by)
                return self._go_on(connection, record.id, ledger.SAVE, header, new, based_on)
            self._check_may_open(header, shared=shared)
            if based_on:
                raise ledger.no_such("record")
            record_id = self._open(connection, header, shared=shared)
            return ledger.append(
                connection,
                self.person,
                record_id,
                number=1,
                action=ledger.SAVE,
                header=header,
                content=new,
            )

        return work

    def _go_on(
        self,
        connection: Connection,
        record_id: int,
        action: str,
        header: Header,
        content: Sealed,
        based_on: int,
    ) -> RevisionInfo:
        kept = ledger.saved_already(connection, record_id, content)
        if kept is not None:
            return ledger.info_of(kept, header.reason)
        there = ledger.newest(connection, record_id)
        if there.number != based_on:
            raise ledger.conflict(connection, there, content)
        return ledger.append(
            connection,
            self.person,
            record_id,
            number=based_on + 1,
            action=action,
            header=header,
            content=content,
        )

    def _open(self, connection: Connection, header: Header, *, shared: bool) -> int:
        opened = connection.execute(
            insert(Record)
            .values(
                kind=header.kind,
                subject=header.subject,
                owner=header.owner,
                opened_by=self.person.name,
                shared=shared,
            )
            .returning(Record.id)
        )
        return int(opened.scalar_one())

    def _record_of(self, connection: Connection, header: Header) -> AnyRow | None:
        return connection.execute(
            select(Record.id, Record.owner, Record.opened_by).where(
                Record.kind == header.kind,
                Record.subject == header.subject,
                Record.owner == header.owner,
                visible(self.person),
            )
        ).one_or_none()

    def _record(self, connection: Connection, record_id: int) -> AnyRow:
        record = connection.execute(
            select(Record.id, Record.owner, Record.opened_by).where(
                Record.id == record_id, visible(self.person)
            )
        ).one_or_none()
        if record is None:
            raise ledger.no_such("record")
        return record

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

    def _check_sees_all(self) -> None:
        if not self.person.role.sees_all:
            raise AccessError(
                found=f"the whole store, asked for by a {self.person.role}.",
                needed="a role that sees all records.",
                next_step="Ask who runs the store.",
            )

    def _check_server(self, what: str) -> None:
        if self._engine.dialect.name != "postgresql":
            raise StoreError(
                found=f"{what}, asked of a store in a file.",
                needed="a store on a PostgreSQL server.",
                next_step="Guard the file by the rights of its folder.",
            )


def _reason(row: AnyRow) -> str:
    return "" if row.header is None else header_of(row.header).reason
