"""Marks held against the picture they were made on: every point inside, every number sensible."""

from __future__ import annotations

import math
from dataclasses import replace

from rxmeasure.errors import MarksError
from rxmeasure.fit.dimensions import checked_size, checked_taper
from rxmeasure.fit.inputs import checked
from rxmeasure.marks import CanalMarks, LandmarkState, PointPx, ReviewMarks

#: Longest length of a tooth, file or cone that is taken for one (choice; longest tooth of the
#: tables 38.4 mm).
LONGEST_MM = 50.0

_FEWEST_POINTS = 2


def finished_marks(marks: ReviewMarks) -> ReviewMarks:
    """Return the part of unfinished marks that can be measured.

    Left out are canals and references with fewer than two points, references
    without a length, and overrides on a canal left out. What is wrong, not
    unfinished, stays in and is refused by `check_marks` or where it is used.
    """
    canals = tuple(c for c in marks.canals if len(c.clicks_px) >= _FEWEST_POINTS)
    left_out = {c.name for c in marks.canals} - {c.name for c in canals}
    return replace(
        marks,
        canals=canals,
        references=tuple(
            r
            for r in marks.references
            if len(r.points_px) >= _FEWEST_POINTS and not r.length_mm <= 0.0
        ),
        overrides=tuple(o for o in marks.overrides if o.canal not in left_out),
    )


def check_marks(marks: ReviewMarks, shape: tuple[int, int]) -> None:
    """Refuse marks that cannot belong to a picture of this shape.

    Clicks along canals and known lengths are checked where they are used; this
    looks at landmarks, stated numbers and settings.

    Parameters
    ----------
    marks : ReviewMarks
    shape : tuple of int
        (rows, columns) of the picture.

    Raises
    ------
    MarksError
        A landmark is not finite or outside the picture, a stated number is out
        of range, or two canals have one name.
    """
    names = [canal.name for canal in marks.canals]
    for name in names:
        if names.count(name) > 1:
            raise MarksError(
                found=f"two canals named '{name}'.",
                needed="a name of its own for every canal.",
                next_step="Rename one, for example MB1 and MB2.",
            )
    for canal in marks.canals:
        _check_landmarks(canal, shape)
        _check_numbers(canal)
    settings = marks.settings
    checked(settings.click_sd_mm, name="click_sd_mm", unit="mm", above=0.0, at_most=5.0)
    checked(settings.safety_mm, name="safety_mm", unit="mm", at_least=0.0, at_most=5.0)
    checked(settings.magnification_u_rel, name="magnification_u_rel", at_least=0.0, at_most=1.0)
    checked(settings.void_min_px, name="void_min_px", unit="px", at_least=0.0)
    checked(settings.void_min_mm, name="void_min_mm", unit="mm", at_least=0.0)
    checked(settings.void_min_contrast_sd, name="void_min_contrast_sd", at_least=0.0)
    checked(settings.seed, name="seed", at_least=0.0)


def _check_landmarks(canal: CanalMarks, shape: tuple[int, int]) -> None:
    for name in (
        "coronal_reference",
        "orifice",
        "radiographic_apex",
        "core_end",
        "sealer_end",
        "post_end",
    ):
        landmark = getattr(canal, name)
        point = landmark.point_px
        if point is None:
            if landmark.state is LandmarkState.MARKED:
                raise MarksError(
                    found=f"{name} of canal '{canal.name}' called marked, without a point.",
                    needed="a point, or the reason why there is none.",
                    next_step="Give its [row, col], or another state.",
                )
        elif landmark.state is not LandmarkState.OUTSIDE_FILM and not _inside(point, shape):
            raise MarksError(
                found=f"{name} of canal '{canal.name}' at row {point[0]:.1f}, column "
                f"{point[1]:.1f}, outside the picture.",
                needed=f"rows 0 to {shape[0] - 1} and columns 0 to {shape[1] - 1}.",
                next_step="Correct the point, or give the state 'outside the film'.",
            )


def _inside(point: PointPx, shape: tuple[int, int]) -> bool:
    return all(
        math.isfinite(v) and -0.5 <= v <= size - 0.5 for v, size in zip(point, shape, strict=True)
    )


def _check_numbers(canal: CanalMarks) -> None:
    where = f"of canal '{canal.name}'"
    for name in ("stop_to_tip_mm", "locator_reading_mm", "downpack_depth_mm"):
        value = getattr(canal, name)
        if value is not None:
            checked(value, name=f"{name} {where}", unit="mm", above=0.0, at_most=LONGEST_MM)
    if canal.nominal is not None:
        checked_size(canal.nominal.size, name=f"stated size {where}")
        checked_taper(canal.nominal.taper, name=f"stated taper {where}")
