"""A student's measurement and levels held against the hidden key."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rxmeasure.teaching.course import Course, Key, Marking, MeasuredCanal
from rxmeasure.teaching.rubric import Rubric


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureComparison:
    """One measure beside the key's.

    ``student``, ``difference`` (student less key) and ``within`` are None where the student
    did not measure it; ``why_missing`` then says why.
    """

    canal: str
    name: str
    unit: str
    key: float
    tolerance: float
    student: float | None
    difference: float | None
    within: bool | None
    why_missing: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelComparison:
    """One level beside the key's.

    Attributes
    ----------
    criterion, student, key : str
    steps : int
        Levels above (+) or below the key: positive is too generous.
    credit : float
        Share of the weight: 1 for the key's level, less with each step (`closeness`).
    overlooked : bool
        The key misses a level that must be reached, and the student does not say so.
    """

    criterion: str
    student: str
    key: str
    steps: int
    credit: float
    overlooked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One reading of a case beside its key; ``total`` is the reading's mark, of full marks."""

    case: str
    levels: tuple[LevelComparison, ...]
    measures: tuple[MeasureComparison, ...]
    total: float

    @property
    def overlooked(self) -> tuple[str, ...]:
        """Criteria that must be reached, are not by the key, and were let pass."""
        return tuple(level.criterion for level in self.levels if level.overlooked)


def compared(course: Course, marking: Marking, key: Key) -> Comparison:
    """Hold one marking, and its review where there is one, against the key."""
    levels = _levels(course.rubric, marking, key)
    weights = {c.id: c.weight for c in course.rubric.criteria}
    return Comparison(
        case=key.case,
        levels=levels,
        measures=compared_measures(course, marking.measured, key),
        total=math.fsum(weights[level.criterion] * level.credit for level in levels),
    )


def _levels(rubric: Rubric, marking: Marking, key: Key) -> tuple[LevelComparison, ...]:
    said, agreed = marking.level_of, key.level_of
    return tuple(
        LevelComparison(
            criterion=c.id,
            student=said[c.id],
            key=agreed[c.id],
            steps=c.place(agreed[c.id]) - c.place(said[c.id]),
            credit=c.closeness(said[c.id], agreed[c.id]),
            overlooked=c.reached(said[c.id]) and not c.reached(agreed[c.id]),
        )
        for c in rubric.criteria
    )


def compared_measures(
    course: Course, measured: Sequence[MeasuredCanal], key: Key
) -> tuple[MeasureComparison, ...]:
    """Each measure of the key beside the student's own."""
    tolerances = dict(course.tolerances)
    own = _canals(measured, {m.canal for m in key.measures})
    found = []
    for agreed in key.measures:
        value, why = _value(measured, own.get(agreed.canal), agreed.name)
        difference = None if value is None else value - agreed.value
        tolerance = tolerances[agreed.name]
        found.append(
            MeasureComparison(
                canal=agreed.canal,
                name=agreed.name,
                unit=agreed.unit,
                key=agreed.value,
                tolerance=tolerance,
                student=value,
                difference=difference,
                within=None if difference is None else abs(difference) <= tolerance,
                why_missing=why,
            )
        )
    return tuple(found)


def _canals(measured: Sequence[MeasuredCanal], wanted: set[str]) -> dict[str, MeasuredCanal]:
    """The student's canals under the key's names; a single canal needs no name."""
    if len(measured) == 1 and len(wanted) == 1:
        return dict(zip(wanted, measured, strict=True))
    return {canal.name: canal for canal in measured}


def _value(
    measured: Sequence[MeasuredCanal], canal: MeasuredCanal | None, name: str
) -> tuple[float | None, str]:
    if not measured:
        return None, "The film was not measured."
    if canal is None:
        return None, "No canal of this name was measured."
    found = canal.value(name)
    if found is None or found.value is None:
        return None, (found.why_missing if found else "") or "It was not measured."
    return found.value, ""
