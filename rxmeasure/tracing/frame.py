"""The plane in which one film is measured.

Filter widths are stated in millimetres because they belong to teeth, not to
sensors. On a calibrated film the plane is in true millimetres. On an
uncalibrated one it is in *assumed* millimetres (the distance from the first to
the last click counts as 15): good enough to choose a filter width, and never
reported. Everything reported goes through :meth:`MeasuringFrame.length`, which
gives pixels always and millimetres only with a calibration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import MarksError
from rxmeasure.geometry import FloatArray, PixelScale, as_points
from rxmeasure.marks import PointPx
from rxmeasure.radiograph import Radiograph
from rxmeasure.values import Area, Length

#: Coronal reference to apex when there is no scale: only to choose filter widths.
ASSUMED_SPAN_MM = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringFrame:
    """Plane coordinates (row, col) for one canal.

    Attributes
    ----------
    scale : PixelScale
        Pixel pitch in plane units: millimetres, or assumed millimetres.
    calibration : Calibration or None
    """

    scale: PixelScale
    calibration: Calibration | None

    def to_plane(self, points_px: ArrayLike) -> FloatArray:
        """Pixel points to plane points, shape (N, 2)."""
        return self.scale.to_plane(points_px)

    def to_px(self, points: ArrayLike) -> FloatArray:
        """Plane points to pixel points, shape (N, 2). Inverse of `to_plane`."""
        return self.scale.to_px(points)

    def point_px(self, point: ArrayLike) -> PointPx:
        """One plane point as a plain (row, col) pair in pixels."""
        row, col = self.scale.to_px(np.asarray(point, dtype=np.float64)[None])[0]
        return (float(row), float(col))

    def points_px(self, points: ArrayLike) -> tuple[PointPx, ...]:
        """Plane points as plain (row, col) pairs in pixels."""
        return tuple((float(r), float(c)) for r, c in self.scale.to_px(points))

    def px(self, distance: float) -> float:
        """A plane distance in column pitches."""
        return float(distance) / self.scale.col

    def mm(self, distance: float) -> float | None:
        """A plane distance in millimetres, or None without a calibration."""
        return float(distance) if self.calibration is not None else None

    def length(self, distance: float, u: float) -> Length:
        """A measured distance as a :class:`Length`.

        Parameters
        ----------
        distance, u : float
            Distance and its standard uncertainty from pointing and image, in
            plane units; the uncertainty of the scale is added here.
        """
        if self.calibration is None:
            return Length(value_px=self.px(distance), u_px=self.px(u))
        return Length(
            value_px=self.px(distance),
            u_px=self.px(u),
            value_mm=float(distance),
            u_mm=float(np.hypot(u, self.calibration.u_rel * distance)),
            scale_source=self.calibration.source,
        )

    def area(self, area: float, u: float) -> Area:
        """A measured area as an :class:`Area`; arguments in squared plane units."""
        px2 = self.scale.col**2
        if self.calibration is None:
            return Area(value_px2=float(area) / px2, u_px2=float(u) / px2)
        return Area(
            value_px2=float(area) / px2,
            u_px2=float(u) / px2,
            value_mm2=float(area),
            u_mm2=float(np.hypot(u, 2.0 * self.calibration.u_rel * area)),
            scale_source=self.calibration.source,
        )


def check_inside(radiograph: Radiograph, points_px: FloatArray) -> None:
    """Raise MarksError when a pixel point lies outside the picture."""
    rows, cols = radiograph.shape
    outside = (points_px < -0.5) | (points_px > np.array([rows - 0.5, cols - 0.5]))
    if outside.any():
        row, col = points_px[outside.any(axis=1)][0]
        raise MarksError(
            found=f"a click at row {row:.1f}, column {col:.1f}, outside the picture.",
            needed=f"rows 0 to {rows - 1} and columns 0 to {cols - 1}.",
            next_step="Correct the point, or mark the landmark as 'outside the film'.",
        )


def frame_for(
    radiograph: Radiograph,
    calibration: Calibration | None,
    clicks_px: ArrayLike,
    *,
    span_mm: float = ASSUMED_SPAN_MM,
) -> MeasuringFrame:
    """Frame for one canal; checks the clicks.

    Parameters
    ----------
    radiograph : Radiograph
    calibration : Calibration or None
    clicks_px : array_like, shape (N, 2)
        (row, col) clicks, at least two, inside the picture.
    span_mm : float
        Length assumed between the first and the last click without a scale.

    Raises
    ------
    MarksError
        Fewer than two clicks, clicks outside the picture, or all in one place.
    """
    clicks = as_points(clicks_px, at_least=2, what="clicks along the canal")
    check_inside(radiograph, clicks)
    flat = radiograph.px_scale.to_plane(clicks)
    span_px = float(np.hypot(*(flat[-1] - flat[0])))
    if span_px < 5.0:
        raise MarksError(
            found=f"first and last click {span_px:.1f} px apart.",
            needed="clicks at two different places at least 5 px apart.",
            next_step="Click the coronal reference first and the apex last.",
        )
    if calibration is not None:
        return MeasuringFrame(scale=calibration.scale, calibration=calibration)
    assumed = span_mm / span_px
    return MeasuringFrame(
        scale=PixelScale(
            row=assumed * radiograph.pixel_aspect, col=assumed, unit="mm (assumed, never reported)"
        ),
        calibration=None,
    )
