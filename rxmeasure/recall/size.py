"""Size of a closed outline: area, diameters, and how exactly they are known.

The perpendicular diameter is the longest chord across the outline at right
angles to its largest diameter. All arithmetic is in column pitches; the scale
comes last.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import MarksError
from rxmeasure.geometry import FloatArray, PixelScale, as_points, polygon_area, polyline_length
from rxmeasure.marks import PointPx
from rxmeasure.values import Area, Length

Line = tuple[PointPx, PointPx]


@dataclass(frozen=True, slots=True, kw_only=True)
class LesionSize:
    """Size of one outline, in pixels and, with a scale, in millimetres.

    ``largest_px`` and ``perpendicular_px`` are the ends of the two diameters on the image.
    """

    area: Area
    largest_diameter: Length
    perpendicular_diameter: Length
    equivalent_diameter: Length
    perimeter: Length
    largest_px: Line
    perpendicular_px: Line


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shape:
    area: float
    largest: float
    perpendicular: float
    equivalent: float
    perimeter: float
    largest_ends: FloatArray
    perpendicular_ends: FloatArray


def size_of_outline(
    outline_px: ArrayLike,
    pixel: PixelScale,
    calibration: Calibration | None,
    *,
    u_edge_px: float = 0.0,
    draws_px: ArrayLike = (),
) -> LesionSize:
    """Measure a closed outline.

    Parameters
    ----------
    outline_px : array_like, shape (N, 2)
        (row, col); the last point need not repeat the first.
    pixel : PixelScale
        Scale of the uncalibrated film (:attr:`Radiograph.px_scale`).
    calibration : Calibration or None
    u_edge_px : float
        Standard uncertainty of the whole edge, outward or inward, in column pitches.
    draws_px : array_like, shape (K, N, 2)
        Outlines drawn from what is known of the edge; they replace ``u_edge_px``.

    Raises
    ------
    MarksError
        Fewer than three points, no area, or an outline that crosses itself.
    """
    points = _closed(as_points(outline_px, at_least=3, what="an outline"))
    refuse_crossing(points)
    plane = pixel.to_plane(points)
    shape = _shape_of(plane)
    draws = np.asarray(draws_px, dtype=np.float64)
    others = [_shape_of(pixel.to_plane(draw)) for draw in draws]

    def spread(of: Callable[[_Shape], float], first_order: float) -> float:
        if not others:
            return first_order * u_edge_px
        return float(np.sqrt(np.mean([(of(other) - of(shape)) ** 2 for other in others])))

    def length(value: float, u_px: float) -> Length:
        return scaled_length(value, u_px, calibration)

    return LesionSize(
        area=scaled_area(shape.area, spread(lambda s: s.area, shape.perimeter), calibration),
        largest_diameter=length(shape.largest, spread(lambda s: s.largest, 2.0)),
        perpendicular_diameter=length(shape.perpendicular, spread(lambda s: s.perpendicular, 2.0)),
        equivalent_diameter=length(
            shape.equivalent,
            spread(lambda s: s.equivalent, 2.0 * shape.perimeter / (np.pi * shape.equivalent)),
        ),
        perimeter=length(shape.perimeter, spread(lambda s: s.perimeter, 2.0 * np.pi)),
        largest_px=_line(pixel, shape.largest_ends),
        perpendicular_px=_line(pixel, shape.perpendicular_ends),
    )


def outline_of_mask(mask: ArrayLike) -> FloatArray:
    """Outline of a painted mask, shape (N, 2); holes count as painted.

    Raises
    ------
    MarksError
        Nothing painted, or several patches: each lesion has a mask of its own.
    """
    from scipy.ndimage import binary_fill_holes, label
    from skimage.measure import find_contours

    painted = np.asarray(mask).astype(bool)
    patches = 0 if painted.ndim != 2 else label(painted)[1]
    if patches != 1:
        raise MarksError(
            found=f"a mask with {patches} separate patches.",
            needed="one patch for one lesion.",
            next_step="Paint each lesion as one of its own.",
        )
    whole = np.pad(np.asarray(binary_fill_holes(painted)), 1).astype(float)
    contour = max(find_contours(whole, 0.5, fully_connected="low"), key=len)
    return np.asarray(contour[:-1] - 1.0)


def equivalent_diameter(area: float) -> float:
    """Diameter of the circle of that area."""
    return float(2.0 * np.sqrt(area / np.pi))


def scaled_length(value_px: float, u_px: float, calibration: Calibration | None) -> Length:
    """A length in column pitches with its millimetres, where there is a scale."""
    if calibration is None:
        return Length(value_px=value_px, u_px=u_px)
    value = value_px * calibration.col_mm
    return Length(
        value_px=value_px,
        u_px=u_px,
        value_mm=value,
        u_mm=float(np.hypot(u_px * calibration.col_mm, value * calibration.u_rel)),
        scale_source=calibration.source,
    )


def scaled_area(value_px2: float, u_px2: float, calibration: Calibration | None) -> Area:
    """An area in square column pitches; a scale counts twice in the uncertainty."""
    if calibration is None:
        return Area(value_px2=value_px2, u_px2=u_px2)
    per_px2 = calibration.col_mm**2
    value = value_px2 * per_px2
    return Area(
        value_px2=value_px2,
        u_px2=u_px2,
        value_mm2=value,
        u_mm2=float(np.hypot(u_px2 * per_px2, 2.0 * value * calibration.u_rel)),
        scale_source=calibration.source,
    )


def refuse_crossing(outline_px: FloatArray) -> None:
    """Raise MarksError for an outline that crosses itself or encloses nothing."""
    if polygon_area(outline_px) > 0.0 and not _crosses(outline_px):
        return
    raise MarksError(
        found="an outline that crosses itself or encloses nothing.",
        needed="one closed line round the lesion.",
        next_step="Draw the outline again.",
    )


def _closed(points: FloatArray) -> FloatArray:
    """Without points that repeat the one before them, the last before the first."""
    return np.asarray(points[np.any(points != np.roll(points, 1, axis=0), axis=1)])


def _crosses(points: FloatArray) -> bool:
    a, b = points, np.roll(points, -1, axis=0)
    first, second = np.triu_indices(len(points), 2)
    apart = ~((first == 0) & (second == len(points) - 1))
    first, second = first[apart], second[apart]

    def side(p: FloatArray, q: FloatArray, r: FloatArray) -> NDArray[np.float64]:
        return np.asarray(
            np.sign(
                (q[:, 0] - p[:, 0]) * (r[:, 1] - p[:, 1])
                - (q[:, 1] - p[:, 1]) * (r[:, 0] - p[:, 0])
            )
        )

    one = side(a[first], b[first], a[second]) * side(a[first], b[first], b[second])
    two = side(a[second], b[second], a[first]) * side(a[second], b[second], b[first])
    return bool(np.any((one < 0) & (two < 0)))


def _shape_of(plane: FloatArray) -> _Shape:
    area = polygon_area(plane)
    between = plane[:, None, :] - plane[None, :, :]
    distance = np.hypot(between[..., 0], between[..., 1])
    i, j = np.unravel_index(int(np.argmax(distance)), distance.shape)
    ends = plane[[i, j]]
    across = _longest_chord_across(plane, ends)
    return _Shape(
        area=area,
        largest=float(distance[i, j]),
        perpendicular=float(np.hypot(*(across[1] - across[0]))),
        equivalent=equivalent_diameter(area),
        perimeter=polyline_length(np.vstack([plane, plane[:1]])),
        largest_ends=ends,
        perpendicular_ends=across,
    )


def _longest_chord_across(plane: FloatArray, axis: FloatArray) -> FloatArray:
    """Ends of the longest chord inside the polygon at right angles to the axis; shape (2, 2)."""
    along = (axis[1] - axis[0]) / np.hypot(*(axis[1] - axis[0]))
    across = np.array([-along[1], along[0]])
    u, v = plane @ along, plane @ across
    u_next, v_next = np.roll(u, -1), np.roll(v, -1)
    # Between two corners the chord's length is linear, so it is longest beside a corner.
    shift = 1e-9 * np.ptp(u)
    levels = np.concatenate([u - shift, u + shift])[:, None]
    crossing = (u < levels) != (u_next < levels)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = v + (levels - u) / (u_next - u) * (v_next - v)
    # Crossings in order; every second stretch between them lies inside.
    at = np.sort(np.where(crossing, at, np.inf), axis=1)[:, : 2 * (len(u) // 2)]
    at = at[:, : 2 * int(np.isfinite(at).sum(axis=1).max() // 2)].reshape(len(levels), -1, 2)
    with np.errstate(invalid="ignore"):
        chords = np.nan_to_num(at[..., 1] - at[..., 0], nan=-1.0)
    i, j = np.unravel_index(int(np.argmax(chords)), chords.shape)
    return np.asarray(levels[i] * along + at[i, j][:, None] * across)


def _line(pixel: PixelScale, ends: FloatArray) -> Line:
    (r0, c0), (r1, c1) = pixel.to_px(ends).tolist()
    return ((r0, c0), (r1, c1))
