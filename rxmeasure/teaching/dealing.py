"""Who marks what next: the bank, own fillings, fillings that still need a marker."""

from __future__ import annotations

from collections.abc import Sequence

from rxmeasure.errors import TeachingError
from rxmeasure.teaching.calibration import calibration_of_records
from rxmeasure.teaching.course import Case, CourseRecords, case_named
from rxmeasure.teaching.results import works_of


def cases_for(
    records: CourseRecords, rater: str, *, names: Sequence[str] = (), works: bool = False
) -> tuple[Case, ...]:
    """The cases of a rater's next queue.

    Parameters
    ----------
    records : CourseRecords
    rater : str
    names : sequence of str
        Only these cases.
    works : bool
        Fillings instead of the bank: a student's own; for a teacher those that still need a
        marker, whom this teacher has not been.

    Raises
    ------
    TeachingError
        An unknown rater or case, another student's filling for a student, or students' fillings
        for teachers who have not calibrated.
    """
    if rater not in (*records.students, *records.teachers):
        raise TeachingError(
            found=f"{rater!r}, who takes no part in the course.",
            needed="a student or teacher of the course.",
            next_step="Correct the name, or begin the course with this person.",
        )
    cases = _chosen(records, rater, names, works=works)
    if rater in records.students:
        _check_own(cases, rater)
    elif any(case.author for case in cases):
        _check_calibrated(records)
    return cases


def _chosen(
    records: CourseRecords, rater: str, names: Sequence[str], *, works: bool
) -> tuple[Case, ...]:
    if names:
        return tuple(case_named(records.cases, name) for name in names)
    if not works:
        return tuple(case for case in records.cases if not case.author)
    if rater in records.students:
        return tuple(case for case in records.cases if case.author == rater)
    need_marker = {
        work.case
        for student in records.students
        for work in works_of(records, student)
        if not work.settled.standing.settled
        and rater not in {marker for marker, _ in work.settled.markers}
    }
    return tuple(case for case in records.cases if case.id in need_marker)


def _check_own(cases: Sequence[Case], student: str) -> None:
    if any(case.author not in ("", student) for case in cases):
        raise TeachingError(
            found=f"another student's filling for {student}.",
            needed="the student's own fillings, or cases of the bank.",
            next_step="Take that case out.",
        )


def _check_calibrated(records: CourseRecords) -> None:
    calibration = calibration_of_records(records)
    if not calibration.passed:
        raise TeachingError(
            found=f"students' fillings, and a calibration that falls short: {calibration.why_not}",
            needed="teachers who agree on the bank before they mark students.",
            next_step="Talk the differences over and mark the calibration films again.",
        )
