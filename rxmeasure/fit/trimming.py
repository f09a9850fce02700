"""Trimming the tip of a point of constant taper.

Valid inside the stretch where the maker states the taper; points of changing
taper must not be reckoned so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rxmeasure.errors import MarksError
from rxmeasure.fit.dimensions import Product, checked_size, checked_taper, u_diameter_mm
from rxmeasure.fit.inputs import checked
from rxmeasure.marks import NominalShape


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimmedPoint:
    """A point after trimming: its new shape, tip diameter and standard uncertainty in mm."""

    shape: NominalShape
    tip_mm: float
    u_tip_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """Where to cut, from the tip, with its standard uncertainty in mm.

    The uncertainty is the point's own tolerance along its length: with a
    small taper a tip that is 0.03 mm off moves the cut by most of a millimetre.
    A gauge plate tells more than a ruler.
    """

    cut_mm: float
    u_cut_mm: float


def trim(
    point: NominalShape,
    cut_mm: float,
    *,
    u_cut_mm: float = 0.0,
    product: Product = Product.POINT,
) -> TrimmedPoint:
    """Tip after ``cut_mm`` were cut off: ``size + 100 * taper * cut``.

    Parameters
    ----------
    point : NominalShape
    cut_mm, u_cut_mm : float
        Length cut off the tip and its standard uncertainty, mm.
    product : Product
        Whose tolerance holds.

    Raises
    ------
    MarksError
        A number is not finite or out of range.

    See Also
    --------
    cut_for_size : the inverse.
    """
    size = checked_size(point.size)
    taper = checked_taper(point.taper)
    cut = checked(cut_mm, name="length cut off", unit="mm", at_least=0.0, at_most=30.0)
    u_cut = checked(u_cut_mm, name="uncertainty of the cut", unit="mm", at_least=0.0)
    new_size = size + 100.0 * taper * cut
    return TrimmedPoint(
        shape=NominalShape(size=new_size, taper=taper),
        tip_mm=new_size / 100.0,
        u_tip_mm=math.hypot(u_diameter_mm(size, product), taper * u_cut),
    )


def cut_for_size(
    point: NominalShape, wanted_size: float, *, product: Product = Product.POINT
) -> Cut:
    """Length in mm to cut off the tip so that it gets ``wanted_size``.

    Raises
    ------
    MarksError
        The wanted size is smaller than the point's, or the point does not taper.

    See Also
    --------
    trim : the inverse.
    """
    size = checked_size(point.size)
    taper = checked_taper(point.taper)
    wanted = checked_size(wanted_size, name="wanted size")
    if wanted < size:
        raise MarksError(
            found=f"a wanted size {wanted:g} below the point's size {size:g}.",
            needed="a wanted size that is larger: trimming only widens the tip.",
            next_step="Take a smaller point.",
        )
    if taper == 0.0 and wanted > size:
        raise MarksError(
            found="a point with parallel sides.",
            needed="a taper above 0: cutting a parallel point leaves its size as it was.",
            next_step="Take a larger point.",
        )
    if taper == 0.0:
        return Cut(cut_mm=0.0, u_cut_mm=0.0)
    return Cut(
        cut_mm=(wanted - size) / 100.0 / taper,
        u_cut_mm=u_diameter_mm(size, product) / taper,
    )
