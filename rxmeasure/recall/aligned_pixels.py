"""How the pixels of two visits compare, from their alignment: where a film has no scale."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rxmeasure.geometry import FloatArray
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.comparison import PixelRatio
from rxmeasure.recall.pairs import PairLandmarks, align_pair
from rxmeasure.recall.plane_map import jacobian

#: Relative standard uncertainty of the ratio: the lesion may lie some millimetres before or
#: behind the plane that was aligned, seen from a few hundred millimetres (choice).
U_REL = 0.01


def pixel_ratio(
    first: tuple[int, Radiograph],
    second: tuple[int, Radiograph],
    *,
    outline_px: FloatArray,
    at_px: FloatArray,
    landmarks: PairLandmarks | None = None,
) -> PixelRatio | None:
    """Size of the second film's pixels in those of the first, at the lesion.

    Parameters
    ----------
    first, second : tuple of (int, Radiograph)
        Number and film of each visit.
    outline_px : ndarray, shape (N, 2)
        The lesion in the first film: left out of the alignment; empty for none.
    at_px : ndarray, shape (2,)
        The lesion's middle in the second film.
    landmarks : PairLandmarks, optional
        The reader's points, which go before the program's alignment.

    Returns
    -------
    PixelRatio or None
        None where the films cannot be aligned.
    """
    (before, film), (after, other) = first, second
    changed = [outline_px] if len(outline_px) > 2 else []
    found = align_pair(film, other, changed_px=changed, landmarks=landmarks)
    if found.refused:
        return None
    # Column pitches: of the first film's plane, over that of the second film's pixels.
    area = abs(float(np.linalg.det(jacobian(found.map, at_px))))
    area *= film.pixel_aspect / other.pixel_aspect
    return PixelRatio(before=before, after=after, value=float(np.sqrt(area)), u_rel=U_REL)


def middle(points_px: Sequence[tuple[float, float]]) -> FloatArray:
    """Mean of an outline's points."""
    return np.asarray(np.mean(np.asarray(points_px, dtype=np.float64), axis=0))
