"""Volumes of the prepared canal: plug, backfill, and the share left to sealer.

Everything is a truncated cone with end diameters ``d1``, ``d2`` and height
``h``: ``V = pi h / 12 * (d1^2 + d1 d2 + d2^2)`` (elementary geometry).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rxmeasure.errors import MarksError
from rxmeasure.fit.dimensions import PreparedCanal, Product, u_diameter_mm
from rxmeasure.fit.inputs import checked
from rxmeasure.fit.seating import DOWNPACK_AIM_MM, Seating, seat, seat_point
from rxmeasure.marks import NominalShape
from rxmeasure.values import Warned

#: Length of one backfill increment, each condensed (common practice, no source).
INCREMENT_MM = (2.0, 3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """A volume in mm3 with its standard uncertainty, from the diameters' tolerance."""

    volume_mm3: float
    u_mm3: float


def truncated_cone_mm3(d1_mm: float, d2_mm: float, length_mm: float) -> float:
    """Volume of a truncated cone in mm3.

    Parameters
    ----------
    d1_mm, d2_mm : float
        Diameters of the two ends, 0 or more.
    length_mm : float
        Height, 0 or more.

    Raises
    ------
    MarksError
        A number is negative or not finite.
    """
    d1 = checked(d1_mm, name="end diameter", unit="mm", at_least=0.0)
    d2 = checked(d2_mm, name="end diameter", unit="mm", at_least=0.0)
    length = checked(length_mm, name="length", unit="mm", at_least=0.0)
    return math.pi * length / 12.0 * (d1 * d1 + d1 * d2 + d2 * d2)


def canal_volume(canal: PreparedCanal, *, from_mm: float, to_mm: float) -> Volume:
    """Volume of the canal between two distances from the working length.

    The file's tolerance shifts both end diameters together, which gives
    ``dV/dD = pi h / 4 * (d1 + d2)``.

    Raises
    ------
    MarksError
        The stretch is not inside the canal, or runs backwards.
    """
    to_mm = checked(
        to_mm, name="coronal end", unit="mm", at_least=0.0, at_most=canal.canal_mm + 1e-9
    )
    to_mm = min(to_mm, canal.canal_mm)
    from_mm = checked(from_mm, name="apical end", unit="mm", at_least=0.0, at_most=to_mm)
    d1, d2 = canal.diameter_mm(from_mm), canal.diameter_mm(to_mm)
    length = to_mm - from_mm
    return Volume(
        volume_mm3=truncated_cone_mm3(d1, d2, length),
        u_mm3=math.pi * length / 4.0 * (d1 + d2) * canal.u_diameter_mm,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FillPlan:
    """Downpack plug and backfill of one canal.

    Attributes
    ----------
    plug_mm, backfill_mm : float
        Length of the apical plug, and from it to the orifice.
    plug, backfill : Volume
    increments : tuple of int
        Fewest and most increments for the backfill.
    increment_mm : float
        Length of each, with the fewest increments, all made equal.
    warnings : tuple of Warned
        Code ``plug-off-aim``: the plug is not 4 to 6 mm long.
    """

    plug_mm: float
    backfill_mm: float
    plug: Volume
    backfill: Volume
    increments: tuple[int, int]
    increment_mm: float
    warnings: tuple[Warned, ...]


def backfill_increments(
    backfill_mm: float, *, increment_mm: tuple[float, float] = INCREMENT_MM
) -> tuple[int, int]:
    """Fewest and most increments for a backfill of this length.

    ``increment_mm``: shortest and longest increment (2 to 3 mm, common
    practice, no source). One increment at least, unless there is nothing to fill.

    Raises
    ------
    MarksError
        A length is negative, not finite, or the two increments are out of order.
    """
    length = checked(backfill_mm, name="length of the backfill", unit="mm", at_least=0.0)
    shortest = checked(increment_mm[0], name="shortest increment", unit="mm", above=0.0)
    longest = checked(increment_mm[1], name="longest increment", unit="mm", at_least=shortest)
    # A hair below the quotient, so that 6.000000001 mm is not a third increment.
    return (math.ceil(length / longest - 1e-6), math.ceil(length / shortest - 1e-6))


def plan_fill(
    canal: PreparedCanal,
    *,
    plug_mm: float,
    increment_mm: tuple[float, float] = INCREMENT_MM,
) -> FillPlan:
    """Lengths, volumes and increments for a plug of ``plug_mm`` and the backfill above it.

    Raises
    ------
    MarksError
        The plug is not shorter than the canal, or a number is out of range.
    """
    plug_mm = checked(plug_mm, name="length of the plug", unit="mm", above=0.0)
    checked(plug_mm, name="length of the plug", unit="mm", at_most=canal.canal_mm)
    low, high = DOWNPACK_AIM_MM
    backfill_mm = canal.canal_mm - plug_mm
    increments = backfill_increments(backfill_mm, increment_mm=increment_mm)
    warnings: tuple[Warned, ...] = ()
    if not low <= plug_mm <= high:
        warnings = (
            Warned(
                code="plug-off-aim",
                text=f"The plug is {plug_mm:.1f} mm long; warm vertical work leaves "
                f"{low:g} to {high:g} mm (common practice, no source).",
            ),
        )
    return FillPlan(
        plug_mm=plug_mm,
        backfill_mm=backfill_mm,
        plug=canal_volume(canal, from_mm=0.0, to_mm=plug_mm),
        backfill=canal_volume(canal, from_mm=plug_mm, to_mm=canal.canal_mm),
        increments=increments,
        increment_mm=backfill_mm / increments[0] if increments[0] else 0.0,
        warnings=warnings,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SealerShare:
    """What a single point leaves to the sealer in a round canal.

    Attributes
    ----------
    canal, point_mm3 : Volume, float
        Volume of the canal, and of the part of the point inside it.
    share, u_share : float
        Sealer's share of the canal, 0 to 1, and its standard uncertainty.
    tip_to_working_length_mm : float
        Where the point's tip was taken to sit.
    """

    canal: Volume
    point_mm3: float
    share: float
    u_share: float
    tip_to_working_length_mm: float


def sealer_share(
    point: NominalShape, canal: PreparedCanal, *, product: Product = Product.POINT
) -> SealerShare:
    """Share of the canal that a single point does not fill.

    The point sits where it binds; one that nothing holds is taken to be
    stopped at the working length. An oval canal leaves more to the sealer.

    Raises
    ------
    MarksError
        The point does not enter the canal, or a number is out of range.
    """
    place = seat_point(point, canal, product=product)
    if place.seating is Seating.NO_ENTRY:
        raise MarksError(
            found=f"a point of size {point.size:g} that does not enter the canal.",
            needed="a point that fits into the prepared canal.",
            next_step="Take a smaller point.",
        )
    whole = canal_volume(canal, from_mm=0.0, to_mm=canal.canal_mm)
    point_mm3, tip_at = _point_volume(point, canal, shift_mm=0.0)
    share = 1.0 - point_mm3 / whole.volume_mm3
    # Each diameter's own tolerance by a central difference over one standard uncertainty.
    steps = []
    u_point = min(u_diameter_mm(point.size, product), point.size / 200.0)
    pair = [_point_volume(point, canal, shift_mm=s)[0] for s in (-u_point, u_point)]
    steps.append((pair[1] - pair[0]) / 2.0 / whole.volume_mm3)
    u_canal = min(canal.u_diameter_mm, canal.size / 200.0)
    shares = []
    for sign in (-1.0, 1.0):
        other = PreparedCanal(
            size=canal.size + sign * 100.0 * u_canal,
            taper=canal.taper,
            working_length_mm=canal.working_length_mm,
            orifice_mm=canal.orifice_mm,
        )
        volume = canal_volume(other, from_mm=0.0, to_mm=other.canal_mm).volume_mm3
        shares.append(1.0 - _point_volume(point, other, shift_mm=0.0)[0] / volume)
    steps.append((shares[1] - shares[0]) / 2.0)
    return SealerShare(
        canal=whole,
        point_mm3=point_mm3,
        share=share,
        u_share=math.hypot(*steps),
        tip_to_working_length_mm=tip_at,
    )


def _point_volume(
    point: NominalShape, canal: PreparedCanal, *, shift_mm: float
) -> tuple[float, float]:
    """Volume of the point inside the canal, and where its tip sits; ``shift_mm`` widens it."""
    tip_mm = point.size / 100.0 + shift_mm
    found = seat(tip_mm=tip_mm, taper=point.taper, canal=canal)
    if found.seating is Seating.NO_ENTRY:
        return 0.0, canal.canal_mm
    place = max(0.0, found.to_working_length_mm or 0.0)
    length = canal.canal_mm - place
    return truncated_cone_mm3(tip_mm, tip_mm + point.taper * length, length), place
