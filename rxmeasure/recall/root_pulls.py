"""What two films of a root say of its shift, and how far that can be trusted.

Each pixel pulls the shift its own way. The pulls fade as the shift is approached, by the slopes
that both films share: bone that only one of them shows has slopes too, but gives no hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from rxmeasure.geometry import FloatArray

#: Twice the stated error covers this, as two standard deviations of a normal error do.
_COVERED = 0.9545
#: Rounds after which the scatter of the pulls no longer changes.
_ROUNDS = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """The two films, pixel by pixel of the support.

    Attributes
    ----------
    own, seen : ndarray, shape (N, 4)
        Change of the fixed and of the moving film's detail with each shift.
    residual, weight : ndarray, shape (N,)
    block : ndarray of int, shape (N,)
        Number of the square block in which the pixel lies.
    """

    own: FloatArray
    seen: FloatArray
    residual: FloatArray
    weight: FloatArray
    block: NDArray[np.intp]

    @property
    def pulls(self) -> FloatArray:
        """What each pixel says, shape (N, 4)."""
        return 0.5 * (self.own + self.seen) * (self.weight * self.residual)[:, None]

    @property
    def pull(self) -> FloatArray:
        """All of them together, shape (4,)."""
        return np.asarray(self.pulls.sum(axis=0))

    @property
    def curvature(self) -> FloatArray:
        """How fast the pull fades with the shift: only what both films show counts."""
        return _rising(_even(self.own.T @ (self.seen * self.weight[:, None])))

    @property
    def steepness(self) -> FloatArray:
        """Curvature for a step: half way to that of the mean of both films' slopes.

        The latter takes what only one of the films shows for a hold and steps too short, the
        curvature itself may vanish.
        """
        mean = 0.5 * (self.own + self.seen)
        return 0.5 * (mean.T @ (mean * self.weight[:, None]) + self.curvature)

    @property
    def variance(self) -> float:
        """Of what the two films differ by."""
        return float((self.weight * self.residual**2).sum() / max(self.weight.sum(), 1e-9))

    def block_pulls(self) -> FloatArray:
        """Shape (B, 4)."""
        return _sums(self.pulls, self.block)

    def block_curvatures(self) -> FloatArray:
        """Shape (B, 4, 4)."""
        left = self.own * self.weight[:, None]
        products = (left[:, :, None] * self.seen[:, None, :]).reshape(-1, 16)
        return _even(_sums(products, self.block).reshape(-1, 4, 4))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Told:
    """What the films say of the four shifts, with what was to be expected weighed in.

    Attributes
    ----------
    shift : ndarray, shape (4,)
        Row and column of the apex, row and column of the neck.
    covariance : ndarray, shape (4, 4)
    freedom : float
        Degrees of freedom of the apex's part of the covariance, at least 1.
    """

    shift: FloatArray
    covariance: FloatArray
    freedom: float


def told(compared: Compared, shift: FloatArray, held: FloatArray, expected_px: FloatArray) -> Told:
    """Weigh the pull that the films have at no shift against the shift that was to be expected.

    Its error is the scatter of what the blocks pull (sandwich; White 1982,
    doi:10.2307/1912526). At the fit the blocks pull less unevenly than at the true shift, for the
    fit has evened them out, most of all where few of them hold it: the difference follows from
    the error itself, so that both are found by turns. The few blocks also leave the error itself
    uncertain, which its degrees of freedom say (Welch and Satterthwaite; GUM, annex G).
    """
    pulls, curvatures = compared.block_pulls(), compared.block_curvatures()
    curvature, expected = compared.curvature, np.diag(expected_px**2)
    at_fit = pulls.T @ pulls
    scatter = at_fit
    for _ in range(_ROUNDS):
        spread = curvature @ expected @ curvature + scatter
        gain = expected @ curvature @ np.linalg.pinv(spread, hermitian=True)
        covariance = expected - gain @ curvature @ expected
        scatter = at_fit + (curvatures @ covariance @ curvatures).sum(axis=0)
    moves, evened = (pulls @ gain.T)[:, :2], (gain @ curvatures)[:, :2]
    parts = (moves**2).sum(axis=1) + np.einsum("bij,jk,bik->b", evened, covariance, evened)
    return Told(
        shift=gain @ (curvature @ shift + held * shift),
        covariance=covariance,
        freedom=float(np.trace(covariance[:2, :2]) ** 2 / max((parts**2).sum(), 1e-300)),
    )


def widened(freedom: float) -> float:
    """How much wider Student's distribution is than the normal one (GUM, annex G)."""
    share = 0.5 * (1.0 + _COVERED)
    return float(stdtrit(freedom, share) / ndtri(share))


def _even(matrix: FloatArray) -> FloatArray:
    """The symmetric part."""
    return 0.5 * (matrix + np.swapaxes(matrix, -1, -2))


def _sums(values: FloatArray, block: NDArray[np.intp]) -> FloatArray:
    return np.stack([np.bincount(block, column) for column in values.T], axis=1)


def _rising(matrix: FloatArray) -> FloatArray:
    """A symmetric matrix without what it has of negative curvature: chance, and no hold."""
    size, along = np.linalg.eigh(matrix)
    return np.asarray((along * np.maximum(size, 0.0)) @ along.T)
