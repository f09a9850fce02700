"""A periapical lesion on one film: found from a click, or outlined by the reader."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import MarksError
from rxmeasure.geometry import FloatArray, PixelScale, as_points, foot_on_polyline, polygon_area
from rxmeasure.marks import PointPx, Settings
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.bone_texture import TextureSpectrum
from rxmeasure.recall.lesion_fit import (
    BoneField,
    LesionFit,
    draws_of,
    fit_from,
    fit_lesion,
    levelled,
    single_field,
    texture_beside,
)
from rxmeasure.recall.lesion_shape import COL, EDGE, ROW, outline_of, prior_for
from rxmeasure.recall.lesion_window import Window, as_lines, cut_window, without
from rxmeasure.recall.size import LesionSize, outline_of_mask, scaled_length, size_of_outline
from rxmeasure.values import Length, Warned

#: Radii that the search starts from, mm.
_START_RADII = (0.8, 1.2, 1.7, 2.4, 3.3, 4.5, 6.0)
SEARCH_HALF, _SEARCH_STEP, FINE_STEP = 9.0, 0.6, 0.15
#: Bone that a search needs, and the disc round the click that tells nothing of the texture (mm).
_LEAST_BONE_MM2, _LEFT_OUT_RADIUS = 45.0, 3.0
#: Steps of the last two fits, mm, and most steps from a window's middle to its rim (choice: the
#: coarser one is hardly misled by film noise, the finer one sees the edge; time).
_CLOSE_STEPS, _MOST_STEPS = (0.4, 0.25), 24
#: Radii that the last fit starts from, over the one that was found: edges lie in dark marrow too.
_CLOSE_STARTS = (1.0, 0.7, 1.3)
#: Below this radius no number is given (mm): texture alone makes lesions of that size.
LEAST_RADIUS_MM = 1.5
#: Least depth of a lesion in standard deviations of the bone beside it (read off development
#: phantoms: below it the outline runs into dark marrow).
LEAST_CONTRAST_SD = 1.4
#: Most of the outline that may lie outside the film (choice).
MOST_OFF_FILM = 0.1
#: Largest relative standard uncertainty of an area that is still given (choice).
MOST_U_AREA = 0.25
#: Texture that a cavity as deep as wide leaves in a jaw of 8 mm, and how much more may be
#: left before the patch is no cavity (choice).
_JAW_MM, _LEAST_LEFT, _LEFT_SLACK = 8.0, 0.1, 0.45
#: Longer side of a film without a scale, in assumed millimetres: receptor size 2.
_ASSUMED_SIDE_MM = 41.0
DRAWS, DRAW_POINTS = 100, 90
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
    u_edge_px = settings.click_sd_mm / plane_of(radiograph, calibration).col
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
    plane = plane_of(radiograph, calibration)
    seed = plane.to_plane(as_points([seed_px], what="a click"))[0]
    _refuse_outside(radiograph, seed_px)
    lines = as_lines(plane, root_lines_px)
    searched = _searched(radiograph, plane, seed, lines)
    if searched is None:
        return Lesion(
            root=root,
            source=LesionSource.CLICK,
            declined="No patch here is darker and quieter than the bone round it. Outline the "
            "lesion by hand, or state that none is visible.",
        )
    window, modes = searched
    fit = modes[0]
    outline = window.centre + outline_of(fit.parameters)
    (draws,) = draws_of(modes, DRAWS, settings.seed)
    lesion = Lesion(
        root=root,
        source=LesionSource.CLICK,
        outline_px=_as_tuple(plane.to_px(outline)),
        contrast_sd=fit.contrast[0],
        edge_width=_edge_width(fit, plane, calibration),
    )
    size = size_of_outline(
        plane.to_px(outline),
        radiograph.px_scale,
        calibration,
        draws_px=[plane.to_px(window.centre + outline_of(draw, DRAW_POINTS)) for draw in draws],
    )
    declined = _why_declined(radiograph, plane, outline, fit, size)
    if declined:
        return replace(lesion, declined=declined)
    u_edge_px = size.equivalent_diameter.u_px / 2.0
    lesion = replace(lesion, size=size, warnings=_scale(size))
    return _with_distances(lesion, radiograph, calibration, u_edge_px, landmarks_px)


def plane_of(radiograph: Radiograph, calibration: Calibration | None) -> PixelScale:
    """Scale in millimetres; on a film without one, in assumed millimetres that are not reported."""
    if calibration is not None:
        return calibration.scale
    pixel = radiograph.px_scale
    rows, cols = radiograph.shape
    mm = _ASSUMED_SIDE_MM / max(rows * pixel.row, cols * pixel.col)
    return PixelScale(row=pixel.row * mm, col=pixel.col * mm, unit="mm")


def _searched(
    radiograph: Radiograph, plane: PixelScale, seed: FloatArray, lines: Sequence[FloatArray]
) -> tuple[Window, tuple[LesionFit, ...]] | None:
    """The best cavity near the seed in a wide window, fitted again in its own window."""
    fine = cut_window(radiograph, plane, seed, half=SEARCH_HALF, step=FINE_STEP, root_lines=lines)
    if np.count_nonzero(fine.bone) * FINE_STEP**2 < _LEAST_BONE_MM2:
        return None
    wide = cut_window(
        radiograph, plane, seed, half=SEARCH_HALF, step=_SEARCH_STEP, root_lines=lines
    )
    wide = without(wide, fine)
    unknown = prior_for(_LEFT_OUT_RADIUS, np.zeros(2)).mean
    unknown[0] = np.log(_LEFT_OUT_RADIUS)
    field = levelled(_bone(wide, wide, unknown, degree=2), unknown)
    fits = []
    for radius in _START_RADII:
        prior = prior_for(radius, np.zeros(2))
        start = prior.mean.copy()
        start[0] = np.log(radius)
        fits.append(fit_lesion(field, start, prior, steps=8, covariance=False))
    cavities = [fit for fit in fits if is_cavity(fit)]
    if not cavities:
        return None
    best = min(cavities, key=lambda fit: fit.cost)
    return _fitted_closely(radiograph, plane, fine, lines, best)


def _fitted_closely(
    radiograph: Radiograph,
    plane: PixelScale,
    fine: Window,
    lines: Sequence[FloatArray],
    found: LesionFit,
) -> tuple[Window, tuple[LesionFit, ...]]:
    """Fits in a window of the lesion's own size: coarsely from several radii, then finely."""
    middle = found.parameters[ROW : COL + 1]
    prior = prior_for(found.radius, -middle)
    plain = found.parameters.copy()
    plain[ROW : COL + 1] = 0.0
    starts = [_enlarged(plain, by) for by in _CLOSE_STARTS]
    for step in _CLOSE_STEPS:
        half, step = close_window(found.radius, step)
        wide, close = (
            without(
                cut_window(radiograph, plane, centre, half=reach, step=step, root_lines=lines), fine
            )
            for centre, reach in ((fine.centre, SEARCH_HALF), (fine.centre + middle, half))
        )
        field = levelled(_bone(close, wide, found.parameters, degree=1), starts[0])
        modes = fit_from(field, starts, prior)
        starts = [mode.parameters for mode in modes]
    return close, modes


def _enlarged(lesion: FloatArray, by: float) -> FloatArray:
    larger = lesion.copy()
    larger[0] += np.log(by)
    return larger


def close_window(radius: float, step: float) -> tuple[float, float]:
    """Half-width and step of the window in which a lesion of that radius is fitted, mm."""
    half = 1.5 * radius + 2.0
    return half, max(step, half / _MOST_STEPS)


def _bone(window: Window, wide: Window, lesion: FloatArray, *, degree: int) -> BoneField:
    """The bone of a window with the texture that a wider one shows beside a lesion."""
    texture, beside, sd = texture_beside(wide, lesion)
    spectrum = TextureSpectrum.of(texture, beside, wide.step)
    return single_field(window, spectrum, sd, degree=degree)


def _most_left(radius: float) -> float:
    """Most texture that a cavity of that radius may leave."""
    return max(1.0 - 2.0 * radius / _JAW_MM, _LEAST_LEFT) + _LEFT_SLACK


def is_cavity(fit: LesionFit) -> bool:
    """Whether the patch leaves no more texture than a cavity about as deep as wide."""
    return fit.left <= _most_left(fit.radius)


def share_off_film(radiograph: Radiograph, outline_px: FloatArray) -> float:
    """Share of an outline's points that lie outside the picture."""
    inside = (outline_px > -0.5) & (outline_px < np.array(radiograph.shape) - 0.5)
    return 1.0 - float(np.mean(np.all(inside, axis=1)))


def _why_declined(
    radiograph: Radiograph,
    plane: PixelScale,
    outline: FloatArray,
    fit: LesionFit,
    size: LesionSize,
) -> str:
    radius = np.sqrt(polygon_area(outline) / np.pi)
    u_area = size.area.u_px2 / size.area.value_px2
    by_hand = "Outline it by hand if you can see its edge."
    if share_off_film(radiograph, plane.to_px(outline)) > MOST_OFF_FILM:
        return "The patch runs out of the picture: its size cannot be measured on this film."
    if fit.contrast[0] < LEAST_CONTRAST_SD or fit.left > _most_left(radius):
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
    width = float(np.exp(fit.parameters[EDGE]))
    u = width * float(np.sqrt(fit.covariance[EDGE, EDGE]))
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
