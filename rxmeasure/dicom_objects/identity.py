"""Unique identifiers that the same things always get, so that sending twice adds nothing."""

from __future__ import annotations

from uuid import UUID, uuid5

_NAMESPACE = UUID("7d0f2c5e-8a53-4b1f-9a53-1f6d2f0b9c41")


def derived_uid(*parts: str) -> str:
    """UID that equal parts always give: root 2.25 and a UUID (PS3.5, B.2) of version 5."""
    return f"2.25.{uuid5(_NAMESPACE, chr(0).join(parts)).int}"
