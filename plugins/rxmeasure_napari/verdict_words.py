"""The verdicts on one canal in words, as the cards show them; the words are the report's."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.criteria.results import SIGNS, Outcome, Verdict
from rxmeasure.criteria.rules import (
    OVERALL,
    Band,
    BandOutcome,
    BandsRule,
    CodeRule,
    CombinationRule,
    FlagRule,
    Rule,
    RuleField,
    RuleSet,
    ScoreRule,
    describe,
)
from rxmeasure.marks import Override
from rxmeasure.report.content import (
    NO_SCALE,
    MeasureRow,
    VerdictRow,
    measure_rows,
    short_note,
    summary_row,
    verdict_row,
)
from rxmeasure.report.numbers import Numbers, clean, unit_text
from rxmeasure.review import Review

#: Outcomes that a person may set; borderline is the program's word for its own doubt.
SETTABLE = (Outcome.MET, Outcome.NOT_MET, Outcome.CANNOT_BE_JUDGED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A verdict that a person may set: the word that is kept and the text shown for it."""

    verdict: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineText:
    """One field of a rule set on one canal.

    Attributes
    ----------
    target : str
        ``"id/field"``, as an override names it.
    outcome : Outcome
    row : VerdictRow
        The words of the report.
    value : str
        Measured number with its standard uncertainty, unit and scale.
    about : str
        What was measured, the limits it was compared with, and how likely it is met.
    flagged : bool
        A safety prompt that is raised.
    details : tuple of str
        Source, how well it is known, limits and notes of the rule.
    choices : tuple of Choice
        What a person may set instead.
    override : Override or None
        The override of this line that is in force.
    """

    target: str
    outcome: Outcome
    row: VerdictRow
    value: str
    about: str
    flagged: bool
    details: tuple[str, ...]
    choices: tuple[Choice, ...]
    override: Override | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CardText:
    """One rule set on one canal."""

    rule_id: str
    title: str
    rule: str
    lines: tuple[LineText, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothText:
    """What one rule set says of the tooth; ``verdict`` is sign and word."""

    rule_id: str
    outcome: Outcome
    verdict: str
    worst: str
    counts: str


def scale_text(review: Review, numbers: Numbers) -> str:
    """Where the millimetres come from."""
    if review.calibration is None:
        return NO_SCALE
    source = numbers.in_text(review.calibration.source)
    u = numbers.relative(review.calibration.u_rel)
    return f"Film scale: {source}; standard uncertainty {u}"


def tooth_of(review: Review) -> tuple[ToothText, ...]:
    """What each rule set says of the tooth: the worst canal rules it."""
    rows = ((s, summary_row(s, review.verdicts)) for s in review.tooth_summaries)
    return tuple(
        ToothText(
            rule_id=clean(summary.rule_id),
            outcome=summary.outcome,
            verdict=f"{row.sign} {row.word}",
            worst=row.worst if len(review.canals) > 1 else "",
            counts=row.counts,
        )
        for summary, row in rows
    )


def cards_of(review: Review, canal: str, numbers: Numbers) -> tuple[CardText, ...]:
    """One card for each rule set that judged the canal, in the order of the review."""
    verdicts = [v for v in review.verdicts if v.canal == canal]
    measured = _measured(review, canal, verdicts, numbers)
    return tuple(
        _card(review, [v for v in verdicts if v.rule_id == rule_id], measured, numbers)
        for rule_id in dict.fromkeys(v.rule_id for v in verdicts)
    )


def override_of(
    verdict: Verdict, beside: Sequence[Verdict], overrides: Iterable[Override]
) -> Override | None:
    """The override in force on a verdict; None where it follows from another field's.

    ``beside`` are the verdicts of the same rule set on the same canal. An
    override that names no field speaks of ``overall``, or of the only field.
    """
    unnamed = verdict.field == OVERALL or len(beside) == 1
    names = {f"{verdict.rule_id}/{verdict.field}", *([verdict.rule_id] if unnamed else [])}
    return next(
        (
            override
            for override in reversed(tuple(overrides))
            if override.canal == verdict.canal
            and override.rule_id in names
            and override.reason.strip() == verdict.overridden_by
        ),
        None,
    )


def met_when(field: RuleField) -> str:
    """What it takes to be met, in the rule's own words; empty for a flag."""
    limits = _limits(field.rule)
    if limits:
        return limits
    return "; ".join(w for w, outcome in field.labels().items() if outcome is BandOutcome.MET)


def _limits(rule: Rule) -> str:
    if isinstance(rule, BandsRule):
        if all(band.outcome is BandOutcome.MET for band in rule.bands):
            return "any value"
        return _met_bands(rule.bands, unit_text(rule.unit))
    if isinstance(rule, ScoreRule):
        return f"{_met_bands(rule.bands, '')} of {', '.join(rule.fields)}"
    if isinstance(rule, CombinationRule):
        return f"{'all' if rule.every else 'any'} of {', '.join(rule.fields)}"
    if isinstance(rule, CodeRule):
        codes = [v.equals for v in rule.values if v.outcome is BandOutcome.MET]
        then = _limits(rule.then) if rule.then is not None else ""
        return "; ".join(part for part in (*codes, then) if part)
    return ""


def _met_bands(bands: Iterable[Band], unit: str) -> str:
    return "; ".join(b.words(unit) for b in bands if b.outcome is BandOutcome.MET)


def _card(
    review: Review,
    verdicts: Sequence[Verdict],
    measured: Mapping[str, MeasureRow],
    numbers: Numbers,
) -> CardText:
    first = verdicts[0]
    rule_set = _rule_set(first)
    return CardText(
        rule_id=first.rule_id,
        title=clean(rule_set.title if rule_set else first.rule_id),
        rule=f"{clean(first.rule_id)}, version {clean(first.rule_version)}",
        lines=tuple(
            _line(verdict, verdicts, rule_set, review.marks.overrides, measured, numbers)
            for verdict in sorted(verdicts, key=lambda v: v.field != OVERALL)
        ),
    )


def _rule_set(verdict: Verdict) -> RuleSet | None:
    """The published rule set that was judged by; None for another version or a clinic's own."""
    rule_set = published_rule_sets().get(verdict.rule_id)
    return rule_set if rule_set and rule_set.version == verdict.rule_version else None


def _line(
    verdict: Verdict,
    beside: Sequence[Verdict],
    rule_set: RuleSet | None,
    overrides: Iterable[Override],
    measured: Mapping[str, MeasureRow],
    numbers: Numbers,
) -> LineText:
    field = rule_set.field(verdict.field) if rule_set else None
    source = clean(f"{verdict.source} ({verdict.source_status})")
    row = verdict_row(verdict, numbers, source=source)
    measure = measured.get(verdict.measure_name)
    return LineText(
        target=f"{verdict.rule_id}/{verdict.field}",
        outcome=verdict.outcome,
        row=row,
        value=_value(measure, row),
        about=_about(measure, row, numbers.in_text(met_when(field)) if field else ""),
        flagged=field is not None
        and isinstance(field.rule, FlagRule)
        and verdict.label == field.rule.label_yes,
        details=(f"Source: {source}", *_rule_details(rule_set, field, numbers)),
        choices=_choices(field),
        override=override_of(verdict, beside, overrides) if verdict.overridden_by else None,
    )


def _rule_details(
    rule_set: RuleSet | None, field: RuleField | None, numbers: Numbers
) -> tuple[str, ...]:
    if rule_set is None or field is None:
        return ("The limits of this rule set are not among those that come with the program.",)
    text = next(f for f in describe(rule_set).fields if f.name == field.name)
    lines = (f"Judged by: {text.what}", *text.lines, text.note, rule_set.note)
    return tuple(numbers.in_text(line) for line in lines if line)


def _choices(field: RuleField | None) -> tuple[Choice, ...]:
    labels = field.labels() if field else {}
    plain = [Choice(verdict=str(o), text=f"{SIGNS[o]} {o}") for o in SETTABLE]
    own = [
        Choice(verdict=label, text=f"{clean(label)} ({outcome})")
        for label, outcome in labels.items()
        if label not in tuple(Outcome)
    ]
    return (*plain, *own)


def _measured(
    review: Review, canal: str, verdicts: Sequence[Verdict], numbers: Numbers
) -> dict[str, MeasureRow]:
    """What was measured on the canal, by the names that verdicts use."""
    measurement = next((c for c in review.canals if c.name == canal), None)
    if measurement is None:
        return {}
    scale = numbers.in_text(review.calibration.source) if review.calibration else ""
    return {
        measure.name: short_note(row, scale)
        for measure, row in measure_rows(measurement, verdicts, numbers)
        if measure is not None
    }


def _value(measure: MeasureRow | None, row: VerdictRow) -> str:
    """A measured number in full; nothing for an answer of yes or no, which has its own word."""
    if measure is None:
        return row.value
    if measure.missing or _is_answer(measure):
        return ""
    value = f"{measure.value} ± {measure.u}" if measure.u else measure.value
    known = ["standard uncertainty"] if measure.u else []
    if measure.note and measure.note != row.why:
        known.append(measure.note)
    text = f"{value}\u00a0{measure.unit}".rstrip()
    return f"{text} ({', '.join(known)})" if known else text


def _about(measure: MeasureRow | None, row: VerdictRow, limits: str) -> str:
    parts = []
    if measure is not None:
        answer = f": {measure.value}, {measure.u}" if _is_answer(measure) else ""
        parts.append(measure.label + (": not measured" if measure.missing else answer))
    if limits and limits != row.label:
        parts.append(f"Met when: {limits}")
    if row.probability:
        parts.append(row.probability[:1].upper() + row.probability[1:])
    return ". ".join(parts)


def _is_answer(measure: MeasureRow) -> bool:
    return measure.u.startswith("p(")
