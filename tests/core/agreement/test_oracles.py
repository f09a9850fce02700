"""The same numbers as other software gives, on random ratings."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from rxmeasure.agreement.alpha import krippendorff_alpha
from rxmeasure.agreement.bland_altman import limits_of_agreement
from rxmeasure.agreement.icc import mean_squares
from rxmeasure.agreement.kappa import cohen_kappa, cross_table, fleiss_kappa
from rxmeasure.agreement.ratings import ratings_of
from rxmeasure.agreement.straight_line import fitted_line

metrics = pytest.importorskip("sklearn.metrics")
inter_rater = pytest.importorskip("statsmodels.stats.inter_rater")
regression = pytest.importorskip("statsmodels.api")
krippendorff = pytest.importorskip("krippendorff")


def random_pair(seed: int, units: int = 60) -> np.ndarray:
    rng = np.random.default_rng(seed)
    first = rng.integers(1, 6, size=units)
    second = np.clip(first + rng.integers(-1, 2, size=units), 1, 5)
    return np.column_stack([first, second]).astype(float)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("weights", "sklearn_name", "statsmodels_name"),
    [
        ("unweighted", None, None),
        ("linear", "linear", "linear"),
        ("quadratic",) * 2 + ("quadratic",),
    ],
)
def test_kappa_and_its_interval(seed, weights, sklearn_name, statsmodels_name):
    pair = random_pair(seed)
    ratings = ratings_of(pair, scale="ordinal", categories=range(1, 6))
    found = cohen_kappa(ratings, weights=weights)
    by_sklearn = metrics.cohen_kappa_score(
        pair[:, 0], pair[:, 1], labels=list(range(1, 6)), weights=sklearn_name
    )
    assert found.estimate == pytest.approx(by_sklearn, abs=1e-12)
    other = inter_rater.cohens_kappa(cross_table(ratings), wt=statsmodels_name)
    assert found.estimate == pytest.approx(other.kappa, abs=1e-12)
    assert found.interval.low == pytest.approx(other.kappa_low, abs=1e-9)
    assert found.interval.high == pytest.approx(min(1.0, other.kappa_upp), abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_fleiss(seed):
    table = np.random.default_rng(seed).integers(0, 4, size=(30, 5)).astype(float)
    ratings = ratings_of(table, scale="nominal", categories=range(4))
    expected = inter_rater.fleiss_kappa(ratings.counts(), method="fleiss")
    assert fleiss_kappa(ratings).estimate == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("scale", ["nominal", "ordinal", "interval", "ratio"])
def test_alpha_with_missing_ratings(seed, scale):
    rng = np.random.default_rng(seed)
    table = rng.integers(0, 6, size=(25, 4)).astype(float)
    table[rng.random(table.shape) < 0.3] = np.nan
    expected = krippendorff.alpha(reliability_data=table.T, level_of_measurement=scale)
    found = krippendorff_alpha(ratings_of(table, scale=scale))
    assert found.estimate == pytest.approx(expected, abs=1e-12)


def test_mean_squares():
    from statsmodels.stats.anova import anova_lm

    pd = pytest.importorskip("pandas")
    table = np.random.default_rng(4).normal(20.0, 1.0, size=(9, 3)) + [0.0, 0.4, -0.2]
    unit, rater = np.indices(table.shape)
    frame = pd.DataFrame({"y": table.ravel(), "unit": unit.ravel(), "rater": rater.ravel()})
    model = regression.OLS.from_formula("y ~ C(unit) + C(rater)", data=frame).fit()
    other = anova_lm(model)["mean_sq"]
    found = mean_squares(ratings_of(table, scale="interval"))
    assert (found.units, found.raters, found.residual) == pytest.approx(tuple(other))


def test_interval_of_the_bias():
    pair = np.random.default_rng(5).normal(size=(12, 2))
    found = limits_of_agreement(ratings_of(pair, scale="interval"), choice=_at_ninety())
    expected = stats.ttest_rel(pair[:, 0], pair[:, 1]).confidence_interval(0.90)
    assert found.bias.interval.low == pytest.approx(expected.low)
    assert found.bias.interval.high == pytest.approx(expected.high)


def _at_ninety():
    from rxmeasure.agreement.resampling import IntervalChoice

    return IntervalChoice(level=0.90)


def test_slope_of_a_weighted_line():
    rng = np.random.default_rng(6)
    x, y, w = rng.normal(size=8), rng.normal(size=8), rng.integers(1, 9, size=8).astype(float)
    other = regression.WLS(y, regression.add_constant(x), weights=w).fit()
    found = fitted_line(x, y, level=0.95, weights=w)
    assert found.slope == pytest.approx(other.params[1])
    assert (found.interval.low, found.interval.high) == pytest.approx(tuple(other.conf_int()[1]))
