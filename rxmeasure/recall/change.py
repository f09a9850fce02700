"""Change of a number between two visits, and whether it means something.

Least significant change: ``LSC = 1.96 * sqrt(2) * s_w`` with the standard
deviation ``s_w`` of repeated measurements; with two unequal uncertainties
``1.96 * sqrt(u_before**2 + u_after**2)``. No agreed percentage calls a lesion
reduced: a change counts when it exceeds its LSC (choice).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.errors import RecallError
from rxmeasure.geometry import FloatArray

#: Two-sided 95 % of the normal distribution.
Z_95 = 1.96
#: An LSC beyond this share of the earlier value could hide a change by half (choice).
COARSE_SHARE = 0.5


class ChangeVerdict(StrEnum):
    """What became of a lesion. Not visible is not healed: a film misses lesions."""

    NONE_VISIBLE = "none visible"
    NOT_VISIBLE = "no longer visible"
    REDUCED = "reduced"
    UNCHANGED = "unchanged"
    ENLARGED = "enlarged"
    NEW = "newly visible"
    CANNOT_BE_TOLD = "cannot be told"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Change of one quantity from an earlier to a later visit.

    Attributes
    ----------
    quantity : str
        For example ``"area"``.
    unit : str
        ``"mm"``, ``"mm2"``, or ``"ratio"`` without a scale: then ``before`` is 1.
    before, u_before, after, u_after : float
        Values with standard uncertainties.
    difference, u_difference : float
        After less before.
    least_significant : float
        Smallest difference that two visits without any change exceed in 5 % of cases.
    percent : float
        Difference in percent of the earlier value.
    percent_interval : tuple of float or None
        95 % interval of ``percent``; None where the later value is 0.
    verdict : ChangeVerdict
    reason : str
        Why this verdict.
    """

    quantity: str
    unit: str
    before: float
    u_before: float
    after: float
    u_after: float
    difference: float
    u_difference: float
    least_significant: float
    percent: float
    percent_interval: tuple[float, float] | None
    verdict: ChangeVerdict
    reason: str


def least_significant_change(s_w: float) -> float:
    """LSC of a measurement with the standard deviation ``s_w`` of repeats.

    References
    ----------
    Hildebolt 2009, doi:10.1016/j.tripleo.2009.05.024 (use in dental radiography).
    """
    return float(Z_95 * np.sqrt(2.0) * s_w)


def dahlberg(first: ArrayLike, second: ArrayLike) -> float:
    """Standard deviation of repeats from pairs, ``sqrt(sum(d**2) / 2n)``; assumes no bias.

    Raises
    ------
    RecallError
        Not two equally long rows of at least two numbers.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape or len(a) < 2:
        raise RecallError(
            found=f"repeats of shape {a.shape} and {b.shape}.",
            needed="two equally long rows of at least two numbers.",
            next_step="Give each pair of repeats once.",
        )
    return float(np.sqrt(((a - b) ** 2).sum() / (2.0 * len(a))))


def change_between(
    before: tuple[float, float],
    after: tuple[float, float],
    *,
    quantity: str,
    unit: str,
    repeat_sd: float | None = None,
    covariance: float = 0.0,
) -> Change:
    """Change of one quantity.

    Parameters
    ----------
    before, after : tuple of float
        (value, standard uncertainty); the earlier value has to be positive.
    quantity, unit : str
    repeat_sd : float, optional
        The reader's own standard deviation of repeats: it counts where it is the larger.
    covariance : float
        Of the two values: the error that both visits share.

    Raises
    ------
    RecallError
        A value is not finite, negative, or the earlier one is zero.
    """
    (a, u_a), (b, u_b) = before, after
    if not np.isfinite([a, u_a, b, u_b]).all() or a <= 0.0 or b < 0.0 or min(u_a, u_b) < 0.0:
        raise RecallError(
            found=f"{quantity} {a:g} then {b:g} {unit}.",
            needed="finite values, the earlier one above zero.",
            next_step="Measure both visits.",
        )
    if repeat_sd is not None:
        u_a, u_b = max(u_a, repeat_sd), max(u_b, repeat_sd)
    difference = b - a
    u = float(np.sqrt(max(u_a**2 + u_b**2 - 2.0 * covariance, 0.0)))
    least = Z_95 * u
    verdict, reason = _verdict(difference, least, a, quantity)
    return Change(
        quantity=quantity,
        unit=unit,
        before=a,
        u_before=u_a,
        after=b,
        u_after=u_b,
        difference=difference,
        u_difference=u,
        least_significant=least,
        percent=100.0 * difference / a,
        percent_interval=_percent_interval(a, b, np.array([u_a, u_b]), covariance),
        verdict=verdict,
        reason=reason,
    )


def ratio_change(
    ratio: float, u_ratio: float, *, quantity: str, repeat_sd: float | None = None
) -> Change:
    """Change of a quantity known only as the later over the earlier value (no scale)."""
    return change_between(
        (1.0, 0.0), (ratio, u_ratio), quantity=quantity, unit="ratio", repeat_sd=repeat_sd
    )


def area_change_of_edge_error(diameter_mm: float, edge_mm: float) -> float:
    """Relative change of a circle's area when its whole edge moves outward by ``edge_mm``."""
    return ((diameter_mm + 2.0 * edge_mm) / diameter_mm) ** 2 - 1.0


def area_error_of_scale_error(scale_error: float) -> float:
    """Relative error of an area from a relative error of the scale (0.05 gives 0.1025)."""
    return (1.0 + scale_error) ** 2 - 1.0


def _verdict(
    difference: float, least: float, before: float, quantity: str
) -> tuple[ChangeVerdict, str]:
    if abs(difference) > least:
        verdict = ChangeVerdict.REDUCED if difference < 0.0 else ChangeVerdict.ENLARGED
        return verdict, f"The {quantity} changed by more than the least significant change."
    if least > COARSE_SHARE * before:
        return (
            ChangeVerdict.CANNOT_BE_TOLD,
            f"The least significant change is more than {100 * COARSE_SHARE:.0f} % of the earlier "
            f"{quantity}: these two films cannot show a change or rule it out.",
        )
    return (
        ChangeVerdict.UNCHANGED,
        f"The {quantity} changed by no more than the least significant change.",
    )


def _percent_interval(
    a: float, b: float, u: FloatArray, covariance: float
) -> tuple[float, float] | None:
    """95 % interval of the relative change, on the logarithm of the ratio."""
    if b == 0.0:
        return None
    variance = float(np.sum((u / (a, b)) ** 2)) - 2.0 * covariance / (a * b)
    spread = Z_95 * np.sqrt(max(variance, 0.0))
    low, high = 100.0 * (b / a * np.exp([-spread, spread]) - 1.0)
    return float(low), float(high)
