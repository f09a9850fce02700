"""Audit and re-audit: the difference of two shares.

References
----------
Newcombe 1998, doi:10.1002/(SICI)1097-0258(19980430)17:8<873::AID-SIM779>3.0.CO;2-I
(method 10); that any intervals of the two shares may be put in: Zou and Donner 2008,
doi:10.1002/sim.3095 (both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rxmeasure.agreement.results import Interval
from rxmeasure.audit.statistics.proportions import Proportion
from rxmeasure.errors import AgreementError
from rxmeasure.values import Warned


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Second share less first; positive is a rise.

    ``rules_out_none`` says whether the interval leaves zero out.
    """

    first: Proportion
    second: Proportion
    difference: float
    interval: Interval
    cautions: tuple[Warned, ...]

    @property
    def rules_out_none(self) -> bool:
        """Whether "no change" lies outside the interval."""
        return not self.interval.low <= 0.0 <= self.interval.high


def difference(first: Proportion, second: Proportion) -> Difference:
    """Compare two shares of different patients, each with its own interval.

    Patients seen in both audits make the interval too wide, not too narrow,
    where their results go together.

    Raises
    ------
    AgreementError
        The two intervals have different levels.
    """
    a, b = first.interval, second.interval
    if a.level != b.level:
        raise AgreementError(
            found=f"intervals of {a.level:g} and {b.level:g}.",
            needed="one level.",
            next_step="Reckon both shares at the same level.",
        )
    change = second.share - first.share
    return Difference(
        first=first,
        second=second,
        difference=change,
        interval=Interval(
            low=change - math.hypot(second.share - b.low, a.high - first.share),
            high=change + math.hypot(b.high - second.share, first.share - a.low),
            level=a.level,
            method="hybrid of both intervals (Newcombe 1998; Zou and Donner 2008)",
        ),
        cautions=tuple(dict.fromkeys(first.cautions + second.cautions)),
    )
