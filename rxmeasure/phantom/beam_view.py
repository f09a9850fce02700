"""Where a beam that is not square to the tooth's plane puts parts at other depths.

Each part lies in a plane of its own that may lean along the beam. Seen under another angle,
such a plane is sheared and shifted in the picture, so a part is drawn as it always is, only in
another frame. Solids keep their thickness: at a few degrees it changes by less than 1 %.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rxmeasure.geometry import FloatArray
from rxmeasure.phantom.curves import Frame, Tilt
from rxmeasure.phantom.parameters import PhantomParameters, ToothParameters


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthPlane:
    """Depth in mm: ``depth_mm`` at the level ``level_mm``, growing by ``slope`` per mm of y."""

    depth_mm: float = 0.0
    level_mm: float = 0.0
    slope: float = 0.0

    def at(self, y_mm: float) -> float:
        """Depth at a level."""
        return self.depth_mm + self.slope * (y_mm - self.level_mm)


def crown_plane(tooth: ToothParameters) -> DepthPlane:
    """Plane of a crown; a crown that leans to the receptor at its neck goes away from it above."""
    return _plane(tooth, tooth.crown.lean_deg)


def root_plane(tooth: ToothParameters, root: int) -> DepthPlane:
    """Plane of a root below the neck."""
    return _plane(tooth, tooth.roots[root].lean_deg)


def _plane(tooth: ToothParameters, lean_deg: float) -> DepthPlane:
    return DepthPlane(
        depth_mm=tooth.depth_mm,
        level_mm=tooth.crown.height_mm,
        slope=float(np.tan(np.deg2rad(lean_deg))),
    )


def seen(frame: Frame, plane: DepthPlane, p: PhantomParameters) -> Frame:
    """The frame in which the parts of a plane are drawn."""
    if p.beam is None:
        return frame
    shift = np.tan(np.deg2rad([p.beam.vertical_deg, p.beam.horizontal_deg]))
    shear = np.eye(2) + np.outer(shift, (plane.slope, 0.0))
    moved = frame.to_px(plane.at(0.0) * shift)
    return Frame(matrix=frame.matrix @ shear, origin=moved, tilt=_receptor_tilt(p))


def _receptor_tilt(p: PhantomParameters) -> Tilt | None:
    if p.beam is None or p.beam.receptor_tilt_deg == (0.0, 0.0):
        return None
    slope = np.sin(np.deg2rad(p.beam.receptor_tilt_deg)) / p.beam.focus_mm
    centre = (np.array(p.shape) - 1.0) / 2.0
    return Tilt(centre=centre, per_px=np.asarray(slope * p.pitch_mm))


def root_points_px(
    frame: Frame, tooth: ToothParameters, root: int, points_mm: FloatArray, p: PhantomParameters
) -> FloatArray:
    """Points along a root's course, in the crown above the neck and in the root below it."""
    points = np.asarray(points_mm, dtype=np.float64)
    in_root = seen(frame, root_plane(tooth, root), p).to_px(points)
    if p.beam is None:
        return in_root
    in_crown = seen(frame, crown_plane(tooth), p).to_px(points)
    above = points[..., :1] < tooth.crown.height_mm
    return np.asarray(np.where(above, in_crown, in_root))
