"""Markings, keys and records for tests of teaching, made by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from rxmeasure.teaching.course import Course, CourseRecords, Key, Marking
from rxmeasure.teaching.rubric import Rubric


def best(rubric: Rubric, **changed: str) -> tuple[tuple[str, str], ...]:
    """The best level of each criterion, but for those named."""
    return tuple((c.id, changed.get(c.id, c.levels[0].name)) for c in rubric.criteria)


def marking(rubric: Rubric, rater: str, case: str = "case-1", **changed: str) -> Marking:
    """One marking with the best levels, but for those named."""
    return Marking(
        rater=rater, case=case, session="2026-03-02", showing=1, levels=best(rubric, **changed)
    )


def key(rubric: Rubric, case: str = "case-1", **changed: str) -> Key:
    """A key with the best levels, but for those named."""
    return Key(
        case=case, agreed_by=("a", "b"), session="2026-02-02", levels=best(rubric, **changed)
    )


def small_records(course: Course, markings: Sequence[Marking], **changed: Any) -> CourseRecords:
    """Records of a course with nothing but some markings."""
    empty = CourseRecords(
        course=course, cases=(), keys=(), students=(), teachers=(), markings=tuple(markings)
    )
    return replace(empty, **changed)
