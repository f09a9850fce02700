"""A whole rating exercise: every criterion, all raters, pairs, the key, repeats and drift."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations

import numpy as np

from rxmeasure.agreement.alpha import ALPHA, krippendorff_alpha
from rxmeasure.agreement.coding import Coding, coding_of
from rxmeasure.agreement.dahlberg import method_error
from rxmeasure.agreement.drift import Drift, Reading, drift
from rxmeasure.agreement.gwet import AC1, AC2, gwet_ac
from rxmeasure.agreement.icc import IccForm, intraclass_correlation
from rxmeasure.agreement.kappa import COHEN, FLEISS, cohen_kappa, fleiss_kappa
from rxmeasure.agreement.ratings import Ratings, Scale, ratings_of
from rxmeasure.agreement.ratings_file import RatingRow, when_of
from rxmeasure.agreement.resampling import DEFAULT, IntervalChoice
from rxmeasure.agreement.results import Agreement, Refused, refused
from rxmeasure.agreement.weights import Weights
from rxmeasure.errors import AgreementError

DRIFT = "drift against the key"
READINGS = "bias, limits of agreement, method error"

#: Slopes over sessions that are dates are per so many days.
DRIFT_DAYS = 30.0

Result = Agreement | Refused
Scores = Mapping[str, float]
"""Unit -> score."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPlan:
    """What the ratings are and what is asked.

    Attributes
    ----------
    scale : Scale
    categories : tuple of str
        All categories, from low to high. May be left out where ratings are
        numbers or names.
    weights : Weights or None
        For categories; None: quadratic on an ordinal scale, none on a nominal one.
    key : str or None
        The rater whose ratings are the agreed reference.
    unit : str
        Unit of numbers, e.g. ``mm``.
    choice : IntervalChoice
    """

    scale: Scale
    categories: tuple[str, ...] = ()
    weights: Weights | None = None
    key: str | None = None
    unit: str = ""
    choice: IntervalChoice = DEFAULT

    def usual_weights(self) -> Weights:
        """The weights asked for, or the usual ones of the scale."""
        if self.weights is not None:
            return self.weights
        return Weights.QUADRATIC if self.scale is Scale.ORDINAL else Weights.UNWEIGHTED


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two raters, a rater and the key, or two readings of one rater."""

    first: str
    second: str
    results: tuple[Result, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RaterDrift:
    """One rater over sessions."""

    rater: str
    result: Drift | Refused


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionAgreement:
    """All that the ratings of one criterion say.

    Attributes
    ----------
    criterion : str
        Empty where the file has no criteria.
    n_units, n_ratings : int
        Units, and first ratings of them; those of the key left out.
    raters : tuple of str
        Without the key.
    clustered : bool
        Whether units belong to clusters; intervals are then drawn by cluster.
    category_counts : tuple of (str, int)
        How often each category was used; empty for numbers.
    all_raters : tuple of Agreement or Refused
    left_out : tuple of Comparison
        Alpha of the others without each rater in turn: it rises most where that
        rater stands apart. Empty for two raters.
    pairs, against_key, within_rater : tuple of Comparison
        Within a rater: the first and the second reading of a unit.
    drift : tuple of RaterDrift
        Empty without key or sessions.
    """

    criterion: str
    n_units: int
    n_ratings: int
    raters: tuple[str, ...]
    clustered: bool
    category_counts: tuple[tuple[str, int], ...]
    all_raters: tuple[Result, ...]
    left_out: tuple[Comparison, ...]
    pairs: tuple[Comparison, ...]
    against_key: tuple[Comparison, ...]
    within_rater: tuple[Comparison, ...]
    drift: tuple[RaterDrift, ...]


def agreement_study(rows: Sequence[RatingRow], plan: StudyPlan) -> tuple[CriterionAgreement, ...]:
    """Agreement for each criterion, in the order of the file.

    Raters are compared by their first rating of a unit, so that a unit counts
    once; later ratings serve the comparison within a rater and the drift.

    Raises
    ------
    AgreementError
        A rating is not on the scale, a rater rated a unit twice in one session,
        sessions have no order, a unit is in two clusters, or the key is no rater.
    """
    if plan.key is not None and plan.key not in {row.rater for row in rows}:
        raise AgreementError(
            found=f"no ratings by {plan.key!r}, named as the key.",
            needed="a rater of the file.",
            next_step="Correct the name of the key.",
        )
    by_criterion: dict[str, list[RatingRow]] = {}
    for row in rows:
        by_criterion.setdefault(row.criterion, []).append(row)
    return tuple(_summary(_Criterion(own, plan), name) for name, own in by_criterion.items())


def _summary(of: _Criterion, name: str) -> CriterionAgreement:
    everyone = of.ratings(of.raters, [of.nth(rater, 0) for rater in of.raters])
    return CriterionAgreement(
        criterion=name,
        n_units=len(everyone.units),
        n_ratings=int(np.isfinite(everyone.values).sum()),
        raters=of.raters,
        clustered=everyone.clusters is not None,
        category_counts=of.category_counts(everyone),
        all_raters=_of_all(everyone, of.plan),
        left_out=_left_out(everyone, of.plan),
        pairs=tuple(
            of.comparison(a, of.nth(a, 0), b, of.nth(b, 0)) for a, b in combinations(of.raters, 2)
        ),
        against_key=tuple(
            of.comparison(rater, of.nth(rater, 0), str(of.plan.key), of.key)
            for rater in of.raters
            if of.key
        ),
        within_rater=tuple(
            of.comparison(
                f"{rater}, first",
                {unit: score for unit, score in of.nth(rater, 0).items() if unit in again},
                f"{rater}, second",
                again,
            )
            for rater in of.raters
            if (again := of.nth(rater, 1))
        ),
        drift=tuple(
            RaterDrift(rater=rater, result=of.drift(rater))
            for rater in of.raters
            if of.key and of.has_sessions
        ),
    )


class _Criterion:
    """The rows of one criterion, in order of time, by rater and unit."""

    def __init__(self, rows: Sequence[RatingRow], plan: StudyPlan) -> None:
        own = [row for row in rows if row.rater != plan.key]
        self.plan = plan
        self.coding = coding_of(rows, plan.scale, plan.categories)
        self.raters = tuple(dict.fromkeys(row.rater for row in own))
        self.has_sessions = any(row.session for row in own)
        self.key = _key_scores([row for row in rows if row.rater == plan.key], self.coding)
        self._cluster_of = _clusters(rows)
        self._readings = _readings(_in_time(own) if self.has_sessions else own)

    def nth(self, rater: str, place: int) -> Scores:
        """The first (0), second ... rating of each unit by a rater, where there is one."""
        return {
            unit: self.coding.score(rows[place])
            for (who, unit), rows in self._readings.items()
            if who == rater and len(rows) > place
        }

    def ratings(self, names: Sequence[str], columns: Sequence[Scores]) -> Ratings:
        """A table of some columns over all their units."""
        units = list(dict.fromkeys(unit for column in columns for unit in column))
        return ratings_of(
            [[column.get(unit, np.nan) for column in columns] for unit in units],
            scale=self.plan.scale,
            categories=self.coding.categories(),
            raters=names,
            units=units,
            clusters=[self._cluster_of[u] for u in units] if self._cluster_of else None,
        )

    def comparison(self, first: str, a: Scores, second: str, b: Scores) -> Comparison:
        """Two columns held against each other."""
        two = self.ratings((first, second), (a, b))
        return Comparison(first=first, second=second, results=_of_two(two, self.plan))

    def category_counts(self, ratings: Ratings) -> tuple[tuple[str, int], ...]:
        """How often each category was used."""
        if not self.plan.scale.has_categories:
            return ()
        totals = ratings.counts().sum(axis=0)
        return tuple(
            (self.coding.label(score), int(total))
            for score, total in zip(ratings.categories, totals, strict=True)
        )

    def drift(self, rater: str) -> Drift | Refused:
        """A rater's readings of keyed units over sessions."""
        rows = [
            (row, *when_of(row))
            for (who, unit), rows in self._readings.items()
            if who == rater and unit in self.key
            for row in rows
        ]
        dates = any(is_date for _, _, is_date in rows)
        readings = [
            Reading(
                session=row.session,
                when=when,
                rating=self.coding.score(row),
                key=self.key[row.unit],
            )
            for row, when, _ in rows
        ]
        try:
            return drift(
                readings,
                scale=self.plan.scale,
                step=DRIFT_DAYS if dates else 1.0,
                step_name=f"{DRIFT_DAYS:g} days" if dates else "session",
                level=self.plan.choice.level,
            )
        except AgreementError as error:
            return refused(DRIFT, error)


def _in_time(rows: Sequence[RatingRow]) -> list[RatingRow]:
    timed = [(when_of(row), row) for row in rows]
    if len({is_date for (_, is_date), _ in timed}) > 1:
        raise AgreementError(
            found="sessions that are numbers and sessions that are dates.",
            needed="one kind, so that sessions have an order.",
            next_step="Write all sessions as numbers, or all as dates like 2025-03-14.",
        )
    return [row for _, row in sorted(timed, key=lambda pair: pair[0])]


def _readings(rows: Sequence[RatingRow]) -> dict[tuple[str, str], list[RatingRow]]:
    found: dict[tuple[str, str], list[RatingRow]] = {}
    for row in rows:
        earlier = found.setdefault((row.rater, row.unit), [])
        if earlier and earlier[-1].session == row.session:
            raise AgreementError(
                found=f"lines {earlier[-1].line} and {row.line}: {row.rater} rated unit "
                f"{row.unit} twice in one session.",
                needed="one rating of a unit by a rater in a session.",
                next_step="Take one out, or give the second reading a session of its own.",
            )
        earlier.append(row)
    return found


def _key_scores(rows: Sequence[RatingRow], coding: Coding) -> dict[str, float]:
    """The key of each unit; its session does not matter."""
    found: dict[str, float] = {}
    for row in rows:
        score = coding.score(row)
        if found.setdefault(row.unit, score) != score:
            raise AgreementError(
                found=f"line {row.line}: a second, different key for unit {row.unit}.",
                needed="one key for a unit.",
                next_step="Settle the key and take the other line out.",
            )
    return found


def _clusters(rows: Sequence[RatingRow]) -> dict[str, str]:
    """Unit -> cluster; empty without clusters."""
    found: dict[str, str] = {}
    for row in rows:
        if row.cluster and found.setdefault(row.unit, row.cluster) != row.cluster:
            raise AgreementError(
                found=f"line {row.line}: unit {row.unit} is in a second cluster.",
                needed="one cluster for a unit.",
                next_step="Correct the cluster.",
            )
    lacking = {row.unit for row in rows} - found.keys()
    if found and lacking:
        raise AgreementError(
            found=f"{len(lacking)} units without a cluster, e.g. {min(lacking)}.",
            needed="a cluster for each unit, or none at all.",
            next_step="Fill in the clusters.",
        )
    return found


def _of_all(ratings: Ratings, plan: StudyPlan) -> tuple[Result, ...]:
    asked: list[tuple[str, Callable[[], Agreement]]] = [
        (ALPHA, partial(krippendorff_alpha, ratings, choice=plan.choice))
    ]
    if plan.scale.has_categories:
        asked.append((FLEISS, partial(fleiss_kappa, ratings, choice=plan.choice)))
        asked += _gwet(ratings, plan)
    else:
        asked += [
            (str(form), partial(intraclass_correlation, ratings, form=form, choice=plan.choice))
            for form in IccForm
        ]
    return tuple(_told(name, ask) for name, ask in asked)


def _left_out(ratings: Ratings, plan: StudyPlan) -> tuple[Comparison, ...]:
    if len(ratings.raters) < 3:
        return ()
    found = []
    for rater in ratings.raters:
        others = ratings.of_raters(*(other for other in ratings.raters if other != rater))
        alpha = _told(ALPHA, partial(krippendorff_alpha, others, choice=plan.choice))
        found.append(Comparison(first=rater, second="left out", results=(alpha,)))
    return tuple(found)


def _of_two(ratings: Ratings, plan: StudyPlan) -> tuple[Result, ...]:
    if not plan.scale.has_categories:
        return _of_two_readings(ratings, plan)
    weights = plan.usual_weights()
    asked: list[tuple[str, Callable[[], Agreement]]] = [
        (COHEN, partial(cohen_kappa, ratings, weights=kind, choice=plan.choice))
        for kind in dict.fromkeys((Weights.UNWEIGHTED, weights))
    ]
    asked += _gwet(ratings, plan)
    return tuple(_told(name, ask) for name, ask in asked)


def _gwet(ratings: Ratings, plan: StudyPlan) -> list[tuple[str, Callable[[], Agreement]]]:
    return [
        (
            AC1 if kind is Weights.UNWEIGHTED else AC2,
            partial(gwet_ac, ratings, weights=kind, choice=plan.choice),
        )
        for kind in dict.fromkeys((Weights.UNWEIGHTED, plan.usual_weights()))
    ]


def _of_two_readings(ratings: Ratings, plan: StudyPlan) -> tuple[Result, ...]:
    form = IccForm.TWO_SINGLE
    icc = _told(
        str(form),
        partial(intraclass_correlation, ratings, form=form, choice=plan.choice),
    )
    try:
        found = method_error(ratings, unit=plan.unit, choice=plan.choice)
    except AgreementError as error:
        return (refused(READINGS, error), icc)
    limits = found.limits
    slope = () if limits.slope is None else (limits.slope,)
    return (
        limits.bias, limits.lower, limits.upper, *slope, found.error, found.least_change, icc,
    )  # fmt: skip


def _told(name: str, ask: Callable[[], Agreement]) -> Result:
    try:
        return ask()
    except AgreementError as error:
        return refused(name, error)
