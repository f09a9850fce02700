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
from scipy.special import ndtri, stdtrit

from rxmeasure.geometry import FloatArray, feet_on_polyline, polyline_length
from rxmeasure.recall.contrast import match_contrast
from rxmeasure.recall.intensity_fit import fitted_line
from rxmeasure.recall.plane_map import compose, mapped, mapped_grid, pixel_grid
from rxmeasure.recall.prepared_film import Image, Mask, SmallFilm

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
#: Side of the blocks whose pulls tell the error, mm: beyond it the bone's texture is another one.
_BLOCK_MM = 0.8
#: Twice the stated error covers this, as two standard deviations of a normal error do.
_COVERED = 0.9545
#: Rounds after which the scatter of the pulls stays what it is.
_ROUNDS = 10
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
    """The part of the fixed film that holds the root.

    ``shares``: how much each pixel moves with the apex and with the neck, shape (..., 2).
    ``block``: number of the square block in which it lies.
    """

    grid: FloatArray
    weight: FloatArray
    shares: FloatArray
    block: NDArray[np.intp]
    grey: Image
    px_per_mm: float

    @property
    def detail_px(self) -> float:
        return _DETAIL_MM * self.px_per_mm

    @property
    def used(self) -> Mask:
        return self.weight > 0.0


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
    if part is None or part.used.sum() < _FEWEST_PX:
        return _by_plane(plane, mm_per_px)
    other = _matched(part, moving, plane)
    if other is None:
        return _by_plane(plane, mm_per_px)
    own = _detail(part.grey, part.detail_px)
    hold = _per_shift(_HOLD_MM) * part.px_per_mm
    shift = np.zeros(4)
    for _ in range(_ITERATIONS):
        compared = _compared(part, own, _seen(part, other, moving, plane, line_px, shift))
        held = compared.held(hold)
        step = np.linalg.solve(compared.steepness + np.diag(held), compared.pull - held * shift)
        shift = shift + step
        if np.abs(step).max() < _STEP_PX:
            break
    told = _told(compared, shift, held, _per_shift(_EXPECTED_MM) * part.px_per_mm)
    return RootFit(
        matrix=compose(plane, _shift_map(line_px, told.shift)),
        apex_covariance=told.covariance[:2, :2] * _widened(told.freedom) ** 2,
        freedom=told.freedom,
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
    axis = line_px[0] - line_px[-1]
    of_neck = (grid - line_px[-1]) @ axis / float(axis @ axis)
    return _Part(
        grid=grid,
        weight=support * fixed.valid[box] * stable[box],
        shares=np.stack([1.0 - of_neck, of_neck], axis=-1),
        block=_blocks(grid, _BLOCK_MM * px_per_mm),
        grey=grey,
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
    at = np.moveaxis(mapped(plane, part.grid), -1, 0)
    seen = map_coordinates(moving.grey, at, order=1, mode="nearest")
    inside = _inside(moving, at)
    both = (part.weight > 0.5) & (inside > 0.0)
    if both.sum() < _FEWEST_PX or min(np.ptp(part.grey[both]), np.ptp(seen[both])) == 0.0:
        return None
    curve = match_contrast(part.grey, seen, both)
    return np.asarray(curve.apply(moving.grey), dtype=np.float32)


def _inside(film: SmallFilm, at: FloatArray) -> FloatArray:
    valid = film.valid.astype(np.float32)
    return np.asarray(map_coordinates(valid, at, order=0, mode="constant", cval=0.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    """The moving film's detail where the fixed film's pixels come to lie."""

    detail: Image
    inside: FloatArray


def _seen(
    part: _Part,
    other: Image,
    moving: SmallFilm,
    plane: FloatArray,
    line_px: FloatArray,
    shift: FloatArray,
) -> _Seen:
    corner = (float(part.grid[0, 0, 0]), float(part.grid[0, 0, 1]))
    at = mapped_grid(compose(plane, _shift_map(line_px, shift)), part.grey.shape, corner)
    grey = map_coordinates(other, at, order=1, mode="nearest")
    return _Seen(detail=_detail(grey, part.detail_px), inside=_inside(moving, at))


def _detail(grey: Image, coarse_px: float) -> Image:
    return np.asarray(gaussian_filter(grey, _GRAIN_PX) - gaussian_filter(grey, coarse_px))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Compared:
    """The two films, pixel by pixel of the support.

    Attributes
    ----------
    own, seen : ndarray, shape (N, 4)
        Change of the fixed and of the moving film's detail with each shift.
    residual, weight : ndarray, shape (N,)
    block : ndarray of int, shape (N,)
    px_per_mm : float
    """

    own: FloatArray
    seen: FloatArray
    residual: FloatArray
    weight: FloatArray
    block: NDArray[np.intp]
    px_per_mm: float

    @property
    def pulls(self) -> FloatArray:
        """What each pixel says, shape (N, 4)."""
        return 0.5 * (self.own + self.seen) * (self.weight * self.residual)[:, None]

    @property
    def pull(self) -> FloatArray:
        return np.asarray(self.pulls.sum(axis=0))

    @property
    def curvature(self) -> FloatArray:
        """How fast the pull fades with the shift: only what both films show counts."""
        return _even(self.own.T @ (self.seen * self.weight[:, None]))

    @property
    def steepness(self) -> FloatArray:
        """Curvature for a step: half way to that of the mean of both films' slopes.

        The latter takes what only one of the films shows for a hold and steps too short, the
        curvature itself may vanish.
        """
        mean = 0.5 * (self.own + self.seen)
        return 0.5 * (mean.T @ (mean * self.weight[:, None]) + self.curvature)

    def held(self, hold_px: FloatArray) -> FloatArray:
        """Weight that holds each shift to none."""
        variance = float((self.weight * self.residual**2).sum() / max(self.weight.sum(), 1e-9))
        return np.asarray(variance * _SAME_MM2 * self.px_per_mm**2 / hold_px**2)

    def block_pulls(self) -> FloatArray:
        """Shape (B, 4)."""
        return _sums(self.pulls, self.block)

    def block_curvatures(self) -> FloatArray:
        """Shape (B, 4, 4)."""
        left = self.own * self.weight[:, None]
        products = (left[:, :, None] * self.seen[:, None, :]).reshape(-1, 16)
        return _even(_sums(products, self.block).reshape(-1, 4, 4))


def _compared(part: _Part, own: Image, seen: _Seen) -> _Compared:
    used = part.used & (seen.inside > 0.0)
    weight = part.weight[used]
    a, b = own[used], seen.detail[used]
    gain, offset = fitted_line(b, a, weight)
    _, block = np.unique(part.block[used], return_inverse=True)
    return _Compared(
        own=_changes(own, part.shares, used),
        seen=gain * _changes(seen.detail, part.shares, used),
        residual=a - gain * b - offset,
        weight=weight,
        block=block,
        px_per_mm=part.px_per_mm,
    )


def _changes(detail: Image, shares: FloatArray, used: Mask) -> FloatArray:
    """Change of a picture with apex row and column, neck row and column, shape (N, 4)."""
    slopes = np.stack([slope[used] for slope in np.gradient(detail)], axis=1)
    return (shares[used][:, :, None] * slopes[:, None, :]).reshape(-1, 4)


def _even(matrix: FloatArray) -> FloatArray:
    """The symmetric part."""
    return 0.5 * (matrix + np.swapaxes(matrix, -1, -2))


def _blocks(grid: FloatArray, side_px: float) -> NDArray[np.intp]:
    rows, cols = np.moveaxis(grid // side_px, -1, 0).astype(np.intp)
    return np.asarray(rows * (cols.max() + 1) + cols)


def _sums(values: FloatArray, block: NDArray[np.intp]) -> FloatArray:
    return np.stack([np.bincount(block, column) for column in values.T], axis=1)


def _per_shift(of_apex_and_neck: tuple[float, float]) -> FloatArray:
    return np.repeat(of_apex_and_neck, 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Told:
    """What the films say of the four shifts, with what was to be expected weighed in."""

    shift: FloatArray
    covariance: FloatArray
    freedom: float


def _told(
    compared: _Compared, shift: FloatArray, held: FloatArray, expected_px: FloatArray
) -> _Told:
    """Weigh the pull that the films have at no shift against the shift that was to be expected.

    Its error is the scatter of what the blocks pull (sandwich; White 1982,
    doi:10.2307/1912526). At the fit the blocks pull less unevenly than at the true shift, for the
    fit has evened them out, most of all where few of them hold it: the difference follows from
    the error itself, so that both are found by turns. The few blocks also leave the error itself
    uncertain, which its degrees of freedom say (Welch and Satterthwaite; GUM, annex G).
    """
    pulls, curvatures = compared.block_pulls(), compared.block_curvatures()
    curvature, expected = curvatures.sum(axis=0), np.diag(expected_px**2)
    at_fit = pulls.T @ pulls
    scatter = at_fit
    for _ in range(_ROUNDS):
        spread = curvature @ expected @ curvature + scatter
        gain = expected @ curvature @ np.linalg.pinv(spread, hermitian=True)
        covariance = expected - gain @ curvature @ expected
        scatter = at_fit + (curvatures @ covariance @ curvatures).sum(axis=0)
    moves, evened = (pulls @ gain.T)[:, :2], (gain @ curvatures)[:, :2]
    parts = (moves**2).sum(axis=1) + np.einsum("bij,jk,bik->b", evened, covariance, evened)
    return _Told(
        shift=gain @ (curvature @ shift + held * shift),
        covariance=covariance,
        freedom=float(np.trace(covariance[:2, :2]) ** 2 / max((parts**2).sum(), 1e-300)),
    )


def _widened(freedom: float) -> float:
    """How much wider Student's distribution is than the normal one (GUM, annex G)."""
    share = 0.5 * (1.0 + _COVERED)
    return float(stdtrit(freedom, share) / ndtri(share))


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
