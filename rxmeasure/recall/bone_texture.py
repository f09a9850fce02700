"""Texture of bone as a random field: its spectrum, read off the film, and its covariance.

The spectrum is a sum of rings of wavelengths with weights that are not negative, so every
covariance made from it is one. Texture counts as alike in all directions.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.optimize import nnls
from scipy.spatial.distance import cdist
from scipy.special import j0

from rxmeasure.geometry import FloatArray

#: Wavelengths of the rings (mm) and their width in the logarithm (choice: from two pixels of the
#: finest grid to a window's half).
_WAVELENGTHS = np.geomspace(0.3, 9.0, 15)
_RING_WIDTH = 0.25
#: Distances at which a ring's correlation is kept, mm.
_STEP, _REACH = 0.005, 40.0
#: Farthest places whose correlation is read, mm, and fewest pairs of places for a reading (choice).
_READ_REACH, _FEWEST_PAIRS = 4.0, 50
#: A reading's error grows with what the correlation has lost; this is left where it lost none.
_READING_FLOOR = 0.01
#: What the field holds besides, as a share of its variance: film noise, interpolation (choice).
_NUGGET = 0.05


class TextureSpectrum:
    """Weights of the rings; their sum is the share of the variance that is correlated."""

    def __init__(self, weights: FloatArray) -> None:
        self.weights = weights
        self._correlation = _ring_table() @ weights

    @classmethod
    def of(cls, field: FloatArray, where: NDArray[np.bool_], step: float) -> TextureSpectrum:
        """Read off a field of mean 0 and variance 1 on a square grid, where it shows bone."""
        lag, found, pairs = _correlations(np.where(where, field, 0.0), where, step)
        terms = np.column_stack([_ring_table()[np.rint(lag / _STEP).astype(int)], lag == 0.0])
        trust = np.sqrt(pairs) / (_READING_FLOOR + np.clip(1.0 - found, 0.0, None))
        weights, _ = nnls(terms * trust[:, None], found * trust)
        return cls(weights[:-1] / weights.sum())

    def covariance(self, points: FloatArray) -> FloatArray:
        """Of a field of variance 1 at points in mm, shape (N, 2); film noise on the diagonal."""
        place = cdist(points, points) * (1.0 / _STEP)
        before = place.astype(np.intp)
        place -= before
        table = self._correlation
        found = np.asarray(table[before] * (1.0 - place) + table[before + 1] * place)
        np.fill_diagonal(found, 1.0 + _NUGGET)
        return found


@cache
def _ring_table() -> FloatArray:
    return _ring_correlations(np.arange(0.0, _REACH, _STEP))


def _ring_correlations(distances: FloatArray) -> FloatArray:
    """Correlation over distance of each ring, shape (N, rings)."""
    around = np.linspace(-3.0, 3.0, 41)
    off = np.exp(around * _RING_WIDTH)
    share = np.exp(-0.5 * around**2) * off
    share /= share.sum()
    lags = np.asarray(distances)[:, None] * (2.0 * np.pi)
    return np.column_stack([j0(lags * (off / wave)) @ share for wave in _WAVELENGTHS])


def _correlations(
    field: FloatArray, where: NDArray[np.bool_], step: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distance, mean product and number of pairs of places, for each lag up to the reach."""
    size = (2 * field.shape[0], 2 * field.shape[1])
    powers = (np.abs(fft.rfft2(v, size)) ** 2 for v in (field, where.astype(np.float64)))
    products, pairs = (fft.irfft2(power, size) for power in powers)
    reach = int(_READ_REACH / step)
    row, col = np.meshgrid(np.arange(-reach, reach + 1), np.arange(reach + 1), indexing="ij")
    lag = np.hypot(row, col) * step
    once = (col > 0) | (row >= 0)
    read = once & (lag <= _READ_REACH) & (pairs[row, col] > _FEWEST_PAIRS)
    row, col = row[read], col[read]
    return lag[read], products[row, col] / pairs[row, col], pairs[row, col]
