"""Which cases an audit looks at: a random sample that can be drawn again, or consecutive cases."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from rxmeasure.audit.statistics.proportions import interval_width
from rxmeasure.errors import AgreementError


class SamplingMethod(StrEnum):
    """How cases are chosen."""

    RANDOM = "random"
    CONSECUTIVE = "consecutive"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A case that may be chosen: pseudonym, date (ISO), and group, e.g. the kind of film."""

    case_id: str
    date: str = ""
    group: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSample:
    """What was chosen in one group. ``short_by`` cases were missing to the number asked for."""

    group: str
    available: int
    chosen: tuple[str, ...]
    short_by: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingPlan:
    """Enough to draw the same sample again from the same cases."""

    method: SamplingMethod
    per_group: int
    seed: str
    start_date: str
    groups: tuple[GroupSample, ...]


def random_sample(cases: Sequence[Case], *, per_group: int, seed: str) -> SamplingPlan:
    """So many cases of each group by chance, the same for the same seed on any machine.

    Each case gets a number from the hash of seed and pseudonym; the lowest are
    taken. The order of the list does not matter, and a larger sample contains
    the smaller one.

    Raises
    ------
    AgreementError
        No cases, a case twice, no seed, or a number below one.
    """
    _check(cases, per_group)
    if not seed:
        raise AgreementError(
            found="no seed.",
            needed="a seed, so that the sample can be drawn again.",
            next_step="Take any word or number, before looking at the cases.",
        )

    def number(case: Case) -> bytes:
        return hashlib.sha256(f"{seed}\x00{case.case_id}".encode()).digest()

    return SamplingPlan(
        method=SamplingMethod.RANDOM,
        per_group=per_group,
        seed=seed,
        start_date="",
        groups=_groups(sorted(cases, key=number), per_group),
    )


def consecutive_sample(
    cases: Sequence[Case], *, per_group: int, start_date: str = ""
) -> SamplingPlan:
    """The first cases of each group from a date on, none left out; one date in order of name.

    Raises
    ------
    AgreementError
        No cases, a case twice or without a date, or a number below one.
    """
    _check(cases, per_group)
    undated = [case.case_id for case in cases if not case.date]
    if undated:
        raise AgreementError(
            found=f"no date for case {undated[0]}.",
            needed="a date for each case.",
            next_step="Fill in the dates, or take a random sample.",
        )
    later = [case for case in cases if case.date >= start_date]
    return SamplingPlan(
        method=SamplingMethod.CONSECUTIVE,
        per_group=per_group,
        seed="",
        start_date=start_date,
        groups=_groups(sorted(later, key=lambda case: (case.date, case.case_id)), per_group),
    )


def sample_size(
    *, width: float, expected: float, level: float = 0.95, design_effect: float = 1.0
) -> int:
    """Fewest units whose interval round the expected share is no wider than wanted.

    By Wilson's interval at the effective number of units: the units needed if they were
    independent, times the design effect.

    Parameters
    ----------
    width : float
        Upper less lower limit, e.g. 0.1 for ten percentage points.
    expected : float
        The share that is expected; 0.5 needs the most units.
    level : float
    design_effect : float
        How many times more units than independent ones; 1 for one unit a patient.

    Raises
    ------
    AgreementError
        A width or share that is none, or a design effect below one.
    """
    if not (0.0 < width < 1.0 and 0.0 <= expected <= 1.0 and 1.0 <= design_effect < math.inf):
        raise AgreementError(
            found=f"a width of {width:g}, a share of {expected:g} and a design effect of "
            f"{design_effect:g}.",
            needed="a width between 0 and 1, a share from 0 to 1, a design effect of 1 or more.",
            next_step="Give shares as 0.8, not 80.",
        )
    few, enough = 0, 1
    while interval_width(expected, enough, level=level) > width:
        few, enough = enough, 2 * enough
    while enough - few > 1:
        middle = (few + enough) // 2
        if interval_width(expected, middle, level=level) > width:
            few = middle
        else:
            enough = middle
    return math.ceil(enough * design_effect)


def _groups(ordered: Sequence[Case], per_group: int) -> tuple[GroupSample, ...]:
    found = []
    for group in sorted({case.group for case in ordered}):
        own = [case.case_id for case in ordered if case.group == group]
        found.append(
            GroupSample(
                group=group,
                available=len(own),
                chosen=tuple(own[:per_group]),
                short_by=max(0, per_group - len(own)),
            )
        )
    return tuple(found)


def _check(cases: Sequence[Case], per_group: int) -> None:
    names = [case.case_id for case in cases]
    if not names or len(set(names)) != len(names) or per_group < 1:
        raise AgreementError(
            found=f"{len(names)} cases, {len(names) - len(set(names))} of them named twice; "
            f"{per_group} asked for.",
            needed="cases, each once, and a number of one or more.",
            next_step="Correct the list of cases.",
        )
