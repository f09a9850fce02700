"""The record store: append-only revisions of reviews and teaching documents in a database."""

from rxmeasure.store.header import Header, ReviewRow, VerdictRow
from rxmeasure.store.ledger import RevisionInfo
from rxmeasure.store.opening import make_store, open_store
from rxmeasure.store.people import REVIEW, Person, Role
from rxmeasure.store.pseudonyms import Pseudonyms, make_key, read_key
from rxmeasure.store.search import Found, Search
from rxmeasure.store.store import Document, Revision, Store

__all__ = [
    "REVIEW",
    "Document",
    "Found",
    "Header",
    "Person",
    "Pseudonyms",
    "Revision",
    "RevisionInfo",
    "ReviewRow",
    "Role",
    "Search",
    "Store",
    "VerdictRow",
    "make_key",
    "make_store",
    "open_store",
    "read_key",
]
