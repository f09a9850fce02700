"""One lesion on two aligned films, fitted on both at once, so that its change is known better.

Most of what makes an outline unsure is the bone's texture, and most of that is the same at both
visits. Fitted together, the second lesion is the first, a little larger or smaller, and the
shared texture leaves the comparison.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.calibration.scale import Calibration
from rxmeasure.geometry import FloatArray, PixelScale
from rxmeasure.marks import Settings
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.lesion import (
    DRAW_POINTS,
    DRAWS,
    FINE_STEP,
    MOST_OFF_FILM,
    SEARCH_HALF,
    Lesion,
    close_window,
    is_cavity,
    plane_of,
    share_off_film,
)
from rxmeasure.recall.lesion_fit import (
    LesionFit,
    draws_of,
    fit_from,
    levelled,
    paired_field,
    paired_prior,
    paired_start,
    texture_beside,
)
from rxmeasure.recall.lesion_shape import COL, ROW, outline_of, parameters_of, prior_for
from rxmeasure.recall.lesion_window import (
    Window,
    as_lines,
    cut_window,
    window_on_other_film,
    without,
)
from rxmeasure.recall.plane_map import inverse, mapped
from rxmeasure.recall.size import LesionSize, size_of_outline, sizes_of_draws

#: Places of bone that a fit needs (choice).
_FEWEST_PLACES = 200
#: Step of the window, mm (choice: film noise, time).
_STEP = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitFilm:
    """A visit's film with what is known of it; ``root_lines_px``: centre lines of its canals."""

    radiograph: Radiograph
    calibration: Calibration | None
    root_lines_px: Sequence[ArrayLike] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedSizes:
    """Sizes of one lesion at two visits from one fit.

    Attributes
    ----------
    root : str
    before, after : int
        Visits, counted from 1.
    sizes : tuple of LesionSize
    shared : tuple of float
        Correlation of the two errors of the outline: for area, largest, perpendicular and
        equivalent diameter.
    """

    root: str
    before: int
    after: int
    sizes: tuple[LesionSize, LesionSize]
    shared: tuple[float, float, float, float]


def paired_sizes(
    before: tuple[int, VisitFilm, Lesion],
    after: tuple[int, VisitFilm, Lesion],
    to_first: FloatArray,
) -> PairedSizes | None:
    """Fit a lesion found on two films on both at once.

    Parameters
    ----------
    before, after : tuple of (int, VisitFilm, Lesion)
        Number of the visit, its film, and the lesion found there from a click.
    to_first : ndarray, shape (3, 3)
        Pixels of the later film to pixels of the earlier one, at the lesion.

    Returns
    -------
    PairedSizes or None
        None where the two films show no common cavity.
    """
    (number, first, lesion), (later, second, other) = before, after
    if not lesion.outline_px or not other.outline_px:
        return None
    plane = plane_of(first.radiograph, first.calibration)
    starts = [
        plane.to_plane(np.asarray(lesion.outline_px)),
        plane.to_plane(mapped(to_first, other.outline_px)),
    ]
    found = _fitted((first, second), plane, to_first, starts)
    if found is None:
        return None
    centre, modes = found
    draws = draws_of(modes, DRAWS, Settings().seed)
    sizes, spreads = [], []
    for k, film in enumerate((first, second)):
        outlines_px = [
            plane.to_px(centre + outline_of(p, DRAW_POINTS))
            for p in (modes[0].of_film(k), *draws[k])
        ]
        if k == 1:
            outlines_px = [mapped(inverse(to_first), outline) for outline in outlines_px]
        if share_off_film(film.radiograph, outlines_px[0]) > MOST_OFF_FILM:
            return None
        pixel = film.radiograph.px_scale
        sizes.append(
            size_of_outline(outlines_px[0], pixel, film.calibration, draws_px=outlines_px[1:])
        )
        spreads.append(sizes_of_draws(outlines_px[1:], pixel))
    shared = [float(np.corrcoef(a, b)[0, 1]) for a, b in zip(*(s.T for s in spreads), strict=True)]
    return PairedSizes(
        root=lesion.root,
        before=number,
        after=later,
        sizes=(sizes[0], sizes[1]),
        shared=(shared[0], shared[1], shared[2], shared[3]),
    )


def _fitted(
    films: tuple[VisitFilm, VisitFilm],
    plane: PixelScale,
    to_first: FloatArray,
    outlines: Sequence[FloatArray],
) -> tuple[FloatArray, tuple[LesionFit, ...]] | None:
    """Middle of the window on the plane of the first film, and fits, the likeliest first."""
    middle = outlines[0].mean(axis=0)
    radius = float(np.exp(max(parameters_of(outline - middle)[0] for outline in outlines)))
    half, step = close_window(radius, _STEP)
    fine = _windows(films, plane, to_first, middle, SEARCH_HALF, FINE_STEP)
    wide, close = (
        [
            without(window, bright)
            for window, bright in zip(
                _windows(films, plane, to_first, middle, reach, step), fine, strict=True
            )
        ]
        for reach in (SEARCH_HALF, half)
    )
    if np.count_nonzero(close[0].bone & close[1].bone) < _FEWEST_PLACES:
        return None
    lesions = [parameters_of(outline - middle) for outline in outlines]
    bone = wide[0].bone & wide[1].bone
    textures = [
        texture_beside(replace(window, bone=bone), max(lesions, key=lambda p: float(p[0])))
        for window in wide
    ]
    field = paired_field(
        (close[0], close[1]),
        (textures[0][0], textures[1][0]),
        textures[0][1],
        (textures[0][2], textures[1][2]),
    )
    start = paired_start(lesions[0], lesions[1])
    field = levelled(field, start)
    prior = paired_prior(prior_for(radius, lesions[0][ROW : COL + 1]))
    starts = [start, paired_start(lesions[0], lesions[0])]
    modes = fit_from(field, starts, prior)
    return (middle, modes) if is_cavity(modes[0]) else None


def _windows(
    films: tuple[VisitFilm, VisitFilm],
    plane: PixelScale,
    to_first: FloatArray,
    middle: FloatArray,
    half: float,
    step: float,
) -> tuple[Window, Window]:
    """The same places on both films."""
    first, second = films
    moved = [mapped(to_first, line) for line in second.root_lines_px]
    lines = as_lines(plane, [*first.root_lines_px, *moved])
    window = cut_window(first.radiograph, plane, middle, half=half, step=step, root_lines=lines)
    points = np.stack([window.y, window.x], axis=-1) + middle
    places = mapped(inverse(to_first), plane.to_px(points))
    other = window_on_other_film(
        window,
        second.radiograph,
        plane_of(second.radiograph, second.calibration),
        places,
        root_lines=lines,
    )
    return window, other
