"""Roots, crowns and pulp chambers as solids in a tooth's frame.

A tooth's frame has y in mm from the coronal reference towards the apex and x
across; the beam runs square to both. Shapes are a choice, by eye and after the
mean sizes in anatomy handbooks.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from rxmeasure.geometry import FloatArray
from rxmeasure.phantom.curves import Curve, Float32, Profile, heading_curve, rounded_end, sampled
from rxmeasure.phantom.parameters import CrownParameters, RootParameters, ToothParameters

#: Half-width and half-depth of a crown at shares of its height, as shares of the largest.
_CROWN_WIDTH = {
    "incisor": ((0.0, 0.86), (0.15, 0.97), (0.35, 1.0), (0.7, 0.87), (1.0, 0.74), (1.3, 0.70)),
    "pointed": ((0.0, 0.78), (0.2, 0.94), (0.4, 1.0), (0.7, 0.88), (1.0, 0.72), (1.3, 0.68)),
    "molar": ((0.0, 0.86), (0.2, 0.95), (0.42, 1.0), (0.75, 0.93), (1.0, 0.84), (1.3, 0.82)),
}
_CROWN_DEPTH = {
    "incisor": ((0.0, 0.20), (0.3, 0.50), (0.7, 0.90), (1.0, 1.0), (1.3, 1.0)),
    "pointed": ((0.0, 0.60), (0.3, 0.92), (0.6, 1.0), (1.0, 0.86), (1.3, 0.84)),
    "molar": ((0.0, 0.70), (0.3, 0.95), (0.6, 1.0), (1.0, 0.88), (1.3, 0.84)),
}
#: A crown's section is |x/a|**n + |z/b|**n = 1 with this n: between ellipse and box.
_SECTION = 2.6


def smooth_step(x: Any) -> Any:
    """0 below 0, 1 above 1, a cubic without kinks between."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def neck_share(shape: str) -> float:
    """Half-width of a crown at its neck as a share of the largest."""
    return dict(_CROWN_WIDTH[shape])[1.0]


def orifice_y_mm(tooth: ToothParameters) -> float:
    """Level of the canal orifices: the chamber's floor."""
    return tooth.crown.height_mm + 0.4 * tooth.trunk_mm + 0.4


def bend_start_mm(root: RootParameters, neck_mm: float) -> float:
    """Where the root's first bend begins, along its axis."""
    start = neck_mm + root.bend_start * (root.length_mm - neck_mm)
    return max(start, neck_mm + 1.6)


def root_curve(root: RootParameters, neck_mm: float) -> Curve:
    """Axis of a root from the coronal reference to the tip."""
    start = bend_start_mm(root, neck_mm)
    end = root.length_mm - 0.3
    knots = [(0.0, root.crown_deg), (neck_mm - 1.0, root.crown_deg)]
    knots += [(neck_mm + 1.5, root.root_deg), (start, root.root_deg)]
    direction = root.root_deg
    for k, turn in enumerate(root.turns_deg):
        direction += turn
        knots.append((start + (end - start) * (k + 1) / len(root.turns_deg), direction))
    return heading_curve((0.0, root.reference_x_mm), root.length_mm, knots)


def root_profile(root: RootParameters, neck_mm: float, grow_mm: float = 0.0) -> Profile:
    """Swept solid of a root, grown by the ligament space or the lamina dura."""
    s = sampled(neck_mm - 1.0, root.length_mm + grow_mm)
    u = np.clip((s - neck_mm) / (root.length_mm - neck_mm), 0.0, 1.0)
    fall = (1.0 - u) ** 0.85
    a = root.tip_half_width_mm + (root.neck_half_width_mm - root.tip_half_width_mm) * fall
    b = a * (root.depth_ratio + (1.15 - root.depth_ratio) * u)
    close = rounded_end(s, root.length_mm + grow_mm, root.tip_round_mm + grow_mm)
    return Profile(s=s, a=(a + grow_mm) * close, b=(b + grow_mm) * close)


def crown_bottom_mm(tooth: ToothParameters) -> float:
    """Level where the crown, or the trunk of a molar, ends."""
    return tooth.crown.height_mm + max(1.8, tooth.trunk_mm)


def _shares(pairs: tuple[tuple[float, float], ...], at: FloatArray) -> FloatArray:
    return np.asarray(np.interp(at, [p[0] for p in pairs], [p[1] for p in pairs]))


def crown_top(crown: CrownParameters, x: Float32) -> Float32:
    """Level of the occlusal surface or incisal edge; 0 at the cusp tips."""
    half = crown.half_width_mm
    if crown.shape == "molar":
        top = crown.cusp_mm * np.cos(np.pi * x / (1.1 * half)) ** 2
    elif crown.shape == "pointed":
        top = crown.cusp_mm * (np.abs(x) / half) ** 1.6
    else:
        top = 0.3 * crown.cusp_mm * (x / half) ** 2
    return np.asarray(top, dtype=np.float32)


def crown_chord(
    tooth: ToothParameters,
    y: Float32,
    x: Float32,
    *,
    shrink_top: float = 0.0,
    shrink_side: Float32 | float = 0.0,
) -> Float32:
    """Thickness of a crown with its trunk, or of the same solid with a layer taken off."""
    crown = tooth.crown
    bottom = crown_bottom_mm(tooth)
    step = 0.02
    along = np.arange(-0.5, bottom + 0.5, step)
    close = rounded_end(along, bottom, 1.5)
    shares = along / crown.height_mm
    width = crown.half_width_mm * _shares(_CROWN_WIDTH[crown.shape], shares) * close
    depth = crown.half_depth_mm * _shares(_CROWN_DEPTH[crown.shape], shares) * close
    index = ((y - along[0]) / step).astype(np.int32).clip(0, len(along) - 1)
    a = width.astype(np.float32)[index] - shrink_side
    b = depth.astype(np.float32)[index] - shrink_side
    # The occlusal end is rounded over 0.8 mm below the cusp line.
    below = (y - crown_top(crown, x) - shrink_top) / 0.8
    opening = np.sqrt(1.0 - (1.0 - below.clip(0.0, 1.0)) ** 2)
    ratio = np.abs(x) / np.maximum(a * (0.9 + 0.1 * opening), 1e-3)
    section = (1.0 - ratio.clip(0.0, 1.0) ** _SECTION) ** (1.0 / _SECTION)
    return np.asarray(2.0 * b.clip(0.0, None) * opening * section, dtype=np.float32)


def enamel_chord(tooth: ToothParameters, y: Float32, x: Float32) -> Float32:
    """Thickness of the enamel cap, which thins out to the neck."""
    crown = tooth.crown
    end = 1.03 * crown.height_mm
    side = 0.6 * crown.enamel_mm * smooth_step((end - y) / (0.5 * crown.height_mm))
    core = crown_chord(tooth, y, x, shrink_top=crown.enamel_mm, shrink_side=side)
    cap = (crown_chord(tooth, y, x) - core).clip(0.0, None)
    return np.asarray(np.where(y < end, cap, 0.0), dtype=np.float32)


def metal_chord(tooth: ToothParameters, y: Float32, x: Float32) -> Float32:
    """Thickness of a metal crown that takes the place of the enamel."""
    inner = crown_chord(tooth, y, x, shrink_top=0.9, shrink_side=0.6)
    shell = (crown_chord(tooth, y, x) - inner).clip(0.0, None)
    return np.asarray(np.where(y < tooth.crown.height_mm - 0.3, shell, 0.0), dtype=np.float32)


def chamber_half_width_mm(crown: CrownParameters) -> float:
    """Half-width of the pulp chamber and of the access to it."""
    return (0.45 if crown.shape == "molar" else 0.24) * crown.half_width_mm


def chamber_chord(tooth: ToothParameters, y: Float32, x: Float32) -> Float32:
    """Pulp chamber of an untouched tooth."""
    half = chamber_half_width_mm(tooth.crown)
    r = (x / half) ** 2 + ((y - (orifice_y_mm(tooth) - 1.6)) / 2.0) ** 2
    return np.asarray(2.2 * np.sqrt((1.0 - r).clip(0.0, None)), dtype=np.float32)


def access_chord(tooth: ToothParameters, y: Float32, x: Float32) -> Float32:
    """Access cavity from the occlusal surface to the chamber's floor."""
    crown = tooth.crown
    floor = orifice_y_mm(tooth)
    depth = 0.30 * crown.half_depth_mm if crown.shape == "incisor" else 1.6
    flare = chamber_half_width_mm(crown) * (1.0 + 0.15 * (floor - y) / floor)
    across = (1.0 - (np.abs(x) / np.maximum(flare, 0.1)).clip(0.0, 1.0) ** 4) ** 0.25
    ends = smooth_step((floor + 0.25 - y) / 0.5)
    return np.asarray(2.0 * depth * across * ends, dtype=np.float32)
