"""A whole course with raters whose skill is known: cases, queues, markings, seeds fixed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from rxmeasure.errors import TeachingError
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks
from rxmeasure.review import Review, review_film
from rxmeasure.teaching.course import (
    Case,
    Course,
    CourseRecords,
    Key,
    Marking,
    Submission,
    measured_of,
)
from rxmeasure.teaching.course_file import parse_course, sample_course_text
from rxmeasure.teaching.key import agreed_key, differences
from rxmeasure.teaching.moderation import Standing
from rxmeasure.teaching.queue import Queue, marking_queue, resolved
from rxmeasure.teaching.results import works_of
from rxmeasure.teaching.rubric import RubricCriterion
from rxmeasure.teaching.rubric_file import parse_rubric, sample_rubric_text

CALIBRATION = "2026-02-02"
STUDENT_SESSIONS = ("2026-03-02", "2026-04-13")
TEACHER_SESSIONS = ("2026-03-09", "2026-04-20", "2026-05-18", "2026-06-15")
MODERATION = ("2026-06-22", "2026-06-29")
#: Keyed cases mixed unannounced into each queue of a teacher.
CONTROLS = 8


@dataclass(frozen=True, kw_only=True)
class Rater:
    """A rater: how often a level is right, measuring scatter and bias (mm), levels up a session."""

    name: str
    skill: float
    scatter_mm: float
    bias_mm: float = 0.0
    drift: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Film:
    """A film with the review that counts as true, and the levels that it deserves."""

    case: Case
    review: Review
    levels: tuple[tuple[str, str], ...]


@dataclass(kw_only=True)
class SimulatedCourse:
    """The course as it goes on, with all that was given out and handed in."""

    course: Course
    films: dict[str, Film]
    teachers: tuple[Rater, ...]
    students: tuple[Rater, ...]
    seed: int
    queues: list[Queue] = field(default_factory=list)
    submissions: list[Submission] = field(default_factory=list)
    keys: tuple[Key, ...] = ()

    @property
    def bank(self) -> list[Case]:
        return [film.case for film in self.films.values() if not film.case.author]

    def works(self, student: str = "") -> list[Case]:
        cases = [film.case for film in self.films.values() if film.case.author]
        return [case for case in cases if not student or case.author == student]

    def records(self) -> CourseRecords:
        tickets = [ticket for queue in self.queues for ticket in queue.tickets]
        return CourseRecords(
            course=self.course,
            cases=tuple(film.case for film in self.films.values()),
            keys=self.keys,
            students=tuple(rater.name for rater in self.students),
            teachers=tuple(rater.name for rater in self.teachers),
            markings=resolved(self.submissions, tickets),
        )

    def run(self) -> CourseRecords:
        """Calibration and keys, students' readings and self-marks, blind marking, moderation."""
        for teacher in self.teachers:
            self.sit(teacher, self.bank, CALIBRATION)
        self.keys = self.agree()
        for student in self.students:
            half = len(self.bank) // 2
            works = self.works(student.name)
            for n, session in enumerate(STUDENT_SESSIONS):
                part = self.bank[half:] if n else self.bank[:half]
                self.sit(student, [*part, *works[n :: len(STUDENT_SESSIONS)]], session)
        self._mark_works()
        for session in MODERATION:
            self._moderate(session)
        return self.records()

    def _mark_works(self) -> None:
        works = self.works()
        for n, session in enumerate(TEACHER_SESSIONS):
            controls = [self.bank[(n * CONTROLS + k) % len(self.bank)] for k in range(CONTROLS)]
            for k, teacher in enumerate(self.teachers):
                own = works[n :: len(TEACHER_SESSIONS)][k :: len(self.teachers)]
                self.sit(teacher, [*own, *controls], session, step=n)

    def _moderate(self, session: str) -> None:
        records = self.records()
        to_mark: dict[str, list[Case]] = {}
        for student in self.students:
            for work in works_of(records, student.name):
                if work.settled.standing in (Standing.SECOND_MARKER, Standing.THIRD_MARKER):
                    had = {marker for marker, _ in work.settled.markers}
                    nxt = next(t for t in self.teachers if t.name not in had)
                    to_mark.setdefault(nxt.name, []).append(self.films[work.case].case)
        for teacher in self.teachers:
            self.sit(teacher, to_mark.get(teacher.name, []), session, step=3)

    def sit(self, rater: Rater, cases: Sequence[Case], session: str, *, step: int = 0) -> None:
        """Give a rater the queue of a session, and take in what the rater makes of it."""
        if not cases:
            return
        queue = marking_queue(self.course, cases, rater.name, session)
        self.queues.append(queue)
        for item, ticket in zip(queue.items, queue.tickets, strict=True):
            rng = np.random.default_rng([self.seed, *item.ticket.encode("ascii")])
            film = self.films[ticket.case]
            self.submissions.append(
                Submission(
                    rater=rater.name,
                    ticket=item.ticket,
                    levels=tuple(
                        (c.id, said_level(c, dict(film.levels)[c.id], rater, step, rng))
                        for c in self.course.rubric.criteria
                    ),
                    review=said_review(film.review, rater, rng),
                )
            )

    def agree(self) -> tuple[Key, ...]:
        """Keys by the teachers; where they differ they settle on what the film deserves."""
        markings = self.records().first_by(t.name for t in self.teachers)
        return tuple(self._agreed([m for m in markings if m.case == case.id]) for case in self.bank)

    def _agreed(self, markings: list[Marking]) -> Key:
        deserved = dict(self.films[markings[0].case].levels)
        settled = {
            d.what: deserved[d.what]
            for d in differences(markings, self.course)
            if d.what in deserved
        }
        try:
            return agreed_key(markings, self.course, settled=settled)
        except TeachingError:  # a measure lies apart: they measure again, together
            true = self.films[markings[0].case].review
            again = [replace(m, review=true, measured=measured_of(true)) for m in markings]
            return agreed_key(again, self.course, settled=settled)


def said_level(
    criterion: RubricCriterion, true: str, rater: Rater, step: int, rng: np.random.Generator
) -> str:
    """The true level, or one beside it; a rater who drifts grows more generous."""
    names = criterion.level_names
    place = names.index(true)
    if rng.random() > rater.skill:
        place += int(rng.choice([-1, 1]))
    if rng.random() < rater.drift * step:
        place -= 1
    return names[min(max(place, 0), len(names) - 1)]


def said_review(true: Review, rater: Rater, rng: np.random.Generator) -> Review:
    """The true review with the rater's scatter on each length, as other clicks would give it."""
    canals = tuple(
        replace(
            canal,
            measures=tuple(
                replace(m, value=m.value + rater.bias_mm + float(rng.normal(0.0, rater.scatter_mm)))
                if m.unit == "mm" and isinstance(m.value, float)
                else m
                for m in canal.measures
            ),
        )
        for canal in true.canals
    )
    return replace(true, canals=canals, marks=replace(true.marks, reader=rater.name))


def sample_course() -> Course:
    rubric = parse_rubric(sample_rubric_text(), "filling.rubric.toml")
    return parse_course(sample_course_text(), "filling.course.toml", rubric)


def deserved_levels(review: Review, rng: np.random.Generator) -> tuple[tuple[str, str], ...]:
    """Levels by the sample rubric of a reviewed film; what is not measured is drawn."""
    canals = [{m.name: m.value for m in canal.measures} for canal in review.canals]
    length = max((_length_level(c.get("fill_to_apex_core_mm")) for c in canals), default=0)
    voids = max((int(c.get("void_count") or 0) for c in canals), default=0)
    even = all(c.get("taper_even") is not False for c in canals)
    puff = any((c.get("puff_area_mm2") or 0.0) > 0.05 for c in canals)
    covered = min((float(c.get("coverage_beyond_apex_mm") or 3.0) for c in canals), default=3.0)
    levels = ("ideal", "acceptable", "poor")
    return (
        ("length", levels[length]),
        ("density", levels[min(voids, 2)]),
        ("taper", levels[0] if even else levels[int(rng.integers(1, 3))]),
        ("extrusion", "acceptable" if puff else "none"),
        ("film", levels[0] if covered >= 3.0 else levels[1] if covered >= 1.5 else levels[2]),
    )


def _length_level(value: object) -> int:
    if not isinstance(value, float):
        return 1
    if 0.0 <= value <= 2.0:
        return 0
    return 1 if 2.0 < value <= 3.0 else 2


def simulated_course(
    reviewed: Sequence[tuple[str, Review]],
    *,
    n_cases: int = 30,
    n_students: int = 12,
    works_each: int = 2,
    seed: int = 11,
) -> SimulatedCourse:
    """A course over reviewed films; films come again where there are fewer than cases.

    Parameters
    ----------
    reviewed : sequence of (str, Review)
        Name of the image file, and the review that counts as true.
    """
    rng = np.random.default_rng(seed)
    students = tuple(
        Rater(
            name=f"student-{n:02d}",
            skill=float(rng.uniform(0.6, 0.95)),
            scatter_mm=float(rng.uniform(0.1, 0.5)),
            bias_mm=float(rng.normal(0.0, 0.15)),
        )
        for n in range(1, n_students + 1)
    )
    authors = [""] * n_cases + [s.name for s in students for _ in range(works_each)]
    names = [f"case-{n:02d}" for n in range(1, n_cases + 1)]
    names += [f"work-{n:02d}" for n in range(1, n_students * works_each + 1)]
    films = {}
    for k, (name, author) in enumerate(zip(names, authors, strict=True)):
        image, review = reviewed[k % len(reviewed)]
        case = Case(id=name, image=image, sha256=review.image.sha256, author=author)
        films[name] = Film(case=case, review=review, levels=deserved_levels(review, rng))
    return SimulatedCourse(
        course=sample_course(),
        films=films,
        teachers=(
            Rater(name="teacher-1", skill=0.96, scatter_mm=0.08),
            Rater(name="teacher-2", skill=0.94, scatter_mm=0.10),
            Rater(name="teacher-3", skill=0.92, scatter_mm=0.10, drift=0.12),
        ),
        students=students,
        seed=seed,
    )


def reviewed_samples(folder: Path) -> list[tuple[str, Review]]:
    """Some sample films, measured by the core from their own marks."""
    found = []
    for name in ("adequate_premolar.png", "voids_canine.png", "overfilled_with_puff.tif"):
        marks = read_marks(folder / f"{name.partition('.')[0]}.marks.toml")
        found.append((name, review_film(read_radiograph(folder / name), marks)))
    return found
