"""Two visits brought together for the eye: by what both films show, or by the reader's points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rxmeasure.geometry import FloatArray
from rxmeasure.marks import PointPx
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.alignment import (
    REFUSED_MM,
    Alignment,
    AlignmentVerdict,
    RootCourse,
    align_films,
    assumed_mm_per_px,
    error_in_words,
    warped,
)
from rxmeasure.recall.contrast import ContrastCurve, match_contrast
from rxmeasure.recall.landmarks import LandmarkAlignment, align_landmarks
from rxmeasure.recall.plane_map import between_pixels

#: Points from which on a map may shear; fewer only shift, turn and scale it, which leaves a
#: spare point from three points on (choice).
AFFINE_FROM = 4
#: Differences beyond this percentile of their size share the ends of the colours (choice).
_END_PERCENTILE = 98.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PairLandmarks:
    """Points that the reader marks in the films of two visits, in the same order in both.

    Visits count from 1.
    """

    before: int
    after: int
    first_px: tuple[PointPx, ...] = ()
    second_px: tuple[PointPx, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether every point has its partner, and there are enough of them."""
        return len(self.first_px) == len(self.second_px) >= 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairAlignment:
    """How the film of a later visit comes onto that of an earlier one.

    Attributes
    ----------
    verdict : AlignmentVerdict
        A refused pair is shown side by side only.
    reason : str
        One sentence; empty when accepted.
    map : ndarray, shape (3, 3)
        Pixels of the later film to pixels of the earlier one.
    contrast : ContrastCurve or None
        Grey levels of the later film in those of the earlier one; None when refused.
    automatic : Alignment or None
        None where the reader's points were used.
    by_hand : LandmarkAlignment or None
    error_px, error_mm : float or None
        Standard error at the apex or, by hand, how far a point lies from where the others put
        it (root mean square); None where that is not known. Pixels are column pitches of the
        earlier film.
    """

    verdict: AlignmentVerdict
    reason: str
    map: FloatArray
    contrast: ContrastCurve | None
    automatic: Alignment | None
    by_hand: LandmarkAlignment | None
    error_px: float | None
    error_mm: float | None

    @property
    def refused(self) -> bool:
        """Whether the films may not be laid over each other."""
        return self.verdict is AlignmentVerdict.REFUSED or self.contrast is None

    def map_at(self, root: str) -> FloatArray:
        """The map at the depth of a root, or the plane's where it has none of its own."""
        roots = self.automatic.roots if self.automatic is not None else ()
        return next((one.map for one in roots if one.name == root), self.map)

    def map_near(self, place_px: FloatArray) -> FloatArray:
        """The map at the depth of the root whose apex lies nearest, or the plane's without any."""
        roots = self.automatic.roots if self.automatic is not None else ()
        if not roots:
            return self.map
        away = [float(np.hypot(*(np.asarray(root.apex_px) - place_px))) for root in roots]
        return roots[int(np.argmin(away))].map


def align_pair(
    first: Radiograph,
    second: Radiograph,
    *,
    roots: Sequence[RootCourse] = (),
    changed_px: Sequence[ArrayLike] = (),
    mm_per_px: float | None = None,
    landmarks: PairLandmarks | None = None,
) -> PairAlignment:
    """Align two visits; the reader's points, where there are enough, go before the program's.

    Parameters
    ----------
    first, second : Radiograph
    roots, changed_px, mm_per_px
        As for `align_films`.
    landmarks : PairLandmarks, optional

    Raises
    ------
    AlignmentError
        The films are too small, or the points give no map.
    """
    if landmarks is not None and landmarks.usable:
        return _by_hand(first, second, landmarks, mm_per_px)
    found = align_films(
        first.pixels,
        second.pixels,
        roots=roots,
        changed_px=changed_px,
        mm_per_px=mm_per_px,
        first_aspect=first.pixel_aspect,
        second_aspect=second.pixel_aspect,
    )
    known = bool(np.isfinite(found.residual_px))
    return PairAlignment(
        verdict=found.verdict,
        reason=found.reason,
        map=found.map,
        contrast=found.contrast,
        automatic=found,
        by_hand=None,
        error_px=found.residual_px if known else None,
        error_mm=found.residual_mm if known else None,
    )


def _by_hand(
    first: Radiograph, second: Radiograph, landmarks: PairLandmarks, mm_per_px: float | None
) -> PairAlignment:
    model = "affine" if len(landmarks.first_px) >= AFFINE_FROM else "similarity"
    places = (
        first.px_scale.to_plane(landmarks.first_px),
        second.px_scale.to_plane(landmarks.second_px),
    )
    found = align_landmarks(*places, model=model)
    error = found.left_out_rms_px
    error_mm = None if error is None or mm_per_px is None else error * mm_per_px
    verdict, reason = _judged(error, mm_per_px, first)
    to_first = between_pixels(found.map, second.pixel_aspect, first.pixel_aspect)
    moved = warped(without_rim(second), to_first, first.shape)
    both = np.isfinite(moved) & np.isfinite(without_rim(first))
    refused = verdict is AlignmentVerdict.REFUSED
    return PairAlignment(
        verdict=verdict,
        reason=reason,
        map=to_first,
        contrast=None if refused else match_contrast(first.pixels, moved, both),
        automatic=None,
        by_hand=replace(found, map=to_first),
        error_px=error,
        error_mm=error_mm,
    )


def _judged(
    error_px: float | None, mm_per_px: float | None, first: Radiograph
) -> tuple[AlignmentVerdict, str]:
    """Points by hand are never accepted outright: they say nothing of other depths."""
    if error_px is None:
        return AlignmentVerdict.CAUTION, "Without a spare point the error is not known."
    most_px = REFUSED_MM / (mm_per_px or assumed_mm_per_px(first.shape, first.pixel_aspect))
    if error_px > most_px:
        error, most = (error_in_words(value, mm_per_px) for value in (error_px, most_px))
        return AlignmentVerdict.REFUSED, (
            f"Each point lies {error} from where the others put it; up to {most} can be used."
        )
    return AlignmentVerdict.CAUTION, "Aligned by hand: what lies at another depth may be off."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Registered:
    """A later film on the grid of an earlier one, shape (rows, cols), NaN where it shows nothing.

    Attributes
    ----------
    moved : ndarray
        The later film in grey levels of the earlier one.
    difference : ndarray
        Later less earlier; NaN too where a film is plain black or white.
    end : float
        Size of a difference that gets the full colour.
    """

    moved: NDArray[np.float32]
    difference: NDArray[np.float32]
    end: float


def register(
    first: Radiograph, second: Radiograph, to_first: FloatArray, contrast: ContrastCurve
) -> Registered:
    """Bring the later film onto the earlier one and take their difference."""
    moved = contrast.apply(warped(second.pixels, to_first, first.shape))
    in_both = warped(without_rim(second), to_first, first.shape) + without_rim(first)
    difference = np.where(np.isfinite(in_both), moved - first.pixels, np.nan)
    seen = np.abs(difference[np.isfinite(difference)])
    end = float(np.percentile(seen, _END_PERCENTILE)) if seen.size else 1.0
    return Registered(
        moved=moved.astype(np.float32),
        difference=difference.astype(np.float32),
        end=max(end, 1e-9),
    )


def without_rim(film: Radiograph) -> NDArray[np.float32]:
    """Grey levels, NaN where the film is plain black or white: its rim, or saturated."""
    margin = 1e-3 * (film.value_max - film.value_min)
    shows = (film.pixels > film.value_min + margin) & (film.pixels < film.value_max - margin)
    return np.where(shows, film.pixels, np.float32(np.nan))
