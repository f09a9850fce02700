"""The key: one secret from which pseudonyms, identifiers and the shift of dates are derived.

Equal things get equal names under one key, and other ones under another. Whoever has the key can
test guesses of a patient; whoever has only the copies cannot.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from uuid import UUID

from rxmeasure.errors import DeidentificationError, WriteError
from rxmeasure.secret_key import (
    digest_of,
    letters_of,
    patient_pseudonym,
    read_secret,
    write_secret,
)

#: Dates move back by one day to ten years (choice).
_LONGEST_SHIFT_DAYS = 3650


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """Names things by HMAC-SHA-256 (RFC 2104), 128 bits of it."""

    secret: bytes = field(repr=False)

    def patient(self, identity: str) -> str:
        """Pseudonym of a patient; the blanks around an identity do not count."""
        return patient_pseudonym(self.secret, identity)

    def name(self, kind: str, text: str) -> str:
        """Name of anything else, e.g. a film, a reader, a visit."""
        return f"{kind}-" + letters_of(digest_of(self.secret, f"{kind}\0{text}".encode()))

    def uid(self, original: str) -> str:
        """Identifier of an object: root 2.25 and a UUID (PS3.5, B.2)."""
        digest = digest_of(self.secret, f"uid\0{original}".encode())
        return f"2.25.{UUID(bytes=digest, version=5).int}"

    def shifted(self, day: date, patient: str) -> date | None:
        """The day moved back, by the same for every day of a patient; None before the calendar."""
        digest = digest_of(self.secret, f"days\0{patient.strip()}".encode())
        try:
            return day - timedelta(days=1 + int.from_bytes(digest, "big") % _LONGEST_SHIFT_DAYS)
        except OverflowError:
            return None

    @property
    def check(self) -> str:
        """What tells this key from another without giving it away."""
        return digest_of(self.secret, b"check\0").hex()


def make_key(path: Path) -> Key:
    """Make a key file that only its owner can read.

    Raises
    ------
    WriteError
        The file cannot be written.
    """
    try:
        write_secret(path)
    except OSError as fault:
        raise WriteError(
            found=f"the key file {path} cannot be written: {fault.strerror}.",
            needed="a folder that takes it; nothing was de-identified.",
            next_step="Name another folder for what stays with you.",
        ) from fault
    return read_key(path)


def read_key(path: Path) -> Key:
    """Read a key file.

    Raises
    ------
    DeidentificationError
        There is none, it is no key, or others can read it.
    """
    try:
        mode = path.stat().st_mode
        secret = read_secret(path)
    except (OSError, ValueError) as fault:
        raise _no_key(path) from fault
    if os.name == "posix" and stat.S_IMODE(mode) & 0o077:
        raise DeidentificationError(
            found=f"a key that others can read ({path}, mode {stat.S_IMODE(mode):o}).",
            needed="a key file for its owner alone.",
            next_step=f"chmod 600 {path}; if others may have read it, make a new key and new "
            "copies of everything.",
        )
    return Key(secret=secret)


def _no_key(path: Path) -> DeidentificationError:
    return DeidentificationError(
        found=f"no key in {path}.",
        needed="the key file of 64 hexadecimal digits that earlier copies were made with.",
        next_step="Bring the key back from where you keep its copy. If it is lost, make all copies "
        "anew in a new folder: names and dates will be other ones.",
    )
