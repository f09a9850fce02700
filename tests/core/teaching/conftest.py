"""The course of the sample teaching clinic, and its rubric."""

from __future__ import annotations

import pytest
from simulated_course import sample_course

from rxmeasure.teaching.course import Course, CourseRecords
from rxmeasure.teaching.rubric import Rubric


@pytest.fixture(scope="session")
def records(course_records: CourseRecords) -> CourseRecords:
    return course_records


@pytest.fixture(scope="session")
def course() -> Course:
    return sample_course()


@pytest.fixture(scope="session")
def rubric(course: Course) -> Rubric:
    return course.rubric
