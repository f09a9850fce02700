"""The caution that kappa may be low although raters agree.

References
----------
Feinstein and Cicchetti 1990, doi:10.1016/0895-4356(90)90158-L; indices: Byrt,
Bishop and Carlin 1993, doi:10.1016/0895-4356(93)90018-V (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmeasure.values import Warned

#: Observed agreement from here on counts as high (choice).
HIGH_AGREEMENT = 0.8
#: A coefficient that prevalence does not pull down lies farther above kappa than this (choice).
FAR_ABOVE_KAPPA = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoByTwo:
    """What makes kappa of a two-by-two table low.

    ``prevalence_index`` is the difference of the two agreeing cells,
    ``bias_index`` that of the two disagreeing ones, over all units. ``pabak``
    is kappa adjusted for both: twice the observed agreement less one.
    """

    prevalence_index: float
    bias_index: float
    pabak: float


def two_by_two(table: NDArray[np.float64]) -> TwoByTwo:
    """Prevalence index, bias index and adjusted kappa of a table of shape (2, 2)."""
    (a, b), (c, d) = table / table.sum()
    return TwoByTwo(
        prevalence_index=float(abs(a - d)),
        bias_index=float(abs(b - c)),
        pabak=float(2.0 * (a + d) - 1.0),
    )


def prevalence_caution(kappa: float, observed: float, ac: float) -> tuple[Warned, ...]:
    """Tell when kappa is low only because nearly all units fall into one category."""
    if observed < HIGH_AGREEMENT or ac - kappa <= FAR_ABOVE_KAPPA:
        return ()
    return (
        Warned(
            code="prevalence",
            text=f"Kappa is {kappa:.2f} although the raters agree on {observed:.0%}: most ratings "
            "fall into one category, so chance alone would agree often. Read it beside the "
            f"observed agreement and AC ({ac:.2f}).",
        ),
    )
