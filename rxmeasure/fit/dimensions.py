"""Nominal diameters of instruments, points and prepared canals.

All of this is nominal: makers keep to a tolerance, and many instruments hold
their taper only in the first millimetres. It is a plausibility band, not a
truth.

Symbols: ``x`` is the distance from the tip (or, in a canal, from the working
length) in coronal direction, ``D_x`` the diameter there.

References
----------
ISO 3630-1 (sizes, taper, working part, tolerance of instruments; from memory);
16 mm working part and .02 taper: Kim et al. 2010, J Korean Acad Conserv Dent
35(6). ISO 6877 (tolerance of points; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from rxmeasure.errors import MarksError
from rxmeasure.fit.inputs import checked
from rxmeasure.marks import NominalShape

#: Sizes of ISO 3630-1, hundredths of a millimetre at the tip (from memory).
ISO_SIZES: tuple[int, ...] = (6, 8, 10, *range(15, 61, 5), *range(70, 141, 10))

#: Shortest working part of an instrument: its taper is stated for this length only.
WORKING_PART_MM = 16.0

#: Upper limit taken for a stated taper; more is a slip (``4`` for ``.04``). Choice.
LARGEST_TAPER = 0.2


class Product(StrEnum):
    """What the size is stated of; the standard sets its tolerance."""

    INSTRUMENT = "instrument (ISO 3630-1)"
    POINT = "point (ISO 6877)"


def checked_size(size: float, *, name: str = "size") -> float:
    """Return a plausible tip size (hundredths of a millimetre), or raise MarksError.

    Sizes between those of ISO 3630-1 pass: trimming a point makes them.
    """
    return checked(size, name=name, unit="(hundredths of a millimetre)", above=0.0, at_most=200.0)


def checked_taper(taper: float, *, name: str = "taper") -> float:
    """Return a plausible taper in mm per mm (0 for parallel sides), or raise MarksError."""
    return checked(taper, name=name, unit="mm per mm", at_least=0.0, at_most=LARGEST_TAPER)


def iso_size(size: float) -> int:
    """Return the size as one of ISO 3630-1's, or raise MarksError."""
    number = checked_size(size)
    if number not in ISO_SIZES:
        nearest = min(ISO_SIZES, key=lambda s: abs(s - number))
        raise MarksError(
            found=f"size {number:g}.",
            needed="a size of ISO 3630-1: 06, 08, 10, 15 to 60 by 5, 70 to 140 by 10.",
            next_step=f"Use a size of the standard; the nearest is {nearest:02d}.",
        )
    return int(number)


def nominal_diameter_mm(size: float, taper: float, x_mm: float) -> float:
    """Diameter ``D_x = D_0 + taper * x`` in mm at ``x_mm`` from the tip.

    Parameters
    ----------
    size : float
        Hundredths of a millimetre at the tip.
    taper : float
        mm per mm.
    x_mm : float
        Distance from the tip, 0 or more.

    Raises
    ------
    MarksError
        An input is not a number or out of range.
    """
    x_mm = checked(x_mm, name="distance from the tip", unit="mm", at_least=0.0)
    return checked_size(size) / 100.0 + checked_taper(taper) * x_mm


def size_tolerance_mm(size: float, product: Product) -> float:
    """Half width in mm of the tolerance on a diameter.

    Instruments: 0.02 mm up to size 60, 0.04 mm above (ISO 3630-1, from
    memory). Points: 0.05 mm up to size 25, 0.07 mm above (ISO 6877, from
    memory; Moule 1995 calls the older text too wide).
    """
    size = checked_size(size)
    if product is Product.INSTRUMENT:
        return 0.02 if size <= 60 else 0.04
    return 0.05 if size <= 25 else 0.07


def u_diameter_mm(size: float, product: Product) -> float:
    """Standard uncertainty of a nominal diameter: tolerance over sqrt(3).

    Any value inside the tolerance is taken as equally likely (rectangular,
    JCGM 100:2008 4.3.7).
    """
    return size_tolerance_mm(size, product) / math.sqrt(3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DiameterBand:
    """Nominal diameter at one place with the ends of its tolerance, mm."""

    x_mm: float
    low_mm: float
    nominal_mm: float
    high_mm: float


def nominal_band(
    shape: NominalShape, x_mm: Sequence[float], product: Product
) -> tuple[DiameterBand, ...]:
    """Nominal diameters with tolerance at each ``x_mm`` from the tip.

    Only the tolerance of the diameter is in it; that of the taper is not
    (measured points: -3 to +6.7 %, Cunningham 2006, J Endod 32:1081-1084).
    """
    tolerance = size_tolerance_mm(shape.size, product)
    nominal = [nominal_diameter_mm(shape.size, shape.taper, x) for x in x_mm]
    return tuple(
        DiameterBand(
            x_mm=float(x), low_mm=max(0.0, d - tolerance), nominal_mm=d, high_mm=d + tolerance
        )
        for x, d in zip(x_mm, nominal, strict=True)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedCanal:
    """A canal as the last shaping file should have left it: a round cone.

    Real canals are seldom round, and may be wider than the file: they then
    hold more than is reckoned here, and a tool goes deeper.

    Attributes
    ----------
    size, taper : float
        Size (hundredths of a millimetre) and taper (mm per mm) of the last file.
    working_length_mm : float
        Coronal reference to apical end of the preparation.
    orifice_mm : float or None
        Apical end of the preparation to the canal orifice. None: not stated,
        the whole working length is then taken for canal.

    Raises
    ------
    MarksError
        A number is missing, not finite or out of range.
    """

    size: float
    taper: float
    working_length_mm: float
    orifice_mm: float | None = None

    def __post_init__(self) -> None:
        checked_size(self.size, name="size of the last file")
        checked_taper(self.taper, name="taper of the last file")
        checked(self.working_length_mm, name="working length", unit="mm", above=0.0, at_most=50.0)
        if self.orifice_mm is not None:
            checked(
                self.orifice_mm,
                name="distance from the apical end to the orifice",
                unit="mm",
                above=0.0,
                at_most=self.working_length_mm,
            )

    @property
    def canal_mm(self) -> float:
        """Length of the canal part: apical end to orifice, or the working length."""
        return self.working_length_mm if self.orifice_mm is None else self.orifice_mm

    @property
    def tip_mm(self) -> float:
        """Diameter at the working length, mm."""
        return self.size / 100.0

    @property
    def u_diameter_mm(self) -> float:
        """Standard uncertainty of every diameter, from the file's tolerance, mm."""
        return u_diameter_mm(self.size, Product.INSTRUMENT)

    def diameter_mm(self, x_mm: float) -> float:
        """Diameter at ``x_mm`` coronal of the working length, mm."""
        x_mm = checked(
            x_mm,
            name="distance from working length",
            unit="mm",
            at_least=0.0,
            at_most=self.canal_mm,
        )
        return nominal_diameter_mm(self.size, self.taper, x_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalDiameter:
    """Diameter of a prepared canal at one place.

    ``past_working_part`` is True beyond 16 mm from the working length, where
    the standard no longer states the instrument's taper.
    """

    to_working_length_mm: float
    diameter_mm: float
    u_diameter_mm: float
    past_working_part: bool


def canal_diameters(canal: PreparedCanal, *, step_mm: float = 1.0) -> tuple[CanalDiameter, ...]:
    """Diameters from the working length to the orifice, every ``step_mm`` and at the orifice."""
    step_mm = checked(step_mm, name="step", unit="mm", at_least=0.01)
    places = [k * step_mm for k in range(math.ceil(canal.canal_mm / step_mm))] + [canal.canal_mm]
    return tuple(
        CanalDiameter(
            to_working_length_mm=x,
            diameter_mm=canal.diameter_mm(x),
            u_diameter_mm=canal.u_diameter_mm,
            past_working_part=x > WORKING_PART_MM,
        )
        for x in places
    )
