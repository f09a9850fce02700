"""Judging by value alone says what the verdicts say of exact values."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.criteria.by_value import by_value, measures_of
from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.verdict import judge_canal, ruling_verdict
from rxmeasure.measure_names import MEASURES
from rxmeasure.values import MeasureValue

RULE_SETS = published_rule_sets()
_SIDE = {Outcome.MET: True, Outcome.NOT_MET: False, Outcome.CANNOT_BE_JUDGED: None}


@st.composite
def a_measure(draw, name: str) -> MeasureValue:
    """A measure of any kind of value, odd ones and missing ones among them."""
    unit = MEASURES[name].unit
    if draw(st.integers(0, 9)) == 0:
        return MeasureValue(name=name, value=None, unit=unit, why_missing="not seen")
    if unit == "bool":
        return MeasureValue(name=name, value=draw(st.booleans()), unit=unit)
    if unit == "code":
        code = draw(st.sampled_from(["none", "canal", "chamber-only", "other"]))
        return MeasureValue(name=name, value=code, unit=unit)
    limits = st.sampled_from([-1.0, 0.0, 0.5, 2.0, 3.0, 4.0, 5.0])
    number = draw(st.one_of(limits, st.floats(-4, 8), st.just(float("nan"))))
    return MeasureValue(
        name=name,
        value=float(round(number)) if name.endswith("_count") and number == number else number,
        unit=draw(st.sampled_from([unit, unit, unit, "px"])),
        u=draw(st.sampled_from([0.0, 0.0, 0.0, None, float("nan")])),
        scale_source=draw(st.sampled_from(["a file", "a file", None])),
    )


@pytest.mark.parametrize("rule_id", RULE_SETS)
@given(data=st.data())
def test_as_the_verdict_on_exact_values(rule_id: str, data) -> None:
    rule_set = RULE_SETS[rule_id]
    names = sorted(measures_of([rule_set]))
    measures = [data.draw(a_measure(name)) for name in names if data.draw(st.integers(0, 9))]
    verdict = ruling_verdict(judge_canal("D", measures, rule_set))
    assert by_value(rule_set)({m.name: m for m in measures}) is _SIDE[verdict.outcome]


def test_a_borderline_value_has_a_side() -> None:
    short = MeasureValue(
        name="fill_to_apex_core_mm", value=1.9, u=0.2, unit="mm", scale_source="a file"
    )
    void_free = MeasureValue(name="void_free", value=True, unit="bool", p_true=0.6)
    rule_set = RULE_SETS["zero_two"]

    def both(value_mm: float) -> tuple[Outcome, bool | None]:
        measures = (replace(short, value=value_mm), void_free)
        verdicts = judge_canal("D", measures, rule_set)
        return ruling_verdict(verdicts).outcome, by_value(rule_set)({m.name: m for m in measures})

    assert both(1.9) == (Outcome.BORDERLINE, True)
    assert both(2.1) == (Outcome.BORDERLINE, False)
