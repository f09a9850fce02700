"""What the trained network sees of a lesion on one film: its outline, and how sure it is.

The network is a residual U-Net (Ronneberger et al. 2015, doi:10.1007/978-3-319-24574-4_28)
trained on phantoms alone by ``.tools/train_lesions``. It knows grey levels in spreads of the bone
beside the lesion, where the film ends, and the roots that are marked. Without onnxruntime or
without its weights, `see_lesion` is None and the fitted model finds lesions alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import KDTree
from scipy.special import expit
from skimage.measure import find_contours, points_in_poly

from rxmeasure.geometry import FloatArray, PixelScale, polygon_area, resample
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.lesion_grid import FARTHEST_MM, GRID, STEP_MM
from rxmeasure.recall.lesion_window import grain_area
from rxmeasure.recall.network_view import (
    View,
    answers_in_eight_ways,
    from_grid,
    grid_mm,
    in_spreads,
    usual_grey,
    view_of,
)
from rxmeasure.trained_network import trained_network

#: The outline may lie this far from the click, in mm (choice).
_AWAY_MM = 1.0
#: Bone within this of the outline is what the inside is compared with (mm, choice).
_RING_MM = 2.5
#: Widths of the soft edge that are tried, mm.
_WIDTHS = np.geomspace(0.12, 1.8, 28)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenLesion:
    """A lesion on one film.

    Attributes
    ----------
    outline : ndarray, shape (N, 2)
        On the film's plane, in mm; empty where nothing is seen near the click.
    whole : bool
        False where the lesion is too large for the network's view.
    probability : float
        That there is a lesion.
    u_log_area : float
        Standard uncertainty of the area's logarithm.
    contrast_sd : float
        How much darker it is than the bone round it, in standard deviations of that bone.
    edge_width, u_edge_width : float
        Of the soft edge, in mm.
    """

    outline: FloatArray
    whole: bool = True
    probability: float = 0.0
    u_log_area: float = np.inf
    contrast_sd: float = 0.0
    edge_width: float = np.nan
    u_edge_width: float = np.nan


def see_lesion(
    radiograph: Radiograph,
    plane: PixelScale,
    click: FloatArray,
    root_lines: Sequence[FloatArray],
) -> SeenLesion | None:
    """Look for a lesion round a click (plane, mm); None where the network cannot look."""
    network = trained_network("rxmeasure.recall", "lesion.onnx")
    if network is None:
        return None
    centre, seen = click, SeenLesion(outline=np.empty((0, 2)))
    # Once more round what was seen first: where the click was must not matter.
    for _ in range(2):
        view = view_of(radiograph, plane, centre, root_lines)
        usual = usual_grey(view)
        if usual is None:
            return None
        grey = in_spreads(view, *usual)
        channels = np.stack([grey, view.on_film, view.beyond / FARTHEST_MM])
        shares, numbers = answers_in_eight_ways(network, channels)
        outline, whole = _outline(shares[0], click - centre)
        if len(outline) == 0:
            return seen
        probability = float(np.mean(expit(numbers[:, 0])))
        u_log_area = float(np.sqrt(np.mean(numbers[:, 2] ** 2)))
        seen = SeenLesion(
            outline=centre + outline, whole=whole, probability=probability, u_log_area=u_log_area
        )
        if not whole:
            return seen
        centre = np.asarray(seen.outline.mean(axis=0))
    contrast_sd, width, u_width = _edge(view, grey, outline)
    return replace(seen, contrast_sd=contrast_sd, edge_width=width, u_edge_width=u_width)


def _outline(share: FloatArray, click: FloatArray) -> tuple[FloatArray, bool]:
    """The largest outline that holds the click or passes near it (mm), and whether it is whole."""
    padded = np.pad(share, 1)
    near = [from_grid(c[:-1] - 1.0) for c in find_contours(padded, 0.5) if len(c) > 3]
    near = [c for c in near if _reaches(c, click)]
    if not near:
        return np.empty((0, 2)), True
    outline = max(near, key=polygon_area)
    limit = 0.5 * (GRID - 4) * STEP_MM
    return outline, bool(np.abs(outline).max() < limit)


def _reaches(outline: FloatArray, click: FloatArray) -> bool:
    if points_in_poly(click[None], outline)[0]:
        return True
    return bool(np.hypot(*(outline - click).T).min() < _AWAY_MM)


def _edge(view: View, grey: FloatArray, outline: FloatArray) -> tuple[float, float, float]:
    """Contrast in standard deviations of the bone, width of the soft edge and its uncertainty."""
    places = grid_mm().reshape(-1, 2)
    closed = np.vstack([outline, outline[:1]])
    away = KDTree(resample(closed, 0.1 * STEP_MM)).query(places)[0]
    inward = np.where(points_in_poly(places, outline), away, -away).reshape(GRID, GRID)
    used = view.bone & (inward > -_RING_MM) & (grey < 5.0)
    outside, inside = used & (inward < -0.5), used & (inward > 0.3)
    if min(np.count_nonzero(outside), np.count_nonzero(inside)) < 20:
        return 0.0, np.nan, np.nan
    level = float(np.median(grey[outside]))
    spread = 1.4826 * float(np.median(np.abs(grey[outside] - level)))
    contrast_sd = (level - float(np.median(grey[inside]))) / max(spread, 1e-9)
    values, depth = grey[used], inward[used]
    plain = np.column_stack([np.ones(len(values)), places.reshape(GRID, GRID, 2)[used]])
    left = []
    for width in _WIDTHS:
        terms = np.column_stack([plain, expit(depth / (0.25 * width))])
        rest = values - terms @ np.linalg.lstsq(terms, values, rcond=None)[0]
        left.append(float(rest @ rest))
    misfit = np.array(left)
    best = int(np.argmin(misfit))
    noise = misfit[best] / len(values)
    grains = max(grain_area(np.where(outside, grey - level, 0.0), outside, STEP_MM), STEP_MM**2)
    weight = np.exp(-0.5 * (misfit - misfit[best]) / max(noise, 1e-12) * STEP_MM**2 / grains)
    width = float(np.average(_WIDTHS, weights=weight))
    return contrast_sd, width, float(np.sqrt(np.average((_WIDTHS - width) ** 2, weights=weight)))
