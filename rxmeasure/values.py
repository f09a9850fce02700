"""Numbers that carry their unit, their uncertainty and the source of their scale.

Pixel and millimetre never share a field. A length without a calibration has
``value_mm is None``; asking for its millimetres raises.

All uncertainties are standard uncertainties (one standard deviation), in the
sense of the GUM (JCGM 100:2008).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from rxmeasure.errors import NotCalibratedError


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """A length on the image.

    Attributes
    ----------
    value_px, u_px : float
        Length and standard uncertainty in pixels (column pitch; with unequal
        pixel pitch, rows are counted in column pitches).
    value_mm, u_mm : float or None
        The same in millimetres; None without a scale. ``u_mm`` contains the
        uncertainty of the scale, ``u_px`` does not.
    scale_source : str or None
        Where the millimetres come from; None without a scale.
    """

    value_px: float
    u_px: float
    value_mm: float | None = None
    u_mm: float | None = None
    scale_source: str | None = None

    def mm(self) -> float:
        """Return the length in millimetres, or raise :class:`NotCalibratedError`."""
        if self.value_mm is None:
            raise NotCalibratedError(
                found="a length in pixels without a scale.",
                needed="a calibration, to give millimetres.",
                next_step="Trace a file of known length, or give the scale another way.",
            )
        return self.value_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """An area on the image; fields as in :class:`Length` (px2, mm2)."""

    value_px2: float
    u_px2: float
    value_mm2: float | None = None
    u_mm2: float | None = None
    scale_source: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureValue:
    """One named quantity as the criteria see it.

    Attributes
    ----------
    name : str
        Stable name with its unit, e.g. ``fill_to_apex_core_mm``.
    value : float, bool, str or None
        None when it could not be measured; ``why_missing`` then says why.
    u : float or None
        Standard uncertainty of a numeric value.
    unit : str
        UCUM-like unit text: ``mm``, ``mm2``, ``deg``, ``mm/mm``, ``1``.
    p_true : float or None
        For a yes/no value: probability that the answer is yes.
    draws : tuple of float
        Seeded Monte Carlo draws of the value, where first-order uncertainty
        would mislead (short distances). Empty: use value and u.
    why_missing : str or None
        Why there is no value.
    scale_source : str or None
        Where the millimetres come from.
    """

    name: str
    value: float | bool | str | None
    unit: str
    u: float | None = None
    p_true: float | None = None
    draws: tuple[float, ...] = ()
    why_missing: str | None = None
    scale_source: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Warned:
    """A warning that stays with a result.

    ``code`` is stable (tests, programs); ``text`` is for the reader.
    """

    code: str
    text: str


def as_plain(value: Any) -> Any:
    """Return numpy scalars and nested containers as plain Python values."""
    if isinstance(value, dict):
        return {str(k): as_plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [as_plain(v) for v in value]
    if hasattr(value, "item") and not isinstance(value, (str, bytes)):
        return value.item()
    return value
