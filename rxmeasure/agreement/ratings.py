"""Ratings of units by raters on a stated scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rxmeasure.errors import AgreementError

#: One unit shows no spread, and no interval.
FEWEST_UNITS = 2


class Scale(StrEnum):
    """What the ratings are (Stevens): names, ranks, differences or ratios."""

    NOMINAL = "nominal"
    ORDINAL = "ordinal"
    INTERVAL = "interval"
    RATIO = "ratio"

    @property
    def has_categories(self) -> bool:
        """Whether ratings are classes, not numbers of a measure."""
        return self in (Scale.NOMINAL, Scale.ORDINAL)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ratings:
    """A table of ratings.

    Attributes
    ----------
    values : ndarray, shape (units, raters)
        Scores; NaN where a rater did not rate a unit.
    scale : Scale
    categories : tuple of float
        All scores of the scale in rising order, those that nobody used included.
    raters : tuple of str
    units : ndarray of str
    clusters : ndarray of str or None
        For each unit what it belongs to (patient, tooth); None where units are independent.
    """

    values: NDArray[np.float64]
    scale: Scale
    categories: tuple[float, ...]
    raters: tuple[str, ...]
    units: NDArray[np.str_]
    clusters: NDArray[np.str_] | None = None

    def of_units(self, rows: NDArray[np.intp]) -> Ratings:
        """The ratings of some units, in the order asked; a unit may come more than once."""
        return Ratings(
            values=self.values[rows],
            scale=self.scale,
            categories=self.categories,
            raters=self.raters,
            units=self.units[rows],
            clusters=None if self.clusters is None else self.clusters[rows],
        )

    def of_raters(self, *raters: str) -> Ratings:
        """The ratings of some raters, in the order asked.

        Raises
        ------
        AgreementError
            A rater is not among them.
        """
        columns = [self._column(rater) for rater in raters]
        return Ratings(
            values=self.values[:, columns],
            scale=self.scale,
            categories=self.categories,
            raters=raters,
            units=self.units,
            clusters=self.clusters,
        )

    def _column(self, rater: str) -> int:
        if rater not in self.raters:
            raise AgreementError(
                found=f"no ratings by {rater!r}.",
                needed=f"one of the raters: {', '.join(self.raters)}.",
                next_step="Correct the name of the rater.",
            )
        return self.raters.index(rater)

    def rated_by_at_least(self, raters: int) -> Ratings:
        """The units that so many raters rated."""
        enough = np.isfinite(self.values).sum(axis=1) >= raters
        return self.of_units(np.flatnonzero(enough))

    def counts(self) -> NDArray[np.float64]:
        """How many raters put each unit into each category, shape (units, categories)."""
        is_category = self.values[:, :, None] == np.asarray(self.categories)
        counts: NDArray[np.float64] = is_category.sum(axis=1).astype(np.float64)
        return counts


def ratings_of(
    values: ArrayLike,
    *,
    scale: Scale | str,
    categories: Sequence[float] | None = None,
    raters: Sequence[str] | None = None,
    units: Sequence[str] | None = None,
    clusters: Sequence[str] | None = None,
) -> Ratings:
    """Check a table of scores and return it as :class:`Ratings`.

    Parameters
    ----------
    values : array_like, shape (units, raters)
        Scores; NaN (or None) where a rater did not rate a unit.
    scale : Scale or str
    categories : sequence of float, optional
        All scores of the scale. Left out: those that occur.
    raters, units, clusters : sequence of str, optional
        Names; numbered from 1 where left out. No clusters: units are independent.

    Raises
    ------
    AgreementError
        No ratings, a score outside the scale, or names that do not fit the table.
    """
    table = np.array(values, dtype=np.float64)
    if table.ndim != 2 or table.size == 0 or not np.isfinite(table).any():
        raise AgreementError(
            found="no ratings.",
            needed="a table of units by raters with at least one rating.",
            next_step="Give the ratings.",
        )
    kind = Scale(scale)
    used = np.unique(table[~np.isnan(table)])
    scores = used if categories is None else np.unique(np.asarray(categories, dtype=np.float64))
    outside = np.setdiff1d(used, scores)
    if outside.size or not np.isfinite(used).all():
        raise AgreementError(
            found=f"the score {(outside if outside.size else used)[-1]:g}, not on the scale.",
            needed="scores of the scale only.",
            next_step="Correct the score, or name all categories of the scale.",
        )
    if kind is Scale.RATIO and used[0] < 0.0:
        raise AgreementError(
            found=f"the rating {used[0]:g} on a ratio scale.",
            needed="ratings of zero or more: a ratio scale has a true zero.",
            next_step="Use the interval scale.",
        )
    return Ratings(
        values=table,
        scale=kind,
        categories=tuple(float(s) for s in scores),
        raters=tuple(str(name) for name in _names(raters, table.shape[1], "rater", unique=True)),
        units=_names(units, table.shape[0], "unit"),
        clusters=None if clusters is None else _names(clusters, table.shape[0], "cluster"),
    )


def _names(
    given: Sequence[str] | None, number: int, word: str, *, unique: bool = False
) -> NDArray[np.str_]:
    names = [f"{word} {k + 1}" for k in range(number)] if given is None else list(given)
    if len(names) != number or (unique and len(set(names)) != number):
        raise AgreementError(
            found=f"{len(names)} {word}s named for {number}, or one twice.",
            needed="one name for each; raters must differ.",
            next_step="Correct the names.",
        )
    return np.array(names, dtype=np.str_)


def paired(ratings: Ratings) -> Ratings:
    """The units that both of two raters rated.

    Raises
    ------
    AgreementError
        Not two raters, or fewer than two units that both rated.
    """
    if len(ratings.raters) != 2:
        raise AgreementError(
            found=f"{len(ratings.raters)} raters.",
            needed="two raters.",
            next_step="Choose a pair, or a statistic for several raters.",
        )
    both = ratings.rated_by_at_least(2)
    if len(both.units) < FEWEST_UNITS:
        raise AgreementError(
            found=f"{len(both.units)} units that both {ratings.raters[0]} and "
            f"{ratings.raters[1]} rated.",
            needed=f"{FEWEST_UNITS} units or more that both rated.",
            next_step="Let both rate the same units.",
        )
    return both


def shared(ratings: Ratings) -> Ratings:
    """The units that two raters or more rated.

    Raises
    ------
    AgreementError
        One rater only, or fewer than two units with two ratings.
    """
    if len(ratings.raters) < 2:
        raise AgreementError(
            found="one rater.",
            needed="two raters or more.",
            next_step="Let a second rater rate the same units.",
        )
    several = ratings.rated_by_at_least(2)
    if len(several.units) < FEWEST_UNITS:
        raise AgreementError(
            found=f"{len(several.units)} units that two raters rated.",
            needed=f"{FEWEST_UNITS} units or more with two ratings or more.",
            next_step="Let the raters rate the same units.",
        )
    return several


def complete(ratings: Ratings) -> Ratings:
    """The units that every rater rated.

    Raises
    ------
    AgreementError
        One rater only, or fewer than two complete units.
    """
    if len(ratings.raters) < 2:
        return shared(ratings)
    whole = ratings.rated_by_at_least(len(ratings.raters))
    if len(whole.units) < FEWEST_UNITS:
        raise AgreementError(
            found=f"{len(whole.units)} units that all {len(ratings.raters)} raters rated.",
            needed=f"{FEWEST_UNITS} complete units or more.",
            next_step="Leave out a rater who rated little, or let all rate the same units.",
        )
    return whole


def all_one(statistic: str, ratings: Ratings) -> AgreementError:
    """The refusal of ratings that do not differ: chance alone gives full agreement."""
    used = ratings.values[np.isfinite(ratings.values)]
    return AgreementError(
        found=f"all {used.size} ratings are the same, so {statistic} is not defined (0/0).",
        needed="units that differ.",
        next_step="Say that all ratings were the same, or add units of other categories.",
    )
