"""From the markers of one filling to its mark: second and third marker, median, majority."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from rxmeasure.teaching.course import Marking
from rxmeasure.teaching.rubric import Mark, Rubric, mark_of


class Standing(StrEnum):
    """Where the marking of a filling, or a student, stands."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_MARKED = "not marked yet"
    SECOND_MARKER = "to a second marker"
    THIRD_MARKER = "to a third marker"

    @property
    def settled(self) -> bool:
        """Whether no marker is needed any more."""
        return self in (Standing.PASSED, Standing.FAILED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """The mark of one filling.

    Attributes
    ----------
    total : float or None
        Median of the markers; None before the first.
    missed : tuple of str
        Criteria that must be reached and were not, by more than half of the markers; where more
        than half name such a criterion but not the same one, all that were named.
    standing : Standing
    why : str
        Why another marker is needed, or why the filling failed.
    markers : tuple of (str, float)
        Marker and mark.
    """

    total: float | None
    missed: tuple[str, ...]
    standing: Standing
    why: str
    markers: tuple[tuple[str, float], ...]


def settled(rubric: Rubric, markings: Sequence[Marking]) -> Settled:
    """The mark of one filling from its markers, in any order.

    One marker is enough away from the pass mark. Near it, or where only a level that must be
    reached fails the filling, a second is needed; where two differ on passing, a third. Then
    the majority rules, and the mark is the median (choice).
    """
    marks = {m.rater: mark_of(rubric, m.level_of) for m in sorted(markings, key=lambda m: m.rater)}
    markers = tuple((rater, mark.total) for rater, mark in marks.items())
    if not marks:
        return Settled(total=None, missed=(), standing=Standing.NOT_MARKED, why="", markers=markers)
    standing, why = _standing(rubric, list(marks.values()))
    return Settled(
        total=median(mark.total for mark in marks.values()),
        missed=_missed(rubric, list(marks.values())),
        standing=standing,
        why=why,
        markers=markers,
    )


def _standing(rubric: Rubric, marks: Sequence[Mark]) -> tuple[Standing, str]:
    if len(marks) == 1:
        why = _needs_second(rubric, marks[0])
        if why:
            return Standing.SECOND_MARKER, why
    passing = sum(mark.passed for mark in marks)
    if 2 * passing == len(marks):
        return Standing.THIRD_MARKER, "The markers differ on passing."
    if 2 * passing > len(marks):
        return Standing.PASSED, ""
    missed = _missed(rubric, marks)
    if missed:
        return Standing.FAILED, "Not reached, though it must be: " + ", ".join(missed) + "."
    if any(mark.missed for mark in marks):
        return Standing.FAILED, "Below the pass mark or what must be reached, by most markers."
    return Standing.FAILED, "Below the pass mark."


def _needs_second(rubric: Rubric, mark: Mark) -> str:
    if mark.borderline:
        return f"Within {rubric.borderline:g} of the pass mark."
    if mark.missed and mark.total >= rubric.pass_mark:
        return "Fails by " + ", ".join(mark.missed) + " alone."
    return ""


def _missed(rubric: Rubric, marks: Sequence[Mark]) -> tuple[str, ...]:
    """Criteria that the majority misses; those of any where it misses some but no one the most."""
    votes = {c.id: sum(c.id in mark.missed for mark in marks) for c in rubric.criteria}
    by_most = tuple(name for name, count in votes.items() if 2 * count > len(marks))
    if not by_most and 2 * sum(bool(mark.missed) for mark in marks) > len(marks):
        return tuple(name for name, count in votes.items() if count)
    return by_most
