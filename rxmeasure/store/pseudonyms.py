"""Keyed pseudonyms of patients: the store never holds what was typed.

The key and the list of who is who lie outside the store. Whoever has the store alone cannot
test guesses of a patient; whoever has the key as well can.
"""

from __future__ import annotations

import csv
import hashlib
import hmac
import io
import os
import re
from dataclasses import dataclass
from pathlib import Path

from rxmeasure.atomic import write_text
from rxmeasure.errors import StoreError, WriteError
from rxmeasure.secret_key import patient_pseudonym, read_secret, write_secret

_KEYED = re.compile(r"px-[a-z2-7]{26}")


@dataclass(frozen=True, slots=True)
class Pseudonyms:
    """A key, and the list of the pseudonyms that were made with it.

    Parameters
    ----------
    path : Path
        The key file; the list is kept beside it as ``NAME.patients.csv``.
    key : bytes
    """

    path: Path
    key: bytes

    @property
    def list_path(self) -> Path:
        """Where the list is kept."""
        return self.path.with_name(self.path.name + ".patients.csv")

    def keyed(self, typed: str) -> str:
        """Return the pseudonym that the store keeps; one that is keyed already stays.

        HMAC-SHA-256 (RFC 2104), 128 bits of it.
        """
        if is_keyed(typed):
            return typed
        return patient_pseudonym(self.key, typed)

    def note(self, typed: str) -> str:
        """Return the keyed pseudonym, and keep in the list what it stands for.

        Raises
        ------
        WriteError
            The list cannot be written.
        """
        keyed = self.keyed(typed)
        if keyed != typed and keyed not in self.listed():
            self._append(keyed, typed)
        return keyed

    def listed(self) -> dict[str, str]:
        """Return the list: keyed pseudonym -> what was typed."""
        if not self.list_path.is_file():
            return {}
        with self.list_path.open(encoding="utf-8", newline="") as file:
            return dict(row for row in csv.reader(file) if len(row) == 2)

    def forget(self, keyed: str) -> None:
        """Take a patient off the list."""
        kept = {k: typed for k, typed in self.listed().items() if k != keyed}
        if self.list_path.is_file():
            write_text(self.list_path, "".join(_line(*entry) for entry in kept.items()))

    def check(self, store_id: str) -> str:
        """Return what the store keeps to know its key again."""
        return hmac.new(self.key, b"store " + store_id.encode(), hashlib.sha256).hexdigest()

    def _append(self, keyed: str, typed: str) -> None:
        # One write of one line: several programs may add to the list at the same time.
        try:
            descriptor = os.open(self.list_path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            with os.fdopen(descriptor, "ab") as file:
                file.write(_line(keyed, typed).encode())
                file.flush()
                os.fsync(file.fileno())
        except OSError as fault:
            raise WriteError(
                found=f"the list of pseudonyms cannot be written: {fault.strerror}.",
                needed="the right to write beside the key file; nothing was saved.",
                next_step=f"Make {self.list_path.parent} writable, then save again.",
            ) from fault


def is_keyed(text: str) -> bool:
    """Whether a text is a keyed pseudonym."""
    return _KEYED.fullmatch(text) is not None


def make_key(path: Path) -> Pseudonyms:
    """Make a key file; one that is there is taken as it is.

    Raises
    ------
    WriteError
        The file cannot be written.
    StoreError
        The file is no key.
    """
    if path.is_file():
        return read_key(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_secret(path)
    except OSError as fault:
        raise WriteError(
            found=f"the key file {path} cannot be written: {fault.strerror}.",
            needed="a folder that takes it; no store was made.",
            next_step="Name another key file.",
        ) from fault
    return read_key(path)


def read_key(path: Path) -> Pseudonyms:
    """Read a key file.

    Raises
    ------
    StoreError
        There is none, or it is no key.
    """
    try:
        return Pseudonyms(path, read_secret(path))
    except (OSError, ValueError) as fault:
        raise StoreError(
            found=f"no key of pseudonyms in {path}.",
            needed="the key file that was made with the store.",
            next_step="Name the key file, or bring it back from where you keep its copy.",
        ) from fault


def _line(keyed: str, typed: str) -> str:
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow((keyed, typed))
    return line.getvalue()
