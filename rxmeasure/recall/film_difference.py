"""How much the area of a lesion changed, read off the difference of its two aligned films.

Two outlines, each found on its own film, err with the bone's texture there. The difference of
the films keeps only what differs: beside an edge that moved lies a ring that got denser or less
dense. Its strength is fitted together with a smooth background, a gain between the films, and
small shifts and bends of the outline, by generalised least squares with the covariance of the
difference itself (quieter inside the lesion, as its bone is gone). A cavity counts as changing
along the beam as much as across it (choice), so its shadow gets fainter as it shrinks.

The edge enters smeared by how far an outline may lie off. A sharp edge in a slightly wrong
place would find only part of a change; averaged over the places where the edge may lie, the
estimate has no such bias (regression calibration: Carroll, Ruppert, Stefanski, Crainiceanu,
Measurement Error in Nonlinear Models, 2006, chapter 4; value from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft
from scipy.linalg import cho_factor, cho_solve
from scipy.special import ndtr
from skimage.measure import points_in_poly

from rxmeasure.calibration.scale import Calibration
from rxmeasure.geometry import FloatArray, PixelScale, as_points, feet_on_polyline, polygon_area
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.change import COARSE_SHARE, Z_95, Change, ChangeVerdict
from rxmeasure.recall.contrast import ContrastCurve
from rxmeasure.recall.lesion import Lesion, millimetre_plane
from rxmeasure.recall.lesion_window import (
    Window,
    as_lines,
    bright,
    correlation,
    cut_window,
    distances,
    sampled,
)
from rxmeasure.recall.plane_map import inverse, mapped

#: Name of the quantity in a `Change`.
BOTH_FILMS = "area, both films together"
#: Grid (mm) and its largest half-width in steps; the window reaches this far beyond the lesion
#: (share of the radius, mm; choice).
_STEP, _MOST_STEPS, _WIDER, _MARGIN = 0.25, 28, 1.4, 3.0
#: How far a found outline lies off, standard deviation in mm (read off development phantoms:
#: 0.2 to 0.3), and the width of the soft edge where it is not known (mm, choice).
_EDGE_SD, _EDGE_WIDTH = 0.26, 0.5
#: What may differ besides: shift of the lesion or of the alignment (mm), second and third waves
#: of the outline (share of the radius), gain of the film (share of the depth); standard
#: deviations (choice).
_SHIFT_SD, _WAVE_SD, _GAIN_SD = 0.12, 0.06, 0.2
#: Relative standard uncertainty of the map's own scale at the lesion, which may lie some
#: millimetres before or behind the root (choice).
_SCALE_SD = 0.01
#: Texture: reach of its correlation (mm), share of its variance that is noise of each place,
#: and how much quieter the inside is before that is measured (choice).
_REACH, _NUGGET, _QUIETER = 3.0, 0.05, 0.6
#: Least noise of a place, as a share of the lesion's depth.
_ROUNDING = 1e-3
#: The fit's standard uncertainty times this is the spread of unchanged pairs (read off development
#: phantoms: long waves of the bone's texture that one window does not show).
_COVERAGE = 1.15
#: Standard uncertainty of a change as a share of itself, from outlines that lie off (read off
#: development phantoms); it widens the interval, not the least significant change.
_RESPONSE_SD = 0.35
#: Fewest places of bone on the grid inside, in the ring of the edge, and outside (choice).
_LEAST_PLACES = 60
#: Larger changes are for the outlines: the ring counts as narrow (log of the ratio of areas).
_MOST_CHANGE = 0.5
#: A logistic step of the fitted edge's width as a normal one: standard deviation over width.
_NORMAL_WIDTH = 0.25 * 1.702


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignedLesion:
    """One film of a pair with its lesion."""

    film: Radiograph
    calibration: Calibration | None
    lesion: Lesion


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignedLesions:
    """A lesion on two films that are aligned at its depth.

    Attributes
    ----------
    before, after : AlignedLesion
        Both with an outline.
    to_first : ndarray, shape (3, 3)
        Pixels of the later film to pixels of the earlier one, at the lesion's depth.
    contrast : ContrastCurve
        Grey levels of the later film in those of the earlier one.
    root_lines_px : sequence of array_like, shape (N, 2)
        Roots in the earlier film, apex last; they are left out.
    u_place_px : float
        Standard uncertainty of ``to_first`` at the lesion, in column pitches of the earlier film.
    """

    before: AlignedLesion
    after: AlignedLesion
    to_first: FloatArray
    contrast: ContrastCurve
    root_lines_px: Sequence[ArrayLike] = ()
    u_place_px: float = 0.0

    @property
    def plane(self) -> PixelScale:
        """The earlier film's, in mm."""
        return millimetre_plane(self.before.film, self.before.calibration)

    @property
    def root_lines(self) -> tuple[FloatArray, ...]:
        """Roots on that plane."""
        return as_lines(self.plane, self.root_lines_px)

    def outlines(self) -> list[FloatArray]:
        """Both outlines on that plane, the earlier one first."""
        first, second = (
            as_points(one.lesion.outline_px, at_least=3, what="an outline")
            for one in (self.before, self.after)
        )
        return [self.plane.to_plane(first), self.plane.to_plane(mapped(self.to_first, second))]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Places:
    """Bone that both films show: place round the window's centre (mm) and difference."""

    window: Window
    points: FloatArray
    earlier: FloatArray
    difference: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Edge:
    """Share of the lesion at each place, and its slopes.

    ``slopes`` by log radius, row, column, and cosine and sine of the second and third wave.
    """

    share: FloatArray
    slopes: FloatArray


def change_by_difference(pair: AlignedLesions) -> Change | None:
    """Change of a lesion's area from the difference of two films.

    Returns
    -------
    Change or None
        In the unit ``"ratio"``, the earlier area counted as 1. None where too little bone
        shows round the edge, or the outlines differ by more than this can follow.
    """
    outlines = pair.outlines()
    areas = [polygon_area(outline) for outline in outlines]
    if min(areas) <= 0.0 or abs(np.log(areas[1] / areas[0])) > _MOST_CHANGE:
        return None
    places = _places(pair, outlines[0])
    if len(places.points) < 3 * _LEAST_PLACES:
        return None
    widths = [
        _edge_width(one.lesion, millimetre_plane(one.film, one.calibration))
        for one in (pair.before, pair.after)
    ]
    found = [
        _edge_at(places.points, outline - places.window.centre, width)
        for outline, width in zip(outlines, widths, strict=True)
    ]
    # The middle between the two edges: where a small change is linear.
    edge = _Edge(
        share=(found[0].share + found[1].share) / 2.0,
        slopes=(found[0].slopes + found[1].slopes) / 2.0,
    )
    inside, outside = edge.share > 0.9, edge.share < 0.1
    for part in (inside, outside, ~inside & ~outside):
        if np.count_nonzero(part) < _LEAST_PLACES:
            return None
    depth = _depth(places, edge.share)
    if depth <= 0.0:
        return None
    shift_sd = float(np.hypot(_SHIFT_SD, pair.u_place_px * pair.plane.col))
    growth, u_growth = _fitted(places, edge, depth, shift_sd)
    return change_of_log_area(2.0 * growth, 2.0 * u_growth, response_sd=_RESPONSE_SD)


def _places(pair: AlignedLesions, outline: FloatArray) -> _Places:
    plane = pair.plane
    half = _WIDER * float(np.sqrt(polygon_area(outline) / np.pi)) + _MARGIN
    window = cut_window(
        pair.before.film,
        plane,
        outline.mean(axis=0),
        half=half,
        step=max(_STEP, half / _MOST_STEPS),
        root_lines=pair.root_lines,
    )
    places = np.stack([window.y, window.x], axis=-1) + window.centre
    later, shown = on_earlier_film(pair.after.film, plane, places, window.step, pair.to_first)
    later = pair.contrast.apply(later)
    both = replace(window, values=later, bone=window.bone & shown, on_film=window.on_film & shown)
    bone = both.bone & ~bright(both)
    return _Places(
        window=replace(window, bone=bone),
        points=np.column_stack([window.y[bone], window.x[bone]]),
        earlier=window.values[bone],
        difference=(later - window.values)[bone],
    )


def on_earlier_film(
    film: Radiograph,
    plane: PixelScale,
    places: FloatArray,
    step: float,
    to_first: FloatArray,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The later film at places of the earlier one's plane, and where it shows anything.

    ``places``: shape (rows, cols, 2) in mm; values are averaged over about one ``step`` (mm).
    """
    to_second = inverse(to_first)
    at = mapped(to_second, plane.to_px(places.reshape(-1, 2)))
    # One step of the grid in pixels of the later film.
    middle = places.reshape(-1, 2).mean(axis=0)
    corners = mapped(to_second, plane.to_px(middle + step * np.eye(2)))
    steps = np.abs(corners - mapped(to_second, plane.to_px(middle[None])))
    row, col = 0.5 * np.hypot(*steps)
    where = at.T.reshape(2, *places.shape[:2])
    return sampled(film, film.pixels.astype(np.float64), (float(row), float(col)), where)


def _edge_width(lesion: Lesion, plane: PixelScale) -> float:
    """Width of the soft edge in mm."""
    if lesion.edge_width is None:
        return _EDGE_WIDTH
    return lesion.edge_width.value_px * plane.col


def _edge_at(points: FloatArray, outline: FloatArray, width: float) -> _Edge:
    """A soft edge along an outline that may lie off, at points (mm)."""
    _, away = feet_on_polyline(np.vstack([outline, outline[:1]]), points)
    inward = np.where(points_in_poly(points, outline), away, -away)
    spread = float(np.hypot(_NORMAL_WIDTH * width, _EDGE_SD))
    steep = np.exp(-0.5 * (inward / spread) ** 2) / (spread * np.sqrt(2.0 * np.pi))
    from_middle = points - outline.mean(axis=0)
    angle = np.arctan2(*from_middle.T)
    radius = float(np.sqrt(polygon_area(outline) / np.pi))
    ways = [np.hypot(*from_middle.T) + inward, np.sin(angle), np.cos(angle)]
    ways += [radius * wave(k * angle) for k in (2, 3) for wave in (np.cos, np.sin)]
    return _Edge(share=ndtr(inward / spread), slopes=steep[:, None] * np.column_stack(ways))


def _background(points: FloatArray) -> FloatArray:
    """Terms of a quadratic surface."""
    y, x = points.T
    return np.column_stack([np.ones_like(y), y, x, y * y, x * x, y * x])


def _depth(places: _Places, share: FloatArray) -> float:
    """Grey levels that the lesion lies below the bone in the earlier film."""
    terms = np.column_stack([_background(places.points), -share])
    return float(np.linalg.lstsq(terms, places.earlier, rcond=None)[0][-1])


def _fitted(places: _Places, edge: _Edge, depth: float, shift_sd: float) -> tuple[float, float]:
    """Growth of the log radius and its standard uncertainty where nothing changed."""
    background = _background(places.points)
    ways = -depth * edge.slopes
    ways[:, 0] -= depth * edge.share
    terms = np.column_stack([ways, -depth * edge.share, background])
    spread = np.array([np.inf, *[shift_sd] * 2, *[_WAVE_SD] * 4, _GAIN_SD])
    outside = edge.share < 0.1
    known = np.concatenate([spread**-2, np.zeros(background.shape[1])])
    plain = np.linalg.lstsq(background[outside], places.difference[outside], rcond=None)[0]
    rest = places.difference - background @ plain
    noise = _noise(edge.share, _QUIETER)
    used = outside
    found: FloatArray = np.zeros(len(known))
    covariance: FloatArray = np.eye(len(known))
    for _ in range(2):
        covered = _covariance(places.window, rest, noise, used)
        # Not less than what rounding leaves, as between two exposures without any noise.
        covered[np.diag_indices(len(rest))] += (_ROUNDING * depth) ** 2
        factor = cho_factor(covered, overwrite_a=True)
        weighted = cho_solve(factor, terms)
        covariance = np.asarray(np.linalg.inv(terms.T @ weighted + np.diag(known)))
        found = covariance @ (weighted.T @ places.difference)
        rest = places.difference - terms @ found
        noise = _noise(edge.share, _quieter(rest, edge.share))
        used = np.ones_like(outside)
    u_fit = _COVERAGE * float(np.sqrt(covariance[0, 0]))
    return float(found[0]), float(np.hypot(u_fit, _SCALE_SD))


def _noise(share: FloatArray, quieter: float) -> FloatArray:
    """Loudness of the texture at each place, 1 outside."""
    return np.asarray(1.0 - quieter * share)


def _quieter(rest: FloatArray, share: FloatArray) -> float:
    """How much quieter the difference is inside; few places count with the outside."""
    inside, outside = (np.median(np.abs(rest[part])) for part in (share > 0.9, share < 0.1))
    if outside <= 0.0:
        return _QUIETER
    few = 4.0 / (np.count_nonzero(share > 0.9) + 4.0)
    return float(1.0 - np.clip(few + (1.0 - few) * inside / outside, 0.15, 1.0))


def _covariance(
    window: Window, rest: FloatArray, noise: FloatArray, used: NDArray[np.bool_]
) -> FloatArray:
    """Covariance of the difference from its own correlation, tapered to stay one."""
    count = window.bone.shape[0]
    grid, where = np.zeros(window.bone.shape), np.zeros(window.bone.shape, dtype=bool)
    grid[window.bone], where[window.bone] = rest / noise, used
    seen = correlation(grid, where, window.step, _REACH)
    far = np.arange(len(seen)) * window.step
    part = np.clip(far / _REACH, 0.0, 1.0)
    seen = seen * (1.0 - 1.5 * part + 0.5 * part**3)
    kernel = np.interp(distances(count, window.step), far, seen, right=0.0)
    positive = fft.irfft2(np.maximum(fft.rfft2(kernel).real, 0.0), kernel.shape)
    positive *= seen[0] / max(positive[0, 0], np.finfo(float).tiny)
    at = np.argwhere(window.bone).astype(np.int32)
    rows, cols = ((at[:, None, k] - at[None, :, k]) % (2 * count) for k in (0, 1))
    covariance = positive[rows, cols]
    covariance *= noise[:, None]
    covariance *= noise
    covariance[np.diag_indices(len(at))] += _NUGGET * seen[0] * noise**2
    return np.asarray(covariance)


def change_of_log_area(growth: float, u_growth: float, *, response_sd: float = 0.0) -> Change:
    """A change of the log area as a ratio; ``u_growth`` is that of no change at all.

    ``response_sd``: standard uncertainty of a change as a share of itself.
    """
    ratio = float(np.exp(growth))
    least = abs(float(np.expm1(np.copysign(Z_95 * u_growth, growth))))
    u = float(np.hypot(u_growth, response_sd * growth))
    low, high = (100.0 * float(np.expm1(growth + side * Z_95 * u)) for side in (-1.0, 1.0))
    verdict, reason = _verdict(ratio - 1.0, least)
    return Change(
        quantity=BOTH_FILMS,
        unit="ratio",
        before=1.0,
        u_before=0.0,
        after=ratio,
        u_after=ratio * u,
        difference=ratio - 1.0,
        u_difference=ratio * u,
        least_significant=least,
        percent=100.0 * (ratio - 1.0),
        percent_interval=(low, high),
        verdict=verdict,
        reason=reason,
    )


def _verdict(difference: float, least: float) -> tuple[ChangeVerdict, str]:
    if abs(difference) > least:
        shrunk = difference < 0.0
        verdict = ChangeVerdict.REDUCED if shrunk else ChangeVerdict.ENLARGED
        return verdict, (
            "The two films together show a change of the edge beyond the least significant one."
        )
    if least > COARSE_SHARE:
        return ChangeVerdict.CANNOT_BE_TOLD, "The two films differ too much round the edge."
    return ChangeVerdict.UNCHANGED, (
        "Neither the outlines nor the two films together show a change "
        "beyond the least significant one."
    )
