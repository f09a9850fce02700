"""Exact geometry of a phantom as a perfect reader of the film could measure it.

Points are (row, col) in pixels, the centre of the first pixel being (0, 0). Arc
distances ``s_*_mm`` run along the canal's centre line from the coronal reference.
Millimetres are at the tooth's plane.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rxmeasure.geometry import FloatArray, as_points
from rxmeasure.marks import PointPx
from rxmeasure.phantom.parameters import PhantomError


@dataclass(frozen=True, slots=True, kw_only=True)
class VoidTruth:
    """One void.

    ``side``: ``"left"`` or ``"right"`` of the picture for what lies beside the centre line,
    else ``""``. ``area_mm2`` is the area of the outline, which ends at the canal's wall.
    """

    kind: str
    side: str
    centre_px: PointPx
    to_core_end_mm: float
    length_mm: float
    width_mm: float
    area_mm2: float
    content: str
    outline_px: tuple[PointPx, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PuffTruth:
    """Sealer beyond the canal. ``reach_mm``: farthest point from the exit."""

    place: str
    side: str
    area_mm2: float
    reach_mm: float
    exit_px: PointPx
    centre_px: PointPx
    outline_px: tuple[PointPx, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalTruth:
    """One canal.

    Attributes
    ----------
    centre_line_px : tuple of PointPx
        Every 0.1 mm from the coronal reference to the radiographic apex.
    s_mm : tuple of float
        Arc distance of each of these points.
    s_foramen_mm : float
        Foot of the foramen on the centre line.
    s_fill_start_mm, s_core_end_mm, s_sealer_end_mm : float or None
        Beyond ``s_apex_mm`` for a fill that passes the apex along the line's last direction.
    radiographic_apex_px : PointPx
        Where the canal's line leaves the root's visible outline: the tip of the root for a
        canal in the middle of its root.
    profile_s_mm, profile_to_end_mm, width_fill_mm, width_core_mm : tuple of float
        Every 0.1 mm of the fill; ``to_end`` from the core's apical end. ``width_fill`` is
        core and sealer from wall to wall, voids left out of account.
    fill_to_apex_core_mm, fill_to_apex_sealer_mm : float or None
        Along the canal, positive short. None without a fill.
    overlapped_mm : float
        Length of fill that another canal's fill covers in the picture.
    schneider_deg : float
        Angle between the canal's direction at the orifice and the line from where the bend
        begins to the apex (Schneider 1971, Oral Surg 32:271, value from memory).
    flags : tuple of str
        Of ``overlapped``, ``hourglass``, ``stripped``, ``end_void``, ``post``.
    """

    name: str
    content: str
    mm_per_px: float
    centre_line_px: tuple[PointPx, ...]
    s_mm: tuple[float, ...]
    s_orifice_mm: float
    s_foramen_mm: float
    s_apex_mm: float
    s_fill_start_mm: float | None
    s_core_end_mm: float | None
    s_sealer_end_mm: float | None
    coronal_reference_px: PointPx
    orifice_px: PointPx
    foramen_px: PointPx
    radiographic_apex_px: PointPx
    fill_start_px: PointPx | None
    core_end_px: PointPx | None
    sealer_end_px: PointPx | None
    length_mm: float
    length_straight_mm: float
    fill_length_mm: float | None
    fill_to_apex_core_mm: float | None
    fill_to_apex_core_straight_mm: float | None
    fill_to_apex_sealer_mm: float | None
    size: int
    taper: float
    profile_s_mm: tuple[float, ...]
    profile_to_end_mm: tuple[float, ...]
    width_fill_mm: tuple[float, ...]
    width_core_mm: tuple[float, ...]
    voids: tuple[VoidTruth, ...]
    puffs: tuple[PuffTruth, ...]
    post_end_px: PointPx | None
    post_gap_mm: float | None
    overlapped_mm: float
    schneider_deg: float
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileTruth:
    """A file's axis from the stop's apical side to the tip, and its length along the axis.

    ``kind``: ``"file"`` or ``"wire"``. ``canal`` is empty for what lies beside the tooth.
    """

    kind: str
    canal: str
    axis_px: tuple[PointPx, ...]
    length_mm: float
    size: int
    taper: float
    tip_to_apex_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LesionTruth:
    """Bone lost at the tip of a root, in the plane of its own depth.

    ``outline_px`` is the middle of the sloping wall, whose width is ``edge_mm``; area and
    longest diameter are those of the outline.
    """

    root: int
    area_mm2: float
    longest_mm: float
    edge_mm: float
    centre_px: PointPx
    apex_px: PointPx
    outline_px: tuple[PointPx, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhantomTruth:
    """Truth of one film. ``mm_per_px`` is at the tooth's plane: pitch over magnification."""

    seed: int
    film_kind: str
    tooth: str
    rows: int
    cols: int
    pitch_mm: float
    magnification: float
    mm_per_px: float
    tube_kv: int
    bits: int
    inverted: bool
    canals: tuple[CanalTruth, ...]
    files: tuple[FileTruth, ...]
    lesions: tuple[LesionTruth, ...] = ()
    origin: str = "own phantom (rxmeasure), not a patient"
    licence: str = "MIT"


def noisy_clicks(
    canal: CanalTruth,
    rng: np.random.Generator,
    *,
    sd_mm: float = 0.2,
    count: int = 2,
    start: str = "orifice",
) -> FloatArray:
    """Clicks a person would make along one canal.

    Parameters
    ----------
    canal : CanalTruth
    rng : numpy.random.Generator
    sd_mm : float
        Standard deviation of a click along each axis (choice: 0.2 mm).
    count : int
        2 or more; the ones between the first and the last are spread evenly in arc distance.
    start : str
        ``"orifice"``, ``"reference"`` or ``"fill"`` (the fill's coronal end).

    Returns
    -------
    ndarray, shape (count, 2)
        (row, col) in pixels, coronal first, apex last.
    """
    starts = {"orifice": canal.s_orifice_mm, "reference": 0.0, "fill": canal.s_fill_start_mm}
    if start not in starts or starts[start] is None or count < 2:
        raise PhantomError(
            found=f"{count} clicks from '{start}'.",
            needed="two or more, from 'orifice', 'reference' or, in a filled canal, 'fill'.",
            next_step="Correct the arguments.",
        )
    line = as_points(canal.centre_line_px)
    wanted = np.linspace(float(starts[start] or 0.0), canal.s_apex_mm, count)
    exact = np.column_stack([np.interp(wanted, canal.s_mm, line[:, k]) for k in (0, 1)])
    return np.asarray(exact + rng.normal(0.0, sd_mm / canal.mm_per_px, exact.shape))
