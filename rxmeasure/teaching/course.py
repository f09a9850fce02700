"""What a course consists of: its rules, its cases, what raters hand in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rxmeasure.errors import TeachingError
from rxmeasure.measure_names import MEASURES
from rxmeasure.review import Review
from rxmeasure.teaching.rubric import Rubric

#: Units of measures that are no numbers.
NOT_NUMBERS = ("bool", "code")


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The rules of a course.

    Attributes
    ----------
    id, title, clinic : str
    rubric : Rubric
    secret : str
        Orders the queues and makes their tickets; raters must not know it.
    repeats : int
        Cases that come a second time in each queue, unannounced.
    work_weight, reading_weight : float
        Shares of the final mark, in percent: fillings made, films read.
    agreement_at_least : float
        Gwet's AC2 that teachers must reach on each criterion before they mark.
    calibration_cases : int
        Fewest cases that the teachers mark for it.
    tolerances : tuple of (str, float)
        Measure and how far it may lie from the key, in its unit.
    """

    id: str
    title: str
    clinic: str
    rubric: Rubric
    secret: str
    repeats: int
    work_weight: float
    reading_weight: float
    agreement_at_least: float
    calibration_cases: int
    tolerances: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One film of the course.

    ``image`` is the name of its file, ``sha256`` that of its content. ``author`` is the
    pseudonym of the student whose work it shows; empty for a case of the bank.
    """

    id: str
    image: str
    sha256: str
    author: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredValue:
    """One numeric measure of a review; ``value`` is None where it could not be measured."""

    name: str
    unit: str
    value: float | None
    why_missing: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCanal:
    """The numbers of one canal of a review."""

    name: str
    values: tuple[MeasuredValue, ...]

    def value(self, name: str) -> MeasuredValue | None:
        """A measure by its name; None where it is not measured on such a film."""
        return next((v for v in self.values if v.name == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Submission:
    """What a rater hands in for one ticket of a queue: levels, perhaps a measured review.

    ``measured`` are the numbers of the review, which may lie elsewhere.
    """

    rater: str
    ticket: str
    levels: tuple[tuple[str, str], ...]
    comment: str = ""
    measured: tuple[MeasuredCanal, ...] = ()
    review: Review | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Marking:
    """One rater's levels for one case.

    Attributes
    ----------
    rater, case : str
    session : str
        Date of the queue, e.g. ``2026-03-02``.
    showing : int
        1, or 2 when the case came again.
    levels : tuple of (str, str)
        Criterion and level.
    comment : str
    measured : tuple of MeasuredCanal
        The rater's own measurement; empty without one.
    review : Review or None
        The same with all that was drawn, where it is needed.
    """

    rater: str
    case: str
    session: str
    showing: int
    levels: tuple[tuple[str, str], ...]
    comment: str = ""
    measured: tuple[MeasuredCanal, ...] = ()
    review: Review | None = None

    @property
    def level_of(self) -> Mapping[str, str]:
        """Criterion -> level."""
        return dict(self.levels)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyMeasure:
    """The agreed value of one measure; ``spread`` is how far the teachers' own lie apart."""

    canal: str
    name: str
    value: float
    unit: str
    spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyLine:
    """Where the key sees one canal on the film (row, col)."""

    canal: str
    points_px: tuple[tuple[float, float], ...]
    core_end_px: tuple[float, float] | None
    apex_px: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """What the teachers agreed on for one case. Hidden from students.

    ``session`` is the last from which markings went into it.
    """

    case: str
    agreed_by: tuple[str, ...]
    session: str
    levels: tuple[tuple[str, str], ...]
    measures: tuple[KeyMeasure, ...] = ()
    lines: tuple[KeyLine, ...] = ()

    @property
    def level_of(self) -> Mapping[str, str]:
        """Criterion -> level."""
        return dict(self.levels)


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseRecords:
    """All that a course has gathered, tickets resolved.

    Attributes
    ----------
    course : Course
    cases : tuple of Case
    keys : tuple of Key
    students, teachers : tuple of str
        Pseudonyms.
    markings : tuple of Marking
    """

    course: Course
    cases: tuple[Case, ...]
    keys: tuple[Key, ...]
    students: tuple[str, ...]
    teachers: tuple[str, ...]
    markings: tuple[Marking, ...]

    @property
    def key_of(self) -> Mapping[str, Key]:
        """Case -> key."""
        return {key.case: key for key in self.keys}

    def by(self, rater: str) -> tuple[Marking, ...]:
        """Markings of one rater."""
        return tuple(m for m in self.markings if m.rater == rater)

    def first_by(self, raters: Iterable[str]) -> tuple[Marking, ...]:
        """First marking of each case by each of these raters, in a fixed order."""
        wanted = set(raters)
        first: dict[tuple[str, str], Marking] = {}
        for marking in sorted(self.markings, key=lambda m: (m.session, m.showing)):
            if marking.rater in wanted:
                first.setdefault((marking.rater, marking.case), marking)
        return tuple(first[place] for place in sorted(first))


def measured_of(review: Review | None) -> tuple[MeasuredCanal, ...]:
    """The numbers of a review; none without one."""
    return tuple(
        MeasuredCanal(
            name=canal.name,
            values=tuple(
                MeasuredValue(
                    name=m.name,
                    unit=m.unit,
                    value=float(m.value) if isinstance(m.value, (int, float)) else None,
                    why_missing=m.why_missing or "",
                )
                for m in canal.measures
                if MEASURES[m.name].unit not in NOT_NUMBERS
            ),
        )
        for canal in (review.canals if review else ())
    )


def ordered_levels(rubric: Rubric, levels: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """Levels in the order of the rubric."""
    return tuple((c.id, levels[c.id]) for c in rubric.criteria if c.id in levels)


def case_named(cases: Iterable[Case], name: str) -> Case:
    """A case by its id.

    Raises
    ------
    TeachingError
        There is no such case.
    """
    for case in cases:
        if case.id == name:
            return case
    raise TeachingError(
        found=f"no case {name!r} in the bank.",
        needed="a case of the bank.",
        next_step="Correct the name, or add the case first.",
    )
