"""The scale of one film."""

from __future__ import annotations

from dataclasses import dataclass

from rxmeasure.geometry import PixelScale
from rxmeasure.marks import LengthReference, PointPx
from rxmeasure.values import Warned


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceResult:
    """How one reference was read.

    Attributes
    ----------
    reference : LengthReference
    path_px : tuple of PointPx
        The line or the traced file axis that was measured.
    length_px, u_length_px : float
        Measured length in column pitches.
    mm_per_px : float
        Scale from this reference alone.
    residual_sd : float or None
        Distance from the combined scale in standard deviations; None with one reference.
    """

    reference: LengthReference
    path_px: tuple[PointPx, ...]
    length_px: float
    u_length_px: float
    mm_per_px: float
    residual_sd: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Scale of one film.

    Attributes
    ----------
    row_mm, col_mm : float
        Millimetres between rows, between columns.
    u_rel : float
        Relative standard uncertainty of the scale.
    source : str
        Shown beside every length: which object or attribute gave the scale.
    references : tuple of ReferenceResult
    warnings : tuple of Warned
        Codes: ``thin-tip``, ``references-disagree``, ``tooth-length-implausible``,
        ``detector-and-file-disagree``, ``detector-plane``, ...
    """

    row_mm: float
    col_mm: float
    u_rel: float
    source: str
    references: tuple[ReferenceResult, ...] = ()
    warnings: tuple[Warned, ...] = ()

    @property
    def scale(self) -> PixelScale:
        """Pixel scale in millimetres."""
        return PixelScale(row=self.row_mm, col=self.col_mm, unit="mm")
