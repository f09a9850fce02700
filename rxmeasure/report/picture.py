"""Radiograph and drawing in one SVG, so that no page engine can shift one against the other.

The user space of the SVG is the pixel grid: x is the column, y the row (times
the pixel aspect when rows and columns lie unequally far apart), the first pixel
covering -0.5 to 0.5. Sizes of lines and letters are given in millimetres of
paper and turned into user units by `_Sheet.mm`.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rxmeasure.calibration.scale import Calibration
from rxmeasure.filling.results import CanalMeasurement, DensityGap, FillEnd
from rxmeasure.geometry import (
    FloatArray,
    PixelScale,
    cumulative_length,
    foot_on_polyline,
    point_at,
    tangents,
)
from rxmeasure.marks import CanalMarks, FilmKind, Landmark, PointPx
from rxmeasure.radiograph import Radiograph
from rxmeasure.report import colours
from rxmeasure.report.numbers import Numbers, clean
from rxmeasure.review import Review

if TYPE_CHECKING:
    from rxmeasure.teaching.course import KeyLine

#: Largest size of a picture on the page, in mm of paper: wide ones have the legend below,
#: high ones beside them.
WIDE_FILM_MM = (168.0, 104.0)
HIGH_FILM_MM = (106.0, 122.0)
_LEGEND_MM = 58.0
CLOSE_UP_MM = (62.0, 101.0)
#: A student's line beside the key's.
KEY_FILM_MM = (84.0, 104.0)
KEY_CLOSE_UP_MM = (70.0, 96.0)

_Box = tuple[float, float, float, float]

_FONT = "'DejaVu Sans', Verdana, 'Segoe UI', Helvetica, Arial, sans-serif"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """An SVG with its size on paper and a description for those who cannot see it."""

    svg: str
    width_mm: float
    height_mm: float
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Part of the film: whole pixels from ``row0`` up to but without ``row1``."""

    row0: int
    row1: int
    col0: int
    col1: int


def film_picture(review: Review, radiograph: Radiograph, numbers: Numbers) -> Picture:
    """Draw the whole film with all canals, the scale reference, a scale bar and a legend."""
    rows, cols = radiograph.shape
    high = rows * radiograph.pixel_aspect > cols
    whole = Window(row0=0, row1=rows, col0=0, col1=cols)
    sheet = _Sheet(review, radiograph, whole, HIGH_FILM_MM if high else WIDE_FILM_MM)
    for canal in review.canals:
        sheet.canal(canal)
    for reference in review.calibration.references if review.calibration else ():
        sheet.reference(reference.path_px)
    for canal in review.canals:
        sheet.landmarks(canal, _marks_of(review, canal))
    _gaps(sheet, review, review.canals)
    for canal in review.canals:
        sheet.canal_label(canal)
    if review.calibration:
        sheet.scale_bar(review.calibration, numbers)
    names = ", ".join(clean(c.name) for c in review.canals)
    return sheet.finish(
        f"Radiograph with the traced canals ({names or 'none'}), the ends of the fill, "
        "voids and the scale reference drawn over it."
    )


def close_up(
    review: Review, radiograph: Radiograph, canal: CanalMeasurement, numbers: Numbers
) -> Picture | None:
    """Draw the filled part of one canal larger; None when nothing was measured in it."""
    window = _fill_window(canal, radiograph)
    if window is None:
        return None
    sheet = _Sheet(review, radiograph, window, CLOSE_UP_MM)
    sheet.canal(canal)
    sheet.landmarks(canal, _marks_of(review, canal))
    _gaps(sheet, review, (canal,))
    if review.calibration:
        sheet.scale_bar(review.calibration, numbers)
    return sheet.finish(
        f"The {filling_word(canal.film_kind)} in canal {clean(canal.name)} enlarged, with its "
        "edges, ends and voids.",
        legend=False,
    )


def key_picture(
    review: Review, radiograph: Radiograph, key: Sequence[KeyLine], numbers: Numbers
) -> Picture:
    """Draw a student's lines, ends and apices, and over them those that the teachers agreed on."""
    rows, cols = radiograph.shape
    sheet = _Sheet(review, radiograph, Window(row0=0, row1=rows, col0=0, col1=cols), KEY_FILM_MM)
    _student_and_key(sheet, review, key)
    if review.calibration:
        sheet.scale_bar(review.calibration, numbers)
    return sheet.finish(
        "Radiograph with line, fill end and apex of the student and of the key.", legend=False
    )


def key_close_up(
    review: Review, radiograph: Radiograph, key: Sequence[KeyLine], numbers: Numbers
) -> Picture | None:
    """The same round the apical ends, larger; None where neither side has an end."""
    ends = [p for line in key for p in (line.core_end_px, line.apex_px) if p]
    for canal in review.canals:
        ends += [e.point_px for e in (canal.core_end,) if e]
        ends += [canal.apex_px] if canal.apex_px else []
    if not ends:
        return None
    window = _window_round(ends, radiograph, margin_px=0.06 * max(radiograph.shape))
    sheet = _Sheet(review, radiograph, window, KEY_CLOSE_UP_MM)
    _student_and_key(sheet, review, key)
    if review.calibration:
        sheet.scale_bar(review.calibration, numbers)
    return sheet.finish("The apical ends enlarged, the student's and the key's.", legend=False)


def _student_and_key(sheet: _Sheet, review: Review, key: Sequence[KeyLine]) -> None:
    for canal in review.canals:
        sheet.own_line(canal)
    for line in key:
        sheet.key_line(line)


def _window_round(points: Sequence[PointPx], radiograph: Radiograph, *, margin_px: float) -> Window:
    """A window of the close-up's proportions round some points, inside the film."""
    array = np.asarray(points, dtype=np.float64)
    low, high = array.min(axis=0), array.max(axis=0)
    half = (high - low) / 2.0 + margin_px
    width_mm, height_mm = KEY_CLOSE_UP_MM
    shape = width_mm / height_mm * radiograph.pixel_aspect
    half = np.maximum(half, (half[1] / shape, half[0] * shape))
    limits = np.asarray(radiograph.shape)
    first = np.clip(np.floor((low + high) / 2.0 - half), 0, limits - 8).astype(int)
    last = np.clip(np.ceil((low + high) / 2.0 + half) + 1, first + 8, limits).astype(int)
    return Window(row0=int(first[0]), row1=int(last[0]), col0=int(first[1]), col1=int(last[1]))


def filling_word(film_kind: str) -> str:
    """What lies in the canal on a film of this kind: fill, file or cone."""
    words: dict[str, str] = {FilmKind.WORKING_LENGTH: "file", FilmKind.MASTER_CONE: "cone"}
    return words.get(film_kind, "fill")


def gap_numbers(review: Review) -> dict[tuple[str, int], int]:
    """Number of each void on the film: (canal name, place in its list) to 1, 2, 3, ..."""
    keys = [(canal.name, k) for canal in review.canals for k in range(len(canal.gaps))]
    return {key: number for number, key in enumerate(keys, start=1)}


def eye_window(radiograph: Radiograph) -> tuple[float, float]:
    """Grey levels to show as black and white, low below high, in values of ``pixels``.

    The file's own window, else the 0.5 to 99.5 percent range (choice); the whole
    possible range for a film without contrast.
    """
    low, high = radiograph.window or np.percentile(radiograph.pixels, (0.5, 99.5))
    if not high > low:
        low, high = radiograph.value_min, radiograph.value_max
    return float(low), float(high)


def grey_for_the_eye(radiograph: Radiograph) -> NDArray[np.uint8]:
    """Pixels as 8-bit grey within `eye_window`."""
    low, high = eye_window(radiograph)
    scaled = (radiograph.pixels - low) / max(high - low, float(np.finfo(np.float32).tiny))
    return np.asarray(np.clip(scaled * 255.0 + 0.5, 0, 255), dtype=np.uint8)


def _marks_of(review: Review, canal: CanalMeasurement) -> CanalMarks | None:
    return next((m for m in review.marks.canals if m.name == canal.name), None)


def _gaps(sheet: _Sheet, review: Review, canals: Iterable[CanalMeasurement]) -> None:
    numbers = gap_numbers(review)
    for canal in canals:
        for k, gap in enumerate(canal.gaps):
            sheet.gap(canal, gap, numbers[canal.name, k])


def _fill_window(canal: CanalMeasurement, radiograph: Radiograph) -> Window | None:
    ends = [e.point_px for e in (canal.core_start, canal.core_end, canal.sealer_end) if e]
    points = [
        *ends,
        *(p.left_edge_px for p in canal.profile),
        *(p.right_edge_px for p in canal.profile),
        *(p for gap in canal.gaps for p in gap.outline_px),
        *(canal.puff.outline_px if canal.puff else ()),
        *([canal.apex_px] if canal.apex_px else []),
    ]
    if not canal.core_end or len(points) < 3:
        return None
    array = np.asarray(points, dtype=np.float64)
    low, high = array.min(axis=0), array.max(axis=0)
    margin = 0.12 * float((high - low).max())
    centre = (low + high) / 2.0
    half = (high - low) / 2.0 + margin
    # As wide as the place on the page allows, so that the neighbourhood is seen.
    width_mm, height_mm = CLOSE_UP_MM
    aspect = radiograph.pixel_aspect
    half[1] = max(half[1], half[0] * aspect * width_mm / height_mm)
    rows, cols = radiograph.shape
    row0, col0 = (max(0, int(np.floor(v))) for v in centre - half)
    row1, col1 = (
        min(n, int(np.ceil(v)) + 1) for n, v in zip((rows, cols), centre + half, strict=True)
    )
    if row1 - row0 < 8 or col1 - col0 < 8:
        return None
    return Window(row0=row0, row1=row1, col0=col0, col1=col1)


@dataclass
class _Sheet:
    """One SVG in the making. Later calls draw over earlier ones."""

    review: Review
    radiograph: Radiograph
    window: Window
    largest_mm: tuple[float, float]
    legend: dict[str, str] = field(default_factory=dict)
    taken: list[_Box] = field(default_factory=list)

    def __post_init__(self) -> None:
        calibration = self.review.calibration
        aspect = (
            calibration.row_mm / calibration.col_mm if calibration else self.radiograph.pixel_aspect
        )
        self.plane = PixelScale(row=aspect, col=1.0, unit="px")
        window = self.window
        self.x0, self.y0 = window.col0 - 0.5, (window.row0 - 0.5) * aspect
        self.width = float(window.col1 - window.col0)
        self.height = (window.row1 - window.row0) * aspect
        # User units per mm of paper.
        self.mm = max(self.width / self.largest_mm[0], self.height / self.largest_mm[1])
        self.root = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img"})
        self._image()
        self.drawing = ET.SubElement(
            self.root,
            "svg",
            {
                **self._box(self.x0, self.y0, self.width, self.height),
                "viewBox": _numbers(self.x0, self.y0, self.width, self.height),
            },
        )

    # -- parts of the picture -------------------------------------------------

    def canal(self, canal: CanalMeasurement) -> None:
        """Edges of the fill, puff, centre line, fill ends and apex."""
        if len(canal.profile) > 1:
            for edge in ("left_edge_px", "right_edge_px"):
                points = [getattr(p, edge) for p in canal.profile]
                self._line(points, colours.EDGES, 0.18, opacity=0.75)
            self._in_legend("edges", f"edges of the {filling_word(canal.film_kind)}")
        if canal.puff and len(canal.puff.outline_px) > 2:
            self._line(canal.puff.outline_px, colours.PUFF, 0.3, dash=(1.2, 0.7), closed=True)
            self._in_legend("puff", "sealer beyond the canal")
        line = canal.centre_line.points_px
        if len(line) > 1:
            self._line(line, colours.CENTRE_LINE, 0.25)
            self._in_legend("centre", "centre line of the canal")
        word = filling_word(canal.film_kind)
        text = f"ends of the {'core' if word == 'fill' else word}"
        self._end(canal, canal.core_start, colours.CORE_END, (), "core", text)
        self._end(canal, canal.core_end, colours.CORE_END, (), "core", text)
        self._end(
            canal,
            canal.sealer_end,
            colours.SEALER_END,
            (0.8, 0.5),
            "sealer",
            "apical end of the sealer",
        )
        if canal.apex_px:
            self._marker("apex", canal.apex_px)
            self._in_legend("apex", "radiographic apex")

    def own_line(self, canal: CanalMeasurement) -> None:
        """A student's centre line, apical end of the fill and apex."""
        if len(canal.centre_line.points_px) > 1:
            self._line(canal.centre_line.points_px, colours.CENTRE_LINE, 0.45)
        self._end(canal, canal.core_end, colours.CORE_END, (), "core", "")
        if canal.apex_px:
            self._marker("apex", canal.apex_px)

    def key_line(self, key: KeyLine) -> None:
        """The line, end of the fill and apex that the teachers agreed on."""
        if len(key.points_px) < 2:
            return
        self._line(key.points_px, colours.KEY, 0.25, dash=(1.4, 1.4))
        for point, half_mm in ((key.core_end_px, 1.8), (key.apex_px, 0.9)):
            if point is None:
                continue
            across = self._across_line(key.points_px, point)
            self._tick(self._xy([point])[0], across, half_mm, colours.KEY, ())

    def landmarks(self, canal: CanalMeasurement, marks: CanalMarks | None) -> None:
        """Marked landmarks, each with its foot on the centre line."""
        if marks is None:
            return
        for name, text, landmark in (
            ("reference", "coronal reference", marks.coronal_reference),
            ("orifice", "orifice", marks.orifice),
            ("post", "end of the post", marks.post_end),
        ):
            if landmark.point_px is not None:
                self._foot(canal, landmark)
                self._marker(name, landmark.point_px)
                self._in_legend(name, text)

    def gap(self, canal: CanalMeasurement, gap: DensityGap, number: int) -> None:
        """Outline of a void and its number beside the fill."""
        if len(gap.outline_px) > 2:
            self._line(gap.outline_px, colours.VOID, 0.3, closed=True)
        self._in_legend("void", "visible void, numbered")
        at = self._xy([gap.centre_px])[0]
        outwards = self._across(canal, gap.centre_px)
        if len(canal.centre_line.points_px) > 1:
            line = self._xy(canal.centre_line.points_px)
            foot = point_at(line, foot_on_polyline(line, at)[0])
            if float(np.dot(at - foot, outwards)) < 0.0:
                outwards = -outwards
        self._letters_beside(at, outwards, str(number), colours.VOID, leader=True)

    def reference(self, path_px: Sequence[PointPx]) -> None:
        """The line or traced file that gave the scale."""
        if len(path_px) < 2:
            return
        self._line(path_px, colours.REFERENCE, 0.35, dash=(1.8, 0.6, 0.4, 0.6))
        path = self._xy(path_px)
        for point, beside in ((path[0], path[1]), (path[-1], path[-2])):
            step = (beside - point) / max(float(np.hypot(*(beside - point))), 1e-9)
            self._tick(point, np.array([step[1], -step[0]]), 1.2, colours.REFERENCE, ())
        self._in_legend("scale", "length that gave the scale")

    def canal_label(self, canal: CanalMeasurement) -> None:
        """Name of the canal beside its coronal end."""
        if len(canal.centre_line.points_px) < 2:
            return
        points = self._xy(canal.centre_line.points_px)
        others = [
            self._xy(c.centre_line.points_px)[0]
            for c in self.review.canals
            if c is not canal and len(c.centre_line.points_px) > 1
        ]
        away = points[0] - np.mean(others, axis=0) if others else np.array([1.0, 0.0])
        side = np.array([1.0 if away[0] >= 0 else -1.0, 0.0])
        self._letters_beside(points[0], side, clean(canal.name)[:12], colours.LANDMARK, size=3.4)

    def scale_bar(self, calibration: Calibration, numbers: Numbers) -> None:
        """A bar of whole millimetres along the columns, at the lower left."""
        fitting = [n for n in (1, 2, 5, 10) if n / calibration.col_mm <= self.width / 3.5]
        if not fitting:
            return
        length_mm = fitting[-1]
        length = length_mm / calibration.col_mm
        x, y = self.x0 + 4.0 * self.mm, self.y0 + self.height - 3.0 * self.mm
        group = ET.SubElement(self.drawing, "g", {"class": "scale-bar"})
        for colour, width, grow in (("#000000", 1.5, 0.35), ("#ffffff", 0.8, 0.0)):
            ET.SubElement(
                group,
                "path",
                {
                    "d": f"M{_n(x - grow * self.mm)} {_n(y)}H{_n(x + length + grow * self.mm)}",
                    "stroke": colour,
                    "stroke-width": _n(width * self.mm),
                    "fill": "none",
                },
            )
        text = f"{length_mm} mm"
        self._letters(self.drawing, x, y - 1.4 * self.mm, text, colours.LANDMARK, 2.9)

    def finish(self, alt: str, *, legend: bool = True) -> Picture:
        """Add the legend and return the picture."""
        beside, below = self._draw_legend() if legend and self.legend else (0.0, 0.0)
        width, height = self.width + beside, self.height + below
        self.root.set("viewBox", _numbers(self.x0, self.y0, width, height))
        width_mm, height_mm = width / self.mm, height / self.mm
        self.root.set("width", f"{_n(width_mm)}mm")
        self.root.set("height", f"{_n(height_mm)}mm")
        self.root.set("aria-label", alt)
        return Picture(
            svg=ET.tostring(self.root, encoding="unicode"),
            width_mm=width_mm,
            height_mm=height_mm,
            alt=alt,
        )

    # -- how it is drawn ------------------------------------------------------

    def _image(self) -> None:
        from PIL import Image

        window = self.window
        grey = grey_for_the_eye(self.radiograph)
        part = grey[window.row0 : window.row1, window.col0 : window.col1]
        buffer = io.BytesIO()
        Image.fromarray(part).save(buffer, format="PNG")
        ET.SubElement(
            self.root,
            "image",
            {
                **self._box(self.x0, self.y0, self.width, self.height),
                "preserveAspectRatio": "none",
                "href": "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode(),
            },
        )

    def _box(self, x: float, y: float, width: float, height: float) -> dict[str, str]:
        return {"x": _n(x), "y": _n(y), "width": _n(width), "height": _n(height)}

    def _xy(self, points_px: ArrayLike) -> FloatArray:
        """(row, col) pixel points as (x, y) of the SVG, shape (N, 2)."""
        return self.plane.to_plane(points_px)[:, ::-1]

    def _line(
        self,
        points_px: Sequence[PointPx],
        colour: str,
        width_mm: float,
        *,
        dash: tuple[float, ...] = (),
        closed: bool = False,
        opacity: float = 1.0,
    ) -> None:
        self._path(self._xy(points_px), colour, width_mm, dash=dash, closed=closed, opacity=opacity)

    def _path(
        self,
        xy: FloatArray,
        colour: str,
        width_mm: float,
        *,
        dash: tuple[float, ...] = (),
        closed: bool = False,
        opacity: float = 1.0,
    ) -> None:
        d = "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in xy) + ("Z" if closed else "")
        common = {"d": d, "fill": "none", "stroke-linejoin": "round"}
        # A dark casing keeps the line visible on a bright fill.
        ET.SubElement(
            self.drawing,
            "path",
            {
                **common,
                "stroke": "#000000",
                "stroke-opacity": _n(0.45 * opacity),
                "stroke-width": _n((width_mm + 0.3) * self.mm),
            },
        )
        line = ET.SubElement(
            self.drawing,
            "path",
            {**common, "stroke": colour, "stroke-width": _n(width_mm * self.mm)},
        )
        if opacity < 1.0:
            line.set("stroke-opacity", _n(opacity))
        if dash:
            line.set("stroke-dasharray", " ".join(_n(v * self.mm) for v in dash))

    def _tick(
        self,
        at: FloatArray,
        across: FloatArray,
        half_mm: float,
        colour: str,
        dash: tuple[float, ...],
        extra: float = 0.0,
    ) -> None:
        reach = (half_mm * self.mm + extra) * across
        self._path(np.array([at - reach, at + reach]), colour, 0.45, dash=dash)

    def _end(
        self,
        canal: CanalMeasurement,
        end: FillEnd | None,
        colour: str,
        dash: tuple[float, ...],
        role: str,
        text: str,
    ) -> None:
        if end is None:
            return
        across = self._across(canal, end.point_px)
        width = min(
            ((abs(p.s_px - end.s_px), p.width_px) for p in canal.profile), default=(0.0, 0.0)
        )[1]
        self._tick(self._xy([end.point_px])[0], across, 1.0, colour, dash, extra=width / 2.0)
        if end.u_px > 0.4 * self.mm and len(canal.centre_line.points_px) > 1:
            line = self._xy(canal.centre_line.points_px)
            for s in (end.s_px - end.u_px, end.s_px + end.u_px):
                reach = (0.4 * self.mm + width / 2.0) * across
                at = point_at(line, s)
                self._path(np.array([at - reach, at + reach]), colour, 0.15)
        self._in_legend(role, text)

    def _across(self, canal: CanalMeasurement, point_px: PointPx) -> FloatArray:
        """Unit vector (x, y) across the canal at its place nearest to a point."""
        return self._across_line(canal.centre_line.points_px, point_px)

    def _across_line(self, points_px: Sequence[PointPx], point_px: PointPx) -> FloatArray:
        """Unit vector (x, y) across a line at its place nearest to a point."""
        if len(points_px) < 2:
            return np.array([1.0, 0.0])
        line = self._xy(points_px)
        s, _ = foot_on_polyline(line, self._xy([point_px])[0])
        along = tangents(line)[int(np.searchsorted(cumulative_length(line)[:-1], s))]
        return np.array([along[1], -along[0]])

    def _foot(self, canal: CanalMeasurement, landmark: Landmark) -> None:
        if landmark.point_px is None or len(canal.centre_line.points_px) < 2:
            return
        line = self._xy(canal.centre_line.points_px)
        at = self._xy([landmark.point_px])[0]
        s, distance = foot_on_polyline(line, at)
        foot = point_at(line, s)
        if distance > 0.5 * self.mm:
            self._path(np.array([at, foot]), colours.LANDMARK, 0.18, dash=(0.4, 0.4))
        self._tick(foot, self._across(canal, landmark.point_px), 0.7, colours.LANDMARK, ())

    def _marker(self, role: str, point_px: PointPx) -> None:
        at = self._xy([point_px])[0]
        self._shape(self.drawing, role, float(at[0]), float(at[1]))
        self.taken.append(_box_round(at, 2.4 * self.mm, 2.4 * self.mm))

    def _shape(self, parent: ET.Element, role: str, x: float, y: float) -> None:
        r = 1.1 * self.mm
        shapes = {
            "apex": f"M{_n(x - r)} {_n(y)}A{_n(r)} {_n(r)} 0 1 0 {_n(x + r)} {_n(y)}"
            f"A{_n(r)} {_n(r)} 0 1 0 {_n(x - r)} {_n(y)}Z"
            f"M{_n(x)} {_n(y - 1.5 * r)}V{_n(y - 0.5 * r)}M{_n(x)} {_n(y + 0.5 * r)}"
            f"V{_n(y + 1.5 * r)}M{_n(x - 1.5 * r)} {_n(y)}H{_n(x - 0.5 * r)}"
            f"M{_n(x + 0.5 * r)} {_n(y)}H{_n(x + 1.5 * r)}",
            "reference": f"M{_n(x)} {_n(y)}L{_n(x - r)} {_n(y - 1.8 * r)}H{_n(x + r)}Z",
            "orifice": f"M{_n(x)} {_n(y - r)}L{_n(x + r)} {_n(y)}L{_n(x)} {_n(y + r)}"
            f"L{_n(x - r)} {_n(y)}Z",
            "post": f"M{_n(x - r)} {_n(y - r)}H{_n(x + r)}V{_n(y + r)}H{_n(x - r)}Z",
        }
        colour = colours.POST if role == "post" else colours.LANDMARK
        for stroke, width in (("#000000", 0.65), (colour, 0.3)):
            ET.SubElement(
                parent,
                "path",
                {
                    "d": shapes[role],
                    "fill": "none",
                    "stroke": stroke,
                    "stroke-width": _n(width * self.mm),
                    "stroke-linejoin": "round",
                },
            )

    def _letters_beside(
        self,
        at: FloatArray,
        direction: FloatArray,
        text: str,
        colour: str,
        *,
        leader: bool = False,
        size: float = 2.9,
    ) -> None:
        """Put letters beside a place where nothing else is written and the film has room."""
        width, height = 0.68 * size * self.mm * len(text), size * self.mm
        best: tuple[float, FloatArray] | None = None
        turned = np.array([-direction[1], direction[0]])
        for distance in (4.0, 6.0, 8.5, 11.0):
            for side in (1.0, -1.0):
                for along in (0.0, 0.6, -0.6, 1.2, -1.2):
                    step = side * direction + along * turned
                    centre = at + distance * self.mm * step
                    cost = self._cost(_box_round(centre, width, height))
                    cost += 0.1 * distance + (0.3 if side < 0 else 0.0) + abs(along)
                    if best is None or cost < best[0]:
                        best = (cost, centre)
        assert best is not None
        centre = best[1]
        self.taken.append(_box_round(centre, width, height))
        if leader:
            gap = centre - at
            length = float(np.hypot(*gap))
            end = centre - gap * (0.62 * max(width, height) / max(length, 1e-9))
            self._path(np.array([at, end]), colour, 0.15)
        x, y = centre[0] - width / 2, centre[1] + 0.36 * height
        self._letters(self.drawing, x, y, text, colour, size)

    def _cost(self, box: _Box) -> float:
        pad = 0.8 * self.mm
        outside = (
            box[0] < self.x0 + pad
            or box[1] < self.y0 + pad
            or box[2] > self.x0 + self.width - pad
            or box[3] > self.y0 + self.height - pad
        )
        hits = sum(
            box[0] < other[2] + pad
            and other[0] < box[2] + pad
            and box[1] < other[3] + pad
            and other[1] < box[3] + pad
            for other in self.taken
        )
        on_lines = sum(
            bool(
                (
                    (line[:, 0] > box[0] - pad)
                    & (line[:, 0] < box[2] + pad)
                    & (line[:, 1] > box[1] - pad)
                    & (line[:, 1] < box[3] + pad)
                ).any()
            )
            for line in self._lines()
        )
        return 100.0 * outside + 50.0 * hits + 5.0 * on_lines

    def _lines(self) -> list[FloatArray]:
        return [
            self._xy(c.centre_line.points_px)
            for c in self.review.canals
            if len(c.centre_line.points_px) > 1
        ]

    def _letters(
        self, parent: ET.Element, x: float, y: float, text: str, colour: str, size: float
    ) -> None:
        # Outline first, then the fill: not every engine knows paint-order.
        common = {
            "x": _n(x),
            "y": _n(y),
            "font-family": _FONT,
            "font-size": _n(size * self.mm),
            "font-weight": "bold",
        }
        outline = ET.SubElement(
            parent,
            "text",
            {
                **common,
                "fill": "#000000",
                "stroke": "#000000",
                "stroke-width": _n(0.7 * self.mm),
                "stroke-linejoin": "round",
                "aria-hidden": "true",
            },
        )
        outline.text = text
        ET.SubElement(parent, "text", {**common, "fill": colour}).text = text

    def _in_legend(self, role: str, text: str) -> None:
        self.legend.setdefault(role, text)

    def _draw_legend(self) -> tuple[float, float]:
        """Write the legend; return what it adds to width and height in user units."""
        mm = self.mm
        if self.height > self.width:
            columns, step = 1, _LEGEND_MM * mm
            left, top = self.x0 + self.width, self.y0
            added = (step, 0.0)
            box = self._box(left, top, step, (len(self.legend) * 4.6 + 2.6) * mm)
        else:
            columns = max(1, int(self.width / mm // 44.0))
            step = self.width / columns
            left, top = self.x0, self.y0 + self.height
            added = (0.0, (-(-len(self.legend) // columns) * 4.6 + 2.6) * mm)
            box = self._box(left, top, self.width, added[1])
        group = ET.SubElement(self.root, "g", {"class": "legend"})
        ET.SubElement(group, "rect", {**box, "fill": "#2b2f36"})
        for k, (role, text) in enumerate(self.legend.items()):
            x = left + (k % columns) * step + 2.0 * mm
            y = top + (k // columns * 4.6 + 3.6) * mm
            self._swatch(group, role, x, y)
            ET.SubElement(
                group,
                "text",
                {
                    "x": _n(x + 8.0 * mm),
                    "y": _n(y + 0.9 * mm),
                    "font-family": _FONT,
                    "font-size": _n(2.5 * mm),
                    "fill": "#ffffff",
                },
            ).text = text
        return added

    def _swatch(self, group: ET.Element, role: str, x: float, y: float) -> None:
        mm = self.mm
        styles: dict[str, tuple[str, float, tuple[float, ...]]] = {
            "centre": (colours.CENTRE_LINE, 0.35, ()),
            "edges": (colours.EDGES, 0.18, ()),
            "puff": (colours.PUFF, 0.4, (1.2, 0.7)),
            "scale": (colours.REFERENCE, 0.4, (1.8, 0.6, 0.4, 0.6)),
            "core": (colours.CORE_END, 0.55, ()),
            "sealer": (colours.SEALER_END, 0.55, (0.8, 0.5)),
        }
        if role == "void":
            ET.SubElement(
                group,
                "ellipse",
                {
                    "cx": _n(x + 3.0 * mm),
                    "cy": _n(y),
                    "rx": _n(2.0 * mm),
                    "ry": _n(1.1 * mm),
                    "fill": "none",
                    "stroke": colours.VOID,
                    "stroke-width": _n(0.4 * mm),
                },
            )
        elif role in styles:
            colour, width, dash = styles[role]
            vertical = role in ("core", "sealer")
            middle = x + 3.0 * mm
            d = (
                f"M{_n(middle)} {_n(y - 1.8 * mm)}V{_n(y + 1.8 * mm)}"
                if vertical
                else f"M{_n(x)} {_n(y)}H{_n(x + 6.0 * mm)}"
            )
            line = ET.SubElement(
                group,
                "path",
                {"d": d, "stroke": colour, "stroke-width": _n(width * mm), "fill": "none"},
            )
            if dash:
                line.set("stroke-dasharray", " ".join(_n(v * mm) for v in dash))
        else:
            self._shape(group, role, x + 3.0 * mm, y + (0.9 * mm if role == "reference" else 0.0))


def _box_round(centre: FloatArray, width: float, height: float) -> _Box:
    x, y = float(centre[0]), float(centre[1])
    return (x - width / 2, y - height / 2, x + width / 2, y + height / 2)


def _n(value: float) -> str:
    """A number for SVG: four decimals, no exponent, no trailing zeros."""
    text = f"{float(value):.4f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _numbers(*values: float) -> str:
    return " ".join(_n(v) for v in values)
