"""Two visits brought together: how their pixels compare, and lesions fitted on both films."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rxmeasure.geometry import FloatArray
from rxmeasure.marks import PointPx
from rxmeasure.recall.alignment import Alignment, AlignmentVerdict, RootCourse, align_films
from rxmeasure.recall.comparison import PixelRatio
from rxmeasure.recall.lesion import Lesion, LesionSource
from rxmeasure.recall.paired_lesion import PairedSizes, VisitFilm, paired_sizes
from rxmeasure.recall.plane_map import jacobian

#: Relative standard uncertainty of the ratio: the lesion may lie some millimetres before or
#: behind the plane that was aligned, seen from a few hundred millimetres (choice).
U_REL = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenVisit:
    """A visit as far as it is compared: its number, film, roots and lesions."""

    number: int
    film: VisitFilm
    roots: Sequence[RootCourse]
    lesions: Sequence[Lesion]


@dataclass(frozen=True, slots=True, kw_only=True)
class BroughtTogether:
    """What the alignment of two visits gives.

    Attributes
    ----------
    before, after : int
        Visits, counted from 1.
    pixel_ratio : PixelRatio or None
        Only where a film has no scale.
    paired : tuple of PairedSizes
        Lesions that were fitted on both films at once.
    refused : str
        Why the films could not be aligned; else empty.
    """

    before: int
    after: int
    pixel_ratio: PixelRatio | None = None
    paired: tuple[PairedSizes, ...] = ()
    refused: str = ""


def bring_together(first: SeenVisit, second: SeenVisit) -> BroughtTogether:
    """Align two visits where that helps to compare their lesions."""
    before, after = first.number, second.number
    pairs = _outlined_at_both(first, second)
    unscaled = None in (first.film.calibration, second.film.calibration)
    clicked = [
        pair for pair in pairs if all(lesion.source is LesionSource.CLICK for lesion in pair)
    ]
    if not pairs or not (unscaled or clicked):
        return BroughtTogether(before=before, after=after)
    scale = first.film.calibration
    alignment = align_films(
        first.film.radiograph.pixels,
        second.film.radiograph.pixels,
        roots=first.roots,
        changed_px=[lesion.outline_px for lesion in first.lesions if lesion.outline_px],
        mm_per_px=None if scale is None else scale.scale.mean,
    )
    if alignment.verdict is AlignmentVerdict.REFUSED:
        return BroughtTogether(before=before, after=after, refused=alignment.reason)
    found = [
        paired_sizes(
            (before, first.film, a), (after, second.film, b), map_at(alignment, a.outline_px)
        )
        for a, b in clicked
    ]
    lesion, later = pairs[0]
    ratio = _pixel_ratio(map_at(alignment, lesion.outline_px), later.outline_px, first, second)
    return BroughtTogether(
        before=before,
        after=after,
        pixel_ratio=ratio if unscaled else None,
        paired=tuple(one for one in found if one is not None),
    )


def map_at(alignment: Alignment, outline_px: Sequence[PointPx]) -> FloatArray:
    """The map of the root whose apex lies nearest to a lesion of the first film."""
    if not alignment.roots:
        return alignment.map
    middle = _middle(outline_px)
    return min(alignment.roots, key=lambda r: float(np.hypot(*(r.apex_px - middle)))).map


def _outlined_at_both(first: SeenVisit, second: SeenVisit) -> list[tuple[Lesion, Lesion]]:
    later = {lesion.root: lesion for lesion in second.lesions if lesion.outline_px}
    return [
        (lesion, later[lesion.root])
        for lesion in first.lesions
        if lesion.outline_px and lesion.root in later
    ]


def _pixel_ratio(
    to_first: FloatArray,
    later_outline_px: Sequence[PointPx],
    first: SeenVisit,
    second: SeenVisit,
) -> PixelRatio:
    """Column pitch of the later film in that of the earlier one, at the lesion."""
    area = abs(float(np.linalg.det(jacobian(to_first, _middle(later_outline_px)))))
    area *= first.film.radiograph.pixel_aspect / second.film.radiograph.pixel_aspect
    return PixelRatio(
        before=first.number, after=second.number, value=float(np.sqrt(area)), u_rel=U_REL
    )


def _middle(points_px: Sequence[PointPx]) -> FloatArray:
    return np.asarray(np.mean(np.asarray(points_px, dtype=np.float64), axis=0))
