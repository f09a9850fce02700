"""Whether a canal meets a rule set by its measured values alone, uncertainties set aside.

A verdict may be borderline; counting needs a side. This is the side on which the values
lie. It is also how one set of measures is held against several rule sets: fast, and the
same for all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from rxmeasure.criteria.rules import (
    OVERALL,
    BandOutcome,
    BandsRule,
    CodeRule,
    CombinationRule,
    FlagRule,
    ReaderRule,
    Rule,
    RuleSet,
    ScoreRule,
    YesNoRule,
)
from rxmeasure.criteria.verdict import as_yes_no, why_not_judged
from rxmeasure.values import MeasureValue

_MEETS = {BandOutcome.MET: True, BandOutcome.NOT_MET: False, BandOutcome.UNCLASSIFIED: None}


def meets(rule_set: RuleSet, measures: Mapping[str, MeasureValue]) -> bool | None:
    """Whether the values meet the rule set; None where that cannot be judged.

    What `judge_canal` finds when every value is taken as exact: its field ``overall``, or
    where there is none the worst field.
    """
    found: dict[str, bool | None] = {}
    for field in rule_set.fields:
        found[field.name] = _meets(field.rule, measures, found)
    if OVERALL in found:
        return found[OVERALL]
    outcomes = set(found.values())
    if False in outcomes:
        return False
    return None if None in outcomes else True


def measures_of(rule_sets: Sequence[RuleSet]) -> frozenset[str]:
    """Names of the measures that the rule sets judge."""
    return frozenset(
        name for rule_set in rule_sets for field in rule_set.fields for name in _names(field.rule)
    )


def _names(rule: Rule) -> tuple[str, ...]:
    if isinstance(rule, (BandsRule, YesNoRule, FlagRule)):
        return (rule.measure,)
    if isinstance(rule, CodeRule):
        return (rule.measure, *(_names(rule.then) if rule.then else ()))
    return ()


def _meets(
    rule: Rule, measures: Mapping[str, MeasureValue], earlier: Mapping[str, bool | None]
) -> bool | None:
    if isinstance(rule, CombinationRule):
        return _combined(rule, [earlier[name] for name in rule.fields])
    if isinstance(rule, ScoreRule):
        return _scored(rule, [earlier[name] for name in rule.fields])
    if isinstance(rule, ReaderRule):
        return None
    measure = measures.get(rule.measure)
    if measure is None or measure.value is None:
        return None
    if isinstance(rule, BandsRule):
        return _in_bands(rule, measure)
    if isinstance(rule, CodeRule):
        code = str(measure.value)
        for value in rule.values:
            if value.equals == code:
                return _MEETS[value.outcome]
        return None if rule.then is None else _meets(rule.then, measures, earlier)
    answer = as_yes_no(measure)
    if answer is None:
        return None
    if isinstance(rule, FlagRule):
        return None if answer[0] else True
    return answer[0] is rule.met_when


def _in_bands(rule: BandsRule, measure: MeasureValue) -> bool | None:
    value = measure.value
    if isinstance(value, (bool, str)) or value is None or not math.isfinite(value):
        return None
    if measure.unit != rule.unit or why_not_judged(measure, rule):
        return None
    for band in rule.bands:
        if band.contains(value):
            return _MEETS[band.outcome]
    return None


def _combined(rule: CombinationRule, fields: Sequence[bool | None]) -> bool | None:
    decisive = not rule.every
    if decisive in fields:
        return decisive
    return None if None in fields else not decisive


def _scored(rule: ScoreRule, fields: Sequence[bool | None]) -> bool | None:
    sure = fields.count(True)
    reachable = {
        _MEETS[rule.band_of(count).outcome] for count in range(sure, sure + fields.count(None) + 1)
    }
    return reachable.pop() if len(reachable) == 1 else None
