"""Markings of one criterion as ratings: worst level 1, best level highest."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from rxmeasure.agreement.gwet import gwet_ac
from rxmeasure.agreement.kappa import cohen_kappa
from rxmeasure.agreement.ratings import Ratings, Scale, ratings_of
from rxmeasure.agreement.results import Agreement, Refused, refused
from rxmeasure.agreement.weights import Weights
from rxmeasure.errors import AgreementError
from rxmeasure.teaching.course import Marking
from rxmeasure.teaching.rubric import RubricCriterion

Column = Mapping[str, float]
"""Case -> score."""


def score_of(criterion: RubricCriterion, level: str) -> float:
    """Rank of a level: 1 for the worst."""
    return float(len(criterion.levels) - criterion.place(level))


def column_of(criterion: RubricCriterion, markings: Iterable[Marking]) -> Column:
    """Scores of one rater's markings, one of each case."""
    return {m.case: score_of(criterion, m.level_of[criterion.id]) for m in markings}


def ratings_table(criterion: RubricCriterion, columns: Mapping[str, Column]) -> Ratings:
    """Raters' columns as one table over all their cases.

    Raises
    ------
    AgreementError
        Nobody marked anything.
    """
    cases = sorted({case for column in columns.values() for case in column})
    return ratings_of(
        [[column.get(case, np.nan) for column in columns.values()] for case in cases],
        scale=Scale.ORDINAL,
        categories=[float(rank) for rank in range(1, len(criterion.levels) + 1)],
        raters=tuple(columns),
        units=cases,
    )


def ac2(criterion: RubricCriterion, columns: Mapping[str, Column]) -> Agreement | Refused:
    """Gwet's AC2 with quadratic weights, or why there is none."""
    try:
        return gwet_ac(ratings_table(criterion, columns), weights=Weights.QUADRATIC)
    except AgreementError as error:
        return refused("Gwet's AC2", error)


def weighted_kappa(
    criterion: RubricCriterion, names: Sequence[str], first: Column, second: Column
) -> Agreement | Refused:
    """Cohen's kappa with quadratic weights of two columns, or why there is none."""
    try:
        table = ratings_table(criterion, dict(zip(names, (first, second), strict=True)))
        return cohen_kappa(table, weights=Weights.QUADRATIC)
    except AgreementError as error:
        return refused("Cohen's kappa", error)
