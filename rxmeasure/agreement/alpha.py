"""Krippendorff's alpha: one minus observed over expected disagreement.

References
----------
Krippendorff 2019, Content Analysis, 4th ed., ch. 12 (from memory). The bootstrap
of units as its interval: Zapf et al. 2016, doi:10.1186/s12874-016-0200-9 (from
memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rxmeasure.agreement.ratings import Ratings, Scale, all_one, shared
from rxmeasure.agreement.resampling import DEFAULT, IntervalChoice, interval_of
from rxmeasure.agreement.results import Agreement, finished

ALPHA = "Krippendorff's alpha"

Table = NDArray[np.float64]


def krippendorff_alpha(ratings: Ratings, *, choice: IntervalChoice = DEFAULT) -> Agreement:
    """Alpha with the metric of the ratings' scale; missing ratings are allowed.

    Units with one rating are left out, as in the book. The interval is always
    drawn: units again, or clusters.

    Raises
    ------
    AgreementError
        No unit with two ratings, or all ratings the same.
    """
    used = shared(ratings)
    estimate = _alpha(used)
    interval, cautions = interval_of(used, _alpha, choice)
    return finished(
        Agreement(
            statistic=ALPHA,
            estimate=estimate,
            interval=interval,
            method=f"{used.scale} metric",
            n_units=len(used.units),
            n_raters=len(used.raters),
            n_left_out=len(ratings.units) - len(used.units),
            source="Krippendorff 2019",
            cautions=cautions,
        )
    )


def _alpha(ratings: Ratings) -> float:
    counts = ratings.counts()
    in_unit = counts.sum(axis=1)
    totals = counts.sum(axis=0)
    distance = _squared_distances(ratings, totals)
    observed = float((counts * (counts @ distance)).sum(axis=1) @ (1.0 / (in_unit - 1.0)))
    expected = float(totals @ distance @ totals) / (totals.sum() - 1.0)
    if expected == 0.0:
        raise all_one(ALPHA, ratings)
    return 1.0 - observed / expected


def _squared_distances(ratings: Ratings, totals: Table) -> Table:
    """Squared difference between categories; on an ordinal scale it depends on their use."""
    scores = np.asarray(ratings.categories)
    if ratings.scale is Scale.NOMINAL:
        return (scores[:, None] != scores[None, :]).astype(np.float64)
    if ratings.scale is Scale.ORDINAL:
        middle_rank = np.cumsum(totals) - totals / 2.0
        ordinal: Table = (middle_rank[:, None] - middle_rank[None, :]) ** 2
        return ordinal
    difference = scores[:, None] - scores[None, :]
    if ratings.scale is Scale.RATIO:
        total = scores[:, None] + scores[None, :]
        difference = np.divide(difference, total, out=np.zeros_like(difference), where=total > 0.0)
    squared: Table = difference**2
    return squared
