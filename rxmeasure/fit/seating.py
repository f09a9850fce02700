"""Where a point, a plugger or a heat carrier binds in a prepared canal.

Both are straight cones. With the canal's diameter ``d_c + t_c x`` at ``x``
coronal of the working length, and the tool's tip at ``z`` (positive short of
the working length, negative beyond), the tool goes down until one place
touches: its tip, its flank at the orifice, or the narrowest place at the
working length when the tip is already through.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

from rxmeasure.fit.dimensions import (
    PreparedCanal,
    Product,
    checked_size,
    checked_taper,
    u_diameter_mm,
)
from rxmeasure.fit.inputs import checked
from rxmeasure.marks import NominalShape
from rxmeasure.values import Warned

#: Where warm vertical work lets the heat source stop, short of the working
#: length (common practice, no source).
DOWNPACK_AIM_MM = (4.0, 6.0)

_SAME_MM = 1e-9


class Seating(StrEnum):
    """How far a tool goes."""

    SHORT = "binds short"
    AT_LENGTH = "goes to length"
    BEYOND = "goes beyond length"
    NO_ENTRY = "does not enter"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """Where a tool comes to rest.

    Attributes
    ----------
    seating : Seating
        ``"goes beyond length"``: nothing holds it at the working length.
    to_working_length_mm : float or None
        Tip to working length; positive short, negative beyond. None when it
        does not enter, or when it has parallel sides and nothing holds it.
    u_mm : float or None
        Standard uncertainty, from the two diameters.
    touches : str
        ``"tip"``, ``"orifice"``, ``"working length"`` or ``""``.
    probability_beyond : float
        Probability that it can go beyond the working length.
    """

    seating: Seating
    to_working_length_mm: float | None
    u_mm: float | None
    touches: str
    probability_beyond: float


def seat(*, tip_mm: float, taper: float, canal: PreparedCanal, u_tip_mm: float = 0.0) -> Seat:
    """Find where a tool of tip diameter ``tip_mm`` comes to rest.

    Parameters
    ----------
    tip_mm, u_tip_mm : float
        Diameter of the tip and its standard uncertainty.
    taper : float
        mm per mm; 0 for parallel sides.
    canal : PreparedCanal

    Raises
    ------
    MarksError
        A number is not finite or out of range.
    """
    d_tool = checked(tip_mm, name="tip diameter", unit="mm", above=0.0, at_most=2.0)
    t_tool = checked_taper(taper)
    u_tip = checked(u_tip_mm, name="uncertainty of the tip diameter", unit="mm", at_least=0.0)
    d_canal, t_canal, length = canal.tip_mm, canal.taper, canal.canal_mm
    u_diameter = math.hypot(u_tip, canal.u_diameter_mm)

    excess = d_tool - d_canal
    if abs(excess) <= _SAME_MM:
        by_tip = 0.0
    elif excess > 0.0:
        by_tip = excess / t_canal if t_canal > 0.0 else math.inf
    else:
        by_tip = excess / t_tool if t_tool > 0.0 else -math.inf
    excess_orifice = excess + (t_tool - t_canal) * length
    by_orifice = excess_orifice / t_tool if t_tool > 0.0 else -math.inf
    z = max(by_tip, by_orifice)

    slack = -max(excess, excess_orifice)
    beyond = NormalDist().cdf(slack / u_diameter)
    if z >= length - _SAME_MM:
        return Seat(
            seating=Seating.NO_ENTRY,
            to_working_length_mm=None,
            u_mm=None,
            touches="orifice",
            probability_beyond=beyond,
        )
    if z == -math.inf:
        return Seat(
            seating=Seating.BEYOND,
            to_working_length_mm=None,
            u_mm=None,
            touches="",
            probability_beyond=beyond,
        )
    if by_orifice > by_tip:
        touches, slope = "orifice", t_tool
    elif z > _SAME_MM:
        touches, slope = "tip", t_canal
    else:
        touches, slope = "working length", t_tool if z < 0.0 or t_canal == 0.0 else t_canal
    if abs(z) <= _SAME_MM:
        z, seating = 0.0, Seating.AT_LENGTH
    else:
        seating = Seating.SHORT if z > 0.0 else Seating.BEYOND
    return Seat(
        seating=seating,
        to_working_length_mm=z,
        u_mm=u_diameter / slope if slope > 0.0 else None,
        touches=touches,
        probability_beyond=beyond,
    )


def seat_point(
    point: NominalShape, canal: PreparedCanal, *, product: Product = Product.POINT
) -> Seat:
    """Where a point, trimmed or not, comes to rest; its tolerance is ISO 6877's (from memory)."""
    return seat(
        tip_mm=checked_size(point.size) / 100.0,
        taper=point.taper,
        canal=canal,
        u_tip_mm=u_diameter_mm(point.size, product),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CarrierFit:
    """Whether a heat carrier or plugger suits the downpack of this canal.

    Attributes
    ----------
    seat : Seat
        Where it comes to rest.
    answer : str
        ``"goes to length"`` (to the working length or past it),
        ``"binds short"`` or ``"does not enter"``.
    aim : str
        ``"reaches past the aim"``: a stop must hold it 4 to 6 mm short;
        ``"binds inside the aim"``; ``"binds short of the aim"``: too large,
        the heat does not reach where it should.
    warnings : tuple of Warned
        Codes ``carrier-goes-deep``, ``carrier-binds-high``, ``carrier-no-entry``.
    """

    seat: Seat
    answer: str
    aim: str
    warnings: tuple[Warned, ...]


def carrier_fit(
    *, tip_mm: float, taper: float, canal: PreparedCanal, u_tip_mm: float = 0.0
) -> CarrierFit:
    """Compare the binding depth of a carrier with 4 to 6 mm short of working length.

    The aim is common practice, no source.

    Raises
    ------
    MarksError
        A number is not finite or out of range.
    """
    found = seat(tip_mm=tip_mm, taper=taper, canal=canal, u_tip_mm=u_tip_mm)
    low, high = DOWNPACK_AIM_MM
    z = found.to_working_length_mm
    warnings: tuple[Warned, ...] = ()
    if found.seating is Seating.NO_ENTRY:
        aim = "binds short of the aim"
        warnings = (
            Warned(
                code="carrier-no-entry",
                text="The carrier is wider than the canal at its orifice. Take a smaller one.",
            ),
        )
    elif z is None or z < low - _SAME_MM:
        aim = "reaches past the aim"
        warnings = (
            Warned(
                code="carrier-goes-deep",
                text=f"Nothing holds the carrier {low:g} to {high:g} mm short of the working "
                "length. Set a stop, or take a larger one.",
            ),
        )
    elif z <= high + _SAME_MM:
        aim = "binds inside the aim"
    else:
        aim = "binds short of the aim"
        warnings = (
            Warned(
                code="carrier-binds-high",
                text=f"The carrier binds {z:.1f} mm short of the working length, coronal of the "
                f"{low:g} to {high:g} mm aimed for. Take a smaller one.",
            ),
        )
    answer = Seating.AT_LENGTH if found.seating is Seating.BEYOND else found.seating
    return CarrierFit(seat=found, answer=str(answer), aim=aim, warnings=warnings)
