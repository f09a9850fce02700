"""Refine a map between two prepared films by the grey levels themselves.

Second-order minimisation with the mean of both films' gradients (Benhimane & Malis 2004,
doi:10.1109/IROS.2004.1389474), weighted by how alike the two films are at each place, so that
a healed lesion, a new filling or bone at another depth has little say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from rxmeasure.geometry import FloatArray
from rxmeasure.recall.plane_map import compose, mapped_grid, pixel_grid
from rxmeasure.recall.prepared_film import Image, Mask, PreparedFilm
from rxmeasure.recall.wide_mean import WideMean

Values = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IntensityFit:
    """A map from the fixed film to the moving film, in pixels of the prepared films.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
    correlation : float
        Of the two pictures over the support.
    basis : Basis
    covariance : ndarray, shape (P, P)
        Of the parameters of `basis`, from how much square blocks of the support disagree.
    spare_blocks : int
        Blocks beyond the number of parameters.
    """

    matrix: FloatArray
    correlation: float
    basis: Basis
    covariance: FloatArray
    spare_blocks: int

    def point_covariance(self, point_px: FloatArray) -> FloatArray:
        """Covariance of where a point of the fixed film lies, shape (2, 2), px squared."""
        moved = self.basis.displacement(point_px)
        return np.asarray(moved @ self.covariance @ moved.T)


@dataclass(frozen=True, slots=True, kw_only=True)
class FitSettings:
    """How a fit is done.

    Attributes
    ----------
    parameters : int
        2 (shift), 6 (affine) or 8 (projective).
    iterations : int
    smoothing_px : float
        Standard deviation of a Gaussian over both films.
    likeness_px : float
        Standard deviation of the window in which they are compared.
    block_px : int
        Side of the blocks that tell the covariance.
    linear_sd : float or None
        How far the linear part may be expected to leave the start; None: anywhere.
    """

    parameters: int = 8
    iterations: int = 12
    smoothing_px: float = 0.7
    likeness_px: float = 6.0
    block_px: int = 24
    linear_sd: float | None = None


#: A step smaller than this ends the fit, px.
_STEP_PX = 0.03
#: Pixels that share their grain, for the weight of ``linear_sd`` (choice).
_GRAIN_PX = 60.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Basis:
    """Parameters of a small map round a centre, in units of ``size_px``: 2, 6 or 8 of them."""

    centre_px: FloatArray
    size_px: float
    count: int

    def units(self, points_px: FloatArray) -> FloatArray:
        """Points round the centre in units of the size, shape (2, N)."""
        return np.asarray((points_px - self.centre_px).T / self.size_px)

    def changes(self, along_r: Values, along_c: Values, units: Values) -> Values:
        """Change of a picture with gradients along rows and columns, shape (count, N)."""
        r, c = units
        parts = [along_r, along_c]
        if self.count >= 6:
            parts += [along_r * r, along_r * c, along_c * r, along_c * c]
        if self.count >= 8:
            outwards = along_r * r + along_c * c
            parts += [outwards * r, outwards * c]
        return np.stack(parts)

    def displacement(self, point_px: FloatArray) -> FloatArray:
        """Displacement of a point for each parameter, shape (2, count)."""
        one, zero = np.ones(1), np.zeros(1)
        units = self.units(point_px[None])
        both = self.changes(one, zero, units), self.changes(zero, one, units)
        return np.asarray(np.concatenate(both, axis=1).T * self.size_px)

    def matrix(self, p: FloatArray) -> FloatArray:
        """The small map with parameters ``p``."""
        small = np.eye(3)
        small[:2, 2] = p[:2]
        if self.count >= 6:
            small[:2, :2] += [[p[2], p[3]], [p[4], p[5]]]
        if self.count >= 8:
            small[2, :2] = -p[6:8]
        to_unit = np.diag([1.0 / self.size_px, 1.0 / self.size_px, 1.0])
        to_unit[:2, 2] = -self.centre_px / self.size_px
        return compose(np.linalg.inv(to_unit), compose(small, to_unit))


def fit(
    fixed: PreparedFilm,
    moving: PreparedFilm,
    start: FloatArray,
    settings: FitSettings,
    support: FloatArray | None = None,
) -> IntensityFit:
    """Refine ``start``, a map from pixels of ``fixed`` to pixels of ``moving``.

    Parameters
    ----------
    fixed, moving : PreparedFilm
    start : ndarray, shape (3, 3)
    settings : FitSettings
    support : ndarray, optional
        Weight of each pixel of ``fixed``, 0 to 1; all of the picture without it.
    """
    weight = np.asarray(fixed.valid * (1.0 if support is None else support), dtype=np.float32)
    box = _box(weight > 0.0)
    weight = weight[box]
    image, other = (_smoothed(f.image, settings.smoothing_px) for f in (fixed, moving))
    image, other = image[box], np.where(moving.valid, other, np.float32(np.nan))
    corner = (float(box[0].start), float(box[1].start))
    points = pixel_grid(image.shape, corner).reshape(-1, 2)
    basis = _basis(points, weight.ravel(), settings.parameters)
    units = basis.units(points).astype(np.float32)
    own = np.gradient(image)
    matrix, gone = start, np.zeros(settings.parameters)
    for _ in range(settings.iterations):
        seen, inside = _warped(other, mapped_grid(matrix, image.shape, corner))
        compared = weight * inside
        w = compared * _likeness(image, seen, compared, settings.likeness_px) ** 2
        if w.sum() < 1.0:
            break
        gain, offset = fitted_line(seen, image, w)
        along_r, along_c = (
            0.5 * (a + gain * b).ravel() for a, b in zip(own, np.gradient(seen), strict=True)
        )
        changes = basis.changes(along_r, along_c, units)
        residual = (image - gain * seen - offset).ravel()
        left = changes * w.ravel()
        hold = _hold(settings, basis, float((w.ravel() * residual**2).sum() / w.sum()))
        normal = (left @ changes.T).astype(np.float64) + np.diag(hold)
        step = np.linalg.lstsq(normal, left @ residual - hold * gone, rcond=None)[0]
        gone = gone + step
        matrix = compose(matrix, basis.matrix(np.asarray(step / basis.size_px)))
        if np.abs(step).max() < _STEP_PX:
            break
    if w.sum() < 1.0:
        return _no_fit(start, basis)
    used = weight.ravel() > 0.0
    pulls = _block_sums((left * residual)[:, used], points[used], settings.block_px)
    back = np.linalg.pinv(normal)
    spare = max(len(pulls) - settings.parameters, 1)
    covariance = back @ (pulls.T @ pulls) @ back.T * len(pulls) / spare
    return IntensityFit(
        matrix=matrix,
        correlation=_correlation(image, seen, compared),
        basis=basis,
        covariance=covariance / basis.size_px**2,
        spare_blocks=spare,
    )


def _no_fit(start: FloatArray, basis: Basis) -> IntensityFit:
    return IntensityFit(
        matrix=start,
        correlation=0.0,
        basis=basis,
        covariance=np.eye(basis.count),
        spare_blocks=1,
    )


def _hold(settings: FitSettings, basis: Basis, variance: float) -> FloatArray:
    hold = np.zeros(settings.parameters)
    if settings.linear_sd is not None:
        hold[2:] = variance * _GRAIN_PX / (settings.linear_sd * basis.size_px) ** 2
    return hold


def _basis(points: FloatArray, weight: Values, count: int) -> Basis:
    total = float(weight.sum())
    centre = (points * weight[:, None]).sum(axis=0) / total
    spread = (weight * ((points - centre) ** 2).sum(axis=1)).sum() / total
    return Basis(centre_px=centre, size_px=float(np.sqrt(spread)), count=count)


def _block_sums(values: Values, points: FloatArray, block_px: int) -> FloatArray:
    """Sums of ``values``, shape (P, N), over square blocks of the picture, shape (B, P)."""
    place = (points // block_px).astype(np.int64)
    _, index = np.unique(place[:, 0] * 100_000 + place[:, 1], return_inverse=True)
    return np.stack([np.bincount(index, row) for row in values], axis=1)


def _smoothed(image: Image, sd_px: float) -> Image:
    return np.asarray(gaussian_filter(image, sd_px) if sd_px > 0.0 else image, dtype=np.float32)


def _box(mask: Mask) -> tuple[slice, slice]:
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(cols[0]), int(cols[-1]) + 1)


def _warped(image: Image, at: FloatArray) -> tuple[Image, Mask]:
    """The moving film on the fixed film's pixels, and where it shows something."""
    seen = map_coordinates(image, at, order=1, mode="constant", cval=np.nan, output=np.float32)
    inside = np.isfinite(seen)
    return np.where(inside, seen, np.float32(0.0)), inside


def _likeness(a: Image, b: Image, weight: Image, sd_px: float) -> Image:
    """Local correlation of two pictures, 0 where it is negative."""
    window = WideMean(shape=a.shape, sd_px=sd_px)
    mean = window.coarse
    share = np.maximum(mean(weight), 1e-6)
    wa, wb = weight * a, weight * b
    ma, mb = mean(wa) / share, mean(wb) / share
    vaa, vbb = mean(wa * a) / share - ma * ma, mean(wb * b) / share - mb * mb
    vab = mean(wa * b) / share - ma * mb
    return window.fine(np.clip(vab / np.sqrt(np.maximum(vaa * vbb, 1e-6)), 0.0, 1.0))


def fitted_line(x: Image, y: Image, w: Values) -> tuple[float, float]:
    """Slope and height of the weighted least-squares line of ``y`` over ``x``."""
    total = w.sum()
    mx, my = (w * x).sum() / total, (w * y).sum() / total
    gain = float((w * (x - mx) * (y - my)).sum() / max((w * (x - mx) ** 2).sum(), 1e-9))
    return gain, float(my - gain * mx)


def _correlation(a: Image, b: Image, w: Image) -> float:
    total = max(float(w.sum()), 1e-9)
    da, db = a - (w * a).sum() / total, b - (w * b).sum() / total
    return float(
        (w * da * db).sum() / np.sqrt(max((w * da * da).sum() * (w * db * db).sum(), 1e-9))
    )
