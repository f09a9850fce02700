"""What an agreement statistic gives: estimate, interval, their sources, cautions."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rxmeasure.errors import AgreementError
from rxmeasure.values import Warned


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A confidence interval.

    Attributes
    ----------
    low, high : float
        In the unit of the estimate. May be infinite at an open end.
    level : float
        Confidence, e.g. 0.95.
    method : str
        How it was reckoned, with its source.
    """

    low: float
    high: float
    level: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """One agreement statistic.

    Attributes
    ----------
    statistic : str
        Its name, e.g. ``Cohen's kappa``.
    estimate : float
        Finite; in ``unit``.
    interval : Interval or None
        None where the formula gives none; a caution then says why.
    method : str
        Weights, metric or form.
    n_units, n_raters : int
        Units and raters that the estimate rests on.
    n_left_out : int
        Units that could not be used, as not enough raters rated them.
    source : str
        Where the statistic comes from.
    observed : float or None
        Observed agreement, 0 to 1, weighted where the statistic is; None where there is none.
    unit : str
        Unit of the estimate; empty for a ratio.
    cautions : tuple of Warned
    """

    statistic: str
    estimate: float
    interval: Interval | None
    method: str
    n_units: int
    n_raters: int
    source: str
    n_left_out: int = 0
    observed: float | None = None
    unit: str = ""
    cautions: tuple[Warned, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A statistic that the ratings do not allow, and why."""

    statistic: str
    found: str
    needed: str
    next_step: str


def refused(statistic: str, error: AgreementError) -> Refused:
    """Keep a refusal beside the other results."""
    return Refused(
        statistic=statistic, found=error.found, needed=error.needed, next_step=error.next_step
    )


NO_WIDTH = Warned(
    code="interval-without-width",
    text="The spread among these ratings is nil, so the formula gives an interval without width. "
    "It is left out: it would claim a certainty that the number of units does not give.",
)

#: Narrower than this is rounding, not spread.
_NO_WIDTH = 1e-12

LEFT_OUT = "units-left-out"


def finished(result: Agreement) -> Agreement:
    """Add the cautions that any statistic may need: no width, units left out, few units."""
    cautions = list(result.cautions)
    interval = result.interval
    if interval is not None and interval.high - interval.low < _NO_WIDTH:
        interval = None
        cautions.append(NO_WIDTH)
    if result.n_left_out:
        cautions.append(
            Warned(
                code=LEFT_OUT,
                text=f"{result.n_left_out} of {result.n_left_out + result.n_units} units were left "
                "out, as not enough raters rated them. If hard units are the ones not rated, "
                "agreement reads too high.",
            )
        )
    return replace(result, interval=interval, cautions=tuple(cautions))
