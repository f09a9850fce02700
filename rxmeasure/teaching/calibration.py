"""The calibration exercise: teachers mark the same cases before they mark students."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rxmeasure.agreement.results import Agreement, Refused
from rxmeasure.errors import TeachingError
from rxmeasure.teaching.course import Course, CourseRecords, Marking
from rxmeasure.teaching.ratings import Column, ac2, column_of
from rxmeasure.teaching.rubric import RubricCriterion


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaning:
    """How many levels a teacher marks above (+) or below the mean of the others."""

    teacher: str
    levels: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionCalibration:
    """Agreement of the teachers on one criterion, and who leans where.

    ``reached`` is whether AC2 comes up to what the course asks.
    """

    criterion: str
    agreement: Agreement | Refused
    leanings: tuple[Leaning, ...]
    reached: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """The whole exercise; ``passed`` opens the marking of students."""

    teachers: tuple[str, ...]
    n_cases: int
    criteria: tuple[CriterionCalibration, ...]
    passed: bool
    why_not: str


def calibration_of(course: Course, markings: Sequence[Marking]) -> Calibration:
    """What the teachers' markings of the same cases say.

    Only cases that every teacher marked count, each teacher's first marking.

    Raises
    ------
    TeachingError
        Fewer than two teachers.
    """
    columns = _by_teacher(markings)
    if len(columns) < 2:
        raise TeachingError(
            found=f"markings by {len(columns)} teacher(s).",
            needed="two teachers or more who marked the same cases.",
            next_step="Let a second teacher mark them.",
        )
    shared = set.intersection(*(set(of_cases) for of_cases in columns.values()))
    criteria = tuple(
        _criterion(
            course,
            criterion,
            {
                teacher: column_of(criterion, (m for case, m in own.items() if case in shared))
                for teacher, own in columns.items()
            },
        )
        for criterion in course.rubric.criteria
    )
    why_not = _why_not(course, len(shared), criteria)
    return Calibration(
        teachers=tuple(columns),
        n_cases=len(shared),
        criteria=criteria,
        passed=not why_not,
        why_not=why_not,
    )


def calibration_of_records(records: CourseRecords) -> Calibration:
    """The calibration of a course.

    It is the last session in which two teachers or more marked enough of the same cases, none of
    them a student's filling; where none had enough, the last one.

    Raises
    ------
    TeachingError
        No session in which two teachers marked the bank alone.
    """
    works = {case.id for case in records.cases if case.author}
    by_session: dict[str, list[Marking]] = {}
    for marking in records.markings:
        if marking.rater in records.teachers:
            by_session.setdefault(marking.session, []).append(marking)
    found = [
        calibration_of(records.course, by_session[session])
        for session in sorted(by_session, reverse=True)
        if len({m.rater for m in by_session[session]}) > 1
        and not any(m.case in works for m in by_session[session])
    ]
    enough = [one for one in found if one.n_cases >= records.course.calibration_cases]
    for one in (*enough, *found):
        return one
    raise TeachingError(
        found="no session in which two teachers marked films of the bank alone.",
        needed="two teachers or more with queues of the bank in one session.",
        next_step="Give both a queue with the same --session.",
    )


def _by_teacher(markings: Sequence[Marking]) -> dict[str, dict[str, Marking]]:
    found: dict[str, dict[str, Marking]] = {}
    for marking in sorted(markings, key=lambda m: (m.rater, m.session, m.showing)):
        found.setdefault(marking.rater, {}).setdefault(marking.case, marking)
    return found


def _criterion(
    course: Course, criterion: RubricCriterion, columns: dict[str, Column]
) -> CriterionCalibration:
    agreement = ac2(criterion, columns)
    return CriterionCalibration(
        criterion=criterion.id,
        agreement=agreement,
        leanings=tuple(
            Leaning(teacher=teacher, levels=_leaning(teacher, columns)) for teacher in columns
        ),
        reached=isinstance(agreement, Agreement)
        and agreement.estimate >= course.agreement_at_least,
    )


def _leaning(teacher: str, columns: dict[str, Column]) -> float:
    own = columns[teacher]
    if not own:
        return 0.0
    others = [column for name, column in columns.items() if name != teacher]
    apart = [
        score - sum(column[case] for column in others) / len(others) for case, score in own.items()
    ]
    return sum(apart) / len(apart)


def _why_not(course: Course, n_cases: int, criteria: Sequence[CriterionCalibration]) -> str:
    if n_cases < course.calibration_cases:
        return f"{n_cases} cases marked by all, {course.calibration_cases} are needed."
    low = [c.criterion for c in criteria if not c.reached]
    if low:
        return f"AC2 below {course.agreement_at_least:g} on {', '.join(low)}."
    return ""
