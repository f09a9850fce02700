"""Blind queues: no name, random by rater, repeats apart; tickets resolve to their own rater."""

from __future__ import annotations

import dataclasses
import json
import random

import pytest
from simulated_course import SimulatedCourse
from teaching_parts import best, marking

from rxmeasure.errors import TeachingError
from rxmeasure.teaching.course import Case, Course, CourseRecords, Submission
from rxmeasure.teaching.dealing import cases_for
from rxmeasure.teaching.queue import marking_queue, resolved

CASES = tuple(
    Case(id=f"work-{n:02d}", image=f"miller_{n}.PNG", sha256=f"{n:064d}", author="student-07")
    for n in range(12)
)
DAY = "2026-03-02"


def test_what_a_rater_sees_holds_no_name(course: Course) -> None:
    queue = marking_queue(course, CASES, "teacher-1", DAY)
    seen = json.dumps([dataclasses.asdict(item) for item in queue.items])
    for case in CASES:
        for part in (case.id, case.author, case.image, case.image.partition(".")[0], case.sha256):
            assert part not in seen
    assert "teacher" not in seen


def test_each_case_comes_once_and_some_a_second_time_later(course: Course) -> None:
    queue = marking_queue(course, CASES, "teacher-1", DAY)
    first = [t.case for t in queue.tickets if t.showing == 1]
    again = [t.case for t in queue.tickets if t.showing == 2]
    assert sorted(first) == [case.id for case in CASES]
    assert len(again) == course.repeats == 3
    order = [t.case for t in queue.tickets]
    for case in again:
        places = [place for place, name in enumerate(order) if name == case]
        assert len(places) == 2
        assert places[1] - places[0] > 1
        assert queue.tickets[places[0]].showing == 1
    assert len({t.ticket for t in queue.tickets}) == len(queue.tickets)


def test_the_order_depends_on_rater_and_day_not_on_the_order_of_the_cases(course: Course) -> None:
    queue = marking_queue(course, CASES, "teacher-1", DAY)
    shuffled = list(CASES)
    random.Random(3).shuffle(shuffled)
    assert marking_queue(course, shuffled, "teacher-1", DAY) == queue
    order = [t.case for t in queue.tickets]
    for other in (
        marking_queue(course, CASES, "teacher-2", DAY),
        marking_queue(course, CASES, "teacher-1", "2026-03-03"),
        marking_queue(dataclasses.replace(course, secret="another"), CASES, "teacher-1", DAY),
    ):
        assert [t.case for t in other.tickets] != order
        assert not {t.ticket for t in other.tickets} & {t.ticket for t in queue.tickets}


def test_few_cases_come_again_at_most_by_half(course: Course) -> None:
    assert len(marking_queue(course, CASES[:1], "teacher-1", DAY).items) == 1
    assert len(marking_queue(course, CASES[:4], "teacher-1", DAY).items) == 6


@pytest.mark.parametrize(("cases", "session"), [((), DAY), (CASES, "in May")])
def test_no_cases_or_no_date_is_refused(
    course: Course, cases: tuple[Case, ...], session: str
) -> None:
    with pytest.raises(TeachingError):
        marking_queue(course, cases, "teacher-1", session)


def test_a_ticket_is_good_for_its_own_rater_alone(course: Course) -> None:
    queue = marking_queue(course, CASES, "teacher-1", DAY)
    levels = best(course.rubric)
    ticket = queue.items[0].ticket
    own = Submission(rater="teacher-1", ticket=ticket, levels=levels)
    (found,) = resolved([own], queue.tickets)
    assert (found.case, found.session) == (queue.tickets[0].case, DAY)
    for wrong in (
        dataclasses.replace(own, rater="teacher-2"),
        dataclasses.replace(own, ticket="AAAAAAAA"),
    ):
        with pytest.raises(TeachingError, match="own queue"):
            resolved([wrong], queue.tickets)


def test_the_last_marking_of_a_ticket_counts(course: Course) -> None:
    queue = marking_queue(course, CASES, "teacher-1", DAY)
    given = [
        Submission(
            rater="teacher-1",
            ticket=queue.items[0].ticket,
            levels=best(course.rubric, density=level),
        )
        for level in ("poor", "acceptable")
    ]
    (found,) = resolved(given, queue.tickets)
    assert found.level_of["density"] == "acceptable"


def test_a_student_gets_the_bank_and_own_fillings_only(whole_course: SimulatedCourse) -> None:
    records = whole_course.records()
    bank = cases_for(records, "student-01")
    works = cases_for(records, "student-01", works=True)
    assert len(bank) == 30
    assert {case.author for case in bank} == {""}
    assert {case.author for case in works} == {"student-01"}
    other = next(case for case in records.cases if case.author == "student-02")
    with pytest.raises(TeachingError, match="another student's filling"):
        cases_for(records, "student-01", names=[other.id])


def test_teachers_mark_students_after_their_calibration(whole_course: SimulatedCourse) -> None:
    records = _before_marking(whole_course)
    assert len(cases_for(records, "teacher-1", works=True)) == 24
    strict = dataclasses.replace(
        records, course=dataclasses.replace(records.course, agreement_at_least=0.999)
    )
    with pytest.raises(TeachingError, match="calibration that falls short"):
        cases_for(strict, "teacher-1", works=True)
    assert len(cases_for(strict, "teacher-1")) == 30


def test_only_fillings_that_need_a_marker_are_dealt_and_to_another_one(
    whole_course: SimulatedCourse,
) -> None:
    assert cases_for(whole_course.records(), "teacher-1", works=True) == ()
    records = _before_marking(whole_course)
    rubric = records.course.rubric
    clear, near = (case for case in whole_course.works()[:2])
    by_first = (
        marking(rubric, "teacher-1", clear.id),
        marking(rubric, "teacher-1", near.id, density="poor", film="poor"),
    )
    marked = dataclasses.replace(records, markings=(*records.markings, *by_first))
    left = {case.id for case in cases_for(marked, "teacher-1", works=True)}
    for_another = {case.id for case in cases_for(marked, "teacher-2", works=True)}
    assert len(left) == 22
    assert for_another - left == {near.id}


def _before_marking(course: SimulatedCourse) -> CourseRecords:
    """The course before any teacher marked a filling."""
    records = course.records()
    works = {case.id for case in course.works()}
    markings = tuple(
        m for m in records.markings if m.rater in records.students or m.case not in works
    )
    return dataclasses.replace(records, markings=markings)


def test_somebody_from_outside_gets_no_queue(whole_course: SimulatedCourse) -> None:
    with pytest.raises(TeachingError, match="takes no part"):
        cases_for(whole_course.records(), "student-99")
