"""A series in words, for every place that shows one: what changed, scores, the course."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rxmeasure.recall.change import Change, ChangeVerdict
from rxmeasure.recall.comparison import FillChange, LesionChange
from rxmeasure.recall.dates import NextRecall
from rxmeasure.recall.lesion import Lesion, LesionSource
from rxmeasure.recall.scores import Choice, ReaderScore, Scale, Symptoms, tooth_score
from rxmeasure.recall.series import Series, TrendPoint
from rxmeasure.report.numbers import Numbers, clean, unit_text
from rxmeasure.tooth import NOT_MAPPED, canal_meaning

if TYPE_CHECKING:
    from rxmeasure.recall.steps import Step

#: Sign beside the word, so that colour is never alone.
SIGNS = {
    ChangeVerdict.NONE_VISIBLE: "○",
    ChangeVerdict.NOT_VISIBLE: "○",
    ChangeVerdict.REDUCED: "▼",
    ChangeVerdict.UNCHANGED: "=",
    ChangeVerdict.ENLARGED: "▲",
    ChangeVerdict.NEW: "▲",
    ChangeVerdict.CANNOT_BE_TOLD: "?",
}
#: The same for a fill, by `FillChange.changed`.
FILL_SIGNS = {
    True: ("≠", "changed"),
    False: ("=", "unchanged"),
    None: ("?", "cannot be told"),
}
SYMPTOMS = {
    Symptoms.NOT_STATED: "symptoms not stated",
    Symptoms.NONE: "no symptoms",
    Symptoms.PRESENT: "symptoms",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeChange:
    """One size of a lesion at two visits; texts with their units, empty where not known."""

    quantity: str
    values: str
    difference: str
    least_significant: str
    percent: str
    interval: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RootChange:
    """What became of the lesion at one root; ``rows`` of area and diameters."""

    root: str
    visits: str
    sign: str
    word: str
    reason: str
    rows: tuple[SizeChange, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """What became of one root by the last visit, in one line."""

    head: str
    sign: str
    word: str
    numbers: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FillRow:
    """What became of one quantity of a fill."""

    canal: str
    quantity: str
    visits: str
    sign: str
    word: str
    difference: str
    least_significant: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothWords:
    """A scale's score of the tooth: ``score`` of the worst root, and which one that is."""

    score: str
    ruled_by: str


def root_heading(name: str) -> str:
    """Name of a root with what it stands for."""
    named, meaning = clean(name), canal_meaning(name)
    if meaning.startswith("single"):
        return "Single root"
    if meaning != NOT_MAPPED:
        return f"Root {named} ({meaning})"
    return named.capitalize() if "root" in named.lower() else f"Root {named}"


def outline_origin(lesion: Lesion) -> str:
    """Where the outline of a lesion comes from, or that the click gave no size."""
    if lesion.source is LesionSource.CLICK and lesion.size is None:
        return "not measured from the click"
    return str(lesion.source)


def visit_heading(series: Series, number: int) -> str:
    """Number and date of a visit."""
    return f"Visit {number}: {series.visits[number - 1].date or 'no date'}"


def pair_text(before: int, after: int) -> str:
    """The two visits of a comparison."""
    return f"visit {before} to {after}"


def dates_text(series: Series, before: int, after: int) -> str:
    """The dates of the two visits of a comparison."""
    dates = (series.visits[number - 1].date or "no date" for number in (before, after))
    return " to ".join(dates)


def refusal_texts(steps: Sequence[Step]) -> tuple[str, ...]:
    """What is told of films that may not be laid over each other."""
    return tuple(
        f"Visit {step.after} cannot be laid over visit {step.before}: {step.reason} Sizes are "
        "measured on each film by itself; make sure that both show this tooth."
        for step in steps
        if step.refused
    )


def due_text(due: NextRecall) -> str:
    """When the next recall is proposed."""
    return f"Next recall: {due.date or 'none proposed'}"


def with_u(value: float, u: float, unit: str, numbers: Numbers) -> str:
    """A value with its standard uncertainty and unit."""
    text = f"{numbers.quantity(value, unit)} ± {numbers.uncertainty(u, unit)}"
    return f"{text} {unit_text(unit)}".rstrip()


def root_change(change: LesionChange, numbers: Numbers) -> RootChange:
    """What became of a lesion, in words."""
    return RootChange(
        root=root_heading(change.root),
        visits=pair_text(change.before, change.after),
        sign=SIGNS[change.verdict],
        word=str(change.verdict),
        reason=numbers.in_text(change.reason),
        rows=tuple(_size_change(one, numbers) for one in _sizes_of(change)),
    )


def _sizes_of(change: LesionChange) -> tuple[Change, ...]:
    """Area, area from both films together, diameters."""
    if change.by_difference is None:
        return change.changes
    return (*change.changes[:1], change.by_difference, *change.changes[1:])


def _size_change(change: Change, numbers: Numbers) -> SizeChange:
    unit = change.unit
    interval = ""
    if change.percent_interval is not None:
        low, high = (numbers.fixed(value, 0) for value in change.percent_interval)
        interval = f"{low} to {high} %"
    before, after = (numbers.quantity(value, unit) for value in (change.before, change.after))
    return SizeChange(
        quantity=change.quantity,
        values=f"{before} → {after} {unit_text(unit)}",
        difference=with_u(change.difference, change.u_difference, unit, numbers),
        least_significant=f"{numbers.quantity(change.least_significant, unit)} {unit_text(unit)}",
        percent=f"{numbers.fixed(change.percent, 0)} %",
        interval=interval,
    )


def glances(series: Series, numbers: Numbers) -> tuple[Glance, ...]:
    """The last visit against the first and the one before, root by root."""
    last = len(series.visits)
    found = []
    for change in series.lesion_changes:
        if change.after == last:
            words = root_change(change, numbers)
            found.append(
                Glance(
                    head=f"{words.root}, {words.visits}",
                    sign=words.sign,
                    word=words.word,
                    numbers=_telling_size(change, words.rows),
                )
            )
    return tuple(sorted(found, key=lambda glance: glance.head))


def _telling_size(change: LesionChange, rows: Sequence[SizeChange]) -> str:
    """The area's change on which the verdict rests."""
    if not rows:
        return ""
    outlines, together = change.changes[0].verdict, change.by_difference
    row = rows[1] if together is not None and change.verdict is not outlines else rows[0]
    change_text = percent_text(row).replace(" ", "\u00a0")
    return f"{row.quantity} {row.values}, {change_text}"


def percent_text(row: SizeChange) -> str:
    """Change in percent with its interval."""
    return f"{row.percent} (95 %: {row.interval})" if row.interval else row.percent


def fill_row(change: FillChange, numbers: Numbers) -> FillRow:
    """What became of a fill, in words."""
    sign, word = FILL_SIGNS[change.changed]
    counted_none = change.unit == "1" and change.changed is False
    return FillRow(
        canal=clean(change.canal),
        quantity=f"no {change.quantity}" if counted_none else change.quantity,
        visits=f"{change.before} to {change.after}",
        sign=sign,
        word=word,
        difference="" if counted_none else _amount(change.difference, change.unit, numbers),
        least_significant=_amount(change.least_significant, change.unit, numbers),
        text=numbers.in_text(change.text),
    )


def least_text(row: FillRow) -> str:
    """The least significant change of a fill, in words; empty where there is none."""
    return f"least significant {row.least_significant}" if row.least_significant else ""


def _amount(value: float | None, unit: str, numbers: Numbers) -> str:
    if value is None:
        return ""
    return f"{numbers.quantity(value, unit)} {unit_text(unit)}".rstrip()


def choice_text(choice: Choice) -> str:
    """A score with its anchor in words."""
    return f"{choice.value}: {choice.label}"


def score_text(choice: Choice) -> str:
    """A score with its group, where the group says more than the score."""
    return choice.value if choice.group == choice.value else f"{choice.value} ({choice.group})"


def source_text(scale: Scale) -> str:
    """Where a scale comes from, and how well that is known."""
    return f"{scale.source} ({scale.status})"


def suggestion_text(suggested: str) -> str:
    """What is told beside the reader's own score."""
    return f"the measurement suggests {suggested}"


def tooth_words(
    scale: Scale, scores: Sequence[ReaderScore], roots: Sequence[str] = ()
) -> ToothWords | None:
    """The score of the tooth, ruled by its worst root; None without a score on the scale.

    ``roots`` are those that should be scored: the ones left out are told.
    """
    worst = tooth_score(scale, scores)
    if worst is None:
        return None
    given = {s.root: s.value for s in scores if s.scale_id == scale.id}
    ruling = [clean(root) for root, value in given.items() if value == worst.value]
    ruled_by = f"worst root: {', '.join(ruling)}" if len(given) > 1 else f"root {ruling[0]}"
    missing = [clean(root) for root in roots if root not in given]
    if missing:
        ruled_by += f"; not scored yet: {', '.join(missing)}"
    return ToothWords(score=score_text(worst), ruled_by=ruled_by)


def trend_lines(series: Series) -> dict[str, tuple[TrendPoint, ...]]:
    """Areas over the years, by root; empty where no root has two."""
    roots = dict.fromkeys(point.root for point in series.trend)
    lines = {root: tuple(p for p in series.trend if p.root == root) for root in roots}
    return lines if any(len(points) > 1 for points in lines.values()) else {}


def trend_point_text(point: TrendPoint, series: Series, numbers: Numbers) -> str:
    """All of one point of the course."""
    date = series.visits[point.visit - 1].date
    head = f"{root_heading(point.root)}, visit {point.visit}, {date}"
    head += f" ({numbers.fixed(point.years, 1)} years)"
    if point.area_mm2 == 0.0:
        return f"{head}: no lesion visible"
    low, high = (numbers.quantity(value, "mm2") for value in point.interval_mm2)
    area = with_u(point.area_mm2, point.u_area_mm2, "mm2", numbers)
    return f"{head}: {area}, 95 %: {low} to {high} mm²"


def trend_gaps_text(series: Series) -> str:
    """Lesions that the course leaves out because no number is given; empty without any."""
    gaps = [
        f"{root_heading(lesion.root)} at visit {number}"
        for number, visit in enumerate(series.visits, 1)
        for lesion in visit.lesions
        if lesion.declined
    ]
    return f"No number, so no sign: {', '.join(gaps)}." if gaps else ""
