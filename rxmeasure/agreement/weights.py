"""How much two different ratings still agree."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from rxmeasure.agreement.ratings import Ratings, Scale
from rxmeasure.errors import AgreementError


class Weights(StrEnum):
    """Full agreement only, or the distance between scores counts."""

    UNWEIGHTED = "unweighted"
    LINEAR = "linear"
    QUADRATIC = "quadratic"


def weight_table(scores: Sequence[float], weights: Weights) -> NDArray[np.float64]:
    """Agreement weights between scores: 1 on the diagonal, 0 between the ends of the scale.

    ``1 - (|a - b| / range) ** p`` with p = 1 or 2. Scores 1, 2, 3 ... give the
    usual weights; a score left out of the scale keeps its distance.

    References
    ----------
    Cohen 1968, doi:10.1037/h0026256; quadratic weights: Fleiss and Cohen 1973,
    doi:10.1177/001316447303300309 (both from memory).
    """
    points = np.asarray(scores, dtype=np.float64)
    distance = np.abs(points[:, None] - points[None, :])
    if weights is Weights.UNWEIGHTED or len(points) < 2:
        same: NDArray[np.float64] = (distance == 0.0).astype(np.float64)
        return same
    share = distance / distance.max()
    agreement: NDArray[np.float64] = 1.0 - (share if weights is Weights.LINEAR else share**2)
    return agreement


def weights_for(ratings: Ratings, weights: Weights | str) -> NDArray[np.float64]:
    """Weights between the categories of the ratings.

    Raises
    ------
    AgreementError
        Weights by distance on a nominal scale, which has none.
    """
    kind = Weights(weights)
    if kind is not Weights.UNWEIGHTED and ratings.scale is Scale.NOMINAL:
        raise AgreementError(
            found=f"{kind} weights on a nominal scale.",
            needed="no weights: names have no distance.",
            next_step="Take unweighted, or state that the scale is ordinal.",
        )
    return weight_table(ratings.categories, kind)
