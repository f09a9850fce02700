"""Moderation, marks and standings; a whole course; the order of students and cases is nothing."""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook
from simulated_course import CALIBRATION, SimulatedCourse
from teaching_parts import key, marking, small_records

from rxmeasure.agreement.drift import Drift
from rxmeasure.agreement.results import Agreement
from rxmeasure.errors import TeachingError
from rxmeasure.teaching.calibration import calibration_of_records
from rxmeasure.teaching.class_agreement import class_agreement
from rxmeasure.teaching.course import Case, Course, CourseRecords, Marking
from rxmeasure.teaching.moderation import Standing, settled
from rxmeasure.teaching.results import (
    course_results,
    reading_of,
    result_of,
    self_consistency,
    works_of,
)
from rxmeasure.teaching.rubric import Rubric
from rxmeasure.teaching.sheets import (
    STUDENT_HEADER,
    student_rows,
    write_marks_csv,
    write_marks_xlsx,
)

#: Levels that earn 65, 60, 55 and 40 marks of the sample rubric, by hand.
AT_65 = {"density": "poor", "film": "poor"}
AT_60 = {"taper": "poor", "density": "acceptable", "film": "poor"}
AT_55 = {"density": "poor", "taper": "poor"}
AT_45 = {"density": "poor", "taper": "poor", "film": "poor"}


def test_a_clear_mark_needs_one_marker(rubric: Rubric) -> None:
    found = settled(rubric, [marking(rubric, "a")])
    assert (found.total, found.standing) == (100.0, Standing.PASSED)
    failed = settled(rubric, [marking(rubric, "a", **AT_45)])
    assert (failed.total, failed.standing, failed.why) == (
        45.0, Standing.FAILED, "Below the pass mark.",
    )  # fmt: skip


@pytest.mark.parametrize(("levels", "mark"), [(AT_65, 65.0), (AT_60, 60.0), (AT_55, 55.0)])
def test_a_mark_near_the_pass_mark_goes_to_a_second_marker(
    rubric: Rubric, levels: dict[str, str], mark: float
) -> None:
    found = settled(rubric, [marking(rubric, "a", **levels)])
    assert found.total == pytest.approx(mark)
    assert found.standing is Standing.SECOND_MARKER


def test_a_fail_by_one_must_pass_item_alone_goes_to_a_second_marker(rubric: Rubric) -> None:
    missed = marking(rubric, "a", extrusion="gross")
    found = settled(rubric, [missed])
    assert found.total == 90.0
    assert found.standing is Standing.SECOND_MARKER
    agreed = settled(rubric, [missed, replace(missed, rater="b")])
    assert agreed.standing is Standing.FAILED
    assert agreed.missed == ("extrusion",)


def test_two_markers_who_differ_on_passing_need_a_third_and_the_majority_rules(
    rubric: Rubric,
) -> None:
    two = [marking(rubric, "a", **AT_65), marking(rubric, "b", **AT_55)]
    assert settled(rubric, two).standing is Standing.THIRD_MARKER
    up = settled(rubric, [*two, marking(rubric, "c", **AT_60)])
    assert (up.total, up.standing) == (60.0, Standing.PASSED)
    down = settled(rubric, [*two, marking(rubric, "c", **AT_45)])
    assert (down.total, down.standing) == (55.0, Standing.FAILED)


def test_two_markers_of_one_mind_settle_a_borderline_mark_by_its_median(rubric: Rubric) -> None:
    found = settled(rubric, [marking(rubric, "a", **AT_65), marking(rubric, "b", **AT_60)])
    assert (found.total, found.standing) == (62.5, Standing.PASSED)


def test_nobody_s_mark_is_no_mark(rubric: Rubric) -> None:
    found = settled(rubric, [])
    assert (found.total, found.standing) == (None, Standing.NOT_MARKED)


@given(order=st.permutations(range(3)), extrusion=st.sampled_from(["none", "gross"]))
def test_the_order_of_the_markers_does_not_matter(
    rubric: Rubric, order: Sequence[int], extrusion: str
) -> None:
    markers = [
        marking(rubric, "a", **AT_65),
        marking(rubric, "b", **AT_55),
        marking(rubric, "c", extrusion=extrusion),
    ]
    assert settled(rubric, [markers[k] for k in order]) == settled(rubric, markers)


def _one_student(course: Course, *markings: Marking, works: int = 1) -> CourseRecords:
    cases = [Case(id="case-1", image="a.png", sha256="1")]
    cases += [
        Case(id=f"work-{n}", image=f"{n}.png", sha256="2", author="s") for n in range(1, works + 1)
    ]
    return small_records(
        course, markings, cases=tuple(cases), keys=(key(course.rubric),), students=("s",),
        teachers=("a", "b"),
    )  # fmt: skip


def test_the_final_mark_is_weighted_by_the_course(course: Course) -> None:
    records = _one_student(
        course,
        marking(course.rubric, "a", "work-1", density="poor"),
        marking(course.rubric, "s", "work-1"),
        marking(course.rubric, "s", "case-1", taper="poor"),
    )
    (student,) = course_results(records).students
    # 60 % of 75 and 40 % of 80, by hand.
    assert student.final == pytest.approx(0.6 * 75.0 + 0.4 * 80.0)
    assert student.standing is Standing.PASSED
    assert student.works[0].gap == pytest.approx(25.0)


def test_a_must_pass_item_missed_in_one_filling_fails_the_student(course: Course) -> None:
    missed = {"length": "poor", "density": "poor", "taper": "poor"}
    records = _one_student(
        course,
        marking(course.rubric, "a", "work-1"),
        marking(course.rubric, "a", "work-2"),
        marking(course.rubric, "a", "work-3", **missed),
        marking(course.rubric, "s", "case-1"),
        works=3,
    )
    (student,) = course_results(records).students
    assert student.final is not None
    assert student.final > course.rubric.pass_mark
    assert student.standing is Standing.FAILED
    assert "work-3 (length)" in student.why


def test_an_open_filling_keeps_the_student_open(course: Course) -> None:
    records = _one_student(
        course,
        marking(course.rubric, "a", "work-1", **AT_60),
        marking(course.rubric, "s", "case-1"),
    )
    (student,) = course_results(records).students
    assert (student.final, student.standing) == (None, Standing.SECOND_MARKER)
    assert "work-1" in student.why


def test_own_fillings_do_not_count_as_reading(course: Course) -> None:
    records = _one_student(
        course,
        marking(course.rubric, "s", "work-1", density="poor"),
        marking(course.rubric, "s", "case-1"),
    )
    keyed = replace(records, keys=(*records.keys, key(course.rubric, "work-1")))
    assert [c.case for c in reading_of(keyed, "s").comparisons] == ["case-1"]
    assert reading_of(keyed, "s").mark == 100.0


def test_only_the_first_reading_counts_and_the_second_shows_consistency(course: Course) -> None:
    first = marking(course.rubric, "s", "case-1", density="poor")
    again = replace(marking(course.rubric, "s", "case-1"), showing=2)
    records = _one_student(course, again, first)
    assert reading_of(records, "s").mark == 75.0
    assert self_consistency([again, first]) == (5, 4)
    assert self_consistency([first]) == (0, 0)


def test_a_whole_course_ends_with_a_standing_for_everybody(
    whole_course: SimulatedCourse, records: CourseRecords
) -> None:
    results = course_results(records)
    assert [s.student for s in results.students] == [f"student-{n:02d}" for n in range(1, 13)]
    assert all(s.standing.settled and s.final is not None for s in results.students)
    assert all(len(s.reading.comparisons) == 30 and len(s.works) == 2 for s in results.students)
    assert all(s.reading.repeated == 6 * 5 for s in results.students)
    assert len(results.difficulty) == 30
    assert calibration_of_records(records).n_cases == 30
    assert {m.session for m in records.markings} > {CALIBRATION}
    # Whoever reads better by design is marked better.
    by_skill = sorted(whole_course.students, key=lambda rater: rater.skill)
    marks = [reading_of(records, rater.name).mark or 0.0 for rater in by_skill]
    assert sum(marks[:4]) < sum(marks[-4:])


def test_the_order_of_students_cases_and_markings_does_not_matter(records: CourseRecords) -> None:
    shuffle = random.Random(5)

    def turned(values: Sequence[object]) -> tuple:
        return tuple(shuffle.sample(values, len(values)))

    other = replace(
        records,
        students=turned(records.students),
        teachers=turned(records.teachers),
        cases=turned(records.cases),
        keys=turned(records.keys),
        markings=turned(records.markings),
    )
    assert course_results(other) == course_results(records)


def test_other_students_do_not_change_one_s_marks(records: CourseRecords) -> None:
    alone = replace(
        records,
        students=("student-03",),
        markings=tuple(m for m in records.markings if m.rater in ("student-03", *records.teachers)),
    )
    whole = result_of(course_results(records), "student-03")
    assert result_of(course_results(alone), "student-03") == whole


def test_borderline_fillings_were_seen_by_more_than_one(records: CourseRecords) -> None:
    rubric = records.course.rubric
    near = [
        work
        for student in records.students
        for work in works_of(records, student)
        if abs(work.settled.markers[0][1] - rubric.pass_mark) <= rubric.borderline
    ]
    assert all(len(work.settled.markers) > 1 for work in near)


def test_agreement_finds_the_teacher_who_drifts(records: CourseRecords) -> None:
    found = class_agreement(records)
    raters = {r.rater: r for r in found.raters}
    assert list(raters)[:3] == ["teacher-1", "teacher-2", "teacher-3"]
    for teacher in ("teacher-1", "teacher-2", "teacher-3"):
        drift = raters[teacher].drift
        assert isinstance(drift, Drift)
        assert [s.session for s in drift.sessions][0] == "2026-03-09"  # the calibration is left out
        assert drift.leaning is not None
    slopes = {
        name: raters[name].drift.leaning.estimate  # type: ignore[union-attr]
        for name in ("teacher-1", "teacher-3")
    }
    assert slopes["teacher-3"] > slopes["teacher-1"]
    # A rater's cell rests on the keyed cases of that rater.
    assert {c.n_cases for c in raters["student-01"].criteria} == {30}
    assert all(isinstance(c.students, Agreement) for c in found.criteria)


def test_an_unknown_student_has_no_result(records: CourseRecords) -> None:
    with pytest.raises(TeachingError, match="no student"):
        result_of(course_results(records), "student-99")


def test_the_csv_holds_every_student_and_no_formula(records: CourseRecords, tmp_path: Path) -> None:
    hostile = _hostile(records)
    results = course_results(hostile)
    path = tmp_path / "marks.csv"
    write_marks_csv(hostile.course, results, path)
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    assert tuple(rows[0]) == STUDENT_HEADER
    assert len(rows) == 12
    assert rows[0]["student"].startswith("'=")
    by_name = {s.student: s for s in results.students}
    for row in rows[1:]:
        assert float(row["final"]) == pytest.approx(by_name[row["student"]].final, abs=0.05)


def test_no_cell_of_the_workbook_is_a_formula(records: CourseRecords, tmp_path: Path) -> None:
    hostile = _hostile(records)
    results = course_results(hostile)
    path = tmp_path / "marks.xlsx"
    write_marks_xlsx(hostile.course, results, path)
    book = load_workbook(path)
    assert book.sheetnames == ["Students", "Fillings"]
    for sheet in book.worksheets:
        assert {cell.data_type for row in sheet.iter_rows() for cell in row} <= {"s", "n"}
    rows = list(book["Students"].iter_rows(min_row=2, values_only=True))
    assert len(rows) == 12
    given = list(student_rows(hostile.course, results))
    assert [row[3] for row in rows] == [row[3] for row in given]
    assert book["Fillings"].max_row == 1 + 24


def _hostile(records: CourseRecords) -> CourseRecords:
    """The course with a student whose pseudonym a spreadsheet would run."""
    name = '=HYPERLINK("x")'

    def renamed(text: str) -> str:
        return name if text == "student-12" else text

    return replace(
        records,
        students=tuple(map(renamed, records.students)),
        cases=tuple(replace(case, author=renamed(case.author)) for case in records.cases),
        markings=tuple(replace(m, rater=renamed(m.rater)) for m in records.markings),
    )


def test_markers_who_each_miss_another_must_pass_item_fail_the_student(course: Course) -> None:
    """Both say that the filling fails, so that no good mark may pass it."""
    by_a = marking(course.rubric, "a", "work-1", length="poor")
    by_b = marking(course.rubric, "b", "work-1", extrusion="gross")
    found = settled(course.rubric, [by_a, by_b])
    assert (found.standing, found.missed) == (Standing.FAILED, ("length", "extrusion"))
    records = _one_student(course, by_a, by_b, marking(course.rubric, "s", "case-1"))
    records = replace(records, teachers=("a", "b"))
    (student,) = course_results(records).students
    assert student.final is not None
    assert student.final > course.rubric.pass_mark
    assert student.standing is Standing.FAILED


def test_one_marker_of_three_gives_no_reason_for_the_fail(rubric: Rubric) -> None:
    three = [
        marking(rubric, "a", extrusion="gross"),
        marking(rubric, "b", **AT_45),
        marking(rubric, "c"),
    ]
    found = settled(rubric, three)
    assert (found.standing, found.missed, found.why) == (
        Standing.FAILED, (), "Below the pass mark or what must be reached, by most markers.",
    )  # fmt: skip
