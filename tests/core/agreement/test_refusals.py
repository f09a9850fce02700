"""What cannot be told is refused in words, never given as NaN."""

from __future__ import annotations

import numpy as np
import pytest

from rxmeasure.agreement.alpha import MOST_RATIO_VALUES, krippendorff_alpha
from rxmeasure.agreement.bland_altman import limits_of_agreement
from rxmeasure.agreement.dahlberg import method_error
from rxmeasure.agreement.gwet import gwet_ac
from rxmeasure.agreement.icc import intraclass_correlation
from rxmeasure.agreement.kappa import cohen_kappa, fleiss_kappa, ratings_from_table
from rxmeasure.agreement.ratings import ratings_of
from rxmeasure.agreement.resampling import IntervalChoice
from rxmeasure.agreement.words import WORD_SCALES
from rxmeasure.errors import AgreementError

NAN = float("nan")
CONSTANT = [[2, 2], [2, 2], [2, 2]]
NO_OVERLAP = [[1, NAN], [2, NAN], [NAN, 1], [NAN, 2]]
ONE_RATER = [[1], [2], [3]]
ALL = [cohen_kappa, fleiss_kappa, gwet_ac, krippendorff_alpha]


@pytest.mark.parametrize("statistic", [cohen_kappa, fleiss_kappa, krippendorff_alpha])
def test_ratings_that_do_not_differ(statistic):
    with pytest.raises(AgreementError, match="are the same"):
        statistic(ratings_of(CONSTANT, scale="ordinal", categories=(1, 2, 3)))


def test_ac_of_constant_ratings_needs_the_other_categories():
    """All in one of three categories agree beyond chance; on a scale of one there is no chance."""
    named = gwet_ac(ratings_of(CONSTANT, scale="ordinal", categories=(1, 2, 3)))
    assert named.estimate == 1.0
    assert named.interval is None
    with pytest.raises(AgreementError, match="one category"):
        gwet_ac(ratings_of(CONSTANT, scale="ordinal"))


@pytest.mark.parametrize("statistic", ALL)
@pytest.mark.parametrize("table", [NO_OVERLAP, ONE_RATER, [[1, 2]]])
def test_too_little_to_compare(statistic, table):
    with pytest.raises(AgreementError):
        statistic(ratings_of(table, scale="ordinal", categories=(1, 2, 3)))


@pytest.mark.parametrize("statistic", [intraclass_correlation, limits_of_agreement, method_error])
@pytest.mark.parametrize("table", [NO_OVERLAP, ONE_RATER, [[1, 2]]])
def test_too_little_to_compare_of_numbers(statistic, table):
    with pytest.raises(AgreementError):
        statistic(ratings_of(table, scale="ratio"))


@pytest.mark.parametrize("statistic", [intraclass_correlation, limits_of_agreement, method_error])
def test_categories_are_not_numbers(statistic):
    with pytest.raises(AgreementError, match="ordinal scale"):
        statistic(ratings_of([[1, 2], [2, 2], [3, 1]], scale="ordinal"))


@pytest.mark.parametrize("form", ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)"])
def test_constant_numbers_have_no_intraclass_correlation(form):
    with pytest.raises(AgreementError, match="do not differ"):
        intraclass_correlation(ratings_of([[0.1, 0.1]] * 3, scale="interval"), form=form)


def test_weights_need_an_order():
    pair = ratings_of([[1, 2], [2, 2]], scale="nominal")
    with pytest.raises(AgreementError, match="nominal"):
        cohen_kappa(pair, weights="linear")


@pytest.mark.parametrize(
    ("values", "more"),
    [
        ([[1, 9]], {"scale": "ordinal", "categories": (1, 2)}),
        ([[1, -1]], {"scale": "ratio"}),
        ([[1, float("inf")]], {"scale": "interval"}),
        ([[NAN, NAN]], {"scale": "interval"}),
        ([], {"scale": "interval"}),
        ([[1, 2]], {"scale": "interval", "raters": ("a", "a")}),
        ([[1, 2]], {"scale": "interval", "clusters": ("a", "b")}),
    ],
)
def test_tables_that_are_wrong(values, more):
    with pytest.raises(AgreementError):
        ratings_of(values, **more)


@pytest.mark.parametrize("table", [[[1, 2]], [[1, -2], [0, 1]], [[0.5, 1], [1, 1]]])
def test_cross_tables_that_are_wrong(table):
    with pytest.raises(AgreementError):
        ratings_from_table(table)


def test_ratio_alpha_of_too_many_values():
    many = np.arange(2 * MOST_RATIO_VALUES, dtype=float).reshape(-1, 2)
    with pytest.raises(AgreementError, match="Round"):
        krippendorff_alpha(ratings_of(many, scale="ratio"))


@pytest.mark.parametrize("more", [{"level": 1.0}, {"level": 0.0}, {"draws": 10}])
def test_intervals_that_are_none(more):
    with pytest.raises(AgreementError):
        IntervalChoice(**more)


def test_draws_that_say_nothing_are_counted():
    """One unit in fifty differs: 36 % of draws miss it, and kappa is then not defined."""
    table = [[1, 1]] * 49 + [[1, 2]]
    ratings = ratings_of(table, scale="nominal")
    found = cohen_kappa(ratings, choice=IntervalChoice(bootstrap=True, draws=400))
    undefined = next(c for c in found.cautions if c.code == "undefined-draws")
    # calc: 0.98 ** 50 = 0.364 of 400 draws, 146 with a standard deviation of 10.
    number = int(undefined.text.split()[1])
    assert 106 <= number <= 186


def test_an_estimate_stays_where_its_interval_cannot_be_drawn():
    ratings = ratings_of([[1, 1], [2, 2], [2, 1]], scale="nominal", clusters=["p1"] * 3)
    for found in (krippendorff_alpha(ratings), cohen_kappa(ratings)):
        assert found.interval is None
        assert [c.code for c in found.cautions] == ["no-interval"]
    lengths = ratings_of([[20.1, 20.4], [18.0, 17.8]], scale="ratio", clusters=["p1"] * 2)
    assert method_error(lengths).error.interval is None


def test_an_intraclass_correlation_without_degrees_of_freedom_has_no_interval():
    ratings = ratings_of([[1, 2, 2], [1, 1, 3]], scale="interval")
    found = intraclass_correlation(ratings)
    assert found.interval is None
    assert [c.code for c in found.cautions] == ["no-interval", "negative-icc"]


def test_clusters_widen_the_interval():
    """Twelve films copied four times each know no more than twelve films."""
    rng = np.random.default_rng(3)
    few = rng.integers(1, 4, size=(12, 2)).astype(float)
    copied = np.repeat(few, 4, axis=0)
    names = [f"patient {k // 4}" for k in range(48)]
    choice = IntervalChoice(bootstrap=True, draws=1000)

    def width(ratings) -> float:
        interval = fleiss_kappa(ratings, choice=choice).interval
        return interval.high - interval.low

    clustered = width(ratings_of(copied, scale="nominal", clusters=names))
    taken_as_independent = width(ratings_of(copied, scale="nominal"))
    alone = width(ratings_of(few, scale="nominal"))
    # calc: four copies as independent units halve the width.
    assert clustered == pytest.approx(alone, rel=0.1)
    assert taken_as_independent == pytest.approx(alone / 2.0, rel=0.2)


def test_same_seed_same_interval():
    table = np.random.default_rng(1).integers(1, 5, size=(40, 3))
    ratings = ratings_of(table, scale="ordinal")

    def drawn(seed: int):
        return krippendorff_alpha(ratings, choice=IntervalChoice(seed=seed, draws=200)).interval

    assert drawn(4) == drawn(4)
    assert (drawn(4).low, drawn(4).high) != (drawn(5).low, drawn(5).high)


@pytest.mark.parametrize(
    ("scale", "statistic", "value", "word"),
    [
        # Limits: Landis and Koch, Cicchetti, Koo and Li, Krippendorff (memory).
        ("landis-koch", "Cohen's kappa", 0.61, "substantial"),
        ("landis-koch", "Fleiss' kappa", -0.01, "poor"),
        ("landis-koch", "ICC(2,1)", 0.9, None),
        ("cicchetti", "ICC(2,1)", 0.75, "excellent"),
        ("koo-li", "ICC(3,k)", 0.75, "good"),
        ("krippendorff", "Krippendorff's alpha", 0.7999, "for tentative conclusions"),
        ("krippendorff", "Gwet's AC1", 0.9, None),
    ],
)
def test_words_only_for_what_their_author_speaks_of(scale, statistic, value, word):
    assert WORD_SCALES[scale].word(statistic, value) == word
    assert "memory" in WORD_SCALES[scale].source


def test_few_units_are_told():
    few, many = [[1, 1], [2, 2], [2, 1]], [[1, 1], [2, 2], [2, 1]] * 20
    codes = [
        [c.code for c in cohen_kappa(ratings_of(table, scale="nominal")).cautions]
        for table in (few, many)
    ]
    assert codes == [["few-units"], []]


def test_units_and_raters_without_spread_have_an_icc_but_no_interval():
    found = intraclass_correlation(ratings_of([[3, 1, 2], [1, 3, 2]], scale="interval"))
    assert found.estimate < 0.0
    assert found.interval is None
    assert "no-interval" in [c.code for c in found.cautions]
