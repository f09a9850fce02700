"""Agreement over a course: by criterion, by rater, with oneself, and over time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

from rxmeasure.agreement.drift import Drift, Reading, drift
from rxmeasure.agreement.ratings import Scale
from rxmeasure.agreement.results import Agreement, Refused, refused
from rxmeasure.agreement.study import DRIFT, DRIFT_DAYS
from rxmeasure.errors import AgreementError
from rxmeasure.teaching.course import CourseRecords, Marking
from rxmeasure.teaching.ratings import Column, ac2, column_of, score_of, weighted_kappa
from rxmeasure.teaching.results import self_consistency
from rxmeasure.teaching.rubric import RubricCriterion

KEY = "key"


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionAgreement:
    """Agreement on one criterion among teachers and among students, on keyed cases.

    ``key_levels`` says how often the key has each level, best first: where nearly all are the
    same, kappa says little.
    """

    criterion: str
    teachers: Agreement | Refused
    students: Agreement | Refused
    key_levels: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RaterCriterion:
    """One rater against the key on one criterion; ``leaning`` in levels, positive too generous."""

    criterion: str
    n_cases: int
    kappa: Agreement | Refused
    ac2: Agreement | Refused
    leaning: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RaterAgreement:
    """One rater: each criterion against the key, the rater's own repeats, drift."""

    rater: str
    teacher: bool
    criteria: tuple[RaterCriterion, ...]
    repeated: int
    same_again: int
    drift: Drift | Refused


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassAgreement:
    """All of it."""

    criteria: tuple[CriterionAgreement, ...]
    raters: tuple[RaterAgreement, ...]


def class_agreement(records: CourseRecords) -> ClassAgreement:
    """Agreement on the keyed cases, over first markings; raters in order, teachers first.

    What a teacher marked before the key was agreed went into the key, so that it is not held
    against it.
    """
    raters = (*sorted(records.teachers), *sorted(records.students))
    blind = replace(records, markings=tuple(m for m in records.markings if _is_blind(records, m)))
    return ClassAgreement(
        criteria=tuple(_criterion(records, c) for c in records.course.rubric.criteria),
        raters=tuple(_rater(blind, rater) for rater in raters if blind.by(rater)),
    )


def _is_blind(records: CourseRecords, marking: Marking) -> bool:
    """Whether a marking of a keyed case had no part in making its key."""
    key = records.key_of.get(marking.case)
    if key is None:
        return False
    return marking.rater not in key.agreed_by or marking.session > key.session


def _criterion(records: CourseRecords, criterion: RubricCriterion) -> CriterionAgreement:
    key = [k.level_of[criterion.id] for k in records.keys]
    return CriterionAgreement(
        criterion=criterion.id,
        teachers=ac2(criterion, _columns(records, criterion, records.teachers)),
        students=ac2(criterion, _columns(records, criterion, records.students)),
        key_levels=tuple((name, key.count(name)) for name in criterion.level_names),
    )


def _columns(
    records: CourseRecords, criterion: RubricCriterion, raters: Iterable[str]
) -> dict[str, Column]:
    """Rater -> first scores of keyed cases."""
    keyed = records.key_of
    return {
        rater: column_of(criterion, (m for m in records.first_by([rater]) if m.case in keyed))
        for rater in sorted(raters)
    }


def _rater(records: CourseRecords, rater: str) -> RaterAgreement:
    repeated, same_again = self_consistency(records.by(rater))
    return RaterAgreement(
        rater=rater,
        teacher=rater in records.teachers,
        criteria=tuple(
            _against_key(
                criterion,
                rater,
                column_of(criterion, records.first_by([rater])),
                _key(records, criterion),
            )
            for criterion in records.course.rubric.criteria
        ),
        repeated=repeated,
        same_again=same_again,
        drift=_drift(records, rater),
    )


def _key(records: CourseRecords, criterion: RubricCriterion) -> Column:
    return {key.case: score_of(criterion, key.level_of[criterion.id]) for key in records.keys}


def _against_key(
    criterion: RubricCriterion, rater: str, own: Column, key: Column
) -> RaterCriterion:
    agreed = {case: key[case] for case in own}
    return RaterCriterion(
        criterion=criterion.id,
        n_cases=len(own),
        kappa=weighted_kappa(criterion, (rater, KEY), own, agreed),
        ac2=ac2(criterion, {rater: own, KEY: agreed}),
        leaning=sum(own[case] - agreed[case] for case in own) / len(own),
    )


def _drift(records: CourseRecords, rater: str) -> Drift | Refused:
    """Share of levels equal to the key's over the sessions, all criteria together.

    Scores are shares of the way from worst to best level, so that criteria may be put together.
    """
    keys = records.key_of
    readings = [
        Reading(
            session=m.session,
            when=float(date.fromisoformat(m.session).toordinal()),
            rating=_share(criterion, m.level_of[criterion.id]),
            key=_share(criterion, keys[m.case].level_of[criterion.id]),
        )
        for m in records.by(rater)
        for criterion in records.course.rubric.criteria
    ]
    try:
        return drift(
            readings, scale=Scale.ORDINAL, step=DRIFT_DAYS, step_name=f"{DRIFT_DAYS:g} days"
        )
    except AgreementError as error:
        return refused(DRIFT, error)


def _share(criterion: RubricCriterion, level: str) -> float:
    return 1.0 - criterion.place(level) / (len(criterion.levels) - 1)
