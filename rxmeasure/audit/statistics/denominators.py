"""One audit counted three ways: by canal, by root and by tooth."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from rxmeasure.audit.statistics.proportions import Proportion, clustered_proportion
from rxmeasure.errors import AgreementError


class Level(StrEnum):
    """What is counted."""

    CANAL = "canal"
    ROOT = "root"
    TOOTH = "tooth"


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalRecord:
    """One canal of the audit.

    Attributes
    ----------
    patient : str
        Pseudonym.
    tooth, root, canal : str
    met : bool or None
        Whether it meets the criterion; None where it could not be judged.
    why_not_judged : str
        Reason, where ``met`` is None.
    """

    patient: str
    tooth: str
    root: str
    canal: str
    met: bool | None
    why_not_judged: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelCount:
    """One denominator.

    Attributes
    ----------
    level : Level
    proportion : Proportion or None
        Of the judged ones, with an interval over patients; None when none was
        judged or all are of one patient.
    n_judged, n_met, n_excluded : int
    why_excluded : tuple of (str, int)
        Reasons with the number of canals, roots or teeth.
    """

    level: Level
    proportion: Proportion | None
    n_judged: int
    n_met: int
    n_excluded: int
    why_excluded: tuple[tuple[str, int], ...]


_PLACE: dict[Level, Callable[[CanalRecord], tuple[str, ...]]] = {
    Level.CANAL: lambda r: (r.patient, r.tooth, r.root, r.canal),
    Level.ROOT: lambda r: (r.patient, r.tooth, r.root),
    Level.TOOTH: lambda r: (r.patient, r.tooth),
}
#: Outcomes from worst to best, as numbers.
_FAILS, _UNKNOWN, _MEETS = 0, 1, 2
_AS_NUMBER = {False: _FAILS, None: _UNKNOWN, True: _MEETS}
_AS_OUTCOME = (False, None, True)
#: Outcomes as numbers, one for each canal.
Outcomes = NDArray[np.int8]


def as_numbers(outcomes: Iterable[bool | None]) -> Outcomes:
    """Outcomes as `Groups.worst` takes them."""
    return np.array([_AS_NUMBER[outcome] for outcome in outcomes], np.int8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """The canals, roots or teeth that some canals lie in.

    Attributes
    ----------
    level : Level
    places : tuple of tuple of str
        (patient, tooth, ...) of each group, in the order of their first canal.
    of_canal : array of int
        For each canal the number of its group.
    """

    level: Level
    places: tuple[tuple[str, ...], ...]
    of_canal: NDArray[np.intp]

    def worst(self, canals: Outcomes) -> list[bool | None]:
        """Outcome of each group from those of the canals.

        False when one canal fails, None when one could not be judged, else True.
        """
        groups = np.full(len(self.places), _MEETS, np.int8)
        np.minimum.at(groups, self.of_canal, canals)
        return [_AS_OUTCOME[number] for number in groups.tolist()]


def groups_at(records: Sequence[CanalRecord], level: Level) -> Groups:
    """Which canal, root or tooth each canal lies in."""
    numbers: dict[tuple[str, ...], int] = {}
    place = _PLACE[level]
    of_canal = [numbers.setdefault(place(record), len(numbers)) for record in records]
    return Groups(level=level, places=tuple(numbers), of_canal=np.array(of_canal, dtype=np.intp))


def denominators(
    records: Sequence[CanalRecord], *, level: float = 0.95
) -> tuple[LevelCount, LevelCount, LevelCount]:
    """Canals, roots and teeth that meet a criterion, each with an interval over patients.

    The worst canal rules: a root or tooth meets the criterion when all its
    canals do, and fails when one fails. It is excluded when none fails and one
    could not be judged.

    Raises
    ------
    AgreementError
        No records, or a canal twice.
    """
    canal, root, tooth = (count_groups(records, groups_at(records, at), level) for at in Level)
    return canal, root, tooth


def count_groups(records: Sequence[CanalRecord], groups: Groups, level: float) -> LevelCount:
    """One denominator; errors as in `denominators`."""
    _check(records, groups)
    worst = groups.worst(as_numbers(record.met for record in records))
    judged = [
        (met, place[0]) for met, place in zip(worst, groups.places, strict=True) if met is not None
    ]
    met = [outcome for outcome, _ in judged]
    patients = [patient for _, patient in judged]
    excluded = _why_excluded(records, groups, worst)
    enough = len(set(patients)) > 1
    return LevelCount(
        level=groups.level,
        proportion=clustered_proportion(met, patients, level=level) if enough else None,
        n_judged=len(met),
        n_met=sum(met),
        n_excluded=excluded.total(),
        why_excluded=tuple(sorted(excluded.items())),
    )


def _check(records: Sequence[CanalRecord], groups: Groups) -> None:
    twice = groups.level is Level.CANAL and len(groups.places) < len(records)
    if records and not twice:
        return
    found = "no canals."
    if twice:
        counts = np.bincount(groups.of_canal)
        found = f"canal {' '.join(groups.places[int(np.argmax(counts))])} twice."
    raise AgreementError(found=found, needed="canals, each once.", next_step="Correct the records.")


def _why_excluded(
    records: Sequence[CanalRecord], groups: Groups, worst: Sequence[bool | None]
) -> Counter[str]:
    """How many groups could not be judged, by the reasons of their canals."""
    reasons: dict[int, set[str]] = {}
    for record, number in zip(records, groups.of_canal.tolist(), strict=True):
        if record.met is None and worst[number] is None:
            reasons.setdefault(number, set()).add(record.why_not_judged or "no reason given")
    return Counter("; ".join(sorted(own)) for own in reasons.values())
