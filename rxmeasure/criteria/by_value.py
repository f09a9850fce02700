"""Whether a canal meets a rule set by its measured values alone, uncertainties set aside.

A verdict may be borderline; counting needs a side. This is the side on which the values
lie. It is also how one set of measures is held against several rule sets: fast, and the
same for all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

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

_Measures = Mapping[str, MeasureValue]
#: Says of the measures of a canal whether they meet a rule set; None where that cannot be judged.
ByValue = Callable[[_Measures], bool | None]

_MEETS = {BandOutcome.MET: True, BandOutcome.NOT_MET: False, BandOutcome.UNCLASSIFIED: None}


def by_value(rule_set: RuleSet) -> ByValue:
    """A function that judges canals by their values.

    It finds what `judge_canal` finds when every value is taken as exact: the field ``overall``,
    or where there is none the worst field.
    """
    fields: dict[str, ByValue] = {}
    for field in rule_set.fields:
        fields[field.name] = _judge_of(field.rule, fields)
    return fields[OVERALL] if OVERALL in fields else _all_of(tuple(fields.values()))


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


def _judge_of(rule: Rule, earlier: Mapping[str, ByValue]) -> ByValue:
    if isinstance(rule, CombinationRule):
        fields = tuple(earlier[name] for name in rule.fields)
        return _all_of(fields) if rule.every else _any_of(fields)
    if isinstance(rule, ScoreRule):
        return _score_of(rule, tuple(earlier[name] for name in rule.fields))
    if isinstance(rule, ReaderRule):
        return lambda _: None
    if isinstance(rule, BandsRule):
        return _bands_of(rule)
    if isinstance(rule, CodeRule):
        return _code_of(rule, earlier)
    return _answer_of(rule)


def _all_of(fields: Sequence[ByValue]) -> ByValue:
    def judge(measures: _Measures) -> bool | None:
        outcome: bool | None = True
        for field in fields:
            found = field(measures)
            if found is False:
                return False
            if found is None:
                outcome = None
        return outcome

    return judge


def _any_of(fields: Sequence[ByValue]) -> ByValue:
    def judge(measures: _Measures) -> bool | None:
        outcomes = [field(measures) for field in fields]
        if True in outcomes:
            return True
        return None if None in outcomes else False

    return judge


def _score_of(rule: ScoreRule, fields: Sequence[ByValue]) -> ByValue:
    def judge(measures: _Measures) -> bool | None:
        outcomes = [field(measures) for field in fields]
        sure, open_ones = outcomes.count(True), outcomes.count(None)
        reachable = {
            _MEETS[rule.band_of(count).outcome] for count in range(sure, sure + open_ones + 1)
        }
        return reachable.pop() if len(reachable) == 1 else None

    return judge


def _bands_of(rule: BandsRule) -> ByValue:
    bands = tuple((band, _MEETS[band.outcome]) for band in rule.bands)

    def judge(measures: _Measures) -> bool | None:
        measure = measures.get(rule.measure)
        value = None if measure is None else measure.value
        if measure is None or value is None or isinstance(value, (bool, str)):
            return None
        if measure.unit != rule.unit or not math.isfinite(value) or why_not_judged(measure, rule):
            return None
        return next((outcome for band, outcome in bands if band.contains(value)), None)

    return judge


def _code_of(rule: CodeRule, earlier: Mapping[str, ByValue]) -> ByValue:
    known = {value.equals: _MEETS[value.outcome] for value in reversed(rule.values)}
    then = None if rule.then is None else _judge_of(rule.then, earlier)

    def judge(measures: _Measures) -> bool | None:
        measure = measures.get(rule.measure)
        if measure is None or measure.value is None:
            return None
        code = str(measure.value)
        if code in known:
            return known[code]
        return None if then is None else then(measures)

    return judge


def _answer_of(rule: YesNoRule | FlagRule) -> ByValue:
    def judge(measures: _Measures) -> bool | None:
        measure = measures.get(rule.measure)
        answer = None if measure is None or measure.value is None else as_yes_no(measure)
        if answer is None:
            return None
        if isinstance(rule, FlagRule):
            return None if answer[0] else True
        return answer[0] is rule.met_when

    return judge
