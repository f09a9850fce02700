"""Krippendorff's alpha: one minus observed over expected disagreement.

References
----------
Krippendorff 2019, Content Analysis, 4th ed., ch. 12 (from memory). The bootstrap
of units as its interval: Zapf et al. 2016, doi:10.1186/s12874-016-0200-9 (from
memory).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rxmeasure.agreement.ratings import Ratings, Scale, all_one, shared
from rxmeasure.agreement.resampling import DEFAULT, IntervalChoice, interval_of
from rxmeasure.agreement.results import Agreement, finished
from rxmeasure.errors import AgreementError

ALPHA = "Krippendorff's alpha"

#: Alpha of a ratio scale compares each rating with each; more would take minutes (choice).
MOST_RATIO_VALUES = 1000

Table = NDArray[np.float64]


def krippendorff_alpha(ratings: Ratings, *, choice: IntervalChoice = DEFAULT) -> Agreement:
    """Alpha with the metric of the ratings' scale; missing ratings are allowed.

    Units with one rating are left out, as in the book. The interval is always
    drawn: units again, or clusters.

    Raises
    ------
    AgreementError
        Fewer than two units with two ratings, all ratings the same, or too many
        values of a ratio scale.
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
    in_units, overall = _disagreement(ratings)
    per_unit = np.isfinite(ratings.values).sum(axis=1)
    observed = float(np.sum(in_units / (per_unit - 1.0)))
    expected = overall / (float(per_unit.sum()) - 1.0)
    if expected <= 0.0:
        raise all_one(ALPHA, ratings)
    return 1.0 - observed / expected


def _disagreement(ratings: Ratings) -> tuple[Table, float]:
    """Squared differences summed over ordered pairs: in each unit, and over all ratings."""
    if ratings.scale is Scale.NOMINAL:
        counts = ratings.counts()
        return _unlike(counts), float(_unlike(counts.sum(axis=0)[None, :])[0])
    if ratings.scale is Scale.RATIO:
        return _ratio_disagreement(ratings)
    scores = _middle_ranks(ratings) if ratings.scale is Scale.ORDINAL else ratings.values
    centred = scores - np.nanmean(scores)
    return _squares(centred), float(_squares(centred.reshape(1, -1))[0])


def _unlike(counts: Table) -> Table:
    unlike: Table = counts.sum(axis=1) ** 2 - (counts**2).sum(axis=1)
    return unlike


def _squares(scores: Table) -> Table:
    number = np.isfinite(scores).sum(axis=1)
    squares: Table = 2.0 * (number * np.nansum(scores**2, axis=1) - np.nansum(scores, axis=1) ** 2)
    return squares


def _middle_ranks(ratings: Ratings) -> Table:
    """Each score as the middle of its ranks: their differences are the ordinal metric."""
    totals = _totals(ratings)
    ranks = (np.cumsum(totals) - totals / 2.0)[_places(ratings)]
    return np.where(np.isfinite(ratings.values), ranks, np.nan)


def _ratio_disagreement(ratings: Ratings) -> tuple[Table, float]:
    if len(ratings.categories) > MOST_RATIO_VALUES:
        raise AgreementError(
            found=f"{len(ratings.categories)} different ratings on a ratio scale.",
            needed=f"at most {MOST_RATIO_VALUES}, as alpha compares each with each.",
            next_step="Round the readings to what they can tell, or use the interval scale.",
        )
    x = ratings.values
    in_units = np.nansum(_relative_squares(x[:, :, None], x[:, None, :]), axis=(1, 2))
    totals = _totals(ratings)
    overall = totals @ _between_categories(ratings.categories) @ totals
    return in_units, float(overall)


@lru_cache(maxsize=1)
def _between_categories(categories: tuple[float, ...]) -> Table:
    """Kept, as every draw of the same ratings needs it."""
    scores = np.asarray(categories)
    return _relative_squares(scores[:, None], scores[None, :])


def _relative_squares(a: Table, b: Table) -> Table:
    total = a + b
    share: Table = np.divide(a - b, total, out=np.zeros_like(total), where=total > 0.0) ** 2
    return share


def _places(ratings: Ratings) -> NDArray[np.intp]:
    last = len(ratings.categories) - 1
    return np.minimum(np.searchsorted(ratings.categories, ratings.values), last)


def _totals(ratings: Ratings) -> Table:
    """How often each category was used."""
    used = _places(ratings)[np.isfinite(ratings.values)]
    return np.bincount(used, minlength=len(ratings.categories)).astype(np.float64)
