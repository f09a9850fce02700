"""Radiopacity of a measured fill: the whole path of the beam, and what the fill adds to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.ndimage import map_coordinates

from rxmeasure.errors import MarksError
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.geometry import FloatArray
from rxmeasure.radiograph import Radiograph
from rxmeasure.radiopacity.curve import AluminiumCurve, Equivalent

#: Where a row is read, in widths of the fill from its middle: the middle of the fill, and
#: dentine on either side (choice).
_INSIDE = np.linspace(-0.15, 0.15, 5)
_BESIDE = np.linspace(0.8, 1.1, 5)
#: Fewest rows of the profile (choice).
_FEWEST_ROWS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class FillRadiopacity:
    """Thickness of aluminium that one fill equals.

    Not the radiopacity of a standard: the beam passes fill, tooth, bone and cheek, and the
    fill is as thick as the canal is deep there. What lies over the wedge itself (cheek, bone)
    is not counted. All values are medians over the wider half of the fill, where blur takes
    little from its middle. Where one side is brighter than the other, the background may
    differ by as much.

    Attributes
    ----------
    canal : str
    rows : int
        Rows of the fill's profile that were read.
    whole_path : Equivalent
        Behind the middle of the fill: fill and everything in line with it.
    beside : Equivalent
        Behind the dentine beside it.
    added_mm_al, u_added_mm_al : float
        Whole path less the path beside: what the fill adds over the dentine it replaces.
        Dentine beside is not exactly as thick as in line with the fill.
    """

    canal: str
    rows: int
    whole_path: Equivalent
    beside: Equivalent
    added_mm_al: float
    u_added_mm_al: float


def measure_fill(
    radiograph: Radiograph, curve: AluminiumCurve, canal: CanalMeasurement
) -> FillRadiopacity:
    """Radiopacity of the fill of a measured canal.

    Raises
    ------
    MarksError
        The canal has no fill that was measured.
    CalibrationError
        Fill or dentine is outside the wedge's steps.
    """
    width = np.array([p.width_px for p in canal.profile])
    if len(width) < 2 * _FEWEST_ROWS:
        raise MarksError(
            found=f"no measured fill in canal '{canal.name}'.",
            needed="a filled canal whose width was measured.",
            next_step="Mark a filled canal.",
        )
    wide = [p for p in canal.profile if p.width_px >= np.median(width)]
    scale = radiograph.px_scale
    left = scale.to_plane([p.left_edge_px for p in wide])
    right = scale.to_plane([p.right_edge_px for p in wide])
    middle, across = (left + right) / 2.0, right - left

    def read(places: FloatArray) -> FloatArray:
        """Mean grey of each row at ``places``, in widths from the middle of the fill."""
        points = middle[:, None] + places[None, :, None] * across[:, None]
        at = np.moveaxis(scale.to_px(points), -1, 0)
        return np.asarray(
            map_coordinates(radiograph.pixels, at, order=1, mode="nearest").mean(axis=1)
        )

    left_grey, right_grey = read(-_BESIDE), read(_BESIDE)
    tilt = abs(float(np.median(right_grey - left_grey)))
    whole = _equivalent(curve, read(_INSIDE), tilt, f"the fill of canal '{canal.name}'")
    beside = _equivalent(
        curve, (left_grey + right_grey) / 2.0, tilt, f"dentine beside canal '{canal.name}'"
    )
    return FillRadiopacity(
        canal=canal.name,
        rows=len(wide),
        whole_path=whole,
        beside=beside,
        added_mm_al=whole.value_mm_al - beside.value_mm_al,
        u_added_mm_al=float(np.hypot(whole.u_mm_al, beside.u_mm_al)),
    )


def _equivalent(
    curve: AluminiumCurve, grey: FloatArray, unevenness: float, name: str
) -> Equivalent:
    """Equivalent of the median row."""
    u = float(stats.median_abs_deviation(grey, scale="normal")) / np.sqrt(len(grey))
    return curve.equivalent_of(float(np.median(grey)), float(u), unevenness, name)
