"""Bring the film of a later visit onto that of an earlier one, and say how well that went.

One plane map cannot carry a tooth whose parts lie at different depths along the beam: each
root therefore gets a map of its own, from the picture of the root alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates
from skimage.draw import polygon2mask
from skimage.measure import approximate_polygon

from rxmeasure.geometry import FloatArray, as_points, feet_on_polyline, polyline_length, tangents
from rxmeasure.recall.contrast import AlignmentError, ContrastCurve, match_contrast
from rxmeasure.recall.feature_start import (
    SIDE_PX,
    Features,
    feature_start,
    features,
)
from rxmeasure.recall.intensity_fit import FitSettings, IntensityFit, fit
from rxmeasure.recall.plane_map import (
    between_pixels,
    compose,
    inverse,
    jacobian,
    mapped,
    mapped_grid,
    pitches,
    pixel_grid,
)
from rxmeasure.recall.prepared_film import (
    PreparedFilm,
    SmallFilm,
    made_small,
    mirrored,
    prepared,
    smaller,
)
from rxmeasure.recall.root_fit import fit_root

#: Longer sides of the films on which the plane map and the root maps are fitted, px: about
#: 0.09 and 0.05 mm on a size 2 receptor (choice: accuracy against time).
_PLANE_SIDE, _ROOT_SIDE = 420, 700

#: Expanded error (two standard uncertainties) at an apex, mm: accepted below the first, refused
#: above the second. No agreed limit was found; choice.
ACCEPTED_MM, REFUSED_MM = 0.3, 0.5
#: Change of the crown-root ratio that refuses a comparison (choice).
REFUSED_RATIO = 0.05
#: Most that one film may have to be stretched against the other, longer over shorter (choice: as
#: for the crown-root ratio; a plane that is tilted by 18 degrees more. 60 right phantom pairs, on
#: which this was looked at, reach 1.02).
_MOST_STRETCH = 1.05
#: Where the film has no scale, its longer side counts as that of a size 2 receptor, mm. Limits
#: in millimetres are then held against this; none is told.
_ASSUMED_SIDE_MM = 41.0

#: Fewer agreeing features, or less correlation of the aligned films, than two films of one
#: tooth show (read off development pairs: 40 and 0.57 at least; other teeth 27 and 0.38 at most).
_FEW_INLIERS, _LOW_CORRELATION = 12, 0.45

_PLANE = FitSettings(parameters=8, iterations=12)
_AFFINE_FIRST = FitSettings(parameters=6, iterations=8, smoothing_px=1.0, likeness_px=8.0)
_CROWN = FitSettings(parameters=6, iterations=10, linear_sd=0.02)


class AlignmentVerdict(StrEnum):
    """Whether the overlay may be used."""

    ACCEPTED = "accepted"
    CAUTION = "caution"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class RootCourse:
    """A root in the first film: points from the orifice to the radiographic apex, px.

    ``proposed``: by the program, and confirmed by nobody.
    """

    name: str
    line_px: tuple[tuple[float, float], ...]
    proposed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RootAlignment:
    """One root.

    Attributes
    ----------
    map : ndarray, shape (3, 3)
        Pixels of the second visit to pixels of the first, at the depth of this root.
    apex_px : tuple of float
        In the first film.
    residual_px, residual_mm : float, float or None
        Standard uncertainty of where the second visit's apex comes to lie: twice it covers about
        95 %, also where little of the picture tells it.
    residual_u_px : float
        Standard uncertainty of ``residual_px``.
    parallax_px : float
        How far the one plane map puts this apex from where the root's own map does.
    crown_root_ratio : float or None
        Length of the root against its crown in the second film over that in the first: above 1
        the second film shows the root longer. None where the crown cannot be followed.
    proposed : bool
        The root's course is the program's own.
    """

    name: str
    map: FloatArray
    apex_px: tuple[float, float]
    residual_px: float
    residual_u_px: float
    residual_mm: float | None
    parallax_px: float
    crown_root_ratio: float | None
    proposed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """The second visit's film on the grid of the first.

    Attributes
    ----------
    map : ndarray, shape (3, 3)
        Pixels of the second visit to pixels of the first, on (row, col, 1).
    roots : tuple of RootAlignment
    residual_px, residual_mm : float, float or None
        The largest of the roots', or of the plane map in the middle of the film without any.
    correlation : float
        Of the local contrast of the two films after the plane map.
    matched_features : int
    verdict : AlignmentVerdict
    reason : str
        One sentence; empty when accepted. A refused pair can still be shown side by side.
    contrast : ContrastCurve or None
        Grey levels of the second film in those of the first; None when refused.
    """

    map: FloatArray
    roots: tuple[RootAlignment, ...]
    residual_px: float
    residual_mm: float | None
    correlation: float
    matched_features: int
    verdict: AlignmentVerdict
    reason: str
    contrast: ContrastCurve | None

    def root(self, name: str) -> RootAlignment:
        """The root of that name.

        Raises
        ------
        AlignmentError
            Without such a root.
        """
        for root in self.roots:
            if root.name == name:
                return root
        raise AlignmentError(
            found=f"no root '{name}' in the alignment.",
            needed=f"one of: {', '.join(r.name for r in self.roots) or 'none was given'}.",
            next_step="Name a root that was given.",
        )

    def warp(
        self, second: ArrayLike, shape: tuple[int, int], *, root: str | None = None
    ) -> NDArray[np.float32]:
        """The second film on the first film's grid, NaN where it shows nothing.

        Parameters
        ----------
        second : array_like, shape (rows, cols)
            Grey levels of the second visit.
        shape : tuple of int
            Of the first film.
        root : str, optional
            Use this root's own map, for what lies at its depth.
        """
        to_first = self.map if root is None else self.root(root).map
        return warped(second, to_first, shape)


def warped(second: ArrayLike, to_first: FloatArray, shape: tuple[int, int]) -> NDArray[np.float32]:
    """A film moved by a map onto a grid of ``shape``, NaN beyond its rim."""
    place = mapped_grid(inverse(to_first), shape)
    image = np.asarray(second, dtype=np.float32)
    return np.asarray(
        map_coordinates(image, place, order=1, mode="constant", cval=np.nan), dtype=np.float32
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Film:
    """A film and its prepared sizes; ``aspect`` is row over column pitch of ``pixels``."""

    pixels: NDArray[np.float32]
    aspect: float
    start: PreparedFilm
    plane: PreparedFilm
    fine: SmallFilm
    features: Features

    @property
    def size(self) -> FloatArray:
        """Height and width in column pitches."""
        return np.array([self.pixels.shape[0] * self.aspect, float(self.pixels.shape[1])])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Start:
    """A first map from the first film to the second, and how many features agree with it."""

    inliers: int
    map: FloatArray


_MIRRORED = "The second film is a mirror image of the first. Turn it over and try again."


def align_films(
    first: ArrayLike,
    second: ArrayLike,
    *,
    roots: Sequence[RootCourse] = (),
    changed_px: Sequence[ArrayLike] = (),
    mm_per_px: float | None = None,
    first_aspect: float = 1.0,
    second_aspect: float = 1.0,
) -> Alignment:
    """Align two films of one tooth by what both show.

    Parameters
    ----------
    first, second : array_like, shape (rows, cols)
        Radiopaque bright. Sizes, pixel pitch and grey scales may differ.
    roots : sequence of RootCourse
        Roots of the first film that get a map of their own.
    changed_px : sequence of array_like, shape (N, 2)
        Outlines in the first film of what changed (a lesion, a new filling); left out.
    mm_per_px : float, optional
        Column pitch of the first film.
    first_aspect, second_aspect : float
        Row pitch over column pitch of each film. The films are compared with square pixels, so
        that what one has to be stretched by is that of the picture, not of its pixels.

    Raises
    ------
    AlignmentError
        For films too small to compare. Films that do not belong together are not an error: the
        result is refused, with the reason.
    MarksError
        For a root or outline that is not a list of points.
    """
    with ThreadPoolExecutor(2) as pool:
        a, b = pool.map(_film, (first, second), (first_aspect, second_aspect))
    stable = _stable(a.pixels.shape, changed_px)
    start = _start(a, b, stable)
    if isinstance(start, str):
        return _refused(start)
    to_second = _plane_map(a, b, start.map, stable)
    plane = to_second.matrix
    full = _on_films(plane, a.plane, b.plane)
    scale = mm_per_px or assumed_mm_per_px(a.pixels.shape, a.aspect)
    scene = _Scene(a=a, b=b, plane=full, stable=_sampled(stable, a.fine), scale_mm=scale)
    lines = [_course(root, a.aspect, scale) for root in roots]
    with ThreadPoolExecutor(2) as pool:
        found = list(
            pool.map(lambda k: _root_map(scene, roots[k], lines, k, mm_per_px), range(len(roots)))
        )
    middle = to_second.point_covariance(to_second.basis.centre_px)
    by_plane = _residual_px(middle, a.plane, _PLANE_DEPTH_MM / scale)
    residual = max((r.residual_px for r in found), default=by_plane)
    stretch = _stretch(full, a.size / 2.0)
    told = _Told(residual_px=residual, mm_per_px=mm_per_px, assumed_mm=scale)
    verdict, reason = _judge(found, told, to_second.correlation, stretch)
    refused = verdict is AlignmentVerdict.REFUSED
    return Alignment(
        map=between_pixels(inverse(full), b.aspect, a.aspect),
        roots=tuple(found),
        residual_px=residual,
        residual_mm=None if mm_per_px is None else residual * mm_per_px,
        correlation=to_second.correlation,
        matched_features=start.inliers,
        verdict=verdict,
        reason=reason,
        contrast=None if refused else _contrast(a.plane, b.plane, plane, _sampled(stable, a.plane)),
    )


def assumed_mm_per_px(shape: tuple[int, ...], aspect: float) -> float:
    """Column pitch that a film without a scale is judged by; never told."""
    return _ASSUMED_SIDE_MM / max(shape[0] * aspect, float(shape[1]))


def _film(pixels: ArrayLike, aspect: float) -> _Film:
    image = np.asarray(pixels, dtype=np.float32)
    if image.ndim != 2 or min(image.shape) < 100:
        raise AlignmentError(
            found=f"a picture of shape {image.shape}.",
            needed="two films of at least 100 x 100 pixels.",
            next_step="Choose other films.",
        )
    fine = made_small(image, _ROOT_SIDE, aspect)
    plane = prepared(smaller(fine, _PLANE_SIDE))
    start = prepared(smaller(fine, SIDE_PX))
    return _Film(
        pixels=image,
        aspect=aspect,
        start=start,
        plane=plane,
        fine=fine,
        features=features(start),
    )


def _stable(shape: tuple[int, ...], changed_px: Sequence[ArrayLike]) -> NDArray[np.bool_]:
    stable = np.ones(shape, dtype=bool)
    for outline in changed_px:
        stable &= ~polygon2mask(shape, as_points(outline, at_least=3, what="outlines"))
    return stable


def _sampled(mask: NDArray[np.bool_], film: SmallFilm) -> FloatArray:
    """A mask of the film on the grid of its prepared size."""
    rows, cols = (
        np.clip(np.rint((np.arange(n) + 0.5) * m / n - 0.5).astype(int), 0, m - 1)
        for n, m in zip(film.grey.shape, mask.shape, strict=True)
    )
    return np.asarray(mask[np.ix_(rows, cols)], dtype=np.float64)


def _start(a: _Film, b: _Film, stable: NDArray[np.bool_]) -> _Start | str:
    """The map that features and small films give, or why there is none."""
    support = _sampled(stable, a.start)
    keep = support[tuple(a.features.points_px.astype(int).T)] > 0.5
    first, second = a.features.where(keep), b.features
    as_is = feature_start(first, second)
    over = feature_start(first, second.mirrored(b.start.image.shape[1]))
    if max(as_is.inliers, over.inliers) < _FEW_INLIERS:
        return (
            f"Only {as_is.inliers} places look alike in the two films. They may show different "
            "teeth, or one of them is too dark or too unsharp to compare."
        )
    if as_is.inliers < _FEW_INLIERS:
        return _MIRRORED
    rough = fit(a.start, b.start, as_is.matrix, _AFFINE_FIRST, support)
    if over.inliers >= _FEW_INLIERS:
        # A tooth is nearly its own mirror image: the features of both ways may agree.
        turned = fit(a.start, mirrored(b.start), over.matrix, _AFFINE_FIRST, support)
        if turned.correlation > rough.correlation:
            return _MIRRORED
    return _Start(inliers=as_is.inliers, map=_on_films(rough.matrix, a.start, b.start))


def _plane_map(a: _Film, b: _Film, start: FloatArray, stable: NDArray[np.bool_]) -> IntensityFit:
    support = _sampled(stable, a.plane)
    return fit(a.plane, b.plane, _on_prepared(start, a.plane, b.plane), _PLANE, support)


def _on_films(matrix: FloatArray, first: SmallFilm, second: SmallFilm) -> FloatArray:
    return compose(inverse(second.from_film), compose(matrix, first.from_film))


def _on_prepared(matrix: FloatArray, first: SmallFilm, second: SmallFilm) -> FloatArray:
    return compose(second.from_film, compose(matrix, inverse(first.from_film)))


#: What blocks of the film say of its error is half of the usual one: bone before and behind a
#: root pulls all of them the same way. What that leaves unsaid of a plane map at an apex of
#: unknown depth is added, mm (read off development pairs).
_SHARED_PULL, _PLANE_DEPTH_MM = 2.0, 0.13
#: Crown: length and half-width of its support as shares of the root's length.
_CROWN_LENGTH, _CROWN_HALF_WIDTH = 0.55, 0.22


#: How far the course of a root may be simplified: far less than the rim of its support (choice).
_LINE_SLACK_MM = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scene:
    """Both films with the plane map from the first to the second, in column pitches of each.

    ``stable``: 1 where the first film, on the size of the roots, shows nothing that changed.
    """

    a: _Film
    b: _Film
    plane: FloatArray
    stable: FloatArray
    scale_mm: float


def _course(root: RootCourse, aspect: float, scale_mm: float) -> FloatArray:
    """The root in column pitches."""
    marked = as_points(root.line_px, at_least=2, what=f"points of root {root.name}")
    line = mapped(pitches(aspect), marked)
    return np.asarray(approximate_polygon(line, _LINE_SLACK_MM / scale_mm))


def _root_map(
    scene: _Scene, root: RootCourse, lines: list[FloatArray], index: int, mm_per_px: float | None
) -> RootAlignment:
    a, b, plane = scene.a, scene.b, scene.plane
    line = lines[index]
    on_fine = [mapped(a.fine.from_film, one) for one in lines]
    fine_px = 1.0 / float(a.fine.from_film[0, 0])
    fitted = fit_root(
        a.fine,
        b.fine,
        _on_prepared(plane, a.fine, b.fine),
        on_fine[index],
        mm_per_px=scene.scale_mm * fine_px,
        stable=scene.stable,
        others_px=on_fine[:index] + on_fine[index + 1 :],
    )
    to_second = _on_films(fitted.matrix, a.fine, b.fine)
    apex = line[-1]
    residual = float(np.sqrt(np.trace(fitted.apex_covariance))) * fine_px
    back = inverse(to_second)
    parallax = mapped(back, mapped(plane, apex)) - apex
    return RootAlignment(
        name=root.name,
        map=between_pixels(back, b.aspect, a.aspect),
        apex_px=(float(apex[0]) / a.aspect, float(apex[1])),
        residual_px=residual,
        residual_u_px=residual / float(np.sqrt(2.0 * fitted.freedom)),
        residual_mm=None if mm_per_px is None else residual * mm_per_px,
        parallax_px=float(np.hypot(*parallax)),
        crown_root_ratio=_crown_root_ratio(a, b, plane, to_second, line),
        proposed=root.proposed,
    )


def _crown_root_ratio(
    a: _Film, b: _Film, plane: FloatArray, root_map: FloatArray, line: FloatArray
) -> float | None:
    """How much more the root is stretched from film to film than its crown."""
    length = polyline_length(line)
    direction = tangents(line)[0]
    crown = np.array([line[0] - _CROWN_LENGTH * length * direction, line[0]])
    pixels = pixel_grid(a.plane.image.shape).reshape(-1, 2)
    _, away = feet_on_polyline(crown, mapped(inverse(a.plane.from_film), pixels))
    near = away.reshape(a.plane.image.shape) < _CROWN_HALF_WIDTH * length
    support = near.astype(np.float64)
    if support.sum() < 200.0:
        return None
    fitted = fit(a.plane, b.plane, _on_prepared(plane, a.plane, b.plane), _CROWN, support)
    if fitted.correlation < _LOW_CORRELATION:
        return None
    crown_map = _on_films(fitted.matrix, a.plane, b.plane)
    axis = (line[-1] - line[0]) / np.hypot(*(line[-1] - line[0]))
    stretch = [
        float(np.hypot(*(jacobian(m, at) @ axis)))
        for m, at in ((root_map, line.mean(axis=0)), (crown_map, crown.mean(axis=0)))
    ]
    return stretch[0] / stretch[1]


def _residual_px(covariance: FloatArray, film: PreparedFilm, depth_px: float) -> float:
    """Standard uncertainty of a place, from a covariance in pixels of the prepared film."""
    by_blocks = _SHARED_PULL * float(np.sqrt(np.trace(covariance))) / float(film.from_film[0, 0])
    return float(np.hypot(by_blocks, depth_px))


def _stretch(to_second: FloatArray, at_px: FloatArray) -> float:
    """How much more a map stretches along one direction than across it."""
    sizes = np.linalg.svd(jacobian(to_second, at_px), compute_uv=False)
    return float(sizes[0] / sizes[-1])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """How an error at the apex is told: in millimetres only where the film has a scale."""

    residual_px: float
    mm_per_px: float | None
    assumed_mm: float

    def text(self, value_mm: float) -> str:
        return error_in_words(value_mm / self.assumed_mm, self.mm_per_px)


def error_in_words(error_px: float, mm_per_px: float | None) -> str:
    """A distance between two films: millimetres with a scale, else pixels (column pitches)."""
    return f"{error_px:.0f} px" if mm_per_px is None else f"{error_px * mm_per_px:.2f} mm"


def _judge(
    roots: Sequence[RootAlignment], told: _Told, correlation: float, stretch: float
) -> tuple[AlignmentVerdict, str]:
    if correlation < _LOW_CORRELATION:
        return AlignmentVerdict.REFUSED, (
            f"The aligned films agree too little (correlation {correlation:.2f}). They may show "
            "different teeth."
        )
    if stretch > _MOST_STRETCH:
        return AlignmentVerdict.REFUSED, (
            f"To lie on each other one film has to be stretched by {stretch - 1.0:.0%} in one "
            "direction. They may show different teeth, the beam angles may differ too much, or one "
            "picture is out of proportion."
        )
    for root in roots:
        ratio = root.crown_root_ratio
        if ratio is not None and abs(ratio - 1.0) > REFUSED_RATIO:
            longer = "longer" if ratio > 1.0 else "shorter"
            name = root.name if root.proposed else f"root {root.name}"
            return AlignmentVerdict.REFUSED, (
                f"The second film shows {name} {abs(ratio - 1.0):.0%} {longer} against "
                "its crown: the beam angles differ too much."
            )
    expanded_mm = 2.0 * told.residual_px * told.assumed_mm
    if expanded_mm > REFUSED_MM:
        return AlignmentVerdict.REFUSED, (
            f"At the apex the films may lie {told.text(expanded_mm)} apart; up to "
            f"{told.text(REFUSED_MM)} can be used."
        )
    if expanded_mm > ACCEPTED_MM:
        return AlignmentVerdict.CAUTION, (
            f"At the apex the films may lie {told.text(expanded_mm)} apart: small changes cannot "
            "be told."
        )
    return AlignmentVerdict.ACCEPTED, ""


def _refused(reason: str) -> Alignment:
    return Alignment(
        map=np.eye(3),
        roots=(),
        residual_px=float("inf"),
        residual_mm=None,
        correlation=0.0,
        matched_features=0,
        verdict=AlignmentVerdict.REFUSED,
        reason=reason,
        contrast=None,
    )


def _contrast(
    a: PreparedFilm, b: PreparedFilm, to_second: FloatArray, support: FloatArray
) -> ContrastCurve:
    """From where both films hold a picture that did not change."""
    picture = np.where(b.valid, b.grey, np.nan)
    moved = warped(picture, inverse(to_second), (a.grey.shape[0], a.grey.shape[1]))
    return match_contrast(a.grey, moved, np.isfinite(moved) & a.valid & (support > 0.5))
