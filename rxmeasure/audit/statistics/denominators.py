"""One audit counted three ways: by canal, by root and by tooth."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

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
    places = [_PLACE[Level.CANAL](record) for record in records]
    if not places or len(set(places)) != len(places):
        twice = [place for place, count in Counter(places).items() if count > 1]
        raise AgreementError(
            found=f"canal {' '.join(twice[0])} twice." if twice else "no canals.",
            needed="canals, each once.",
            next_step="Correct the records.",
        )
    canal, root, tooth = (_count(records, counted, level) for counted in Level)
    return canal, root, tooth


def groups_at(
    records: Sequence[CanalRecord], level: Level
) -> dict[tuple[str, ...], list[CanalRecord]]:
    """The canals of each canal, root or tooth, by its place (patient, tooth, ...)."""
    place = _PLACE[level]
    groups: dict[tuple[str, ...], list[CanalRecord]] = {}
    for record in records:
        groups.setdefault(place(record), []).append(record)
    return groups


def worst_outcome(group: Sequence[CanalRecord]) -> bool | None:
    """False when one canal fails, None when one could not be judged, else True."""
    outcomes = {record.met for record in group}
    if False in outcomes:
        return False
    return None if None in outcomes else True


def _count(records: Sequence[CanalRecord], counted: Level, level: float) -> LevelCount:
    met: list[bool] = []
    patients: list[str] = []
    excluded: Counter[str] = Counter()
    for group in groups_at(records, counted).values():
        outcome = worst_outcome(group)
        if outcome is None:
            reasons = {r.why_not_judged or "no reason given" for r in group if r.met is None}
            excluded["; ".join(sorted(reasons))] += 1
        else:
            met.append(outcome)
            patients.append(group[0].patient)
    enough = len(set(patients)) > 1
    return LevelCount(
        level=counted,
        proportion=clustered_proportion(met, patients, level=level) if enough else None,
        n_judged=len(met),
        n_met=sum(met),
        n_excluded=excluded.total(),
        why_excluded=tuple(sorted(excluded.items())),
    )
