"""A periapical lesion on one film: found from a click, or outlined by the reader."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import MarksError
from rxmeasure.geometry import (
    FloatArray,
    PixelScale,
    as_points,
    foot_on_polyline,
    point_at,
    polygon_area,
    polyline_length,
)
from rxmeasure.marks import PointPx, Settings
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.lesion_fit import (
    COL,
    ROW,
    LesionFit,
    Place,
    Texture,
    fit_lesion,
    outline_of,
    prior_for,
)
from rxmeasure.recall.lesion_network import SeenLesion, see_lesion
from rxmeasure.recall.lesion_window import Window, as_lines, cut_window, grain_area, without
from rxmeasure.recall.size import LesionSize, outline_of_mask, scaled_length, size_of_outline
from rxmeasure.values import Length, Warned

#: Radii that the search starts from, mm.
_START_RADII = (0.8, 1.2, 1.7, 2.4, 3.3, 4.5, 6.0)
_SEARCH_HALF, _SEARCH_STEP = 9.0, 0.3
#: Below this radius no number is given (mm): texture alone makes lesions of that size.
LEAST_RADIUS_MM = 1.5
#: Least depth of a lesion in standard deviations of the bone beside it (read off development
#: phantoms: below it the outline runs into dark marrow).
LEAST_CONTRAST_SD = 1.4
#: Most of the outline that may lie outside the film (choice).
MOST_OFF_FILM = 0.25
#: Largest relative standard uncertainty of an area that is still given (choice).
MOST_U_AREA = 0.2
#: The fit's standard uncertainty times this covers in 95 % (read off development phantoms).
COVERAGE_FACTOR = 1.35
#: The nearest apex within this is the lesion's own; a root points as its last stretch (mm; choice).
_OWN_APEX, _LAST_STRETCH = 7.0, 2.0
#: Texture that a cavity as deep as wide leaves in a jaw of 8 mm, and how much more may be
#: left before the patch is no cavity (choice).
_JAW_MM, _LEAST_LEFT, _LEFT_SLACK = 8.0, 0.1, 0.45
#: Longer side of a film without a scale, in assumed millimetres: receptor size 2.
_ASSUMED_SIDE_MM = 41.0
_DRAWS, _DRAW_POINTS = 100, 90
#: Below these the network's lesion is no finding (choice).
LEAST_PROBABILITY, LEAST_SEEN_CONTRAST_SD = 0.9, 0.3
#: Bulges of an outline's error against its growth (read off development phantoms).
SHAPE_SHARE = 1.2
_NOTHING_SEEN = (
    "No patch here is darker and quieter than the bone round it. Outline the lesion by hand, or "
    "state that none is visible."
)
#: Code of the warning that stands with each finding of no lesion.
NOT_NO_LESION = "no-shadow-is-not-no-lesion"


class LesionSource(StrEnum):
    """Where an outline comes from."""

    CLICK = "found from a click"
    OUTLINE = "outlined by the reader"
    MASK = "painted by the reader"
    NONE_VISIBLE = "no lesion visible, says the reader"


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkDistance:
    """Distance of the lesion's edge from a landmark; negative where the landmark lies inside."""

    landmark: str
    distance: Length


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesion:
    """One lesion at one root, or the finding that none is visible.

    Attributes
    ----------
    root : str
        Root or canal at whose apex it lies.
    source : LesionSource
    outline_px : tuple of PointPx
        Closed; empty where there is none.
    size : LesionSize or None
        None when no lesion is visible or no number can be given: see ``declined``.
    declined : str
        Why there is no number; else empty.
    contrast_sd : float or None
        Depth of the lesion in standard deviations of the bone beside it.
    edge_width : Length or None
        Width of the soft edge.
    distances : tuple of LandmarkDistance
    warnings : tuple of Warned
    """

    root: str
    source: LesionSource
    outline_px: tuple[PointPx, ...] = ()
    size: LesionSize | None = None
    declined: str = ""
    contrast_sd: float | None = None
    edge_width: Length | None = None
    distances: tuple[LandmarkDistance, ...] = ()
    warnings: tuple[Warned, ...] = ()


def no_lesion(root: str) -> Lesion:
    """The reader's finding that no lesion is visible at a root."""
    return Lesion(
        root=root,
        source=LesionSource.NONE_VISIBLE,
        warnings=(
            Warned(
                code=NOT_NO_LESION,
                text="No lesion visible is not no lesion: against volume images, films missed "
                "about a third to a half of lesions (J Endod 34:273-279; "
                "doi:10.1016/j.joen.2013.07.001).",
            ),
        ),
    )


def outlined_lesion(
    radiograph: Radiograph,
    calibration: Calibration | None,
    outline_px: ArrayLike,
    *,
    root: str,
    settings: Settings | None = None,
    landmarks_px: Mapping[str, PointPx] | None = None,
    source: LesionSource = LesionSource.OUTLINE,
) -> Lesion:
    """Measure a lesion that the reader has outlined.

    The edge counts as known to ``settings.click_sd_mm``, all round at once.

    Raises
    ------
    MarksError
        Fewer than three points, or an outline that crosses itself.
    """
    settings = settings or Settings()
    u_edge_px = settings.click_sd_mm / millimetre_plane(radiograph, calibration).col
    points = as_points(outline_px, at_least=3, what="an outline")
    size = size_of_outline(points, radiograph.px_scale, calibration, u_edge_px=u_edge_px)
    lesion = Lesion(
        root=root, source=source, outline_px=_as_tuple(points), size=size, warnings=_scale(size)
    )
    return _with_distances(lesion, radiograph, calibration, u_edge_px, landmarks_px)


def painted_lesion(
    radiograph: Radiograph,
    calibration: Calibration | None,
    mask: ArrayLike,
    *,
    root: str,
    settings: Settings | None = None,
    landmarks_px: Mapping[str, PointPx] | None = None,
) -> Lesion:
    """Measure a lesion that the reader has painted; ``mask`` has the film's shape.

    Raises
    ------
    MarksError
        A mask of another shape, or not exactly one patch.
    """
    shape = np.shape(mask)
    if shape != radiograph.shape:
        raise MarksError(
            found=f"a mask of shape {shape} on a film of {radiograph.shape}.",
            needed="a mask of the film's shape.",
            next_step="Paint on this film.",
        )
    return outlined_lesion(
        radiograph,
        calibration,
        outline_of_mask(mask),
        root=root,
        settings=settings,
        landmarks_px=landmarks_px,
        source=LesionSource.MASK,
    )


def find_lesion(
    radiograph: Radiograph,
    calibration: Calibration | None,
    seed_px: PointPx,
    *,
    root: str,
    root_lines_px: Sequence[ArrayLike] = (),
    settings: Settings | None = None,
    landmarks_px: Mapping[str, PointPx] | None = None,
) -> Lesion:
    """Find the outline of a lesion from one click near its middle.

    Parameters
    ----------
    radiograph : Radiograph
    calibration : Calibration or None
    seed_px : PointPx
        (row, col) near the middle of the lesion.
    root : str
    root_lines_px : sequence of array_like, shape (N, 2)
        Centre lines of the canals nearby, apex last: the roots round them are left out.
    settings : Settings, optional
    landmarks_px : mapping of str to PointPx, optional
        Places to which the distance is wanted.

    Returns
    -------
    Lesion
        Without a size where the film does not support one; the reason is in ``declined``.

    Raises
    ------
    MarksError
        The click lies outside the film.
    """
    settings = settings or Settings()
    plane = millimetre_plane(radiograph, calibration)
    seed = plane.to_plane(as_points([seed_px], what="a click"))[0]
    _refuse_outside(radiograph, seed_px)
    lines = as_lines(plane, root_lines_px)
    seen = see_lesion(radiograph, plane, seed, lines)
    if seen is not None and seen.whole and len(seen.outline) > 0:
        found = _as_seen(radiograph, calibration, plane, seen, root, settings.seed)
    else:
        found = _as_fitted(radiograph, calibration, plane, seed, lines, root, settings.seed)
    if found.size is None:
        return found
    u_edge_px = found.size.equivalent_diameter.u_px / 2.0
    found = replace(found, warnings=_scale(found.size))
    return _with_distances(found, radiograph, calibration, u_edge_px, landmarks_px)


def _as_seen(
    radiograph: Radiograph,
    calibration: Calibration | None,
    plane: PixelScale,
    seen: SeenLesion,
    root: str,
    draws_seed: int,
) -> Lesion:
    """The lesion that the network sees."""
    lesion = Lesion(root=root, source=LesionSource.CLICK)
    if seen.probability < LEAST_PROBABILITY:
        return replace(lesion, declined=_NOTHING_SEEN)
    lesion = replace(
        lesion,
        outline_px=_as_tuple(plane.to_px(seen.outline)),
        contrast_sd=seen.contrast_sd,
        edge_width=None
        if np.isnan(seen.edge_width)
        else scaled_length(seen.edge_width / plane.col, seen.u_edge_width / plane.col, calibration),
    )
    size = size_of_outline(
        lesion.outline_px,
        radiograph.px_scale,
        calibration,
        draws_px=[plane.to_px(draw) for draw in _scattered(seen, draws_seed)],
    )
    faint = seen.contrast_sd < LEAST_SEEN_CONTRAST_SD
    declined = _why_declined(radiograph, plane, seen.outline, size, faint=faint)
    return replace(lesion, declined=declined) if declined else replace(lesion, size=size)


def _scattered(seen: SeenLesion, draws_seed: int) -> list[FloatArray]:
    """Outlines as likely as the one seen: larger or smaller as a whole, and with bulges."""
    rng = np.random.default_rng(draws_seed)
    middle = seen.outline.mean(axis=0)
    away = seen.outline - middle
    angle = np.arctan2(*away.T)
    u_radius = 0.5 * seen.u_log_area
    waves = [f(k * angle) for k in (2, 3) for f in (np.cos, np.sin)]
    draws = []
    for _ in range(_DRAWS):
        growth = u_radius * rng.standard_normal()
        bulge = SHAPE_SHARE * u_radius * (rng.standard_normal(len(waves)) @ waves)
        draws.append(middle + away * np.exp(growth + bulge)[:, None])
    return draws


def _as_fitted(
    radiograph: Radiograph,
    calibration: Calibration | None,
    plane: PixelScale,
    seed: FloatArray,
    lines: Sequence[FloatArray],
    root: str,
    draws_seed: int,
) -> Lesion:
    """The lesion that the explicit model finds."""
    window, fit = _searched(radiograph, plane, seed, lines)
    if fit is None:
        return Lesion(root=root, source=LesionSource.CLICK, declined=_NOTHING_SEEN)
    outline = window.centre + outline_of(fit.parameters)
    draws = _draws(window, fit, draws_seed)
    lesion = Lesion(
        root=root,
        source=LesionSource.CLICK,
        outline_px=_as_tuple(plane.to_px(outline)),
        contrast_sd=fit.depth / fit.texture.sd,
        edge_width=_edge_width(fit, plane, calibration),
    )
    size = size_of_outline(
        plane.to_px(outline),
        radiograph.px_scale,
        calibration,
        draws_px=[plane.to_px(draw) for draw in draws],
    )
    radius = float(np.sqrt(polygon_area(outline) / np.pi))
    faint = fit.depth / fit.texture.sd < LEAST_CONTRAST_SD or fit.left > _most_left(radius)
    declined = _why_declined(radiograph, plane, outline, size, faint=faint)
    return replace(lesion, declined=declined) if declined else replace(lesion, size=size)


def millimetre_plane(radiograph: Radiograph, calibration: Calibration | None) -> PixelScale:
    """Scale in millimetres; on a film without one, in assumed millimetres that are not reported."""
    if calibration is not None:
        return calibration.scale
    pixel = radiograph.px_scale
    rows, cols = radiograph.shape
    mm = _ASSUMED_SIDE_MM / max(rows * pixel.row, cols * pixel.col)
    return PixelScale(row=pixel.row * mm, col=pixel.col * mm, unit="mm")


def _searched(
    radiograph: Radiograph, plane: PixelScale, seed: FloatArray, lines: Sequence[FloatArray]
) -> tuple[Window, LesionFit | None]:
    """The best cavity near the seed in a wide window, fitted again in its own window."""
    wide = cut_window(
        radiograph, plane, seed, half=_SEARCH_HALF, step=_SEARCH_STEP, root_lines=lines
    )
    if np.count_nonzero(wide.bone) < 500:
        return wide, None
    grain = float(np.clip(grain_area(_flattened(wide), wide.bone, wide.step), 0.4, 3.0))
    texture = Texture(sd=float(np.std(wide.values[wide.bone])), grain=grain, quieter=0.4)
    place = _place_of(seed, lines)
    fits = []
    for radius in _START_RADII:
        prior = prior_for(radius, place, seed)
        start = prior.mean.copy()
        start[0] = np.log(radius)
        fits.append(fit_lesion(wide, start, prior, texture, background_degree=2, steps=8))
    cavities = [fit for fit in fits if fit.left <= _most_left(fit.radius)]
    if not cavities:
        return wide, None
    best = max(cavities, key=lambda fit: fit.log_likelihood)
    return _fitted_closely(radiograph, plane, place, lines, wide, best)


def _place_of(click: FloatArray, lines: Sequence[FloatArray]) -> Place:
    """The click and the root whose apex lies nearest to it."""
    away = [float(np.hypot(*(line[-1] - click))) for line in lines]
    if not away or min(away) > _OWN_APEX:
        return Place(click=click)
    line = lines[int(np.argmin(away))]
    stretch = line[-1] - point_at(line, max(polyline_length(line) - _LAST_STRETCH, 0.0))
    return Place(click=click, apex=line[-1], outward=stretch / np.hypot(*stretch))


def _fitted_closely(
    radiograph: Radiograph,
    plane: PixelScale,
    place: Place,
    lines: Sequence[FloatArray],
    wide: Window,
    found: LesionFit,
) -> tuple[Window, LesionFit]:
    middle = found.parameters[ROW : COL + 1]
    half = 1.5 * found.radius + 2.0
    close = cut_window(
        radiograph,
        plane,
        wide.centre + middle,
        half=half,
        step=max(0.12, half / 35.0),
        root_lines=lines,
    )
    close = without(close, wide)
    start = found.parameters.copy()
    start[ROW : COL + 1] = 0.0
    return close, fit_lesion(
        close,
        start,
        prior_for(found.radius, place, close.centre),
        found.texture,
        background_degree=1,
        with_covariance=True,
    )


def _flattened(window: Window) -> FloatArray:
    """Values without a quadratic background."""
    y, x = window.y[window.bone], window.x[window.bone]
    terms = np.column_stack([np.ones_like(y), y, x, y * y, x * x, x * y])
    values = window.values[window.bone]
    flat = np.zeros_like(window.values)
    flat[window.bone] = values - terms @ np.linalg.lstsq(terms, values, rcond=None)[0]
    return flat


def _most_left(radius: float) -> float:
    """Most texture that a cavity of that radius may leave."""
    return max(1.0 - 2.0 * radius / _JAW_MM, _LEAST_LEFT) + _LEFT_SLACK


def _draws(window: Window, fit: LesionFit, seed: int) -> list[FloatArray]:
    rng = np.random.default_rng(seed)
    spread = COVERAGE_FACTOR**2 * fit.covariance
    parameters = rng.multivariate_normal(fit.parameters, spread, _DRAWS, method="eigh")
    return [window.centre + outline_of(p, _DRAW_POINTS) for p in parameters]


def _why_declined(
    radiograph: Radiograph,
    plane: PixelScale,
    outline: FloatArray,
    size: LesionSize,
    *,
    faint: bool,
) -> str:
    px = plane.to_px(outline)
    inside = np.all((px > -0.5) & (px < np.array(radiograph.shape) - 0.5), axis=1)
    radius = np.sqrt(polygon_area(outline) / np.pi)
    u_area = size.area.u_px2 / size.area.value_px2
    by_hand = "Outline it by hand if you can see its edge."
    if 1.0 - inside.mean() > MOST_OFF_FILM:
        return "The patch runs out of the picture: its size cannot be measured on this film."
    if faint:
        return f"The patch is hardly darker than the texture of the bone round it. {by_hand}"
    if radius < LEAST_RADIUS_MM:
        return (
            "The patch is smaller than 1.5 mm in radius, where the texture of bone makes such "
            f"patches too. {by_hand}"
        )
    if u_area > MOST_U_AREA:
        return f"The edge is too uncertain for a number. {by_hand}"
    return ""


def _edge_width(fit: LesionFit, plane: PixelScale, calibration: Calibration | None) -> Length:
    width = float(np.exp(fit.parameters[-1]))
    u = width * float(np.sqrt(fit.covariance[-1, -1]))
    return scaled_length(width / plane.col, u / plane.col, calibration)


def _with_distances(
    lesion: Lesion,
    radiograph: Radiograph,
    calibration: Calibration | None,
    u_edge_px: float,
    landmarks_px: Mapping[str, PointPx] | None,
) -> Lesion:
    from skimage.measure import points_in_poly

    outline = radiograph.px_scale.to_plane(lesion.outline_px)
    closed = np.vstack([outline, outline[:1]])
    found = []
    for name, point_px in (landmarks_px or {}).items():
        point = radiograph.px_scale.to_plane(as_points([point_px], what="a landmark"))
        _, away = foot_on_polyline(closed, point[0])
        sign = -1.0 if points_in_poly(point, outline)[0] else 1.0
        distance = scaled_length(sign * away, u_edge_px, calibration)
        found.append(LandmarkDistance(landmark=name, distance=distance))
    return replace(lesion, distances=tuple(found))


def _scale(size: LesionSize) -> tuple[Warned, ...]:
    if size.area.value_mm2 is not None:
        return ()
    return (
        Warned(
            code="lesion-without-scale",
            text="No scale on this film: the lesion's size is in pixels and can only be compared "
            "as a ratio with a film aligned to it.",
        ),
    )


def _refuse_outside(radiograph: Radiograph, seed_px: PointPx) -> None:
    rows, cols = radiograph.shape
    if -0.5 <= seed_px[0] < rows - 0.5 and -0.5 <= seed_px[1] < cols - 0.5:
        return
    raise MarksError(
        found=f"a click at {seed_px} outside the film of {rows} x {cols} pixels.",
        needed="a click near the middle of the lesion.",
        next_step="Click again.",
    )


def _as_tuple(points: FloatArray) -> tuple[PointPx, ...]:
    return tuple((float(r), float(c)) for r, c in points)
