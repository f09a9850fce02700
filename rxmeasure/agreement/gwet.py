"""Gwet's AC1 and AC2: agreement beyond chance that stays steady when one category prevails.

References
----------
Gwet 2008, doi:10.1348/000711006X126600; weighted (AC2) and with missing ratings:
Gwet 2014, Handbook of Inter-Rater Reliability, 4th ed. (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rxmeasure.agreement.ratings import Ratings
from rxmeasure.agreement.resampling import DEFAULT, IntervalChoice
from rxmeasure.agreement.results import Agreement
from rxmeasure.agreement.several_raters import (
    Parts,
    category_shares,
    observed_by_unit,
    of_several_raters,
)
from rxmeasure.agreement.weights import Weights, weights_for
from rxmeasure.errors import AgreementError

AC1 = "Gwet's AC1"
AC2 = "Gwet's AC2"

Table = NDArray[np.float64]


def gwet_ac(
    ratings: Ratings,
    *,
    weights: Weights | str = Weights.UNWEIGHTED,
    choice: IntervalChoice = DEFAULT,
) -> Agreement:
    """AC1, or AC2 with weights, of two raters or more; a missing rating is left out.

    A unit with one rating still tells how often each category is used. The
    number of categories matters: name those of the scale that nobody used.

    Raises
    ------
    AgreementError
        Fewer than two units with two ratings, a scale of one category, or weights
        on a nominal scale.
    """
    if len(ratings.categories) < 2:
        raise AgreementError(
            found="a scale with one category.",
            needed="two categories or more.",
            next_step="Name all categories of the scale, those that nobody used included.",
        )
    kind = Weights(weights)
    table = weights_for(ratings, kind)
    return of_several_raters(
        ratings,
        lambda used: _parts(used, table),
        choice,
        statistic=AC1 if kind is Weights.UNWEIGHTED else AC2,
        method=f"{kind}, {len(ratings.categories)} categories",
        source="Gwet 2008, 2014",
    )


def chance_by_ac(counts: Table, weights: Table) -> float:
    """Chance agreement of AC1 and AC2; 0 for one category alone."""
    number = len(weights)
    if number < 2:
        return 0.0
    shares = category_shares(counts)
    return float(weights.sum() * (shares * (1.0 - shares)).sum() / (number * (number - 1)))


def _parts(ratings: Ratings, weights: Table) -> Parts:
    counts = ratings.counts()
    number = len(weights)
    unlike = 1.0 - category_shares(counts)
    by_unit, twice = observed_by_unit(counts, weights)
    return Parts(
        observed=float(by_unit[twice].mean()),
        chance=chance_by_ac(counts, weights),
        observed_by_unit=by_unit,
        chance_by_unit=weights.sum()
        / (number * (number - 1))
        * (counts @ unlike)
        / counts.sum(axis=1),
        rated_twice=twice,
    )
