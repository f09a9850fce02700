"""Run chart: shares by month round their median, and two signs that they are not chance alone.

References
----------
Anhøj and Olesen 2014, doi:10.1371/journal.pone.0113825: a shift where the longest run is
longer than ``round(log2 n + 3)``, or where the median is crossed fewer times than the
5 % quantile of a binomial distribution (n - 1, 0.5) says (both formulas read in a
software manual that cites them). n counts the points that do not lie on the median.
At least ten such points: from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from scipy import stats

from rxmeasure.errors import AgreementError

#: Fewer points off the median than this say nothing (from memory).
FEWEST_POINTS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthCount:
    """One point: its label (e.g. ``2025-03``), units that met the criterion, and units."""

    month: str
    met: int
    total: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RunChart:
    """Points, median and signals.

    Attributes
    ----------
    months : tuple of str
        Those with units; empty months have no share and are left out.
    shares : tuple of float
    median : float
    n_useful : int
        Points that do not lie on the median.
    longest_run, longest_run_limit : int
        Points in a row on one side, and the most that chance gives.
    crossings, crossings_limit : int
        How often the median is crossed, and the fewest that chance gives.
    """

    months: tuple[str, ...]
    shares: tuple[float, ...]
    median: float
    n_useful: int
    longest_run: int
    longest_run_limit: int
    crossings: int
    crossings_limit: int

    @property
    def long_run(self) -> bool:
        """Whether a run is longer than chance gives."""
        return self.longest_run > self.longest_run_limit

    @property
    def few_crossings(self) -> bool:
        """Whether the median is crossed less often than chance gives."""
        return self.crossings < self.crossings_limit

    @property
    def shifted(self) -> bool:
        """Whether either sign says that the process changed."""
        return self.long_run or self.few_crossings


def run_chart(counts: Sequence[MonthCount], *, median: float | None = None) -> RunChart:
    """Judge months in their order.

    Parameters
    ----------
    counts : sequence of MonthCount
    median : float, optional
        Of a baseline; left out: that of these points.

    Raises
    ------
    AgreementError
        Impossible counts, or fewer than ten points off the median.
    """
    for point in counts:
        if not 0 <= point.met <= point.total:
            raise AgreementError(
                found=f"{point.met} of {point.total} units in {point.month}.",
                needed="no more units met than there are.",
                next_step="Correct the counts.",
            )
    filled = [point for point in counts if point.total > 0]
    shares = np.array([point.met / point.total for point in filled])
    middle = (float(np.median(shares)) if len(shares) else 0.0) if median is None else median
    sides = np.sign(shares - middle)
    sides = sides[sides != 0.0]
    number = len(sides)
    if number < FEWEST_POINTS:
        raise AgreementError(
            found=f"{number} months that do not lie on the median.",
            needed=f"{FEWEST_POINTS} or more.",
            next_step="Add months, or show the shares with their intervals only.",
        )
    return RunChart(
        months=tuple(point.month for point in filled),
        shares=tuple(float(share) for share in shares),
        median=middle,
        n_useful=number,
        longest_run=max(len(list(run)) for _, run in groupby(sides)),
        longest_run_limit=round(math.log2(number) + 3.0),
        crossings=int(np.count_nonzero(sides[1:] != sides[:-1])),
        crossings_limit=int(stats.binom.ppf(0.05, number - 1, 0.5)),
    )
