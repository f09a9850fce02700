"""A periapical lesion: where bone is lost, and how much of it, at points of the tooth's frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import pdist

from rxmeasure.geometry import FloatArray
from rxmeasure.phantom.anatomy import root_curve, smooth_step
from rxmeasure.phantom.beam_view import root_plane
from rxmeasure.phantom.parameters import LesionParameters, PhantomError, ToothParameters

#: Depth of the cavity at its outline as a share of its middle: between a box and a ball.
_RIM_SHARE = 0.6
_OUTLINE_POINTS = 180


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LesionShape:
    """A lesion in place: centre, direction of its root and depth, in the tooth's frame."""

    parameters: LesionParameters
    apex_mm: FloatArray
    centre_mm: FloatArray
    direction: FloatArray
    depth_mm: float

    @classmethod
    def of(cls, p: LesionParameters, tooth: ToothParameters) -> LesionShape:
        """The lesion at the tip of its root.

        Raises
        ------
        PhantomError
            Without a size, or at a root that the tooth does not have.
        """
        if min(p.along_mm, p.across_mm, p.edge_mm) <= 0.0 or not 0 <= p.root < len(tooth.roots):
            raise PhantomError(
                found=f"a lesion of {p.along_mm} mm x {p.across_mm} mm at root {p.root}.",
                needed="sizes above 0 and a root that the tooth has.",
                next_step="Correct the parameters.",
            )
        axis = root_curve(tooth.roots[p.root], tooth.crown.height_mm)
        apex = axis.at(axis.length)
        return cls(
            parameters=p,
            apex_mm=apex,
            centre_mm=axis.at(axis.length + p.beyond_apex_mm),
            direction=axis.tangent(axis.length),
            depth_mm=root_plane(tooth, p.root).at(float(apex[0])) + p.depth_mm,
        )

    def _radius_mm(self, angle_rad: FloatArray) -> FloatArray:
        """Radius of the outline; the angle counts from the root's direction."""
        p = self.parameters
        a, b = 0.5 * p.along_mm, 0.5 * p.across_mm
        radius = a * b / np.hypot(b * np.cos(angle_rad), a * np.sin(angle_rad))
        waves = [amount * np.cos(k * angle_rad + phase) for k, amount, phase in p.lobes]
        return np.asarray(radius * (1.0 + np.sum(waves, axis=0)))

    def outline_mm(self) -> FloatArray:
        """The outline, shape (180, 2)."""
        angle = np.linspace(0.0, 2.0 * np.pi, _OUTLINE_POINTS, endpoint=False)
        radius = self._radius_mm(angle)
        across = np.array([-self.direction[1], self.direction[0]])
        away = np.outer(radius * np.cos(angle), self.direction)
        return np.asarray(self.centre_mm + away + np.outer(radius * np.sin(angle), across))

    def loss(self, y_mm: FloatArray, x_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Thickness of bone lost in mm, and the share of bone left at the wall, at points."""
        p, (dy, dx) = self.parameters, self.direction
        y, x = y_mm - self.centre_mm[0], x_mm - self.centre_mm[1]
        along, across = y * dy + x * dx, x * dy - y * dx
        distance = np.hypot(along, across)
        radius = self._radius_mm(np.arctan2(across, along))
        ratio = np.minimum(distance / radius, 1.0)
        dome = np.sqrt(1.0 - (1.0 - _RIM_SHARE**2) * ratio**2)
        lost = np.asarray(smooth_step(0.5 + (radius - distance) / p.edge_mm))
        return p.bone_lost_mm * dome * lost, 1.0 - lost


def longest_diameter(outline_mm: FloatArray) -> float:
    """Largest distance between two points of an outline."""
    return float(pdist(outline_mm).max())
