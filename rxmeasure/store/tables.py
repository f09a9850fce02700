"""The tables of the store, as `migrations` makes them."""

from __future__ import annotations

from sqlalchemy import ForeignKey
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Table(DeclarativeBase):
    """Base of all tables."""


class StoreInfo(Table):
    """One row: which store this is, and a check of its key of pseudonyms."""

    __tablename__ = "store_info"

    id: Mapped[int] = mapped_column(primary_key=True)
    store_id: Mapped[str]
    key_check: Mapped[str | None]


class ChainHead(Table):
    """One row: the newest revision; triggers let the chain go on from there only."""

    __tablename__ = "chain_head"

    id: Mapped[int] = mapped_column(primary_key=True)
    seq: Mapped[int]
    hash: Mapped[str]


class Record(Table):
    """One thing of one owner. Its subject is taken away when the content is deleted."""

    __tablename__ = "records"

    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    subject: Mapped[str | None]
    owner: Mapped[str]
    opened_by: Mapped[str]
    shared: Mapped[bool]


class RecordPatient(Table):
    """A patient whom a revision of the record was ever about, by keyed pseudonym."""

    __tablename__ = "record_patients"

    record_id: Mapped[int] = mapped_column(ForeignKey("records.id"), primary_key=True)
    patient: Mapped[str] = mapped_column(primary_key=True)


class RevisionRow(Table):
    """A link of the chain; never changed, never deleted."""

    __tablename__ = "revisions"

    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    record_id: Mapped[int] = mapped_column(ForeignKey("records.id"))
    number: Mapped[int]
    action: Mapped[str]
    author: Mapped[str]
    role: Mapped[str]
    time_utc: Mapped[str]
    software_version: Mapped[str]
    commitment: Mapped[str]
    previous_hash: Mapped[str]
    hash: Mapped[str]


class Content(Table):
    """What a revision holds; deleted on request, never changed."""

    __tablename__ = "contents"

    seq: Mapped[int] = mapped_column(ForeignKey("revisions.seq"), primary_key=True)
    salt: Mapped[str]
    header: Mapped[str]
    body: Mapped[bytes]


class Head(Table):
    """The newest revision of a record with content, made from its header to be searched."""

    __tablename__ = "heads"

    record_id: Mapped[int] = mapped_column(ForeignKey("records.id"), primary_key=True)
    seq: Mapped[int]
    number: Mapped[int]
    patient: Mapped[str | None]
    date: Mapped[str]
    tooth: Mapped[str]
    film_kind: Mapped[str]
    visit: Mapped[str]


class HeadVerdict(Table):
    """A verdict of the newest revision."""

    __tablename__ = "head_verdicts"

    record_id: Mapped[int] = mapped_column(ForeignKey("records.id"), primary_key=True)
    rule_id: Mapped[str] = mapped_column(primary_key=True)
    outcome: Mapped[str] = mapped_column(primary_key=True)


class HeadTag(Table):
    """A tag of the newest revision."""

    __tablename__ = "head_tags"

    record_id: Mapped[int] = mapped_column(ForeignKey("records.id"), primary_key=True)
    tag: Mapped[str] = mapped_column(primary_key=True)
