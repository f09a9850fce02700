"""Who works with the store, and what each role may see and write."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rxmeasure.errors import AccessError

#: Longest name of a person: what PostgreSQL takes for the name of a login role.
LONGEST_NAME_BYTES = 63

#: The one kind of record that the store understands; others are for those who save them.
REVIEW = "review"


class Role(StrEnum):
    """What a person is in the clinic or course."""

    STUDENT = "student"
    RATER = "rater"
    CLINICIAN = "clinician"
    TEACHER = "teacher"
    LEAD = "lead"

    @property
    def sees_all(self) -> bool:
        """Whether all records are open; students and blind raters see their own and shared."""
        return self not in (Role.STUDENT, Role.RATER)

    def may_open(self, kind: str) -> bool:
        """Whether the role may begin records of a kind: students reviews and ``student-...``."""
        return self.sees_all or kind == REVIEW or kind.startswith(f"{self}-")


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Who reads and writes.

    Attributes
    ----------
    name : str
        A pseudonym, as it stands in every revision. On PostgreSQL: the login role.
    role : Role
    """

    name: str
    role: Role

    def __post_init__(self) -> None:
        fits = 0 < len(self.name.encode("utf-8", "replace")) <= LONGEST_NAME_BYTES
        if not (fits and self.name.isprintable() and self.name == self.name.strip()):
            raise AccessError(
                found=f"{self.name[:80]!r} as the name of a person.",
                needed=f"a pseudonym of 1 to {LONGEST_NAME_BYTES} bytes on one line.",
                next_step="Give another name.",
            )
