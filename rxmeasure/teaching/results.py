"""The results of a course: what each student made, read and earned."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean

from rxmeasure.errors import TeachingError
from rxmeasure.teaching.comparing import Comparison, compared
from rxmeasure.teaching.course import CourseRecords, Marking
from rxmeasure.teaching.moderation import Settled, Standing, settled
from rxmeasure.teaching.rubric import mark_of, passes


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkResult:
    """One filling that a student made.

    ``self_mark`` is what the student gave it, ``gap`` that less the teachers' mark.
    """

    case: str
    student: str
    settled: Settled
    self_mark: float | None
    gap: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingResult:
    """A student's readings of the bank against the key.

    Attributes
    ----------
    student : str
    comparisons : tuple of Comparison
        First readings only, in the order of the cases.
    mark : float or None
        Mean of their totals; None without readings.
    same_level : float or None
        Share of levels that are the key's.
    measures_within, n_measures : int
        Measures within their tolerance, of those that the key has.
    overlooked : int
        Times that a level was let pass that must be reached and is not.
    repeated, same_again : int
        Levels given twice to the same case, and how many were the same.
    """

    student: str
    comparisons: tuple[Comparison, ...]
    mark: float | None
    same_level: float | None
    measures_within: int
    n_measures: int
    overlooked: int
    repeated: int
    same_again: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StudentResult:
    """One student of the course.

    Attributes
    ----------
    student : str
    works : tuple of WorkResult
    reading : ReadingResult
    work_mark, final : float or None
        Of full marks; None while a part is missing or open.
    standing : Standing
    why : str
        Why failed, or what is open.
    """

    student: str
    works: tuple[WorkResult, ...]
    reading: ReadingResult
    work_mark: float | None
    final: float | None
    standing: Standing
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseDifficulty:
    """How hard a case of the bank is to read.

    ``same_level`` is the share of levels, over students and criteria, that are the key's (1 is
    easy); ``hardest`` the criterion with the smallest share.
    """

    case: str
    n_students: int
    same_level: float
    measures_within: float | None
    hardest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseResults:
    """All students in order of their pseudonym, and all keyed cases from hard to easy."""

    students: tuple[StudentResult, ...]
    difficulty: tuple[CaseDifficulty, ...]


def course_results(records: CourseRecords) -> CourseResults:
    """Reckon all results. The order of students, cases and markings does not matter."""
    students = tuple(_student(records, student) for student in sorted(records.students))
    return CourseResults(
        students=students,
        difficulty=_difficulty([student.reading for student in students]),
    )


def result_of(results: CourseResults, student: str) -> StudentResult:
    """One student's results.

    Raises
    ------
    TeachingError
        No such student.
    """
    for result in results.students:
        if result.student == student:
            return result
    raise TeachingError(
        found=f"no student {student!r}.",
        needed="a student of the course.",
        next_step="Correct the pseudonym.",
    )


def works_of(records: CourseRecords, student: str) -> tuple[WorkResult, ...]:
    """The fillings that a student made, with their marks."""
    return tuple(
        _work(records, case.id, student)
        for case in sorted(records.cases, key=lambda case: case.id)
        if case.author == student
    )


def _work(records: CourseRecords, case: str, student: str) -> WorkResult:
    by_teachers = [m for m in records.first_by(records.teachers) if m.case == case]
    own = [m for m in records.first_by([student]) if m.case == case]
    done = settled(records.course.rubric, by_teachers)
    self_mark = mark_of(records.course.rubric, own[0].level_of).total if own else None
    both = self_mark is not None and done.total is not None
    return WorkResult(
        case=case,
        student=student,
        settled=done,
        self_mark=self_mark,
        gap=self_mark - done.total if both else None,  # type: ignore[operator]
    )


def reading_of(records: CourseRecords, student: str) -> ReadingResult:
    """A student's readings of the keyed cases, those of the own work left out."""
    own_work = {case.id for case in records.cases if case.author == student}
    keys = {name: key for name, key in records.key_of.items() if name not in own_work}
    comparisons = tuple(
        compared(records.course, m, keys[m.case])
        for m in records.first_by([student])
        if m.case in keys
    )
    levels = [level for c in comparisons for level in c.levels]
    measures = [measure for c in comparisons for measure in c.measures]
    repeated, same_again = self_consistency(records.by(student))
    return ReadingResult(
        student=student,
        comparisons=comparisons,
        mark=_mean(c.total for c in comparisons),
        same_level=_mean(float(level.steps == 0) for level in levels),
        measures_within=sum(measure.within is True for measure in measures),
        n_measures=len(measures),
        overlooked=sum(len(c.overlooked) for c in comparisons),
        repeated=repeated,
        same_again=same_again,
    )


def self_consistency(markings: Iterable[Marking]) -> tuple[int, int]:
    """Levels that one rater gave to a case a second time, and how many were the same."""
    first: dict[str, Marking] = {}
    pairs: list[tuple[Marking, Marking]] = []
    for marking in sorted(markings, key=lambda m: (m.session, m.showing)):
        if marking.case in first:
            pairs.append((first[marking.case], marking))
        first.setdefault(marking.case, marking)
    same = [
        before.level_of[criterion] == level
        for before, after in pairs
        for criterion, level in after.levels
    ]
    return len(same), sum(same)


def _student(records: CourseRecords, student: str) -> StudentResult:
    works = works_of(records, student)
    reading = reading_of(records, student)
    open_works = [w for w in works if not w.settled.standing.settled]
    work_mark = None if open_works else _mean(w.settled.total or 0.0 for w in works)
    final = _final(records, work_mark, reading.mark)
    standing, why = _standing(records, works, open_works, final)
    return StudentResult(
        student=student,
        works=works,
        reading=reading,
        work_mark=work_mark,
        final=final,
        standing=standing,
        why=why,
    )


def _final(
    records: CourseRecords, work_mark: float | None, reading_mark: float | None
) -> float | None:
    course = records.course
    parts = ((course.work_weight, work_mark), (course.reading_weight, reading_mark))
    if any(weight and mark is None for weight, mark in parts):
        return None
    return sum(weight * (mark or 0.0) for weight, mark in parts) / 100.0


def _standing(
    records: CourseRecords,
    works: Sequence[WorkResult],
    open_works: Sequence[WorkResult],
    final: float | None,
) -> tuple[Standing, str]:
    if open_works:
        work = open_works[0]
        why = f"{work.case}: {work.settled.standing}. {work.settled.why}"
        return work.settled.standing, why.strip()
    if final is None:
        return Standing.NOT_MARKED, "A part of the mark is missing."
    missed = [f"{w.case} ({', '.join(w.settled.missed)})" for w in works if w.settled.missed]
    if missed:
        return Standing.FAILED, "Not reached, though it must be: " + "; ".join(missed) + "."
    if not passes(records.course.rubric, final):
        return Standing.FAILED, "Below the pass mark."
    return Standing.PASSED, ""


def _difficulty(readings: Sequence[ReadingResult]) -> tuple[CaseDifficulty, ...]:
    by_case: dict[str, list[Comparison]] = {}
    for reading in readings:
        for comparison in reading.comparisons:
            by_case.setdefault(comparison.case, []).append(comparison)
    found = [_difficulty_of(case, comparisons) for case, comparisons in by_case.items()]
    return tuple(sorted(found, key=lambda d: (d.same_level, d.case)))


def _difficulty_of(case: str, comparisons: Sequence[Comparison]) -> CaseDifficulty:
    same: dict[str, list[float]] = {}
    for comparison in comparisons:
        for level in comparison.levels:
            same.setdefault(level.criterion, []).append(float(level.steps == 0))
    shares = {criterion: fmean(values) for criterion, values in same.items()}
    within = [
        float(measure.within is True)
        for comparison in comparisons
        for measure in comparison.measures
    ]
    return CaseDifficulty(
        case=case,
        n_students=len(comparisons),
        same_level=fmean(shares.values()),
        measures_within=_mean(within),
        hardest=min(shares, key=lambda criterion: shares[criterion]),
    )


def _mean(values: Iterable[float]) -> float | None:
    given = list(values)
    return fmean(given) if given else None
