"""Published and worked values. The mark says where each comes from.

calc: worked out with other software; memory: recalled from the named text; read: seen there.
"""

from __future__ import annotations

import numpy as np
import pytest

from rxmeasure.agreement.alpha import krippendorff_alpha
from rxmeasure.agreement.bland_altman import limits_of_agreement
from rxmeasure.agreement.dahlberg import CHANGE_FACTOR, method_error
from rxmeasure.agreement.gwet import gwet_ac
from rxmeasure.agreement.icc import IccForm, intraclass_correlation
from rxmeasure.agreement.kappa import cohen_kappa, fleiss_kappa, ratings_from_table
from rxmeasure.agreement.prevalence import two_by_two
from rxmeasure.agreement.ratings import Ratings, ratings_of

NAN = float("nan")

#: Four digits: half a unit of the last one.
FOUR = 5.1e-5

# 4 x 4 table of pathologists (memory: Agresti).
PATHOLOGY = [[22, 2, 2, 0], [5, 7, 14, 0], [0, 2, 36, 0], [0, 1, 17, 10]]
# A pair on a five-point scale, invented (calc).
FIVE_POINT = [
    [20, 4, 1, 0, 0], [3, 12, 4, 1, 0], [0, 3, 10, 4, 1], [0, 1, 3, 14, 2], [0, 0, 1, 3, 13],
]  # fmt: skip


@pytest.mark.parametrize(
    ("table", "weights", "expected"),
    [
        ([[20, 5], [10, 15]], "unweighted", 0.400),  # calc
        ([[40, 9], [6, 45]], "unweighted", 0.6995),  # memory: Feinstein and Cicchetti 1990
        ([[80, 10], [5, 5]], "unweighted", 0.3182),  # the same
        (PATHOLOGY, "unweighted", 0.4930),
        (PATHOLOGY, "linear", 0.6488),
        (PATHOLOGY, "quadratic", 0.7838),
        (FIVE_POINT, "unweighted", 0.6111),
        (FIVE_POINT, "linear", 0.7753),
        (FIVE_POINT, "quadratic", 0.8856),
        ([[39, 6], [4, 51]], "unweighted", 0.7972),  # the same pair cut at 3 (calc)
        # read: overview of the irrCAC package, three diagnoses by two abstractors.
        ([[13, 0, 0], [0, 20, 7], [0, 4, 56]], "unweighted", 0.7964),
    ],
)
def test_cohen_kappa(table, weights, expected):
    found = cohen_kappa(ratings_from_table(table), weights=weights)
    assert found.estimate == pytest.approx(expected, abs=FOUR)
    assert found.n_units == np.sum(table)


@pytest.mark.parametrize(
    ("table", "expected"),
    [([[20, 5], [10, 15]], 0.70), ([[40, 9], [6, 45]], 0.85), ([[80, 10], [5, 5]], 0.85),
     (FIVE_POINT, 0.69), ([[39, 6], [4, 51]], 0.90)],
)  # fmt: skip
def test_observed_agreement(table, expected):
    # calc
    found = cohen_kappa(ratings_from_table(table))
    assert found.observed == pytest.approx(expected, abs=1e-12)


def test_prevalence_is_told_where_kappa_is_low_and_agreement_high():
    balanced = cohen_kappa(ratings_from_table([[40, 9], [6, 45]]))
    prevalent = cohen_kappa(ratings_from_table([[80, 10], [5, 5]]))
    assert [c.code for c in balanced.cautions] == []
    assert [c.code for c in prevalent.cautions] == ["prevalence"]
    # calc: |80 - 5| / 100, |10 - 5| / 100, 2 * 0.85 - 1.
    indices = two_by_two(np.array([[80.0, 10.0], [5.0, 5.0]]))
    assert (indices.prevalence_index, indices.bias_index, indices.pabak) == pytest.approx(
        (0.75, 0.05, 0.70)
    )
    # calc: chance of AC1 is 2 * 0.875 * 0.125 = 0.21875; (0.85 - 0.21875) / 0.78125.
    ac = gwet_ac(ratings_from_table([[80, 10], [5, 5]]))
    assert ac.estimate == pytest.approx(0.8080, abs=FOUR)


def from_counts(rows: list[list[int]]) -> Ratings:
    return ratings_of(
        [[k for k, count in enumerate(row) for _ in range(count)] for row in rows], scale="nominal"
    )


def test_fleiss_kappa():
    # calc; ten subjects, fourteen raters, five classes.
    counts = [
        [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
    ]  # fmt: skip
    assert fleiss_kappa(from_counts(counts)).estimate == pytest.approx(0.2099, abs=FOUR)


SHROUT_FLEISS = [
    [9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7],
]  # fmt: skip


@pytest.mark.parametrize(
    ("form", "expected", "low", "high"),
    [
        # Estimates: Shrout and Fleiss 1979 (calc, data from memory). Intervals: the manual
        # of the psych package on the same data (memory, three or two digits).
        (IccForm.ONE_SINGLE, 0.1657, -0.133, 0.72),
        (IccForm.TWO_SINGLE, 0.2898, 0.019, 0.76),
        (IccForm.THREE_SINGLE, 0.7148, 0.342, 0.95),
        (IccForm.ONE_MEAN, 0.4428, -0.884, 0.91),
        (IccForm.TWO_MEAN, 0.6201, 0.071, 0.93),
        (IccForm.THREE_MEAN, 0.9093, 0.676, 0.99),
    ],
)
def test_intraclass_correlation(form, expected, low, high):
    found = intraclass_correlation(ratings_of(SHROUT_FLEISS, scale="interval"), form=form)
    assert found.estimate == pytest.approx(expected, abs=FOUR)
    assert found.interval.low == pytest.approx(low, abs=6e-4)
    assert found.interval.high == pytest.approx(high, abs=6e-3)


# read: example of the krippendorff package, citing Krippendorff 2019, p. 290.
FOUR_CODERS = np.array(
    [
        [1, 2, 3, 3, 2, 1, 4, 1, 2, NAN, NAN],
        [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, NAN],
        [NAN, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1],
        [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1],
    ]
).T


@pytest.mark.parametrize(
    ("scale", "expected"),
    [("nominal", 0.7434), ("ordinal", 0.8154), ("interval", 0.8491), ("ratio", 0.7974)],
)
def test_krippendorff_alpha(scale, expected):
    found = krippendorff_alpha(ratings_of(FOUR_CODERS, scale=scale))
    assert found.estimate == pytest.approx(expected, abs=FOUR)


@pytest.mark.parametrize(
    ("statistic", "weights", "expected", "low"),
    [
        # calc: irrCAC 0.4.4 on the four coders with a twelfth unit that one coder rated.
        (gwet_ac, "unweighted", 0.775444, 0.460813),
        (gwet_ac, "linear", 0.858739, 0.600500),
        (gwet_ac, "quadratic", 0.914001, 0.685181),
        (fleiss_kappa, "unweighted", 0.761169, 0.424376),
        (fleiss_kappa, "linear", 0.817945, 0.491089),
        (fleiss_kappa, "quadratic", 0.864935, 0.543517),
    ],
)
def test_several_raters_with_missing_ratings(statistic, weights, expected, low):
    table = np.vstack([FOUR_CODERS, [NAN, 3, NAN, NAN]])
    found = statistic(ratings_of(table, scale="ordinal"), weights=weights)
    assert found.estimate == pytest.approx(expected, abs=1e-6)
    assert (found.n_units, found.n_left_out) == (11, 1)
    assert found.interval.low == pytest.approx(low, abs=1e-6)
    assert found.interval.high == 1.0


LUNG_METERS = np.array(
    [
        [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
        [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
    ]
).T


def test_limits_of_agreement():
    # memory: Bland and Altman, Lancet 1986; peak flow by two meters, 17 subjects.
    meters = ratings_of(LUNG_METERS, scale="ratio")
    found = limits_of_agreement(meters)
    assert found.bias.estimate == pytest.approx(-2.118, abs=5e-4)
    assert found.sd == pytest.approx(38.765, abs=5e-4)
    assert found.lower.estimate == pytest.approx(-78.10, abs=5e-3)
    assert found.upper.estimate == pytest.approx(73.86, abs=5e-3)
    two = limits_of_agreement(meters, multiple=2.0)
    assert two.lower.estimate == pytest.approx(-79.65, abs=5e-3)
    assert two.upper.estimate == pytest.approx(75.41, abs=5e-3)
    # memory: the paper's interval of the bias is -22.0 to 17.8.
    assert found.bias.interval.low == pytest.approx(-22.0, abs=0.06)
    assert found.bias.interval.high == pytest.approx(17.8, abs=0.06)
    # calc: -78.0959 -+ 2.119905 * 38.76513 * sqrt(1/17 + 1.959964^2 / 32) = 34.7557.
    assert found.lower.interval.low == pytest.approx(-112.852, abs=5e-3)
    assert found.lower.interval.high == pytest.approx(-43.340, abs=5e-3)


DOUBLE_READINGS_MM = np.array(
    [[1.2, 0.8, 1.5, 0.4, 2.1, 1.0, 0.6, 1.9], [1.0, 0.9, 1.3, 0.5, 2.4, 1.0, 0.4, 1.8]]
).T


def test_dahlberg():
    # calc: sum of squares 0.24, sqrt(0.24 / 16).
    found = method_error(ratings_of(DOUBLE_READINGS_MM, scale="ratio"), unit="mm")
    assert found.error.estimate == pytest.approx(0.1225, abs=FOUR)
    assert found.least_change.estimate == pytest.approx(0.3395, abs=FOUR)
    assert pytest.approx(2.77, abs=5e-3) == CHANGE_FACTOR
    assert found.limits.bias.estimate == pytest.approx(0.025, abs=1e-12)
    assert found.limits.lower.estimate == pytest.approx(-0.334, abs=5e-4)
    assert found.limits.upper.estimate == pytest.approx(0.384, abs=5e-4)
    # calc: sqrt(0.12 / 17.534546), sqrt(0.12 / 2.179731); chi-squared, 8 degrees of freedom.
    assert found.error.interval.low == pytest.approx(0.0827, abs=FOUR)
    assert found.error.interval.high == pytest.approx(0.2346, abs=FOUR)
    assert found.error.unit == "mm"
