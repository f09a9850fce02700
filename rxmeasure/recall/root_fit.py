"""Where a root lies in the second film, given the plane map of the whole film.

A root lies before or behind that plane by a depth that changes evenly along it. Seen under
another angle it is therefore shifted, evenly more from its neck to its apex: four numbers, which
a fit to the grey levels finds. Fine detail alone is compared, for the fill's edges and end stand
out in it, and shadings do not; and only of the root itself, for bone beyond it lies at other
depths.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from rxmeasure.geometry import FloatArray, feet_on_polyline, polyline_length
from rxmeasure.recall.contrast import match_contrast
from rxmeasure.recall.intensity_fit import fitted_line
from rxmeasure.recall.plane_map import compose, mapped_grid, pixel_grid
from rxmeasure.recall.prepared_film import Image, Mask, SmallFilm
from rxmeasure.recall.root_pulls import Compared, told, widened

#: Half-width of what is compared at the root's neck and apex, and of its soft rim, mm: the root,
#: its ligament and the socket's wall, as far as they fit into a root of any width (choices).
_HALF_WIDTH_MM, _RIM_MM = (1.6, 0.6), 0.3
#: Share of the root above which the bone's crest and the crown may lie; over the next share the
#: support sets in (choices).
_LEFT_OUT_SHARE, _SETS_IN_SHARE = 0.25, 0.15
#: Detail is what a Gaussian of this standard deviation, mm, takes away (half a fill's width),
#: less grain (px).
_DETAIL_MM, _GRAIN_PX = 0.3, 0.5
#: Another root lies at another depth: as far as a wide fill in it (half-width 0.4 mm) and the
#: detail round that reach, its pull is left out.
_OTHER_ROOT_MM = 0.4 + _DETAIL_MM
#: How far, mm, apex and neck of a root may be expected to lie from the plane map: for the apex the
#: parallax of 12 mm of root, leaning 8 degrees, under an angle that changes by 4; for the neck
#: half a millimetre of depth under the same, and the error of the plane map.
_EXPECTED_MM = (0.13, 0.05)
#: Where nothing but that is known, it is known to about a half (GUM, G.4.2).
_EXPECTED_FREEDOM = 2.0
#: The fit itself is held more loosely, mm, as if pixels of this area, mm2, told the same.
_HOLD_MM, _SAME_MM2 = (0.5, 0.1), 0.1
#: Side of the blocks whose pulls tell the error, mm. Blocks of 0.8 mm still pull alike: at the
#: true shift their pulls add up to 1.6 times the variance of independent ones (41 development
#: roots); larger ones than this are too few.
_BLOCK_MM = 1.2
_ITERATIONS, _STEP_PX = 12, 0.01
_MARGIN_MM = 3.0 * _DETAIL_MM
_FEWEST_PX = 100


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RootFit:
    """A root's map, in pixels of the small films, and how far its apex can be told.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        From the fixed to the moving film.
    apex_covariance : ndarray, shape (2, 2)
        Of where the apex lies, in pixels of the fixed film squared, so wide that two standard
        deviations cover what they do of a normal error.
    freedom : float
        Degrees of freedom of the covariance, at least 1.
    """

    matrix: FloatArray
    apex_covariance: FloatArray
    freedom: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """The part of the fixed film that holds the root, and its N pixels that are compared.

    Attributes
    ----------
    corner : tuple of float
        Row and column of its first pixel.
    used : ndarray of bool
        Which pixels are compared.
    grey, detail, weight : ndarray, shape (N,)
    shares : ndarray, shape (N, 2)
        How much each moves with the apex and with the neck.
    changes : ndarray, shape (N, 4)
        Of the detail with each shift.
    block : ndarray of int, shape (N,)
    px_per_mm : float
    """

    corner: tuple[float, float]
    used: Mask
    grey: Image
    detail: Image
    weight: FloatArray
    shares: FloatArray
    changes: FloatArray
    block: NDArray[np.intp]
    px_per_mm: float

    def on(self, to_moving: FloatArray) -> FloatArray:
        """Where its pixels, used or not, come to lie, shape (2, rows, cols)."""
        return mapped_grid(to_moving, self.used.shape, self.corner)


def fit_root(
    fixed: SmallFilm,
    moving: SmallFilm,
    plane: FloatArray,
    line_px: FloatArray,
    *,
    mm_per_px: float,
    stable: FloatArray,
    others_px: Sequence[FloatArray] = (),
) -> RootFit:
    """Fit a root's shift from the plane map.

    Parameters
    ----------
    fixed, moving : SmallFilm
        The two visits.
    plane : ndarray, shape (3, 3)
        From pixels of ``fixed`` to those of ``moving``.
    line_px : ndarray, shape (N, 2)
        The root from its neck to its apex, px of ``fixed``.
    mm_per_px : float
        Of ``fixed``; at least about.
    stable : ndarray
        0 where ``fixed`` shows something that changed, else 1.
    others_px : sequence of ndarray, shape (N, 2)
        Courses of the other canals, px of ``fixed``. Those that leave the reach of this root
        belong to another one.
    """
    part = _part(fixed, line_px, mm_per_px, stable, others_px)
    other = None if part is None else _matched(part, moving, plane)
    if part is None or other is None:
        return _by_plane(plane, mm_per_px)
    hold = (_per_shift(_HOLD_MM) * part.px_per_mm) ** 2
    shift = np.zeros(4)
    for _ in range(_ITERATIONS):
        compared = _compared(part, other, moving, compose(plane, _shift_map(line_px, shift)))
        held = compared.variance * _SAME_MM2 * part.px_per_mm**2 / hold
        step = np.linalg.solve(compared.steepness + np.diag(held), compared.pull - held * shift)
        shift = shift + step
        if np.abs(step).max() < _STEP_PX:
            break
    found = told(compared, shift, held, _per_shift(_EXPECTED_MM) * part.px_per_mm)
    return RootFit(
        matrix=compose(plane, _shift_map(line_px, found.shift)),
        apex_covariance=found.covariance[:2, :2] * widened(found.freedom) ** 2,
        freedom=found.freedom,
    )


def _part(
    fixed: SmallFilm,
    line_px: FloatArray,
    mm_per_px: float,
    stable: FloatArray,
    others_px: Sequence[FloatArray],
) -> _Part | None:
    px_per_mm = 1.0 / mm_per_px
    reach = (max(_HALF_WIDTH_MM) + _MARGIN_MM) * px_per_mm
    low = np.maximum(np.floor(line_px.min(axis=0) - reach), 0).astype(int)
    high = np.minimum(np.ceil(line_px.max(axis=0) + reach), np.array(fixed.grey.shape) - 1)
    if (high - low < 2).any():
        return None
    box = tuple(slice(a, int(b) + 1) for a, b in zip(low, high, strict=True))
    grey = fixed.grey[box]
    grid = pixel_grid(grey.shape, (float(low[0]), float(low[1])))
    along, away = feet_on_polyline(line_px, grid.reshape(-1, 2))
    share = (along / polyline_length(line_px)).reshape(grey.shape)
    support = _support(share, away.reshape(grey.shape) * mm_per_px)
    for other_px in others_px:
        if _is_another_root(line_px, other_px, mm_per_px):
            support = support * _beside(other_px, grid, mm_per_px)
    weight = support * fixed.valid[box] * stable[box]
    used = weight > 0.0
    if used.sum() < _FEWEST_PX:
        return None
    axis = line_px[0] - line_px[-1]
    of_neck = (grid[used] - line_px[-1]) @ axis / float(axis @ axis)
    shares = np.stack([1.0 - of_neck, of_neck], axis=1)
    detail = _detail(grey, px_per_mm)
    return _Part(
        corner=(float(low[0]), float(low[1])),
        used=used,
        grey=grey[used],
        detail=detail[used],
        weight=weight[used],
        shares=shares,
        changes=_changes(detail, used, shares),
        block=_blocks(grid[used], _BLOCK_MM * px_per_mm),
        px_per_mm=px_per_mm,
    )


def _support(share: FloatArray, away_mm: FloatArray) -> FloatArray:
    neck, apex = _HALF_WIDTH_MM
    across = (neck + (apex - neck) * share + 0.5 * _RIM_MM - away_mm) / _RIM_MM
    along = (share - _LEFT_OUT_SHARE) / _SETS_IN_SHARE
    return np.asarray(np.clip(across, 0.0, 1.0) * np.clip(along, 0.0, 1.0))


def _is_another_root(line_px: FloatArray, other_px: FloatArray, mm_per_px: float) -> bool:
    _, away = feet_on_polyline(line_px, other_px)
    return float(away.max()) * mm_per_px > max(_HALF_WIDTH_MM)


def _beside(other_px: FloatArray, grid: FloatArray, mm_per_px: float) -> FloatArray:
    """0 on another root's fill, 1 beyond its reach."""
    _, away = feet_on_polyline(other_px, grid.reshape(-1, 2))
    away_mm = away.reshape(grid.shape[:2]) * mm_per_px
    return np.asarray(np.clip((away_mm - _OTHER_ROOT_MM) / _RIM_MM + 0.5, 0.0, 1.0))


def _matched(part: _Part, moving: SmallFilm, plane: FloatArray) -> Image | None:
    """The moving film in the grey levels of the fixed one, as the root shows them."""
    at = part.on(plane)[:, part.used]
    both = (part.weight > 0.5) & (_inside(moving, at) > 0.0)
    seen = map_coordinates(moving.grey, at[:, both], order=1, mode="nearest")
    own = part.grey[both]
    if both.sum() < _FEWEST_PX or min(np.ptp(own), np.ptp(seen)) == 0.0:
        return None
    curve = match_contrast(own, seen)
    return np.asarray(curve.apply(moving.grey), dtype=np.float32)


def _inside(film: SmallFilm, at: FloatArray) -> FloatArray:
    valid = film.valid.astype(np.float32)
    return np.asarray(map_coordinates(valid, at, order=0, mode="constant", cval=0.0))


def _compared(part: _Part, other: Image, moving: SmallFilm, to_moving: FloatArray) -> Compared:
    """The fixed film and the moving one, whose grey levels ``other`` are matched."""
    at, used = part.on(to_moving), part.used
    seen = _detail(map_coordinates(other, at, order=1, mode="nearest"), part.px_per_mm)
    weight = part.weight * _inside(moving, at[:, used])
    gain, offset = fitted_line(seen[used], part.detail, weight)
    return Compared(
        own=part.changes,
        seen=gain * _changes(seen, used, part.shares),
        residual=part.detail - gain * seen[used] - offset,
        weight=weight,
        block=part.block,
    )


def _detail(grey: Image, px_per_mm: float) -> Image:
    coarse = gaussian_filter(grey, _DETAIL_MM * px_per_mm)
    return np.asarray(gaussian_filter(grey, _GRAIN_PX) - coarse)


def _changes(detail: Image, used: Mask, shares: FloatArray) -> FloatArray:
    """Change of a picture with apex row and column, neck row and column, shape (N, 4)."""
    slopes = np.asarray(np.gradient(detail))[:, used].T
    return np.asarray((shares[:, :, None] * slopes[:, None, :]).reshape(-1, 4))


def _blocks(points_px: FloatArray, side_px: float) -> NDArray[np.intp]:
    """Number of the square block in which each point lies."""
    rows, cols = (points_px // side_px).astype(np.intp).T
    _, block = np.unique(rows * (cols.max() + 1) + cols, return_inverse=True)
    return np.asarray(block)


def _per_shift(of_apex_and_neck: tuple[float, float]) -> FloatArray:
    return np.repeat(of_apex_and_neck, 2)


def _shift_map(line_px: FloatArray, shift: FloatArray) -> FloatArray:
    """The shift, which changes evenly from apex to neck, as an affine map."""
    apex, neck = shift.reshape(2, 2)
    axis = line_px[0] - line_px[-1]
    per_px = np.outer(neck - apex, axis) / float(axis @ axis)
    matrix = np.eye(3)
    matrix[:2, :2] += per_px
    matrix[:2, 2] = apex - per_px @ line_px[-1]
    return matrix


def _by_plane(plane: FloatArray, mm_per_px: float) -> RootFit:
    """Where the root cannot be seen: the plane map, and what may be expected."""
    return RootFit(
        matrix=plane,
        apex_covariance=np.eye(2) * (_EXPECTED_MM[0] / mm_per_px) ** 2,
        freedom=_EXPECTED_FREEDOM,
    )
