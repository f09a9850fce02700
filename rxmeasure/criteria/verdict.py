"""Verdicts of a rule set on one canal, the tooth's summary, and a person's overrides.

A measured value is compared unrounded. Round each limit where the outcome
changes lies a guard band: nearer than 1.96 standard uncertainties (95 %; guard
bands: JCGM 106:2012, from memory; the width is a choice) the verdict is ``borderline``.
The probability of each band comes from the measure's draws, where there are
any, else from a normal distribution. With draws the guard band is the same
95 %: more than 2.5 % of them beyond the limit. Yes/no measures are borderline
while their answer's probability is below 97.5 % (choice, the same guard).

A millimetre without an uncertainty or without the source of its scale is not
judged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Protocol, TypeVar

import numpy as np

from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.criteria.results import Outcome, ToothSummary, Verdict
from rxmeasure.criteria.rules import (
    OVERALL,
    Band,
    BandOutcome,
    BandsRule,
    CodeRule,
    CombinationRule,
    FlagRule,
    ReaderRule,
    RuleField,
    RuleSet,
    ScoreRule,
    YesNoRule,
    is_count,
)
from rxmeasure.errors import MarksError
from rxmeasure.marks import Override
from rxmeasure.values import MeasureValue

#: Half width of the guard band in standard uncertainties (95 %; choice).
GUARD = 1.96

#: Probability beyond a limit at which a verdict becomes borderline (one side of the guard band).
GUARD_TAIL = 0.025

#: From worst to best. A canal that cannot be judged comes before a borderline
#: one: of the first nothing is known, the second at least may be met.
SEVERITY = (Outcome.NOT_MET, Outcome.CANNOT_BE_JUDGED, Outcome.BORDERLINE, Outcome.MET)

_DECIMALS = {"mm": 1, "mm2": 2, "deg": 1, "mm/mm": 3, "1": 3}
_OUTCOMES = {
    BandOutcome.MET: Outcome.MET,
    BandOutcome.NOT_MET: Outcome.NOT_MET,
    BandOutcome.UNCLASSIFIED: Outcome.CANNOT_BE_JUDGED,
}
_UNCLASSIFIED = "unclassified by this rule"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Finding:
    """What one rule finds, before it gets its canal and its source."""

    outcome: Outcome
    label: str
    probability_met: float | None
    measure_name: str
    value_text: str = ""
    unit: str = ""
    why: str = ""


def judge_canal(
    canal_name: str,
    measures: Sequence[MeasureValue],
    rule_set: RuleSet,
    *,
    confirmed: bool = True,
) -> tuple[Verdict, ...]:
    """Judge one canal by one rule set.

    Parameters
    ----------
    canal_name : str
    measures : sequence of MeasureValue
        What was measured on the canal.
    rule_set : RuleSet
    confirmed : bool
        Whether a person stands behind the canal's marks.

    Returns
    -------
    tuple of Verdict
        One for each field of the rule set, in its order.

    Notes
    -----
    A combination's outcome follows from its fields' outcomes; its probability
    is the product (or the count's distribution) with the fields taken as
    independent, which they are only roughly.
    """
    by_name = {measure.name: measure for measure in measures}
    verdicts: dict[str, Verdict] = {}
    for field in rule_set.fields:
        finding = _find(field, by_name, verdicts)
        verdicts[field.name] = Verdict(
            canal=canal_name,
            rule_id=rule_set.id,
            rule_version=rule_set.version,
            field=field.name,
            outcome=finding.outcome,
            label=finding.label,
            probability_met=finding.probability_met,
            measure_name=finding.measure_name,
            value_text=finding.value_text,
            unit=finding.unit,
            source=field.source,
            source_status=str(field.status),
            why=finding.why,
            confirmed=confirmed,
        )
    return tuple(verdicts.values())


def band_probabilities(rule: BandsRule, measure: MeasureValue) -> tuple[float, ...]:
    """Probability of each band of a rule, given the measure's uncertainty.

    From the draws where there are any, else normal with the measure's ``u``;
    a count or a value with ``u`` 0 is exact. They add up to 1.
    """
    value = float(measure.value or 0.0)
    if measure.draws:
        draws = np.asarray(measure.draws, dtype=np.float64)
        inside = [
            (draws >= b.low if b.low_inside else draws > b.low)
            & (draws <= b.high if b.high_inside else draws < b.high)
            for b in rule.bands
        ]
        return tuple(float(np.mean(mask)) for mask in inside)
    if not measure.u:
        return tuple(float(band.contains(value)) for band in rule.bands)
    normal = NormalDist(value, measure.u)
    return tuple(_cdf(normal, b.high) - _cdf(normal, b.low) for b in rule.bands)


def shown(value: float, unit: str, same: Callable[[float], bool]) -> str:
    """A value rounded for show, with as many decimals as keep it where it belongs.

    ``same`` tells whether a rounded value still means the same as the value
    itself. Starts at 0.1 mm; 2.01 against a limit of 2 stays ``"2.01"``.
    """
    fewest = 0 if unit == "1" and float(value).is_integer() else _DECIMALS.get(unit, 2)
    for decimals in range(fewest, 16):
        text = f"{value:.{decimals}f}"
        if same(float(text)):
            return text.removeprefix("-") if float(text) == 0.0 else text
    return repr(value)


def summarise_tooth(verdicts: Iterable[Verdict]) -> tuple[ToothSummary, ...]:
    """Let the worst canal rule the tooth, for each rule set; nothing is averaged.

    A canal counts by its field ``overall``, or where there is none by its
    worst field. From worst to best: not met, cannot be judged, borderline, met;
    of equals the canal whose field is least likely met.

    Returns
    -------
    tuple of ToothSummary
        ``counts`` holds the number of canals of every outcome.
    """
    by_rule: dict[str, dict[str, list[Verdict]]] = {}
    for verdict in verdicts:
        by_rule.setdefault(verdict.rule_id, {}).setdefault(verdict.canal, []).append(verdict)
    summaries = []
    for rule_id, canals in by_rule.items():
        outcomes = {canal: ruling_verdict(found).outcome for canal, found in canals.items()}
        worst_canal = min(
            outcomes, key=lambda canal: (SEVERITY.index(outcomes[canal]), _chance(canals[canal]))
        )
        counted = list(outcomes.values())
        summaries.append(
            ToothSummary(
                rule_id=rule_id,
                outcome=outcomes[worst_canal],
                worst_canal=worst_canal,
                counts=tuple((str(outcome), counted.count(outcome)) for outcome in Outcome),
                confirmed=all(v.confirmed for found in canals.values() for v in found),
            )
        )
    return tuple(summaries)


def _chance(found: Sequence[Verdict]) -> float:
    """Least probability with which a field is met."""
    known = [v.probability_met for v in found if v.probability_met is not None]
    return min(known, default=1.0)


def apply_overrides(
    verdicts: Iterable[Verdict],
    overrides: Iterable[Override],
    *,
    rule_sets: Mapping[str, RuleSet] | None = None,
) -> tuple[Verdict, ...]:
    """Put a person's verdicts in place of the program's, and keep both.

    Parameters
    ----------
    verdicts : iterable of Verdict
    overrides : iterable of Override
        ``rule_id`` is the id of a rule set (its field ``overall``, or its only
        field) or ``"id/field"``. ``verdict`` is an outcome, or a label of the
        field such as ``"CS1"``. Later ones win. An override whose ``verdict``
        is neither and whose rule was not judged is left alone: it passes over
        a refusal, which is not a verdict.
    rule_sets : mapping of str to RuleSet, optional
        Published ones when left out; needed for labels and so that an
        overridden field carries on into its combinations.

    Returns
    -------
    tuple of Verdict
        Overridden ones carry the reason in ``overridden_by`` and the program's
        outcome in ``tool_outcome``; ``probability_met`` stays the program's.

    Raises
    ------
    MarksError
        The reason is empty, the canal or rule was not judged, or the verdict
        is no word of the rule.
    """
    known = published_rule_sets() if rule_sets is None else rule_sets
    result = list(verdicts)
    by_hand: set[int] = set()
    for override in overrides:
        reason = override.reason.strip()
        rule_id, _, field_name = override.rule_id.partition("/")
        named = f"the override of {override.rule_id} on canal '{override.canal}'"
        if not reason:
            raise MarksError(
                found=f"{named} without a reason.",
                needed="a reason for every verdict that is changed.",
                next_step="Write down the reason, or take the override out.",
            )
        if all(v.rule_id != rule_id for v in result) and override.verdict not in tuple(Outcome):
            continue
        place = _overridden_place(result, override.canal, rule_id, field_name, named)
        old = result[place]
        rule_set = known.get(rule_id)
        field = rule_set.field(old.field) if rule_set else None
        outcome, label = _overridden_outcome(override, field, named)
        result[place] = _changed(old, outcome, label, reason)
        by_hand.add(place)
        if rule_set is not None:
            _carry_on(result, by_hand, rule_set, old, reason)
    return tuple(result)


def _find(
    field: RuleField, measures: Mapping[str, MeasureValue], earlier: Mapping[str, Verdict]
) -> _Finding:
    rule = field.rule
    if isinstance(rule, BandsRule):
        return _by_bands(rule, measures)
    if isinstance(rule, YesNoRule):
        return _by_yes_no(rule, measures)
    if isinstance(rule, FlagRule):
        return _by_flag(rule, measures)
    if isinstance(rule, CodeRule):
        return _by_code(rule, measures)
    if isinstance(rule, ReaderRule):
        return _cannot("", f"Needs the reader's own entry: {rule.question}")
    return _by_fields(rule, earlier)


def _cannot(measure_name: str, why: str, *, value_text: str = "", unit: str = "") -> _Finding:
    return _Finding(
        outcome=Outcome.CANNOT_BE_JUDGED,
        label="",
        probability_met=None,
        measure_name=measure_name,
        value_text=value_text,
        unit=unit,
        why=why,
    )


def _given(name: str, measures: Mapping[str, MeasureValue]) -> MeasureValue | _Finding:
    """The measure, or why there is none."""
    measure = measures.get(name)
    if measure is None:
        return _cannot(name, f"{name} was not measured on this film.")
    if measure.value is None:
        return _cannot(name, measure.why_missing or f"{name} could not be measured.")
    return measure


def _floor_text(rule: BandsRule | YesNoRule, measures: Mapping[str, MeasureValue]) -> str:
    floor = measures.get(rule.floor_measure) if rule.floor_measure else None
    if floor is None or not isinstance(floor.value, float):
        return ""
    return f"Anything smaller than {floor.value:.2f} {floor.unit} would not show on this film."


def _by_bands(rule: BandsRule, measures: Mapping[str, MeasureValue]) -> _Finding:
    measure = _given(rule.measure, measures)
    if isinstance(measure, _Finding):
        return measure
    value = measure.value
    if isinstance(value, (bool, str)) or value is None or not math.isfinite(value):
        return _cannot(rule.measure, f"{rule.measure} is not a number.")
    if measure.unit != rule.unit:
        return _cannot(
            rule.measure, f"{rule.measure} is in {measure.unit}, the rule needs {rule.unit}."
        )
    band = next((b for b in rule.bands if b.contains(value)), None)
    if band is None:
        return _cannot(rule.measure, f"{rule.measure} is {value:g}, which no count can be.")
    text = shown(value, rule.unit, band.contains)
    refused = why_not_judged(measure, rule)
    if refused:
        return _cannot(rule.measure, refused, value_text=text, unit=rule.unit)

    met = sum(
        p
        for b, p in zip(rule.bands, band_probabilities(rule, measure), strict=True)
        if b.outcome is BandOutcome.MET
    )
    outcome = _OUTCOMES[band.outcome]
    probability: float | None = min(1.0, max(0.0, met))
    why = _floor_text(rule, measures) if outcome is Outcome.MET else ""
    if band.outcome is BandOutcome.UNCLASSIFIED:
        probability, why = None, f"{_UNCLASSIFIED}: {band.words(rule.unit)}."
    else:
        near = _nearest_crossed_limit(rule, band, measure)
        if near is not None:
            outcome, why = Outcome.BORDERLINE, near
    return _Finding(
        outcome=outcome,
        label=band.label,
        probability_met=probability,
        measure_name=rule.measure,
        value_text=text,
        unit="" if rule.unit == "1" else rule.unit,
        why=why,
    )


def why_not_judged(measure: MeasureValue, rule: BandsRule) -> str:
    """Why a number may not be judged although it is there; empty when it may."""
    if rule.unit in ("mm", "mm2") and not measure.scale_source:
        return f"{measure.name} does not tell where its millimetres come from."
    if measure.draws:
        if all(math.isfinite(draw) for draw in measure.draws):
            return ""
        return f"The uncertainty of {measure.name} is not a number."
    if measure.u is None:
        one_outcome = len({band.outcome for band in rule.bands}) == 1
        if is_count(measure.name) or one_outcome:
            return ""
        return f"{measure.name} has no uncertainty to judge it by."
    if not math.isfinite(measure.u) or measure.u < 0.0:
        return f"The uncertainty of {measure.name} is not a number."
    return ""


def _nearest_crossed_limit(rule: BandsRule, band: Band, measure: MeasureValue) -> str | None:
    """Why the value is borderline: the outcome on the other side of a near limit."""
    value = float(measure.value or 0.0)
    at = rule.bands.index(band)
    probabilities = band_probabilities(rule, measure)
    best: tuple[float, str] | None = None
    for step in (-1, 1):
        other = at + step
        while 0 <= other < len(rule.bands) and rule.bands[other].outcome is band.outcome:
            other += step
        if not 0 <= other < len(rule.bands):
            continue
        limit = rule.bands[other].high if step < 0 else rule.bands[other].low
        beyond = probabilities[: other + 1] if step < 0 else probabilities[other:]
        tail = min(1.0, max(0.0, sum(beyond)))
        if measure.draws:
            near = tail > GUARD_TAIL
        else:
            near = abs(value - limit) < GUARD * (measure.u or 0.0)
        if near and (best is None or tail > best[0]):
            spread = (
                f"more than {GUARD_TAIL:.1%} of its draws lie beyond"
                if measure.draws
                else f"closer than {GUARD:g} x its standard uncertainty of "
                f"{measure.u:.2g} {rule.unit}"
            )
            best = (
                tail,
                f"Near the limit of {limit:g} {rule.unit} ({spread}); "
                f"probability of '{rule.bands[other].label}' or further: {tail:.2f}.",
            )
    return None if best is None else best[1]


def _yes_probability(measure: MeasureValue) -> float | None:
    p = measure.p_true
    return p if p is not None and math.isfinite(p) and 0.0 <= p <= 1.0 else None


def as_yes_no(measure: MeasureValue) -> tuple[bool, float | None, str] | None:
    """Answer, probability of yes, and text of a yes/no measure or a count."""
    value = measure.value
    if isinstance(value, bool):
        return value, _yes_probability(measure), "yes" if value else "no"
    if isinstance(value, str) or value is None or not math.isfinite(value) or value < 0:
        return None
    p = measure.p_true
    exact = float(value > 0) if p is None else _yes_probability(measure)
    return bool(value > 0), exact, shown(value, "1", lambda v: (v > 0) == (value > 0))


def _by_yes_no(rule: YesNoRule, measures: Mapping[str, MeasureValue]) -> _Finding:
    measure = _given(rule.measure, measures)
    if isinstance(measure, _Finding):
        return measure
    answer = as_yes_no(measure)
    if answer is None:
        return _cannot(rule.measure, f"{rule.measure} is neither yes, no nor a count.")
    yes, p_yes, text = answer
    met = yes is rule.met_when
    outcome = Outcome.MET if met else Outcome.NOT_MET
    why = _floor_text(rule, measures) if met else ""
    if p_yes is None:
        why = f"{why} No probability is given with the answer.".strip()
    elif (p_yes if yes else 1.0 - p_yes) < 1.0 - GUARD_TAIL:
        outcome = Outcome.BORDERLINE
        why = (
            f"The probability of '{rule.label_yes if yes else rule.label_no}' is only "
            f"{p_yes if yes else 1.0 - p_yes:.2f}."
        )
    return _Finding(
        outcome=outcome,
        label=rule.label_yes if yes else rule.label_no,
        probability_met=None if p_yes is None else p_yes if rule.met_when else 1.0 - p_yes,
        measure_name=rule.measure,
        value_text=text,
        why=why,
    )


def _by_flag(rule: FlagRule, measures: Mapping[str, MeasureValue]) -> _Finding:
    """Flag a yes and a doubtful answer; never score a yes."""
    measure = _given(rule.measure, measures)
    if isinstance(measure, _Finding):
        return measure
    answer = as_yes_no(measure)
    if answer is None:
        return _cannot(rule.measure, f"{rule.measure} is neither yes nor no.")
    yes, p_yes, text = answer
    if yes:
        finding = _cannot(rule.measure, f"Flagged, not scored. {rule.prompt}", value_text=text)
        return replace(finding, label=rule.label_yes)
    doubtful = p_yes is not None and p_yes > GUARD_TAIL
    return _Finding(
        outcome=Outcome.BORDERLINE if doubtful else Outcome.MET,
        label=f"possibly: {rule.label_yes}" if doubtful else rule.label_no,
        probability_met=None if p_yes is None else 1.0 - p_yes,
        measure_name=rule.measure,
        value_text=text,
        why=f"Its probability is {p_yes:.2f}. {rule.prompt}" if doubtful else "",
    )


def _by_code(rule: CodeRule, measures: Mapping[str, MeasureValue]) -> _Finding:
    measure = _given(rule.measure, measures)
    if isinstance(measure, _Finding):
        return measure
    code = str(measure.value)
    match = next((value for value in rule.values if value.equals == code), None)
    if match is not None:
        outcome = _OUTCOMES[match.outcome]
        unclassified = match.outcome is BandOutcome.UNCLASSIFIED
        return _Finding(
            outcome=outcome,
            label=match.label,
            probability_met=None if unclassified else float(outcome is Outcome.MET),
            measure_name=rule.measure,
            value_text=code,
            why=f"{_UNCLASSIFIED}: {code}." if unclassified else "",
        )
    if isinstance(rule.then, BandsRule):
        return _by_bands(rule.then, measures)
    if isinstance(rule.then, YesNoRule):
        return _by_yes_no(rule.then, measures)
    return _cannot(rule.measure, f"{_UNCLASSIFIED}: {code}.", value_text=code)


def _by_fields(rule: CombinationRule | ScoreRule, earlier: Mapping[str, Verdict]) -> _Finding:
    """Combine fields: what is certain decides, what is not leaves its mark."""
    fields = [earlier[name] for name in rule.fields]
    sure = sum(v.outcome is Outcome.MET for v in fields)
    unknown = any(v.outcome is Outcome.CANNOT_BE_JUDGED for v in fields)
    open_fields = [v for v in fields if v.outcome in (Outcome.BORDERLINE, Outcome.CANNOT_BE_JUDGED)]
    most = sure + len(open_fields)

    if isinstance(rule, ScoreRule):
        reachable = [rule.band_of(count) for count in range(sure, most + 1)]
        bands = list(dict.fromkeys(reachable))
        outcomes = {_OUTCOMES[band.outcome] for band in bands}
        label = " or ".join(band.label for band in bands)
        met_counts = [
            count
            for count in range(len(fields) + 1)
            if rule.band_of(count).outcome is BandOutcome.MET
        ]
        value_text = f"{sure}" if sure == most else f"{sure} to {most}"
        value_text += f" of {len(fields)}"
    else:
        needed = len(fields) if rule.every else 1
        outcomes = {
            Outcome.MET if count >= needed else Outcome.NOT_MET for count in range(sure, most + 1)
        }
        met_counts = list(range(needed, len(fields) + 1))
        words = {Outcome.MET: rule.label_met, Outcome.NOT_MET: rule.label_not_met}
        label = " or ".join(words[o] for o in words if o in outcomes)
        value_text = ""

    if len(outcomes) == 1:
        outcome = outcomes.pop()
    else:
        outcome = Outcome.CANNOT_BE_JUDGED if unknown else Outcome.BORDERLINE
    if outcome is Outcome.CANNOT_BE_JUDGED:
        label = ""
    return _Finding(
        outcome=outcome,
        label=label,
        probability_met=_probability_of_counts(fields, met_counts),
        measure_name=", ".join(rule.fields),
        value_text=value_text,
        why=_field_reasons(fields, outcome),
    )


def _probability_of_counts(fields: Sequence[Verdict], met_counts: Sequence[int]) -> float | None:
    """Probability that the number of met fields is one of these; fields independent."""
    counts = np.array([1.0])
    for verdict in fields:
        p = verdict.probability_met
        if p is None:
            return None
        counts = np.convolve(counts, [1.0 - p, p])
    return float(np.clip(sum(counts[count] for count in met_counts), 0.0, 1.0))


def _field_reasons(fields: Sequence[Verdict], outcome: Outcome) -> str:
    if outcome is Outcome.MET:
        return ""
    parts = []
    for kind in SEVERITY[:-1]:
        names = [v.field for v in fields if v.outcome is kind]
        if names:
            parts.append(f"{kind}: {', '.join(names)}")
    return "; ".join(parts)


def _cdf(normal: NormalDist, value: float) -> float:
    if math.isinf(value):
        return 0.0 if value < 0.0 else 1.0
    return normal.cdf(value)


class _Judged(Protocol):
    """A field and its outcome, however they are kept."""

    @property
    def field(self) -> str: ...

    @property
    def outcome(self) -> str: ...


_AnyVerdict = TypeVar("_AnyVerdict", bound=_Judged)


def ruling_verdict(verdicts: Sequence[_AnyVerdict]) -> _AnyVerdict:
    """The verdict that a canal counts by: its ``overall``, or where there is none its worst."""
    overall = [v for v in verdicts if v.field == OVERALL]
    return min(overall or verdicts, key=lambda v: SEVERITY.index(Outcome(v.outcome)))


def _overridden_place(
    verdicts: Sequence[Verdict], canal: str, rule_id: str, field_name: str, named: str
) -> int:
    """Index of the verdict that an override speaks of, or MarksError."""
    places = [k for k, v in enumerate(verdicts) if v.canal == canal and v.rule_id == rule_id]
    if not places:
        judged = sorted({f"{v.rule_id} on {v.canal or 'the tooth'}" for v in verdicts})
        raise MarksError(
            found=f"{named}, which was not judged.",
            needed=f"one of: {', '.join(judged) or 'nothing was judged'}.",
            next_step="Correct the canal or the rule, or take the override out.",
        )
    fields = [verdicts[k].field for k in places]
    wanted = field_name or (OVERALL if OVERALL in fields else "")
    if not wanted and len(places) == 1:
        return places[0]
    if wanted not in fields:
        raise MarksError(
            found=f"{named}, which has no such field."
            if field_name
            else f"{named}, which has several fields and no overall.",
            needed=f"one of: {', '.join(f'{rule_id}/{name}' for name in fields)}.",
            next_step="Name the field after a stroke.",
        )
    return places[fields.index(wanted)]


def _overridden_outcome(
    override: Override, field: RuleField | None, named: str
) -> tuple[Outcome, str]:
    word = override.verdict.strip()
    labels = field.labels() if field else {}
    if word in labels:
        return _OUTCOMES[labels[word]], word
    if word in tuple(Outcome):
        return Outcome(word), "set by the reader"
    raise MarksError(
        found=f"{named} with the verdict '{word}'.",
        needed=f"one of: {', '.join((*Outcome, *labels))}.",
        next_step="Use one of these words.",
    )


def _changed(old: Verdict, outcome: Outcome, label: str, reason: str) -> Verdict:
    """The verdict as a person wants it, the program's own kept beside."""
    why = old.why
    if old.tool_outcome is None:
        own = f"{old.outcome} ({old.label})" if old.label else str(old.outcome)
        why = f"The program said: {own}. {old.why}".strip()
    return replace(
        old,
        outcome=outcome,
        label=label,
        why=why,
        overridden_by=reason,
        tool_outcome=old.tool_outcome or old.outcome,
    )


def _carry_on(
    verdicts: list[Verdict], by_hand: set[int], rule_set: RuleSet, changed: Verdict, reason: str
) -> None:
    """Let a changed field carry on into the combinations that use it."""
    places = {
        v.field: k
        for k, v in enumerate(verdicts)
        if v.canal == changed.canal and v.rule_id == changed.rule_id
    }
    touched = {changed.field}
    for field in rule_set.fields:
        rule = field.rule
        if not isinstance(rule, (CombinationRule, ScoreRule)) or not touched & set(rule.fields):
            continue
        place = places.get(field.name)
        if place is None or place in by_hand:
            continue
        finding = _by_fields(rule, {name: verdicts[k] for name, k in places.items()})
        old = verdicts[place]
        if (finding.outcome, finding.label) != (old.outcome, old.label):
            new = _changed(
                old, finding.outcome, finding.label, f"follows from {changed.field}: {reason}"
            )
            verdicts[place] = replace(new, value_text=finding.value_text)
            touched.add(field.name)
