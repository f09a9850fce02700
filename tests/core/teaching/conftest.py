"""A small simulated course, and the reviews of the sample films that it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from simulated_course import SimulatedCourse, reviewed_samples, sample_course, simulated_course

from rxmeasure.review import Review
from rxmeasure.teaching.course import Course, CourseRecords
from rxmeasure.teaching.rubric import Rubric


@pytest.fixture(scope="session")
def reviewed(sample_images: Path) -> list[tuple[str, Review]]:
    return reviewed_samples(sample_images)


@pytest.fixture(scope="session")
def whole_course(reviewed: Sequence[tuple[str, Review]]) -> SimulatedCourse:
    """30 cases, 12 students with two fillings each, 3 teachers; gone through to the end."""
    course = simulated_course(reviewed)
    course.run()
    return course


@pytest.fixture(scope="session")
def records(whole_course: SimulatedCourse) -> CourseRecords:
    return whole_course.records()


@pytest.fixture(scope="session")
def course() -> Course:
    return sample_course()


@pytest.fixture(scope="session")
def rubric(course: Course) -> Rubric:
    return course.rubric
