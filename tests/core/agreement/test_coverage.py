"""Intervals hold the truth about as often as they say, where the truth is known by construction.

500 samples: a share of 0.95 has a standard deviation of 0.010.
"""

from __future__ import annotations

import numpy as np
import pytest

from rxmeasure.agreement.dahlberg import method_error
from rxmeasure.agreement.gwet import gwet_ac
from rxmeasure.agreement.icc import intraclass_correlation
from rxmeasure.agreement.kappa import cohen_kappa, fleiss_kappa
from rxmeasure.agreement.ratings import Ratings, ratings_of
from rxmeasure.agreement.weights import Weights, weight_table

SAMPLES = 500
SHARES = np.array([0.4, 0.3, 0.2, 0.1])
GUESSED = 0.25


def guesses(rng: np.random.Generator, units: int) -> Ratings:
    """Three raters who see the category, but guess evenly in a quarter of cases."""
    truth = rng.choice(4, size=units, p=SHARES) + 1
    guessed = rng.random((units, 3)) < GUESSED
    table = np.where(guessed, rng.integers(1, 5, size=(units, 3)), truth[:, None])
    return ratings_of(table, scale="ordinal", categories=range(1, 5))


def true_agreement(weights: Weights) -> tuple[float, float, float]:
    """Kappa and AC in the limit of many units, and the observed agreement."""
    seen = (1.0 - GUESSED) * np.eye(4) + GUESSED / 4.0
    both = seen.T @ np.diag(SHARES) @ seen
    margin = both.sum(axis=0)
    table = weight_table((1, 2, 3, 4), weights)
    observed = float((table * both).sum())
    by_kappa = float(margin @ table @ margin)
    by_ac = float(table.sum() / 12.0 * (margin * (1.0 - margin)).sum())
    return (observed - by_kappa) / (1 - by_kappa), (observed - by_ac) / (1 - by_ac), observed


def coverage(rng: np.random.Generator, sample, truth: float) -> float:
    held = 0
    for _ in range(SAMPLES):
        interval = sample(rng).interval
        held += interval.low <= truth <= interval.high
    return held / SAMPLES


@pytest.mark.parametrize("weights", list(Weights))
def test_kappa_and_ac(weights):
    kappa, ac, _ = true_agreement(weights)
    rng = np.random.default_rng(100)
    for statistic, truth in ((fleiss_kappa, kappa), (gwet_ac, ac)):
        share = coverage(rng, lambda r, ask=statistic: ask(guesses(r, 100), weights=weights), truth)
        assert 0.92 <= share <= 0.98, statistic
    share = coverage(
        rng,
        lambda r: cohen_kappa(guesses(r, 100).of_raters("rater 1", "rater 2"), weights=weights),
        kappa,
    )
    assert 0.92 <= share <= 0.98


@pytest.mark.parametrize(("form", "truth"), [("ICC(2,1)", 1 / 1.41), ("ICC(3,1)", 1 / 1.25)])
def test_intraclass_correlation(form, truth):
    """Variances: units 1, raters 0.16, residual 0.25."""

    def sample(rng: np.random.Generator):
        units, raters = rng.normal(size=(30, 1)), 0.4 * rng.normal(size=(1, 4))
        table = units + raters + 0.5 * rng.normal(size=(30, 4))
        return intraclass_correlation(ratings_of(table, scale="interval"), form=form)

    assert 0.92 <= coverage(np.random.default_rng(101), sample, truth) <= 0.98


def test_method_error():
    def sample(rng: np.random.Generator):
        readings = rng.normal(20.0, 2.0, size=(15, 1)) + 0.3 * rng.normal(size=(15, 2))
        return method_error(ratings_of(readings, scale="ratio"), unit="mm").error

    assert 0.92 <= coverage(np.random.default_rng(102), sample, 0.3) <= 0.98
