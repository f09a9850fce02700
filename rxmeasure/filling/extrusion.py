"""Material outside the canal: sealer puff. Approximate by nature.

A puff is a smooth bright patch at the fill's end or at a lateral exit. It is
looked for on the straightened picture round the apical part, over a background
that is the median of its surroundings, with the fill's own corridor taken out; where the
fill runs into the puff, its corridor ends at the neck.
Its edge is put at a quarter of its height: the half-height edge of such a soft
patch under-reads its area.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rxmeasure.filling.fill_end import FillExtent
from rxmeasure.filling.strip import CanalStrip
from rxmeasure.geometry import FloatArray

#: Side of the window of the background median (mm).
BACKGROUND_MM = 1.8
#: Share of its height at which a puff's edge is put.
EDGE_SHARE = 0.25
#: Noise standard deviations that a puff has to reach, and its least area (mm2, choice).
THRESHOLD_SD = 5.0
LEAST_AREA_MM2 = 0.06
#: Least height of a puff against the fill's own (choice).
LEAST_CONTRAST = 0.2
#: A puff has to lie within this distance of the fill (mm); one at a lateral exit lies outside
#: the root, farther away, and has to stand out by so much of the fill's height and be compact.
NEAR_MM = 0.5
FAR_MM = 1.7
FAR_CONTRAST = 0.6
FAR_COMPACT = 0.6
FAR_AREA_MM2 = 1.5
#: Rim beside the fill's expected edges that is left out with the fill (mm).
CORRIDOR_MM = 0.12
#: Where the bright stretch at the end is so much wider than the fill over so much of the last
#: stretch (mm), the fill runs into a puff and its own corridor ends there.
NECK_WIDER_MM = 0.12
NECK_REACH_MM = 3.0
NECK_LENGTH_MM = 0.25
NECK_LAST_MM = 0.4
#: Height of a puff beside the fill's corridor against the fill's own (choice).
NECK_CONTRAST = 0.35
#: How far coronal of the fill's end puffs are looked for (mm).
LATERAL_MM = 5.0
#: Reach or area from which an extrusion is called gross (choice; no published limit known).
GROSS_REACH_MM = 3.0
GROSS_AREA_MM2 = 6.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PuffPatch:
    """One puff; plane units. ``outline`` is closed, plane points."""

    area: float
    u_area: float
    centre_s: float
    centre_t: float
    farthest_s: float
    reach: float
    outline: FloatArray
    axial: bool


def find_puff(
    strip: CanalStrip, extent: FillExtent, expected: FloatArray, contrast: float
) -> PuffPatch | None:
    """Find the largest puff, or None.

    Parameters
    ----------
    strip : CanalStrip
    extent : FillExtent
    expected : ndarray, shape (N,)
        Expected width of the fill in each row.
    contrast : float
        Typical grey level of the fill over its background.
    """
    rows = np.flatnonzero(strip.s > extent.end_s - LATERAL_MM)
    if len(rows) < 20:
        return None
    s = strip.s[rows]
    t = strip.t
    patch = ndimage.gaussian_filter(
        strip.values[rows], (0.05 / strip.s_step, 0.05 / strip.t_step), mode="nearest"
    )
    half = expected[rows][:, None] / 2.0
    across = np.abs(t[None, :] - extent.end_t)
    corridor = (across < half + CORRIDOR_MM) & (s[:, None] < extent.end_s + CORRIDOR_MM)
    background = _masked_median(strip, patch, corridor)
    off = t[None, :] - extent.end_t
    over = patch - background
    outside = over[~corridor]
    noise = 1.4826 * float(np.median(np.abs(outside - np.median(outside)))) + 1e-9
    level = max(THRESHOLD_SD * noise, LEAST_CONTRAST * contrast)

    def patch_below(neck_contrast: float) -> PuffPatch | None:
        neck_s = _neck(s, extent.end_s, off, half, over, neck_contrast * contrast)
        without_fill = np.where(corridor & (s[:, None] < neck_s), 0.0, over)
        end_s = min(extent.end_s, neck_s)
        away = np.where(s[:, None] <= end_s, across - half, np.hypot(s[:, None] - end_s, across))
        return _largest(strip, rows, without_fill, away, end_s, level, contrast)

    # Once a puff is seen, a lower rim tells where the fill runs into it.
    found = patch_below(NECK_CONTRAST)
    whole = None if found is None else patch_below(LEAST_CONTRAST)
    return found if whole is None or (found is not None and whole.area < found.area) else whole


def _largest(
    strip: CanalStrip,
    rows: NDArray[np.int_],
    over: FloatArray,
    distance: FloatArray,
    end_s: float,
    level: float,
    contrast: float,
) -> PuffPatch | None:
    """Largest patch that may be a puff.

    ``over``: picture over its background, 0 in the fill; ``distance`` from the fill; ``level``
    that a puff has to reach.
    """
    labels, _ = ndimage.label(over > 0.35 * level)
    s, t = strip.s[rows], strip.t
    best: PuffPatch | None = None
    cell = strip.s_step * strip.t_step
    for label in np.unique(labels[over > level]):
        patch_of = labels == label
        peak = float(over[patch_of].max())
        region = patch_of & (over > EDGE_SHARE * peak)
        parts, parts_count = ndimage.label(region)
        sizes = ndimage.sum_labels(region, parts, np.arange(1, parts_count + 1))
        region = parts == 1 + int(np.argmax(sizes))
        area = float(region.sum()) * cell
        near = float(distance[region].min())
        if area < LEAST_AREA_MM2 or near > FAR_MM:
            continue
        if near > NEAR_MM and not (
            peak > FAR_CONTRAST * contrast and area < FAR_AREA_MM2 and _compact(region, strip)
        ):
            continue
        if region[:, [0, -1]].any() or region[[0], :].any():
            continue  # runs out of the window: a neighbour, a bone edge
        if best is not None and area <= best.area:
            continue
        i, j = np.nonzero(region)
        if near > NEAR_MM and float(s[i].max()) > end_s:
            continue  # beyond the end and away from it: another root's
        rim = float(np.count_nonzero(region & ~ndimage.binary_erosion(region)))
        best = PuffPatch(
            area=area,
            u_area=float(np.hypot(0.25 * area, 0.5 * rim * cell)),
            centre_s=float(s[i].mean()),
            centre_t=float(t[j].mean()),
            farthest_s=float(s[i].max()),
            reach=float(distance[region].max()),
            outline=_outline(strip, rows, region),
            axial=bool(s[i].max() > end_s),
        )
    return best


def _neck(
    s: FloatArray,
    end_s: float,
    across: FloatArray,
    half: FloatArray,
    over: FloatArray,
    level: float,
) -> float:
    """Arc distance at which the fill ends in a puff, or infinity."""
    # Both sides of the corridor are bright in the rows of a puff.
    sides = []
    for side in (-across, across):
        rim = (side > half + NECK_WIDER_MM / 2.0) & (side < half + 2.0 * NECK_WIDER_MM)
        sides.append(np.where(rim, over, 0.0).sum(axis=1) / np.maximum(rim.sum(axis=1), 1))
    wide = (np.minimum(*sides) > level) & (s > end_s - NECK_REACH_MM) & (s < end_s + 0.3)
    labels, count = ndimage.label(wide)
    puffs = [s[labels == k] for k in range(1, count + 1)]
    puffs = [p for p in puffs if np.ptp(p) > NECK_LENGTH_MM and p[-1] > end_s - NECK_LAST_MM]
    return float(puffs[-1][0]) if puffs else float("inf")


def _compact(region: np.ndarray, strip: CanalStrip) -> bool:
    """Whether a region is round rather than long: its area against that of its circumcircle."""
    i, j = np.nonzero(region)
    y, x = i * strip.s_step, j * strip.t_step
    radius = float(np.hypot(y - y.mean(), x - x.mean()).max())
    return len(i) * strip.s_step * strip.t_step > FAR_COMPACT * np.pi * radius**2


def _masked_median(strip: CanalStrip, patch: FloatArray, mask: np.ndarray) -> FloatArray:
    """Median of the surroundings with the fill itself left out, on a coarse grid."""
    filled = patch.copy()
    # Put the grey of the nearest place outside the fill into the fill.
    where = ndimage.distance_transform_edt(mask, return_distances=False, return_indices=True)
    filled = patch[tuple(where)]
    by = (max(1, round(0.15 / strip.s_step)), max(1, round(0.15 / strip.t_step)))
    coarse = filled[:: by[0], :: by[1]]
    size = (
        max(3, round(BACKGROUND_MM / (strip.s_step * by[0])) | 1),
        max(3, round(BACKGROUND_MM / (strip.t_step * by[1])) | 1),
    )
    median = _median_around(coarse, size)
    i = np.arange(patch.shape[0])[:, None] / by[0]
    j = np.arange(patch.shape[1])[None, :] / by[1]
    return np.asarray(
        ndimage.map_coordinates(median, np.broadcast_arrays(i, j), order=1, mode="nearest")
    )


def _median_around(values: FloatArray, size: tuple[int, int]) -> FloatArray:
    """Median of a window of odd size round each place, the border values going on."""
    padded = np.pad(values, [(n // 2, n // 2) for n in size], mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, size)
    windows = windows.reshape(*values.shape, -1)
    middle = windows.shape[-1] // 2
    return np.asarray(np.partition(windows, middle, axis=-1)[..., middle])


def _outline(strip: CanalStrip, rows: np.ndarray, region: np.ndarray) -> FloatArray:
    """Closed outline of the region on the plane."""
    from skimage.measure import find_contours

    contours = find_contours(np.pad(region.astype(float), 1), 0.5)
    longest = max(contours, key=len) - 1.0
    s = strip.s[rows[0]] + longest[:, 0] * strip.s_step
    t = strip.t[0] + longest[:, 1] * strip.t_step
    keep = np.unique(np.linspace(0, len(s) - 1, min(len(s), 60)).astype(int))
    return strip.at(s[keep], t[keep])
