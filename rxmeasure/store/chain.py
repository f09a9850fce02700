"""The hash chain: every revision is bound to its content and to the revision before it."""

from __future__ import annotations

import hashlib
import json
import secrets
import zlib
from dataclasses import dataclass
from typing import Any

import orjson

#: What the first revision follows.
ORIGIN = "0" * 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """The content of a revision as it is kept, and can be deleted.

    Attributes
    ----------
    salt : str
        Random; without it a deleted content cannot be guessed from its commitment.
    header : str
        JSON of what can be searched.
    body : bytes
        Compressed JSON of the document; empty for a revision that forgets.
    """

    salt: str
    header: str
    body: bytes

    @property
    def commitment(self) -> str:
        """SHA-256 of the whole; it stays in the chain when the content is deleted."""
        digest = hashlib.sha256()
        for part in (self.salt.encode(), self.header.encode(), self.body):
            digest.update(len(part).to_bytes(8, "big"))
            digest.update(part)
        return digest.hexdigest()


def sealed(header: dict[str, Any], body: bytes, *, salt: str | None = None) -> Sealed:
    """Return a content, under a new salt without one."""
    return Sealed(salt=salt or secrets.token_hex(32), header=as_json(header), body=body)


def packed(document: Any) -> bytes:
    """Return a JSON tree as compressed bytes. Inverse of `unpacked`."""
    return zlib.compress(as_json(document).encode(), level=1)


def unpacked(body: bytes) -> Any:
    """Return the JSON tree of compressed bytes."""
    return orjson.loads(zlib.decompress(body))


def as_json(tree: Any) -> str:
    """Return a tree as JSON; equal trees give equal text."""
    return json.dumps(
        tree, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What the chain says of a revision, and keeps for good.

    ``seq`` counts the revisions of the store, ``number`` those of the record.
    """

    seq: int
    record_id: int
    number: int
    action: str
    author: str
    role: str
    time_utc: str
    software_version: str
    commitment: str
    previous_hash: str

    @property
    def hash(self) -> str:
        """SHA-256 of all fields, one a line; the database of a server computes the same."""
        lines = (
            self.previous_hash,
            str(self.seq),
            str(self.record_id),
            str(self.number),
            self.action,
            self.author,
            self.role,
            self.time_utc,
            self.software_version,
            self.commitment,
        )
        return hashlib.sha256("\n".join(lines).encode()).hexdigest()
