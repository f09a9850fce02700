"""Teeth by operator, by group and by month."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from operator import itemgetter

from rxmeasure.audit.judging import JudgedCanal
from rxmeasure.audit.results import MonthlyChart, Share
from rxmeasure.audit.shares import share_of
from rxmeasure.audit.statistics.denominators import MEETS, UNKNOWN, Groups, as_numbers
from rxmeasure.audit.statistics.run_chart import MonthCount, run_chart
from rxmeasure.errors import AgreementError

ALL_OPERATORS = "all operators"
NO_OPERATOR = "operator not named"
_GROUPS = ("incisors and canines", "premolars", "molars")


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedTooth:
    """One judged tooth: its worst canal, with operator and date of its latest film."""

    patient: str
    tooth: str
    operator: str
    taken: str
    met: bool


def teeth_of(canals: Sequence[JudgedCanal], groups: Groups) -> tuple[JudgedTooth, ...]:
    """The teeth that could be judged, in the order of their names; ``groups`` are the teeth."""
    latest = [("", "")] * len(groups.places)
    for tooth, canal in zip(groups.of_canal.tolist(), canals, strict=True):
        latest[tooth] = max(latest[tooth], (canal.row.taken, canal.row.operator))
    outcomes = groups.worst(as_numbers(canal.record.met for canal in canals))
    found = (
        JudgedTooth(
            patient=place[0], tooth=place[1], operator=operator, taken=taken, met=met == MEETS
        )
        for place, (taken, operator), met in zip(
            groups.places, latest, outcomes.tolist(), strict=True
        )
        if met != UNKNOWN
    )
    return tuple(sorted(found, key=lambda t: (t.patient, t.tooth)))


def operator_shares(teeth: Sequence[JudgedTooth], level: float) -> tuple[Share, ...]:
    """One share for each operator; empty where none is named."""
    return tuple(_share(name, own, level) for name, own in _by_operator(teeth))


def tooth_group_shares(teeth: Sequence[JudgedTooth], level: float) -> tuple[Share, ...]:
    """Front teeth, premolars and molars apart."""
    groups = _sorted_into(teeth, lambda t: _group(t.tooth))
    return tuple(_share(name, groups[name], level) for name in _GROUPS if name in groups)


def charts_of(teeth: Sequence[JudgedTooth]) -> tuple[MonthlyChart, ...]:
    """Run charts of all teeth and of each operator."""
    return (
        _chart(ALL_OPERATORS, teeth),
        *(_chart(name, own) for name, own in _by_operator(teeth)),
    )


def _by_operator(teeth: Sequence[JudgedTooth]) -> list[tuple[str, list[JudgedTooth]]]:
    """The teeth of each operator, by name; empty where none is named."""
    if not any(tooth.operator for tooth in teeth):
        return []
    found = _sorted_into(teeth, lambda tooth: tooth.operator or NO_OPERATOR)
    return sorted(found.items(), key=itemgetter(0))


def _sorted_into(
    teeth: Iterable[JudgedTooth], name_of: Callable[[JudgedTooth], str]
) -> dict[str, list[JudgedTooth]]:
    found: dict[str, list[JudgedTooth]] = {}
    for tooth in teeth:
        found.setdefault(name_of(tooth), []).append(tooth)
    return found


def _share(name: str, teeth: Sequence[JudgedTooth], level: float) -> Share:
    return share_of(name, [t.met for t in teeth], [t.patient for t in teeth], level=level)


@lru_cache(maxsize=1000)
def _group(fdi: str) -> str:
    """Front tooth, premolar or molar; primary teeth 4 and 5 are molars."""
    place = int(fdi[1])
    if place <= 3:
        return _GROUPS[0]
    return _GROUPS[1] if place <= 5 and fdi[0] in "1234" else _GROUPS[2]


def _chart(name: str, teeth: Sequence[JudgedTooth]) -> MonthlyChart:
    total = Counter(tooth.taken[:7] for tooth in teeth if tooth.taken)
    met = Counter(tooth.taken[:7] for tooth in teeth if tooth.taken and tooth.met)
    months = tuple(
        MonthCount(month=month, met=met[month], total=total[month]) for month in sorted(total)
    )
    try:
        return MonthlyChart(name=name, months=months, chart=run_chart(months))
    except AgreementError as error:
        why = f"{error.found} Needed: {error.needed}"
        return MonthlyChart(name=name, months=months, chart=None, why_none=why)
