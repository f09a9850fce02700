"""Shares with their intervals: independent units, or units within patients.

Canals lie in roots, roots in teeth, teeth in patients, and what happens in one
canal tells of the next. Intervals for such data rest on the highest level, the
patient: what lies below it is then taken care of, whatever its pattern.

References
----------
Wilson 1927, doi:10.1080/01621459.1927.10502953. Linearised (sandwich) variance of a
ratio over clusters, and the effective number of units: Korn and Graubard 1998, Survey
Methodology 24:193. Wilson's interval with that number: Franco et al. 2019,
doi:10.1093/jssam/smy019. The highest level is enough: Cameron and Miller 2015,
doi:10.3368/jhr.50.2.317 (all from memory).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from rxmeasure.agreement.resampling import IntervalChoice, draw_again
from rxmeasure.agreement.results import Interval
from rxmeasure.errors import AgreementError
from rxmeasure.values import Warned

_Name = TypeVar("_Name", bound=Hashable)
#: For each unit whether it meets a criterion, and the cluster that it lies in, by name or number.
Flags = Sequence[bool] | NDArray[np.bool_]
Clusters = Sequence[str] | NDArray[np.intp]

#: With fewer clusters a sandwich variance is unsure (choice; texts speak of 20 to 50).
FEWEST_CLUSTERS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Proportion:
    """A share of units that meet a criterion.

    Attributes
    ----------
    met, total : int
    interval : Interval
    n_clusters : int or None
        None where units are taken as independent.
    design_effect : float or None
        How many times larger the variance is than for independent units; None
        where it cannot be told (all met or none, or independent units).
    cautions : tuple of Warned
    """

    met: int
    total: int
    interval: Interval
    n_clusters: int | None = None
    design_effect: float | None = None
    cautions: tuple[Warned, ...] = ()

    @property
    def share(self) -> float:
        """Met over total."""
        return self.met / self.total


def proportion(met: int, total: int, *, level: float = 0.95) -> Proportion:
    """A share of independent units with Wilson's interval.

    Raises
    ------
    AgreementError
        No units, or more met than there are.
    """
    _check(met, total)
    IntervalChoice(level=level)
    z = float(stats.norm.ppf(0.5 + level / 2.0))
    low, high = _wilson(met / total, float(total), z)
    return Proportion(
        met=met,
        total=total,
        interval=Interval(low=low, high=high, level=level, method="Wilson 1927"),
    )


def interval_width(share: float, number: float, *, level: float = 0.95) -> float:
    """Width of Wilson's interval round a share of so many independent units."""
    IntervalChoice(level=level)
    low, high = _wilson(share, number, float(stats.norm.ppf(0.5 + level / 2.0)))
    return high - low


def clustered_proportion(met: Flags, clusters: Clusters, *, level: float = 0.95) -> Proportion:
    """A share of units in clusters (patients), by the sandwich variance.

    Wilson's interval with the effective number of units and Student's t. Where
    all units or none meet the criterion, their spread tells nothing: each
    cluster then counts as one unit, which is the widest interval.

    Parameters
    ----------
    met : sequence of bool
        For each unit.
    clusters : sequence of str, or array of int
        For each unit the highest level it lies in.

    Raises
    ------
    AgreementError
        No units, or fewer than two clusters.
    """
    by_cluster = sums_by_cluster(met, clusters)
    check_clusters(by_cluster)
    IntervalChoice(level=level)
    total = float(by_cluster[:, 1].sum())
    count = len(by_cluster)
    share = float(by_cluster[:, 0].sum()) / total
    effective, design_effect = float(count), None
    if 0.0 < share < 1.0:
        variance = sandwich_variance(by_cluster)
        binomial = share * (1.0 - share) / total
        design_effect = variance / binomial
        # A spread smaller than that of independent units is chance, not knowledge.
        effective = total / max(design_effect, 1.0)
    t = float(stats.t.ppf(0.5 + level / 2.0, count - 1))
    low, high = _wilson(share, effective, t)
    return Proportion(
        met=int(by_cluster[:, 0].sum()),
        total=int(total),
        interval=Interval(
            low=low,
            high=high,
            level=level,
            method="Wilson's interval with effective number and Student's t, sandwich variance "
            "over clusters (Korn and Graubard 1998; Franco et al. 2019)",
        ),
        n_clusters=count,
        design_effect=design_effect,
        cautions=few_clusters(count),
    )


def bootstrapped_proportion(
    met: Sequence[bool], clusters: Sequence[str], *, choice: IntervalChoice
) -> Proportion:
    """The same share with an interval from drawing whole clusters again.

    Without width where all units or none meet the criterion; then refused.

    Raises
    ------
    AgreementError
        No units, fewer than two clusters, or all or none met.
    """
    by_cluster = sums_by_cluster(met, clusters)
    check_clusters(by_cluster)
    met_count, total = int(by_cluster[:, 0].sum()), int(by_cluster[:, 1].sum())
    if met_count in (0, total):
        raise AgreementError(
            found=f"{met_count} of {total} units meet the criterion.",
            needed="some that do and some that do not: else every draw is the same.",
            next_step="Use the interval by the sandwich variance.",
        )

    def share(rows: NDArray[np.intp]) -> tuple[float]:
        drawn = by_cluster[rows].sum(axis=0)
        return (float(drawn[0] / drawn[1]),)

    drawn = draw_again(share, len(by_cluster), [str(k) for k in range(len(by_cluster))], choice)
    return Proportion(
        met=met_count,
        total=total,
        interval=drawn.intervals[0],
        n_clusters=len(by_cluster),
        design_effect=sandwich_variance(by_cluster)
        / (met_count / total * (1.0 - met_count / total) / total),
        cautions=drawn.cautions,
    )


def _wilson(share: float, number: float, z: float) -> tuple[float, float]:
    middle = (share + z**2 / (2.0 * number)) / (1.0 + z**2 / number)
    half = z * math.sqrt(share * (1.0 - share) / number + z**2 / (4.0 * number**2))
    half /= 1.0 + z**2 / number
    return (
        0.0 if share == 0.0 else max(0.0, middle - half),
        1.0 if share == 1.0 else min(1.0, middle + half),
    )


def sums_by_cluster(
    met: Flags | Sequence[int] | NDArray[np.int8], clusters: Clusters
) -> NDArray[np.float64]:
    """Sum of the units' values and number of units, for each cluster; shape (clusters, 2).

    Named clusters come in the order of their first unit, numbered ones in that of their numbers.
    """
    if len(met) != len(clusters) or len(met) == 0:
        raise AgreementError(
            found=f"{len(met)} units and {len(clusters)} clusters named.",
            needed="units, and a cluster for each.",
            next_step="Give the cluster of each unit.",
        )
    place = clusters if isinstance(clusters, np.ndarray) else numbered(clusters)[1]
    flags = np.asarray(met, dtype=np.float64)
    units = np.bincount(place)
    sums = np.column_stack([np.bincount(place, weights=flags), units.astype(np.float64)])
    return sums[units > 0]


def numbered(names: Iterable[_Name]) -> tuple[tuple[_Name, ...], NDArray[np.intp]]:
    """The different names in the order of their first, and for each name its number there."""
    numbers: dict[_Name, int] = {}
    places = [numbers.setdefault(name, len(numbers)) for name in names]
    return tuple(numbers), np.array(places, dtype=np.intp)


def sandwich_variance(by_cluster: NDArray[np.float64]) -> float:
    """Variance of the mean over units, from the sums of clusters."""
    met, number = by_cluster[:, 0], by_cluster[:, 1]
    count, total = len(by_cluster), number.sum()
    rest = met - met.sum() / total * number
    return float(count / (count - 1.0) * np.sum(rest**2) / total**2)


def _check(met: int, total: int) -> None:
    if total < 1 or not 0 <= met <= total:
        raise AgreementError(
            found=f"{met} of {total} units.",
            needed="one unit or more, and no more met than there are.",
            next_step="Correct the counts.",
        )


def check_clusters(by_cluster: NDArray[np.float64]) -> None:
    """Raise unless there are two clusters or more."""
    if len(by_cluster) < 2:
        raise AgreementError(
            found="units of one cluster only.",
            needed="two clusters or more: one patient does not tell how patients differ.",
            next_step="Add patients.",
        )


def few_clusters(count: int) -> tuple[Warned, ...]:
    """The caution for an interval that rests on few clusters."""
    if count >= FEWEST_CLUSTERS:
        return ()
    return (
        Warned(
            code="few-clusters",
            text=f"The interval rests on {count} clusters; below {FEWEST_CLUSTERS} it may be too "
            "narrow.",
        ),
    )
