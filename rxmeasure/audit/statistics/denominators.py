"""One audit counted three ways: by canal, by root and by tooth."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from rxmeasure.audit.statistics.proportions import Proportion, clustered_proportion, numbered
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
    Level.CANAL: attrgetter("patient", "tooth", "root", "canal"),
    Level.ROOT: attrgetter("patient", "tooth", "root"),
    Level.TOOTH: attrgetter("patient", "tooth"),
}
#: Outcomes from worst to best, as numbers.
FAILS, UNKNOWN, MEETS = 0, 1, 2
_AS_NUMBER = {False: FAILS, None: UNKNOWN, True: MEETS}
#: Outcomes as numbers, one for each canal, root or tooth.
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
    patients : array of int
        For each group the number of its patient.
    """

    level: Level
    places: tuple[tuple[str, ...], ...]
    of_canal: NDArray[np.intp]
    patients: NDArray[np.intp]

    def worst(self, canals: Outcomes) -> Outcomes:
        """Outcome of each group from those of the canals.

        `FAILS` when one canal fails, `UNKNOWN` when one could not be judged, else `MEETS`.
        """
        groups = np.full(len(self.places), MEETS, np.int8)
        np.minimum.at(groups, self.of_canal, canals)
        return groups


def groups_at(records: Sequence[CanalRecord], level: Level) -> Groups:
    """Which canal, root or tooth each canal lies in."""
    places, of_canal = numbered(map(_PLACE[level], records))
    _, patients = numbered(place[0] for place in places)
    return Groups(level=level, places=places, of_canal=of_canal, patients=patients)


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
    judged = worst != UNKNOWN
    met, patients = worst[judged] == MEETS, groups.patients[judged]
    excluded = _why_excluded(records, groups, worst)
    enough = len(np.unique(patients)) > 1
    return LevelCount(
        level=groups.level,
        proportion=clustered_proportion(met, patients, level=level) if enough else None,
        n_judged=len(met),
        n_met=int(np.count_nonzero(met)),
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


def _why_excluded(records: Sequence[CanalRecord], groups: Groups, worst: Outcomes) -> Counter[str]:
    """How many groups could not be judged, by the reasons of their canals."""
    reasons: dict[int, set[str]] = {}
    open_groups = worst == UNKNOWN
    for canal in np.flatnonzero(open_groups[groups.of_canal]).tolist():
        record, number = records[canal], int(groups.of_canal[canal])
        if record.met is None:
            reasons.setdefault(number, set()).add(record.why_not_judged or "no reason given")
    return Counter("; ".join(sorted(own)) for own in reasons.values())
