"""A secret in a file for its owner alone, and the pseudonyms of patients made with it."""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import re
import secrets
from pathlib import Path


def write_secret(path: Path) -> None:
    """Write a new secret of 32 random bytes to a new file that only its owner can read.

    Raises
    ------
    OSError
        The file is there, or cannot be written.
    """
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as file:
        file.write(secrets.token_hex(32) + "\n")
        file.flush()
        os.fsync(file.fileno())


def read_secret(path: Path) -> bytes:
    """Read a secret back.

    Raises
    ------
    OSError
        The file cannot be read.
    ValueError
        It holds no secret.
    """
    text = path.read_text(encoding="ascii").strip()
    if not re.fullmatch(r"[0-9a-f]{64}", text):
        raise ValueError("not 64 hexadecimal digits")
    return bytes.fromhex(text)


def digest_of(secret: bytes, message: bytes) -> bytes:
    """HMAC-SHA-256 (RFC 2104), 128 bits of it."""
    return hmac.new(secret, message, hashlib.sha256).digest()[:16]


def letters_of(digest: bytes) -> str:
    """A digest as small letters and digits."""
    return base64.b32encode(digest).decode().rstrip("=").lower()


def patient_pseudonym(secret: bytes, typed: str) -> str:
    """Pseudonym of a patient; the blanks around what was typed do not count."""
    return "px-" + letters_of(digest_of(secret, typed.strip().encode()))
