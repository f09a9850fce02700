"""Dates of an audit: ISO 8601 days, compared as text."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from rxmeasure.errors import AuditError


@lru_cache(maxsize=10_000)
def iso_date(text: str) -> str:
    """The day a text begins with, as YYYY-MM-DD; empty where it is no date."""
    try:
        return date.fromisoformat(text.strip()[:10]).isoformat()
    except ValueError:
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """The days from one to another, both included; an empty text is an open end."""

    since: str = ""
    until: str = ""

    def __post_init__(self) -> None:
        """Refuse what is no date, and an end before the start."""
        for text in (self.since, self.until):
            if text and iso_date(text) != text:
                raise AuditError(
                    found=f"the date '{text}'.",
                    needed="a date as YYYY-MM-DD.",
                    next_step="Correct the date.",
                )
        if self.since and self.until and self.until < self.since:
            raise AuditError(
                found=f"a period from {self.since} to {self.until}.",
                needed="an end that does not come before the start.",
                next_step="Exchange the dates.",
            )

    @property
    def bounded(self) -> bool:
        """Whether either end is set."""
        return bool(self.since or self.until)

    def holds(self, day: str) -> bool:
        """Whether a day lies in it."""
        return self.since <= day and (not self.until or day <= self.until)
