"""The key of a case: what two teachers or more agree on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rxmeasure.errors import TeachingError
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.teaching.course import (
    Course,
    CourseRecords,
    Key,
    KeyLine,
    KeyMeasure,
    Marking,
    ordered_levels,
)
from rxmeasure.teaching.rubric import Levels, check_levels

#: Teachers that a key needs.
FEWEST_TEACHERS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Where the teachers differ on a case: a criterion or a measure, and what each says."""

    what: str
    said: tuple[tuple[str, str], ...]

    def __str__(self) -> str:
        """One line for a message."""
        return f"{self.what} (" + ", ".join(f"{who}: {text}" for who, text in self.said) + ")"


def agreed_key(
    markings: Sequence[Marking], course: Course, *, settled: Levels | None = None
) -> Key:
    """The key of one case from the teachers' own markings and measurements.

    Levels must be the same; ``settled`` gives those that the teachers agreed on in talking.
    Measures must lie within the tolerance of the course; the key is their mean.

    Raises
    ------
    TeachingError
        Fewer than two teachers, more than one case, or a difference that is not settled.
    """
    own = sorted(markings, key=lambda m: m.rater)
    _check_teachers(own)
    settled = dict(settled or {})
    open_points = [d for d in differences(own, course) if d.what not in settled]
    if open_points:
        raise TeachingError(
            found=f"case {own[0].case}: the teachers differ on "
            + "; ".join(map(str, open_points))
            + ".",
            needed="one level for each criterion, measures within the tolerance.",
            next_step="Look at the film together: state the agreed level, or measure again.",
        )
    levels = {**own[0].level_of, **settled}
    check_levels(course.rubric, levels)
    return Key(
        case=own[0].case,
        agreed_by=tuple(m.rater for m in own),
        session=max(m.session for m in own),
        levels=ordered_levels(course.rubric, levels),
        measures=tuple(
            KeyMeasure(
                canal=canal,
                name=name,
                value=sum(values.values()) / len(values),
                unit=unit,
                spread=max(values.values()) - min(values.values()),
            )
            for (canal, name, unit), values in _measured(own, course).items()
        ),
        lines=_lines(own),
    )


def markings_for_key(records: CourseRecords, case: str) -> tuple[Marking, ...]:
    """Each teacher's marking of a case in their last session with it, first showing."""
    newest = {
        m.rater: m
        for m in sorted(records.markings, key=lambda m: (m.session, -m.showing))
        if m.case == case and m.rater in records.teachers
    }
    return tuple(newest.values())


def differences(markings: Sequence[Marking], course: Course) -> tuple[Difference, ...]:
    """Criteria with other levels, and measures farther apart than the tolerance."""
    found = []
    for criterion in course.rubric.criteria:
        said = tuple((m.rater, m.level_of[criterion.id]) for m in markings)
        if len({level for _, level in said}) > 1:
            found.append(Difference(what=criterion.id, said=said))
    tolerances = dict(course.tolerances)
    for (canal, name, unit), values in _measured(markings, course).items():
        if max(values.values()) - min(values.values()) > tolerances[name]:
            said = tuple((who, f"{value:.2f} {unit}") for who, value in values.items())
            found.append(Difference(what=f"{name} of {canal}", said=said))
    return tuple(found)


def _check_teachers(markings: Sequence[Marking]) -> None:
    teachers = {m.rater for m in markings}
    cases = {m.case for m in markings}
    if len(teachers) < FEWEST_TEACHERS or len(teachers) != len(markings) or len(cases) != 1:
        raise TeachingError(
            found=f"{len(markings)} markings by {len(teachers)} teachers, {len(cases)} cases.",
            needed=f"one marking each by {FEWEST_TEACHERS} teachers or more, of one case.",
            next_step="Let a second teacher mark the case.",
        )


def _measured(
    markings: Sequence[Marking], course: Course
) -> dict[tuple[str, str, str], Mapping[str, float]]:
    """(canal, measure, unit) -> teacher -> value, where two teachers or more measured it."""
    found: dict[tuple[str, str, str], dict[str, float]] = {}
    for marking in markings:
        for canal in marking.measured:
            for name, _ in course.tolerances:
                measure = canal.value(name)
                if measure is not None and measure.value is not None:
                    place = (canal.name, name, measure.unit)
                    found.setdefault(place, {})[marking.rater] = measure.value
    return {place: values for place, values in found.items() if len(values) >= FEWEST_TEACHERS}


def _lines(markings: Sequence[Marking]) -> tuple[KeyLine, ...]:
    """Canals as the first teacher who measured drew them."""
    review = next((m.review for m in markings if m.review), None)
    return () if review is None else tuple(key_line(canal) for canal in review.canals)


def key_line(canal: CanalMeasurement) -> KeyLine:
    """Line, apical end of the core and apex of a measured canal."""
    return KeyLine(
        canal=canal.name,
        points_px=canal.centre_line.points_px,
        core_end_px=canal.core_end.point_px if canal.core_end else None,
        apex_px=canal.apex_px,
    )
