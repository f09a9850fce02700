"""Verdicts: limits, guard band, combinations, summaries, overrides."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmeasure.criteria.criterion import BandsRule, load_rule_sets, published_rule_sets
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.verdict import (
    GUARD,
    apply_overrides,
    band_probabilities,
    judge_canal,
    shown,
    summarise_tooth,
)
from rxmeasure.errors import MarksError
from rxmeasure.marks import Override
from rxmeasure.measure_names import MEASURES
from rxmeasure.values import MeasureValue

SETS = published_rule_sets()
SURE_MM = 0.0  # for tests of the bare limits: no uncertainty, no guard band


def mm(name: str, value: float | None, u: float = SURE_MM, **more) -> MeasureValue:
    return MeasureValue(
        name=name,
        value=value,
        u=u,
        unit=MEASURES[name].unit,
        scale_source="file of known length",
        **more,
    )


def core(value: float | None, u: float = SURE_MM, **more) -> MeasureValue:
    return mm("fill_to_apex_core_mm", value, u, **more)


def yes(name: str, value: bool, p_true: float | None) -> MeasureValue:
    return MeasureValue(name=name, value=value, unit="bool", p_true=p_true)


def level(value: str) -> MeasureValue:
    return MeasureValue(name="fill_level", value=value, unit="code")


def dense(p_true: float = 0.999) -> MeasureValue:
    return yes("void_free", p_true > 0.5, p_true)


def judged(rule_id: str, *measures: MeasureValue, canal: str = "MB"):
    return {v.field: v for v in judge_canal(canal, measures, SETS[rule_id])}


# Operators and limits as published (zero_two, zero_three, half_two, minus_one_two read);
# 0.00 and 2.00 inside, 2.01 short, -0.01 over: choice.
BOUNDARIES = [
    ("zero_two", 0.00, "met", "adequate", "0.0"),
    ("zero_two", 2.00, "met", "adequate", "2.0"),
    ("zero_two", 2.01, "not met", "underfilled", "2.01"),
    ("zero_two", 2.04, "not met", "underfilled", "2.04"),
    ("zero_two", 2.0000004, "not met", "underfilled", "2.0000004"),
    ("zero_two", 1.96, "met", "adequate", "2.0"),
    ("zero_two", 2.06, "not met", "underfilled", "2.1"),
    ("zero_two", -0.01, "not met", "overfilled (technical grade)", "-0.01"),
    ("zero_two", -0.04, "not met", "overfilled (technical grade)", "-0.04"),
    ("zero_two", 0.04, "met", "adequate", "0.0"),
    ("zero_two", -0.0, "met", "adequate", "0.0"),
    ("half_two", 0.5, "met", "adequate", "0.5"),
    ("half_two", 2.0, "met", "adequate", "2.0"),
    ("half_two", 2.01, "not met", "underfilled", "2.01"),
    ("half_two", -0.01, "not met", "overfilled (technical grade)", "-0.01"),
    ("half_two", 0.0, "cannot be judged", "unclassified by this rule", "0.0"),
    ("half_two", 0.49, "cannot be judged", "unclassified by this rule", "0.49"),
    ("half_two", 0.44, "cannot be judged", "unclassified by this rule", "0.4"),
    ("zero_three", 0.0, "met", "acceptable", "0.0"),
    ("zero_three", 3.0, "met", "acceptable", "3.0"),
    ("zero_three", 3.01, "not met", "short", "3.01"),
    ("zero_three", -0.01, "not met", "overextended (technical grade)", "-0.01"),
    ("minus_one_two", -1.0, "met", "good", "-1.0"),
    ("minus_one_two", -0.04, "met", "good", "0.0"),
    ("minus_one_two", -1.01, "not met", "overfilled by more than 1 mm (technical grade)", "-1.01"),
    ("minus_one_two", 2.0, "met", "good", "2.0"),
    ("minus_one_two", 2.01, "not met", "short", "2.01"),
]


@pytest.mark.parametrize(("rule_id", "value", "outcome", "label", "text"), BOUNDARIES)
def test_length_limits(rule_id, value, outcome, label, text):
    found = judged(rule_id, core(value))["length"]
    assert (found.outcome, found.label, found.value_text) == (outcome, label, text)
    assert found.unit == "mm"


def test_the_published_gap_is_given_as_the_reason():
    found = judged("half_two", core(0.3, 0.2))["length"]
    assert found.outcome is Outcome.CANNOT_BE_JUDGED
    assert "unclassified by this rule: at least 0 and below 0.5 mm" in found.why
    assert found.probability_met is None


# JOMR 2020 11(2) e4, Table 1 (read): L0-L4, H0-H2.
@pytest.mark.parametrize(
    ("measures", "length_code", "density_code"),
    [
        ((level("none"),), "L0", "H0"),
        ((level("canal"), core(1.0), dense()), "L1", "H1"),
        ((level("canal"), core(2.0), dense(0.001)), "L1", "H2"),
        ((level("canal"), core(2.01), dense()), "L2", "H1"),
        ((level("canal"), core(-0.01), dense()), "L3", "H1"),
        ((level("chamber-only"),), "L4", "H0 (pulp chamber only)"),
    ],
)
def test_status_codes(measures, length_code, density_code):
    found = judged("status_code", *measures)
    assert found["length code"].label == length_code
    assert found["homogeneity code"].label == density_code
    for field in ("coronal seal code", "complications code"):
        assert found[field].outcome is Outcome.CANNOT_BE_JUDGED
        assert "reader's own entry" in found[field].why


def test_code_without_its_measure_cannot_be_judged():
    found = judged("status_code", core(1.0))["length code"]
    assert found.outcome is Outcome.CANNOT_BE_JUDGED
    assert "fill_level was not measured" in found.why


# Guard band; numbers calc with a normal distribution.
def test_guard_band_probabilities():
    inside = judged("zero_two", core(1.8, 0.3))["length"]
    assert inside.outcome is Outcome.BORDERLINE
    assert inside.label == "adequate"
    assert f"{1 - inside.probability_met:.3f}" == "0.252"
    outside = judged("zero_two", core(2.3, 0.3))["length"]
    assert outside.outcome is Outcome.BORDERLINE
    assert outside.label == "underfilled"
    assert f"{1 - outside.probability_met:.3f}" == "0.841"
    assert "0.25" in inside.why
    assert f"{GUARD * 0.3:.3f}" == "0.588"


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        (2.0 - 0.587, "borderline"),
        (2.0 - 0.589, "met"),
        (2.0 + 0.587, "borderline"),
        (2.0 + 0.589, "not met"),
        (0.0 + 0.587, "borderline"),
        (0.0 - 0.589, "not met"),
        (1.0, "met"),
    ],
)
def test_guard_band_is_0_588_wide_at_0_3(value, outcome):
    assert judged("zero_two", core(value, 0.3))["length"].outcome == outcome


def test_a_value_on_its_limit_is_borderline_once_it_is_uncertain():
    assert judged("zero_two", core(2.0, 0.01))["length"].outcome is Outcome.BORDERLINE
    assert judged("zero_two", core(2.0, 0.0))["length"].outcome is Outcome.MET


def test_draws_are_used_where_they_are_given():
    rng = np.random.default_rng(1)
    # Skewed: a rare far excursion that a standard deviation would spread over both sides.
    draws = tuple(1.8 + rng.exponential(0.3, 4000))
    found = judged("zero_two", core(1.8, 0.3, draws=draws))["length"]
    share = float(np.mean(np.asarray(draws) > 2.0))
    assert found.probability_met == pytest.approx(1 - share)
    assert found.outcome is Outcome.BORDERLINE
    one_sided = tuple(1.95 - np.abs(rng.normal(0, 0.2, 4000)))
    found = judged("zero_two", core(1.9, 0.3, draws=one_sided))["length"]
    assert found.outcome is Outcome.MET
    assert found.probability_met == 1.0


@pytest.mark.parametrize(("beyond", "outcome"), [(25, "met"), (26, "borderline")])
def test_draws_beyond_the_limit_count_from_2_5_percent(beyond, outcome):
    draws = (2.5,) * beyond + (1.0,) * (1000 - beyond)
    assert judged("zero_two", core(1.0, 0.1, draws=draws))["length"].outcome == outcome


def test_draws_agree_with_the_normal_distribution():
    rng = np.random.default_rng(2)
    rule = SETS["zero_two"].field("length").rule
    plain = band_probabilities(rule, core(1.8, 0.3))
    drawn = band_probabilities(rule, core(1.8, 0.3, draws=tuple(rng.normal(1.8, 0.3, 100_000))))
    assert drawn == pytest.approx(plain, abs=0.006)


BANDS = [
    (rule_set.id, field.name)
    for rule_set in SETS.values()
    for field in rule_set.fields
    if isinstance(field.rule, BandsRule)
]


@settings(deadline=None)
@given(where=st.sampled_from(BANDS), value=st.floats(-8, 8), u=st.floats(0.0, 3.0))
def test_every_value_has_one_band_and_probabilities_add_up(where, value, u):
    rule = SETS[where[0]].field(where[1]).rule
    assert sum(band.contains(value) for band in rule.bands) == 1
    probabilities = band_probabilities(rule, mm(rule.measure, value, u))
    assert sum(probabilities) == pytest.approx(1.0, abs=1e-12)
    assert all(p >= 0.0 for p in probabilities)


@settings(deadline=None)
@given(where=st.sampled_from(BANDS), a=st.floats(-8, 8), b=st.floats(-8, 8))
def test_bands_ascend_with_the_value(where, a, b):
    rule = SETS[where[0]].field(where[1]).rule
    low, high = sorted((a, b))
    assert rule.bands.index(rule.band_of(low)) <= rule.bands.index(rule.band_of(high))


@settings(deadline=None)
@given(value=st.floats(0.5, 8.0), step=st.floats(0.001, 2.0), u=st.floats(0.05, 1.0))
def test_probability_of_underfilled_grows_with_the_gap(value, step, u):
    rule = SETS["zero_two"].field("length").rule
    assert (
        band_probabilities(rule, core(value, u))[2]
        <= band_probabilities(rule, core(value + step, u))[2]
    )


@settings(deadline=None)
@given(value=st.floats(-8, 8), u=st.floats(0.001, 2.0))
def test_a_smaller_uncertainty_never_makes_it_borderline(value, u):
    if judged("zero_two", core(value, u))["length"].outcome is not Outcome.BORDERLINE:
        found = judged("zero_two", core(value, u / 2))["length"]
        assert found.outcome is not Outcome.BORDERLINE


@settings(deadline=None)
@given(value=st.floats(-9, 9), where=st.sampled_from(BANDS))
def test_rounding_never_changes_the_band_shown(value, where):
    rule = SETS[where[0]].field(where[1]).rule
    band = rule.band_of(value)
    text = shown(value, rule.unit, band.contains)
    assert band.contains(float(text))
    assert float(text) == pytest.approx(value, abs=0.0500001)
    assert not text.startswith("-0.0") or float(text) != 0.0


@pytest.mark.parametrize(
    ("measure", "why"),
    [
        (core(None, why_missing="There is no scale."), "There is no scale."),
        (core(None), "could not be measured"),
        (core(math.nan), "is not a number"),
        (core(1.0, math.nan), "uncertainty of fill_to_apex_core_mm is not a number"),
        (core(1.0, -0.1), "uncertainty of fill_to_apex_core_mm is not a number"),
        (replace(core(1.0), u=None), "has no uncertainty"),
        (replace(core(1.0), scale_source=None), "where its millimetres come from"),
        (replace(core(1.0), unit="px"), "is in px, the rule needs mm"),
        (replace(core(1.0), value="1.0"), "is not a number"),
        (core(1.0, 0.1, draws=(1.0, math.nan)), "is not a number"),
    ],
)
def test_what_cannot_be_judged_says_why(measure, why):
    found = judged("zero_two", measure, dense())
    assert found["length"].outcome is Outcome.CANNOT_BE_JUDGED
    assert why in found["length"].why
    assert found["length"].probability_met is None
    assert found["overall"].outcome is Outcome.CANNOT_BE_JUDGED
    assert found["overall"].why == "cannot be judged: length"


def test_measure_that_was_never_made():
    found = judged("zero_two")
    assert found["length"].why == "fill_to_apex_core_mm was not measured on this film."
    assert all(v.outcome is Outcome.CANNOT_BE_JUDGED for v in found.values())


# Yes/no answers: 2.5 % to 97.5 % is borderline (choice).
@pytest.mark.parametrize(
    ("p_true", "outcome"),
    [
        (1.0, "met"),
        (0.975, "met"),
        (0.97, "borderline"),
        (0.5, "borderline"),
        (0.03, "borderline"),
        (0.02, "not met"),
        (0.0, "not met"),
    ],
)
def test_yes_no(p_true, outcome):
    found = judged("zero_two", yes("void_free", p_true >= 0.5, p_true))["density"]
    assert found.outcome == outcome
    assert found.probability_met == p_true
    assert found.value_text == ("yes" if p_true >= 0.5 else "no")


def test_answer_against_its_own_probability_is_borderline():
    found = judged("zero_two", yes("void_free", True, 0.01))["density"]
    assert found.outcome is Outcome.BORDERLINE


def test_answer_without_probability():
    found = judged("zero_two", yes("void_free", True, None))["density"]
    assert found.outcome is Outcome.MET
    assert found.probability_met is None
    assert "No probability" in found.why


def test_negative_question_turns_the_probability():
    found = judged("extrusion", yes("core_beyond_apex", False, 0.01))["core"]
    assert found.outcome is Outcome.MET
    assert found.probability_met == pytest.approx(0.99)
    found = judged("extrusion", yes("core_beyond_apex", True, 0.99))["core"]
    assert found.outcome is Outcome.NOT_MET
    assert found.label == "core overfill (technical grade)"


@pytest.mark.parametrize(("count", "outcome"), [(0, "met"), (1, "not met"), (3, "not met")])
def test_counts(count, outcome):
    measure = MeasureValue(name="wall_void_count", value=count, unit="1")
    found = judged("strict_visual", measure)["wall"]
    assert found.outcome == outcome
    assert found.value_text == str(count)


def test_ratio_needs_no_scale_but_an_uncertainty(tmp_path):
    """A ratio shares its unit with counts, and is none."""
    path = tmp_path / "ratio.toml"
    path.write_text(
        """\
id = "ratio"
version = "1"
title = "Share of the canal left empty"
film_kinds = ["post-operative"]
[[field]]
name = "length"
kind = "bands"
measure = "fill_to_apex_ratio"
unit = "1"
source = "The sample teaching clinic"
status = "choice"
[[field.band]]
label = "little"
outcome = "met"
at_most = 0.1
[[field.band]]
label = "much"
outcome = "not met"
above = 0.1
""",
        encoding="utf-8",
    )
    rule_set = load_rule_sets([path])["ratio"]

    def found(value, u):
        measure = MeasureValue(name="fill_to_apex_ratio", value=value, u=u, unit="1")
        return judge_canal("D", (measure,), rule_set)[0]

    assert found(0.05, 0.01).outcome is Outcome.MET
    assert found(0.05, 0.01).value_text == "0.050"
    assert found(0.09, 0.01).outcome is Outcome.BORDERLINE
    assert found(0.1004, 0.0).value_text == "0.1004"
    assert found(0.05, None).outcome is Outcome.CANNOT_BE_JUDGED


def test_no_uncertainty_is_needed_where_every_band_counts_alike():
    found = judged("extrusion", replace(mm("puff_area_mm2", 0.0), u=None))["sealer puff"]
    assert found.outcome is Outcome.MET
    assert found.label == "no sealer puff"


def test_density_tells_what_the_film_could_not_show():
    floor = mm("smallest_visible_void_mm", 0.31)
    found = judged("zero_two", dense(), floor)["density"]
    assert found.outcome is Outcome.MET
    assert "smaller than 0.31 mm" in found.why
    assert "smaller" not in judged("zero_two", dense(0.001), floor)["density"].why


# Fields of zero_two: length from value and u, density from p_true.
@pytest.mark.parametrize(
    ("value", "u", "p_void_free", "outcome", "label"),
    [
        (1.0, 0.1, 0.999, "met", "satisfactory"),
        (1.0, 0.1, 0.001, "not met", "unsatisfactory"),
        (3.0, 0.1, 0.5, "not met", "unsatisfactory"),
        (1.0, 0.1, 0.5, "borderline", "satisfactory or unsatisfactory"),
        (2.1, 0.3, 0.999, "borderline", "satisfactory or unsatisfactory"),
        (None, 0.1, 0.999, "cannot be judged", ""),
        (None, 0.1, 0.5, "cannot be judged", ""),
        (None, 0.1, 0.001, "not met", "unsatisfactory"),
    ],
)
def test_all_of(value, u, p_void_free, outcome, label):
    found = judged("zero_two", core(value, u), dense(p_void_free))
    assert (found["overall"].outcome, found["overall"].label) == (outcome, label)
    if value is not None:
        product = found["length"].probability_met * p_void_free
        assert found["overall"].probability_met == pytest.approx(product)


def test_any_of(tmp_path):
    text = """\
id = "either"
version = "1"
title = "Either"
film_kinds = ["post-operative"]
[[field]]
name = "void"
kind = "yes_no"
measure = "void_free"
met_when = "yes"
label_yes = "dense"
label_no = "void"
source = "The sample teaching clinic"
status = "choice"
[[field]]
name = "taper"
kind = "yes_no"
measure = "taper_even"
met_when = "yes"
label_yes = "even"
label_no = "uneven"
source = "The sample teaching clinic"
status = "choice"
[[field]]
name = "overall"
kind = "any"
fields = ["void", "taper"]
label_met = "one is good"
label_not_met = "none is good"
source = "The sample teaching clinic"
status = "choice"
"""
    path = tmp_path / "either.toml"
    path.write_text(text, encoding="utf-8")
    rule_set = load_rule_sets([path])["either"]

    def overall(p_void, *more):
        return judge_canal("D", (dense(p_void), *more), rule_set)[-1]

    assert overall(0.999).outcome is Outcome.MET
    assert overall(0.001).outcome is Outcome.CANNOT_BE_JUDGED
    assert overall(0.001, yes("taper_even", False, 0.01)).outcome is Outcome.NOT_MET
    found = overall(0.3, yes("taper_even", False, 0.2))
    assert found.outcome is Outcome.BORDERLINE
    assert found.probability_met == pytest.approx(1 - 0.7 * 0.8)


# J Endod 2010 S0099-2399(10)00726-0 (read): three ideal perfect, two satisfactory, else deficient.
@pytest.mark.parametrize(
    ("length", "p_dense", "p_even", "outcome", "label", "text"),
    [
        (1.0, 1.0, 1.0, "met", "perfect", "3 of 3"),
        (1.0, 1.0, 0.0, "met", "satisfactory", "2 of 3"),
        (5.0, 1.0, 1.0, "met", "satisfactory", "2 of 3"),
        (5.0, 0.0, 1.0, "not met", "deficient", "1 of 3"),
        (5.0, 0.0, 0.0, "not met", "deficient", "0 of 3"),
        (1.0, 1.0, 0.6, "met", "satisfactory or perfect", "2 to 3 of 3"),
        (1.0, 0.0, 0.6, "borderline", "deficient or satisfactory", "1 to 2 of 3"),
        (5.0, 0.0, 0.6, "not met", "deficient", "0 to 1 of 3"),
        (None, 1.0, 1.0, "met", "satisfactory or perfect", "2 to 3 of 3"),
        (None, 1.0, 0.0, "cannot be judged", "", "1 to 2 of 3"),
    ],
)
def test_three_field_score(length, p_dense, p_even, outcome, label, text):
    found = judged(
        "three_field_score",
        core(length, 0.1),
        yes("void_free", p_dense >= 0.5, p_dense),
        yes("taper_even", p_even >= 0.5, p_even),
    )["overall"]
    assert (found.outcome, found.label, found.value_text) == (outcome, label, text)
    if length is not None:
        # Two or three of three, written out.
        p = (float(length == 1.0), p_dense, p_even)
        expected = sum(
            math.prod(x if bit else 1 - x for x, bit in zip(p, bits, strict=True))
            for bits in np.ndindex(2, 2, 2)
            if sum(bits) >= 2
        )
        assert found.probability_met == pytest.approx(expected)
    else:
        assert found.probability_met is None


@settings(deadline=None)
@given(p=st.lists(st.floats(0, 1), min_size=2, max_size=2))
def test_probability_of_a_combination_is_the_product(p):
    found = judged("zero_two", core(1.0, 0.5), yes("void_free", p[0] >= 0.5, p[0]))
    product = found["length"].probability_met * p[0]
    assert found["overall"].probability_met == pytest.approx(product, abs=1e-12)


def test_unfilled_canal_fails_where_the_rule_asks_for_filled_canals():
    found = judged("minus_one_two", level("none"))
    assert found["filled"].outcome is Outcome.NOT_MET
    assert found["overall"].outcome is Outcome.NOT_MET


# Post: 4 mm read (weak), 3 mm from memory; gap bands from memory; coverage 3 mm read.
@pytest.mark.parametrize(
    ("rule_id", "field", "measure", "outcome"),
    [
        ("post_space", "apical fill", mm("apical_fill_under_post_mm", 4.0), "met"),
        ("post_space", "apical fill", mm("apical_fill_under_post_mm", 3.99), "not met"),
        ("post_space", "apical fill, hard minimum", mm("apical_fill_under_post_mm", 3.0), "met"),
        (
            "post_space",
            "apical fill, hard minimum",
            mm("apical_fill_under_post_mm", 2.99),
            "not met",
        ),
        ("post_gap", "post gap", mm("post_gap_mm", 0.0), "met"),
        ("post_gap", "post gap", mm("post_gap_mm", 0.1), "not met"),
        ("post_gap", "post gap", mm("post_gap_mm", 0.1, 0.1), "borderline"),
        ("post_gap", "post gap", mm("post_gap_mm", 2.01), "not met"),
        ("apex_coverage", "coverage", mm("coverage_beyond_apex_mm", 3.0), "met"),
        ("apex_coverage", "coverage", mm("coverage_beyond_apex_mm", 2.99), "not met"),
        ("tip_within_three", "tip", mm("tip_to_apex_mm", 3.0), "met"),
        ("tip_within_three", "tip", mm("tip_to_apex_mm", -3.0), "met"),
        ("tip_within_three", "tip", mm("tip_to_apex_mm", 3.01), "not met"),
        ("tip_within_three", "tip", mm("tip_to_apex_mm", -3.01), "not met"),
        ("extrusion", "sealer puff", mm("puff_area_mm2", 0.0, 0.0), "met"),
        ("extrusion", "sealer puff", mm("puff_area_mm2", 0.6, 0.2), "met"),
    ],
)
def test_other_published_limits(rule_id, field, measure, outcome):
    assert judged(rule_id, measure)[field].outcome == outcome


def test_a_limit_between_bands_of_one_outcome_has_no_guard_band():
    found = judged("post_gap", mm("post_gap_mm", 1.95, 0.3))["post gap"]
    assert found.outcome is Outcome.NOT_MET
    assert found.label == "gap up to 2 mm"
    assert judged("post_gap", mm("post_gap_mm", 2.04, 0.3))["post gap"].value_text == "2.04"


def test_a_far_band_of_another_outcome_still_counts():
    found = judged("post_gap", mm("post_gap_mm", 2.5, 1.5))["post gap"]
    assert found.label == "gap above 2 mm"
    assert found.outcome is Outcome.BORDERLINE
    assert "no gap" in found.why


def test_gross_extrusion_is_flagged_and_never_scored():
    found = judged("gross_extrusion", yes("gross_extrusion", True, 0.99))["gross extrusion"]
    assert found.outcome is Outcome.CANNOT_BE_JUDGED
    assert found.label == "prompt clinical attention"
    assert found.probability_met is None
    assert "not scored" in found.why
    assert "nerve or the sinus" in found.why
    doubtful = judged("gross_extrusion", yes("gross_extrusion", False, 0.2))["gross extrusion"]
    assert doubtful.outcome is Outcome.BORDERLINE
    assert "nerve or the sinus" in doubtful.why
    none = judged("gross_extrusion", yes("gross_extrusion", False, 0.01))["gross extrusion"]
    assert none.outcome is Outcome.MET
    # Even a hesitant yes is flagged.
    hesitant = judged("gross_extrusion", yes("gross_extrusion", True, 0.6))["gross extrusion"]
    assert hesitant.label == "prompt clinical attention"


def test_verdicts_carry_rule_version_and_source():
    for rule_set in SETS.values():
        for verdict in judge_canal("P", (), rule_set):
            field = rule_set.field(verdict.field)
            assert verdict.canal == "P"
            assert (verdict.rule_id, verdict.rule_version) == (rule_set.id, rule_set.version)
            assert (verdict.source, verdict.source_status) == (field.source, str(field.status))
            assert verdict.why


def canal_of(outcome: str) -> tuple[MeasureValue, ...]:
    return {
        "met": (core(1.0, 0.1), dense()),
        "not met": (core(4.0, 0.1), dense()),
        "borderline": (core(1.9, 0.1), dense()),
        "cannot be judged": (core(None), dense()),
    }[outcome]


@pytest.mark.parametrize(
    ("canals", "outcome", "worst"),
    [
        (["met", "met"], "met", 0),
        (["met", "borderline"], "borderline", 1),
        (["borderline", "cannot be judged"], "cannot be judged", 1),
        (["cannot be judged", "borderline", "not met", "met"], "not met", 2),
        (["not met", "met", "met", "met"], "not met", 0),
        (["met", "not met", "not met"], "not met", 1),
    ],
)
def test_the_worst_canal_rules_the_tooth(canals, outcome, worst):
    verdicts = [
        verdict
        for place, kind in enumerate(canals)
        for verdict in judge_canal(f"canal {place}", canal_of(kind), SETS["zero_two"])
    ]
    (summary,) = summarise_tooth(verdicts)
    assert summary.rule_id == "zero_two"
    assert summary.outcome == outcome
    assert summary.worst_canal == f"canal {worst}"
    assert dict(summary.counts) == {
        kind: canals.count(kind) for kind in ("met", "not met", "borderline", "cannot be judged")
    }


def test_of_equal_outcomes_the_canal_least_likely_to_meet_the_rule_is_the_worst():
    verdicts = [
        *judge_canal("B", (core(1.9, 0.1), dense()), SETS["zero_two"]),
        *judge_canal("P", (core(2.05, 0.1), dense()), SETS["zero_two"]),
    ]
    (summary,) = summarise_tooth(verdicts)
    assert summary.outcome == "borderline"
    assert summary.worst_canal == "P"


def test_without_an_overall_the_worst_field_rules_the_canal():
    verdicts = judge_canal("B", (core(1.0, 0.1), dense(0.001)), SETS["half_two"])
    (summary,) = summarise_tooth(verdicts)
    assert summary.outcome is Outcome.NOT_MET


def test_fields_beside_the_overall_do_not_rule_the_canal():
    measures = (*canal_of("met"), yes("taper_even", False, 0.0))
    (summary,) = summarise_tooth(judge_canal("B", measures, SETS["zero_two"]))
    assert summary.outcome is Outcome.MET


def test_rule_sets_are_summarised_apart():
    verdicts = [
        *judge_canal("B", canal_of("met"), SETS["zero_two"]),
        *judge_canal("B", canal_of("met"), SETS["apex_coverage"]),
    ]
    found = {s.rule_id: s.outcome for s in summarise_tooth(verdicts)}
    assert found == {"zero_two": Outcome.MET, "apex_coverage": Outcome.CANNOT_BE_JUDGED}
    assert summarise_tooth([]) == ()


def override(rule_id="zero_two", verdict="met", reason="Seen on a second film.", canal="MB"):
    return Override(canal=canal, rule_id=rule_id, verdict=verdict, reason=reason)


def by_field(verdicts):
    return {v.field: v for v in verdicts}


def test_override_keeps_the_programs_own_verdict():
    before = judge_canal("MB", canal_of("not met"), SETS["zero_two"])
    after = by_field(apply_overrides(before, [override()]))
    changed = after["overall"]
    assert changed.outcome is Outcome.MET
    assert changed.tool_outcome is Outcome.NOT_MET
    assert changed.overridden_by == "Seen on a second film."
    assert changed.label == "set by the reader"
    assert "unsatisfactory" in changed.why
    assert changed.probability_met == before[-1].probability_met
    assert after["length"] == by_field(before)["length"]


def test_override_of_a_field_carries_on_into_the_overall():
    before = judge_canal("MB", canal_of("not met"), SETS["zero_two"])
    after = by_field(apply_overrides(before, [override("zero_two/length")]))
    assert after["length"].tool_outcome is Outcome.NOT_MET
    assert after["overall"].outcome is Outcome.MET
    assert after["overall"].tool_outcome is Outcome.NOT_MET
    assert after["overall"].overridden_by == "follows from length: Seen on a second film."
    (summary,) = summarise_tooth(after.values())
    assert summary.outcome is Outcome.MET


def test_override_of_the_overall_is_not_undone_by_one_of_a_field():
    before = judge_canal("MB", canal_of("met"), SETS["zero_two"])
    for overrides in (
        [override("zero_two", "not met"), override("zero_two/length", "borderline")],
        [override("zero_two/length", "borderline"), override("zero_two", "not met")],
    ):
        after = by_field(apply_overrides(before, overrides))
        assert after["overall"].outcome is Outcome.NOT_MET
        assert after["overall"].tool_outcome is Outcome.MET
        assert after["length"].outcome is Outcome.BORDERLINE


def test_reader_gives_a_code():
    before = judge_canal("MB", (), SETS["status_code"])
    after = by_field(
        apply_overrides(before, [override("status_code/coronal seal code", "CS2", "Open margin.")])
    )
    assert after["coronal seal code"].label == "CS2"
    assert after["coronal seal code"].outcome is Outcome.NOT_MET
    assert after["coronal seal code"].tool_outcome is Outcome.CANNOT_BE_JUDGED


def test_readers_entry_completes_the_strict_visual_set():
    measures = (dense(), MeasureValue(name="wall_void_count", value=0, unit="1"))
    before = judge_canal("MB", measures, SETS["strict_visual"])
    assert by_field(before)["overall"].outcome is Outcome.CANNOT_BE_JUDGED
    after = apply_overrides(
        before, [override("strict_visual/canal space beyond the fill", "none visible", "Looked.")]
    )
    assert by_field(after)["overall"].outcome is Outcome.MET
    assert by_field(after)["overall"].label == "acceptable"


def test_single_field_needs_no_name():
    before = judge_canal("MB", (), SETS["apex_coverage"])
    (after,) = apply_overrides(before, [override("apex_coverage", "not met")])
    assert after.outcome is Outcome.NOT_MET


def test_later_override_wins_and_the_programs_outcome_stays():
    before = judge_canal("MB", canal_of("not met"), SETS["zero_two"])
    after = by_field(
        apply_overrides(before, [override(), override(verdict="borderline", reason="Unsure.")])
    )
    assert after["overall"].outcome is Outcome.BORDERLINE
    assert after["overall"].tool_outcome is Outcome.NOT_MET
    assert after["overall"].overridden_by == "Unsure."


def test_no_override_changes_nothing():
    before = judge_canal("MB", canal_of("met"), SETS["zero_two"])
    assert apply_overrides(before, []) == before


def test_passing_over_a_refusal_is_no_verdict():
    before = judge_canal("MB", canal_of("met"), SETS["zero_two"])
    passed = override("scale-implausible", "accepted", "Very long canine, measured twice.", "")
    assert apply_overrides(before, [passed]) == before


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (override(reason=""), "without a reason"),
        (override(reason="  \n"), "without a reason"),
        (override(verdict="fine"), "with the verdict 'fine'"),
        (override(canal="ML"), "was not judged"),
        (override("zero_three"), "was not judged"),
        (override("zero_two/colour"), "no such field"),
        (override("half_two"), "several fields and no overall"),
    ],
)
def test_wrong_overrides_are_refused(wrong, message):
    verdicts = [
        *judge_canal("MB", canal_of("met"), SETS["zero_two"]),
        *judge_canal("MB", canal_of("met"), SETS["half_two"]),
    ]
    with pytest.raises(MarksError) as caught:
        apply_overrides(verdicts, [wrong])
    assert message in caught.value.found


def test_a_verdict_says_that_nobody_confirmed_its_canal():
    seen = judge_canal("MB", canal_of("met"), SETS["zero_two"])
    unseen = judge_canal("2", canal_of("met"), SETS["zero_two"], confirmed=False)
    assert all(v.confirmed for v in seen)
    assert not any(v.confirmed for v in unseen)
    assert [v.outcome for v in seen] == [v.outcome for v in unseen]
    changed = apply_overrides(
        unseen, [Override(canal="2", rule_id="zero_two/length", verdict="not met", reason="seen")]
    )
    assert not any(v.confirmed for v in changed)
    (alone,), (both,) = summarise_tooth(seen), summarise_tooth((*seen, *unseen))
    assert alone.confirmed
    assert not both.confirmed
