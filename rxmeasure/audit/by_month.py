"""Teeth by operator, by group and by month."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rxmeasure.audit.judging import JudgedCanal
from rxmeasure.audit.results import MonthlyChart, Share
from rxmeasure.audit.shares import share_of
from rxmeasure.audit.statistics.denominators import Groups, as_numbers
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
    latest: dict[tuple[str, ...], tuple[str, str]] = {}
    for canal in canals:
        row = canal.row
        when = (row.taken, row.operator)
        tooth = (row.patient, row.tooth)
        latest[tooth] = max(latest.get(tooth, when), when)
    found = []
    outcomes = groups.worst(as_numbers(canal.record.met for canal in canals))
    for place, met in zip(groups.places, outcomes, strict=True):
        if met is not None:
            taken, operator = latest[place]
            found.append(
                JudgedTooth(
                    patient=place[0], tooth=place[1], operator=operator, taken=taken, met=met
                )
            )
    return tuple(sorted(found, key=lambda t: (t.patient, t.tooth)))


def operator_shares(teeth: Sequence[JudgedTooth], level: float) -> tuple[Share, ...]:
    """One share for each operator; empty where none is named."""
    names = _operators(teeth)
    return tuple(
        _share(name, [t for t in teeth if (t.operator or NO_OPERATOR) == name], level)
        for name in names
    )


def tooth_group_shares(teeth: Sequence[JudgedTooth], level: float) -> tuple[Share, ...]:
    """Front teeth, premolars and molars apart."""
    found = (_share(g, [t for t in teeth if _group(t.tooth) == g], level) for g in _GROUPS)
    return tuple(share for share in found if share.total)


def charts_of(teeth: Sequence[JudgedTooth]) -> tuple[MonthlyChart, ...]:
    """Run charts of all teeth and of each operator."""
    names = _operators(teeth)
    return (
        _chart(ALL_OPERATORS, teeth),
        *(_chart(n, [t for t in teeth if (t.operator or NO_OPERATOR) == n]) for n in names),
    )


def _operators(teeth: Iterable[JudgedTooth]) -> list[str]:
    named = {t.operator for t in teeth}
    return sorted(name or NO_OPERATOR for name in named) if named != {""} else []


def _share(name: str, teeth: Sequence[JudgedTooth], level: float) -> Share:
    return share_of(name, [t.met for t in teeth], [t.patient for t in teeth], level=level)


def _group(fdi: str) -> str:
    """Front tooth, premolar or molar; primary teeth 4 and 5 are molars."""
    place = int(fdi[1])
    if place <= 3:
        return _GROUPS[0]
    return _GROUPS[1] if place <= 5 and fdi[0] in "1234" else _GROUPS[2]


def _chart(name: str, teeth: Sequence[JudgedTooth]) -> MonthlyChart:
    counts: dict[str, list[int]] = {}
    for tooth in teeth:
        if tooth.taken:
            month = counts.setdefault(tooth.taken[:7], [0, 0])
            month[0] += tooth.met
            month[1] += 1
    months = tuple(
        MonthCount(month=month, met=met, total=total)
        for month, (met, total) in sorted(counts.items())
    )
    try:
        return MonthlyChart(name=name, months=months, chart=run_chart(months))
    except AgreementError as error:
        why = f"{error.found} Needed: {error.needed}"
        return MonthlyChart(name=name, months=months, chart=None, why_none=why)
