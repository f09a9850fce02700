"""Laws that hold for any ratings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rxmeasure.agreement.alpha import krippendorff_alpha
from rxmeasure.agreement.dahlberg import method_error
from rxmeasure.agreement.gwet import gwet_ac
from rxmeasure.agreement.icc import IccForm, intraclass_correlation
from rxmeasure.agreement.kappa import cohen_kappa, fleiss_kappa
from rxmeasure.agreement.ratings import Ratings, ratings_of
from rxmeasure.agreement.resampling import IntervalChoice
from rxmeasure.errors import AgreementError

FEW = IntervalChoice(draws=100)

categories = st.integers(1, 4).map(float)
pairs = arrays(np.float64, st.tuples(st.integers(3, 15), st.just(2)), elements=categories)
tables = arrays(
    np.float64,
    st.tuples(st.integers(3, 12), st.integers(2, 4)),
    elements=categories | st.just(np.nan),
)
lengths_mm = arrays(
    np.float64,
    st.tuples(st.integers(3, 10), st.integers(2, 4)),
    elements=st.integers(1, 300).map(lambda tenths: tenths / 10.0),
)


def estimate(statistic, ratings: Ratings, **more) -> float:
    """The estimate; ratings that allow none are passed over."""
    try:
        return statistic(ratings, choice=FEW, **more).estimate
    except AgreementError:
        assume(False)
        raise


def ordinal(table: np.ndarray) -> Ratings:
    return ratings_of(table, scale="ordinal", categories=(1, 2, 3, 4))


def one_or_more(table: np.ndarray) -> np.ndarray:
    assume(np.isfinite(table).any())
    return table


@given(tables, st.randoms(use_true_random=False))
@settings(max_examples=40)
@pytest.mark.parametrize("statistic", [fleiss_kappa, gwet_ac, krippendorff_alpha])
def test_order_of_units_and_raters_does_not_matter(statistic, table, random):
    table = one_or_more(table)
    rows, cols = list(range(table.shape[0])), list(range(table.shape[1]))
    random.shuffle(rows)
    random.shuffle(cols)
    shuffled = table[rows][:, cols]
    assert estimate(statistic, ordinal(shuffled)) == pytest.approx(
        estimate(statistic, ordinal(table)), abs=1e-9
    )


@given(pairs)
@pytest.mark.parametrize("weights", ["unweighted", "linear", "quadratic"])
def test_kappa_is_the_same_from_either_side(weights, pair):
    swapped = estimate(cohen_kappa, ordinal(pair[:, ::-1]), weights=weights)
    assert swapped == pytest.approx(estimate(cohen_kappa, ordinal(pair), weights=weights), abs=1e-9)


@given(tables, st.permutations([1.0, 2.0, 3.0, 4.0]))
@settings(max_examples=40)
@pytest.mark.parametrize("statistic", [fleiss_kappa, gwet_ac, krippendorff_alpha])
def test_names_of_categories_do_not_matter(statistic, table, names):
    table = one_or_more(table)
    renamed = np.where(
        np.isfinite(table), np.array([0.0, *names])[np.nan_to_num(table).astype(int)], np.nan
    )
    first = ratings_of(table, scale="nominal", categories=(1, 2, 3, 4))
    second = ratings_of(renamed, scale="nominal", categories=(1, 2, 3, 4))
    assert estimate(statistic, second) == pytest.approx(estimate(statistic, first), abs=1e-9)


@given(pairs)
def test_reversing_the_scale_does_not_matter(pair):
    for weights in ("linear", "quadratic"):
        there = estimate(cohen_kappa, ordinal(pair), weights=weights)
        assert estimate(cohen_kappa, ordinal(5.0 - pair), weights=weights) == pytest.approx(
            there, abs=1e-9
        )


@given(tables, st.sampled_from([0.5, 3.0, 25.4]), st.sampled_from([-7.0, 0.0, 100.0]))
@settings(max_examples=40)
def test_alpha_follows_its_scale(table, factor, shift):
    """Ordinal alpha knows ranks only, interval alpha differences only, ratio alpha ratios only."""
    table = one_or_more(table)
    for scale, changed in (
        ("ordinal", np.exp(table)),
        ("interval", factor * table + shift),
        ("ratio", factor * table),
    ):
        before = estimate(krippendorff_alpha, ratings_of(table, scale=scale))
        after = estimate(krippendorff_alpha, ratings_of(changed, scale=scale))
        assert after == pytest.approx(before, abs=1e-6)


@given(lengths_mm, st.sampled_from([0.1, 25.4]), st.sampled_from([0.0, 5.0]))
@settings(max_examples=40)
@pytest.mark.parametrize("form", list(IccForm))
def test_icc_does_not_know_the_unit(form, table, factor, shift):
    before = estimate(intraclass_correlation, ratings_of(table, scale="interval"), form=form)
    changed = ratings_of(factor * table + shift, scale="interval")
    after = estimate(intraclass_correlation, changed, form=form)
    assert after == pytest.approx(before, rel=1e-6, abs=1e-6)


@given(lengths_mm, st.sampled_from([0.3, 2.0]))
@settings(max_examples=40)
def test_an_offset_of_one_rater_counts_as_disagreement_only_where_agreement_is_absolute(
    table, offset
):
    assume(np.ptp(table.mean(axis=1)) > 0.5)
    moved = table + offset * np.arange(table.shape[1])
    consistent = [
        estimate(intraclass_correlation, ratings_of(t, scale="interval"), form="ICC(3,1)")
        for t in (table, moved)
    ]
    assert consistent[1] == pytest.approx(consistent[0], abs=1e-9)


@given(lengths_mm, st.sampled_from([0.1, 25.4]))
@settings(max_examples=40)
def test_dahlberg_scales_with_the_unit(table, factor):
    two = table[:, :2]
    before = method_error(ratings_of(two, scale="ratio"))
    after = method_error(ratings_of(factor * two, scale="ratio"))
    assert after.error.estimate == pytest.approx(factor * before.error.estimate, rel=1e-9)
    # Mean squared difference = variance + bias squared.
    n = len(two)
    parts = (n - 1) / n * before.limits.sd**2 + before.limits.bias.estimate**2
    assert 2.0 * before.error.estimate**2 == pytest.approx(parts, rel=1e-6, abs=1e-12)


@given(arrays(np.float64, st.integers(3, 12), elements=categories), st.integers(2, 4))
def test_perfect_agreement_is_one_and_claims_no_width(column, raters):
    assume(np.ptp(column) > 0.0)
    table = np.repeat(column[:, None], raters, axis=1)
    found = [
        fleiss_kappa(ordinal(table)),
        gwet_ac(ordinal(table)),
        gwet_ac(ordinal(table), weights="linear"),
        krippendorff_alpha(ratings_of(table, scale="ratio"), choice=FEW),
        intraclass_correlation(ratings_of(table, scale="interval"), form="ICC(1,1)"),
        intraclass_correlation(ratings_of(table, scale="interval"), form="ICC(2,k)"),
    ]
    found += [
        cohen_kappa(ordinal(table[:, :2]), weights=w) for w in ("unweighted", "linear", "quadratic")
    ]
    for result in found:
        assert result.estimate == pytest.approx(1.0, abs=1e-12), result.statistic
        assert result.interval is None
        assert "interval-without-width" in [c.code for c in result.cautions]


def test_chance_alone_is_near_zero():
    """2000 units rated at random: a standard error is about 0.01 to 0.02; five of them."""
    rng = np.random.default_rng(11)
    table = rng.integers(1, 5, size=(2000, 3)).astype(float)
    ratings = ordinal(table)
    for value in (
        fleiss_kappa(ratings).estimate,
        gwet_ac(ratings).estimate,
        krippendorff_alpha(ratings, choice=FEW).estimate,
        cohen_kappa(ratings.of_raters("rater 1", "rater 2"), weights="quadratic").estimate,
        intraclass_correlation(ratings_of(table, scale="interval")).estimate,
    ):
        assert abs(value) < 0.1


@given(tables)
@settings(max_examples=40)
def test_no_statistic_is_ever_nan_and_intervals_hold_the_estimate(table):
    table = one_or_more(table)
    for ask in (
        lambda: fleiss_kappa(ordinal(table)),
        lambda: gwet_ac(ordinal(table)),
        lambda: krippendorff_alpha(ordinal(table), choice=FEW),
        lambda: cohen_kappa(ordinal(table[:, :2])),
        lambda: intraclass_correlation(ratings_of(table, scale="interval")),
    ):
        try:
            found = ask()
        except AgreementError:
            continue
        assert np.isfinite(found.estimate)
        if found.interval is not None:
            assert not np.isnan([found.interval.low, found.interval.high]).any()
            assert found.interval.low < found.interval.high
