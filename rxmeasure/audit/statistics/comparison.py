"""Two shares: of audit and re-audit, or of the same units judged twice.

References
----------
Newcombe 1998, doi:10.1002/(SICI)1097-0258(19980430)17:8<873::AID-SIM779>3.0.CO;2-I
(method 10); that any intervals of the two shares may be put in: Zou and Donner 2008,
doi:10.1002/sim.3095. Units judged twice: mean of the differences with the linearised
variance over clusters, Korn and Graubard 1998, Survey Methodology 24:193 (all from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from rxmeasure.agreement.results import Interval
from rxmeasure.audit.statistics.proportions import (
    Clusters,
    Flags,
    Proportion,
    few_clusters,
    sandwich_variance,
    sums_by_cluster,
)
from rxmeasure.errors import AgreementError
from rxmeasure.values import Warned

#: Narrower than this is rounding, not spread.
_NO_WIDTH = 1e-12


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


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedDifference:
    """The same units judged twice.

    Attributes
    ----------
    total, first_met, second_met : int
    gained : int
        Units that met the second criterion and not the first.
    lost : int
        Units that met the first and not the second.
    interval : Interval or None
        Of the second share less the first, over patients; None where no unit changed or the
        change is the same in every patient, for then nothing tells how far it could differ, or
        where all are of one patient.
    cautions : tuple of Warned
    """

    total: int
    first_met: int
    second_met: int
    gained: int
    lost: int
    interval: Interval | None
    cautions: tuple[Warned, ...] = ()

    @property
    def difference(self) -> float:
        """Second share less first."""
        return (self.second_met - self.first_met) / self.total


def paired_difference(
    first: Flags, second: Flags, clusters: Clusters, *, level: float = 0.95
) -> PairedDifference:
    """How far a second judgement of the same units moves the share.

    Parameters
    ----------
    first, second : sequence of bool
        For each unit.
    clusters : sequence of str, or array of int
        For each unit the highest level it lies in.

    Raises
    ------
    AgreementError
        No units.
    """
    before, after = np.asarray(first, dtype=np.int8), np.asarray(second, dtype=np.int8)
    changes = after - before
    by_cluster = sums_by_cluster(changes, clusters)
    interval: Interval | None = None
    cautions: tuple[Warned, ...] = ()
    if changes.any() and len(by_cluster) > 1:
        interval = _mean_interval(by_cluster, level)
        cautions = few_clusters(len(by_cluster)) if interval is not None else ()
    return PairedDifference(
        total=len(changes),
        first_met=int(np.count_nonzero(before)),
        second_met=int(np.count_nonzero(after)),
        gained=int(np.count_nonzero(changes == 1)),
        lost=int(np.count_nonzero(changes == -1)),
        interval=interval,
        cautions=cautions,
    )


def _mean_interval(by_cluster: NDArray[np.float64], level: float) -> Interval | None:
    mean = float(by_cluster[:, 0].sum() / by_cluster[:, 1].sum())
    t = float(stats.t.ppf(0.5 + level / 2.0, len(by_cluster) - 1))
    half = t * math.sqrt(sandwich_variance(by_cluster))
    if half < _NO_WIDTH:
        return None
    return Interval(
        low=max(-1.0, mean - half),
        high=min(1.0, mean + half),
        level=level,
        method="mean of paired differences with Student's t, sandwich variance over clusters "
        "(Korn and Graubard 1998)",
    )
