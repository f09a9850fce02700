"""A rubric, and the mark that levels earn by it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from rxmeasure.errors import TeachingError

#: Criterion -> name of the level given.
Levels = Mapping[str, str]

#: Marks closer than this are the same: what is left of adding shares of weights.
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One level of a criterion: the share of its weight that it earns, and what it looks like."""

    name: str
    share: float
    descriptor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RubricCriterion:
    """One criterion of a rubric.

    Attributes
    ----------
    id, title : str
    weight : float
        Marks for the best level.
    levels : tuple of Level
        From best to worst.
    must_reach : str
        The level that has to be reached, whatever the rest; empty where none has to.
    """

    id: str
    title: str
    weight: float
    levels: tuple[Level, ...]
    must_reach: str = ""

    @property
    def level_names(self) -> tuple[str, ...]:
        """Names of the levels from best to worst."""
        return tuple(level.name for level in self.levels)

    def place(self, name: str) -> int:
        """How many levels lie above this one.

        Raises
        ------
        TeachingError
            There is no such level.
        """
        if name not in self.level_names:
            raise TeachingError(
                found=f"the level {name!r} for {self.id}.",
                needed=f"one of: {', '.join(self.level_names)}.",
                next_step="Use one of these levels.",
            )
        return self.level_names.index(name)

    def earned(self, name: str) -> float:
        """Marks that a level earns."""
        return self.weight * self.levels[self.place(name)].share

    def reached(self, name: str) -> bool:
        """Whether a level is good enough where one has to be reached."""
        return not self.must_reach or self.place(name) <= self.place(self.must_reach)

    def closeness(self, one: str, other: str) -> float:
        """1 for the same level, 0 for best against worst, linear in levels between (choice)."""
        return 1.0 - abs(self.place(one) - self.place(other)) / (len(self.levels) - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rubric:
    """A rubric: what a filling is marked by.

    Attributes
    ----------
    id, version, title, note : str
    full_marks : float
        Sum of the weights.
    pass_mark : float
        Least mark that passes.
    borderline : float
        Marks this close to the pass mark, on either side, go to a second marker.
    criteria : tuple of RubricCriterion
    """

    id: str
    version: str
    title: str
    full_marks: float
    pass_mark: float
    borderline: float
    criteria: tuple[RubricCriterion, ...]
    note: str = ""

    def criterion(self, name: str) -> RubricCriterion:
        """A criterion by its id.

        Raises
        ------
        TeachingError
            There is no such criterion.
        """
        for one in self.criteria:
            if one.id == name:
                return one
        raise TeachingError(
            found=f"the criterion {name!r}.",
            needed=f"one of: {', '.join(c.id for c in self.criteria)}.",
            next_step="Correct the name of the criterion.",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """The mark of one filling by one marker.

    ``missed`` are the criteria whose level had to be reached and was not: they fail the
    filling whatever the rest.
    """

    total: float
    missed: tuple[str, ...]
    passed: bool
    borderline: bool


def check_levels(rubric: Rubric, levels: Levels) -> None:
    """Refuse levels that leave a criterion out or are not those of the rubric.

    Raises
    ------
    TeachingError
        A criterion without a level, an unknown criterion, an unknown level.
    """
    for name, level in levels.items():
        rubric.criterion(name).place(level)
    left_out = [c.id for c in rubric.criteria if c.id not in levels]
    if left_out:
        raise TeachingError(
            found=f"no level for {', '.join(left_out)}.",
            needed="a level for each criterion of the rubric.",
            next_step="Mark the criteria left out.",
        )


def mark_of(rubric: Rubric, levels: Levels) -> Mark:
    """The mark that levels earn.

    Raises
    ------
    TeachingError
        As `check_levels`.
    """
    check_levels(rubric, levels)
    total = math.fsum(c.earned(levels[c.id]) for c in rubric.criteria)
    missed = tuple(c.id for c in rubric.criteria if not c.reached(levels[c.id]))
    enough = passes(rubric, total)
    return Mark(
        total=total,
        missed=missed,
        passed=enough and not missed,
        borderline=abs(total - rubric.pass_mark) <= rubric.borderline + _ROUNDING,
    )


def passes(rubric: Rubric, total: float) -> bool:
    """Whether a mark reaches the pass mark."""
    return total >= rubric.pass_mark - _ROUNDING
