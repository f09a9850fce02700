"""What an alignment of two films says of their lesions: pixels that compare, and a difference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from rxmeasure.calibration.scale import Calibration
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.geometry import FloatArray
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.alignment import RootCourse
from rxmeasure.recall.change import Change
from rxmeasure.recall.comparison import PixelRatio
from rxmeasure.recall.contrast import AlignmentError
from rxmeasure.recall.film_difference import AlignedLesion, AlignedLesions
from rxmeasure.recall.lesion import Lesion
from rxmeasure.recall.pair_network import change_on_films
from rxmeasure.recall.pairs import PairAlignment, PairLandmarks, align_pair
from rxmeasure.recall.plane_map import jacobian

#: Relative standard uncertainty of the ratio: the lesion may lie some millimetres before or
#: behind the plane that was aligned, seen from a few hundred millimetres (choice).
U_REL = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignedVisit:
    """A visit's film with what is known of it; ``number`` counts from 1."""

    number: int
    film: Radiograph
    calibration: Calibration | None
    lesions: Sequence[Lesion]
    canals: Sequence[CanalMeasurement]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignedPair:
    """What two aligned films say beyond their outlines.

    ``by_difference``: root to the change of its lesion's area. ``ratio``: only where a film has
    no scale. ``found``: None where nothing was aligned.
    """

    by_difference: dict[str, Change] = field(default_factory=dict)
    ratio: PixelRatio | None = None
    found: PairAlignment | None = None


def aligned_pair(
    before: AlignedVisit, after: AlignedVisit, *, landmarks: PairLandmarks | None = None
) -> AlignedPair:
    """Align two visits whose lesions both have a size; without such a lesion nothing is done.

    Parameters
    ----------
    before, after : AlignedVisit
    landmarks : PairLandmarks, optional
        The reader's points, which go before the program's alignment.

    Returns
    -------
    AlignedPair
        Empty where the films cannot be aligned.
    """
    first = {lesion.root: lesion for lesion in before.lesions if lesion.size}
    second = {lesion.root: lesion for lesion in after.lesions if lesion.size}
    both = [root for root in first if root in second]
    if not both:
        return AlignedPair()
    try:
        found = align_pair(
            before.film,
            after.film,
            roots=[
                RootCourse(name=canal.name, line_px=tuple(canal.centre_line.points_px))
                for canal in before.canals
            ],
            changed_px=[lesion.outline_px for lesion in before.lesions if lesion.outline_px],
            mm_per_px=None if before.calibration is None else before.calibration.scale.col,
            landmarks=landmarks,
        )
    except AlignmentError:
        return AlignedPair()
    if found.refused or found.contrast is None:
        return AlignedPair(found=found)
    return AlignedPair(
        found=found,
        by_difference={
            root: change
            for root in both
            if (change := _difference(before, after, first[root], second[root], found)) is not None
        },
        ratio=_pixel_ratio(before, after, found, _middle(second[both[0]])),
    )


def _difference(
    before: AlignedVisit,
    after: AlignedVisit,
    first: Lesion,
    second: Lesion,
    found: PairAlignment,
) -> Change | None:
    """None too for points by hand: how far they are off at the lesion is not known."""
    if found.automatic is None or found.contrast is None or found.error_px is None:
        return None
    return change_on_films(
        AlignedLesions(
            before=AlignedLesion(film=before.film, calibration=before.calibration, lesion=first),
            after=AlignedLesion(film=after.film, calibration=after.calibration, lesion=second),
            to_first=found.map_near(_middle(first)),
            contrast=found.contrast,
            root_lines_px=[canal.centre_line.points_px for canal in before.canals],
            u_place_px=found.error_px,
        )
    )


def _pixel_ratio(
    before: AlignedVisit, after: AlignedVisit, found: PairAlignment, at_px: FloatArray
) -> PixelRatio | None:
    """Size of the later film's pixels in those of the earlier, at the lesion of the later one."""
    if before.calibration is not None and after.calibration is not None:
        return None
    # Column pitches: of the first film's plane, over that of the second film's pixels.
    area = abs(float(np.linalg.det(jacobian(found.map, at_px))))
    area *= before.film.pixel_aspect / after.film.pixel_aspect
    return PixelRatio(
        before=before.number, after=after.number, value=float(np.sqrt(area)), u_rel=U_REL
    )


def _middle(lesion: Lesion) -> FloatArray:
    """Mean of an outline's points."""
    return np.asarray(np.mean(np.asarray(lesion.outline_px, dtype=np.float64), axis=0))
