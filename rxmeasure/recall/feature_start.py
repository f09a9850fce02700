"""A first map between two films from matched features, without any start.

Scale-invariant features (Lowe 2004, doi:10.1023/B:VISI.0000029664.99615.94) and random sample
consensus (Fischler & Bolles 1981, doi:10.1145/358669.358692) of a similarity, which no mirrored
film can pass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skimage.feature import SIFT, match_descriptors

from rxmeasure.geometry import FloatArray
from rxmeasure.recall.prepared_film import PreparedFilm

#: Longer side on which features are looked for, px (choice: speed).
SIDE_PX = 280
_TRIALS = 1500
#: Parallax and foreshortening between visits are smaller than this, as a share of the side.
_TOLERANCE = 0.018
_LARGEST_SCALE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Features:
    """Keypoints, shape (N, 2), and their descriptors, shape (N, 128)."""

    points_px: FloatArray
    descriptors: FloatArray

    def where(self, keep: NDArray[np.bool_]) -> Features:
        """Those that are kept."""
        return Features(points_px=self.points_px[keep], descriptors=self.descriptors[keep])

    def mirrored(self, cols: int) -> Features:
        """What the mirror image of a film ``cols`` pixels wide would give.

        A descriptor is 4 x 4 histograms of 8 directions, along and across its own direction.
        """
        points = self.points_px * (1.0, -1.0) + (0.0, cols - 1.0)
        cells = self.descriptors.reshape(-1, 4, 4, 8)[:, :, ::-1]
        turned = cells[..., -np.arange(8) % 8]
        return Features(points_px=points, descriptors=turned.reshape(-1, 128))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FeatureStart:
    """An affine map between prepared films, from ``inliers`` of ``matches``."""

    matrix: FloatArray
    inliers: int
    matches: int


def features(film: PreparedFilm) -> Features:
    """Features of a film."""
    detector = SIFT(upsampling=1, n_octaves=4, c_dog=0.012, c_edge=15)
    try:
        detector.detect_and_extract(np.clip(0.5 + film.image / 6.0, 0.0, 1.0))
    except RuntimeError:  # how scikit-image says that it found none
        return Features(points_px=np.empty((0, 2)), descriptors=np.empty((0, 128)))
    return Features(
        points_px=np.asarray(detector.keypoints, dtype=np.float64),
        descriptors=np.asarray(detector.descriptors),
    )


def feature_start(first: Features, second: Features) -> FeatureStart:
    """Map from the first film to the second; the same features always give the same map."""
    nothing = FeatureStart(matrix=np.eye(3), inliers=0, matches=0)
    if min(len(first.points_px), len(second.points_px)) < 4:
        return nothing
    pairs = match_descriptors(
        first.descriptors, second.descriptors, max_ratio=0.9, cross_check=True
    )
    if len(pairs) < 4:
        return nothing
    a, b = first.points_px[pairs[:, 0]], second.points_px[pairs[:, 1]]
    best = _consensus(a, b)
    for _ in range(3):
        if best.sum() < 4:
            return FeatureStart(matrix=np.eye(3), inliers=int(best.sum()), matches=len(pairs))
        matrix = _affine(a[best], b[best])
        best = _near(a @ matrix[:2, :2].T + matrix[:2, 2], b)
    if np.linalg.det(matrix[:2, :2]) <= 0.0:
        return nothing  # matches along one line let a film be turned over
    return FeatureStart(matrix=matrix, inliers=int(best.sum()), matches=len(pairs))


def _near(moved: FloatArray, wanted: FloatArray) -> FloatArray:
    away = moved - wanted
    return np.asarray(np.hypot(away[..., 0], away[..., 1]) < _TOLERANCE * SIDE_PX)


def _consensus(a: FloatArray, b: FloatArray) -> FloatArray:
    """Matches that agree with the best of many similarities through two of them."""
    rng = np.random.default_rng(0)
    one, two = rng.integers(0, len(a), (2, _TRIALS))
    za, zb = a @ (1.0, 1.0j), b @ (1.0, 1.0j)
    apart = np.abs(za[two] - za[one]) > 0.1 * SIDE_PX
    one, two = one[apart], two[apart]
    turn = (zb[two] - zb[one]) / (za[two] - za[one])
    likely = np.abs(np.log(np.abs(turn) + 1e-9)) < np.log(_LARGEST_SCALE)
    one, turn = one[likely], turn[likely]
    if len(turn) == 0:
        return np.zeros(len(a), dtype=bool)
    away = np.abs(zb[one, None] + turn[:, None] * (za[None] - za[one, None]) - zb[None])
    close = away < _TOLERANCE * SIDE_PX
    return np.asarray(close[int(np.argmax(close.sum(axis=1)))])


def _affine(a: FloatArray, b: FloatArray) -> FloatArray:
    design = np.column_stack([a, np.ones(len(a))])
    matrix = np.eye(3)
    matrix[:2] = np.linalg.lstsq(design, b, rcond=None)[0].T
    return matrix
