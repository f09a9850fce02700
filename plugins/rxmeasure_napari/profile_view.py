"""One canal pulled straight: picture, width and density over one axis, linked to the film.

The horizontal axis is the distance from the apical end of what lies in the
canal, apical left. Colours are those of the drawing on the film.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyqtgraph as pg
from qtpy.QtCore import QPointF, QRectF, QSize, Qt, Signal
from qtpy.QtWidgets import (
    QGraphicsRectItem,
    QLabel,
    QSizePolicy,
    QStackedLayout,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.filling.results import CanalMeasurement, DensityGap, ProfilePoint
from rxmeasure.marks import FilmKind, PointPx
from rxmeasure.radiograph import Radiograph
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.picture import filling_word
from rxmeasure.tracing.straighten import StraightenedCanal, straightened_canal
from rxmeasure_napari import layer_style
from rxmeasure_napari.plot_pieces import (
    GROUND,
    TEXT,
    PlotGround,
    band,
    brush,
    curve,
    dashed,
    label_axis,
    new_plot,
    pen,
    small_font,
)

_WIDTH = layer_style.EDGE.colour
_TAPER = layer_style.REFERENCE.colour
_STATED = "#b5b5b5"
_DENSITY = TEXT
_EXPECTED = layer_style.CENTRE.colour
_VOID = layer_style.VOID.colour

#: Opacities of 255: of a void, of a chosen void, and of what lies under a word.
_SHADE, _SHADE_CHOSEN, _PAPER = 60, 115, 170
_OUTLINE_PX, _OUTLINE_CHOSEN_PX = 1.2, 2.6
#: Shares of the shown length left free beside it: for the words at the apical end, for the eye.
_FREE_APICAL, _FREE_CORONAL = 0.16, 0.02
#: Free share above the curves, for the key.
_FREE_ABOVE = 0.4
#: Half the strip: in greatest widths of the fill, or in shown lengths where the strip stands alone.
_ACROSS_WIDTHS, _ACROSS_LENGTHS = 1.1, 0.4
#: Most samples along the strip: about the pixels that the panel has for it.
_SAMPLES_ALONG = 360
_POINT = Numbers()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Axis:
    """The axis that the plots share: distance coronally from ``origin_s_px``, in ``unit``.

    ``low`` and ``high`` are the ends of what is shown.
    """

    origin_s_px: float
    per_px: float
    unit: str
    origin_words: str
    low: float = 0.0
    high: float = 0.0

    def x(self, s_px: Any) -> Any:
        return (self.origin_s_px - s_px) * self.per_px

    def s_px(self, x: float) -> float:
        return self.origin_s_px - x / self.per_px

    @property
    def in_mm(self) -> bool:
        return self.unit == "mm"


@dataclass(frozen=True, slots=True, kw_only=True)
class _ShownGap:
    """One void as it stands in the plots; ``low`` and ``high`` on the shared axis."""

    low: float
    high: float
    words: str
    outline: pg.PlotCurveItem
    shades: tuple[QGraphicsRectItem, ...]
    number: pg.TextItem

    @property
    def centre(self) -> float:
        return (self.low + self.high) / 2.0


class ProfileView(QWidget):
    """Straightened picture, width and density of one canal, one above the other.

    Signals
    -------
    place_hovered : float or None
        Arc distance along the centre line in column pitches under the pointer; None
        when the pointer leaves.
    gap_chosen : int
        Place in ``canal.gaps`` of the void that was clicked.
    """

    place_hovered = Signal(object)
    gap_chosen = Signal(int)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._axis: _Axis | None = None
        self._profile: tuple[ProfilePoint, ...] = ()
        self._gaps: dict[int, _ShownGap] = {}
        self._hovering = False
        self._numbers = _POINT
        self._hint = ""
        self._side_words = ("", "")

        self._missing = QLabel()
        self._missing.setWordWrap(True)
        self._missing.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._readout = QLabel()
        # Never wider than the panel, whatever it says.
        self._readout.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self._view = PlotGround()
        self._strip, self._width, self._density = (new_plot(self._view, row) for row in range(3))
        self._plots = (self._strip, self._width, self._density)
        self._cursors = tuple(_cursor() for _ in self._plots)

        page = QWidget()
        column = QVBoxLayout(page)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addWidget(self._readout)
        column.addWidget(self._view, 1)
        self._pages = QStackedLayout(self)
        self._pages.addWidget(self._missing)
        self._pages.addWidget(page)

        self._view.pointer_moved.connect(self._point_at)
        self._view.scene().sigMouseClicked.connect(self._click)
        self._view.pointer_left.connect(self._leave)
        self._strip.vb.sigResized.connect(self._keep_proportions)
        self.show_canal(None, None, mm_per_px=None, gap_numbers={})

    def sizeHint(self) -> QSize:
        """About the width of the panel."""
        return QSize(380, 300)

    def minimumSizeHint(self) -> QSize:
        """Small enough for a low window."""
        return QSize(240, 230)

    def show_canal(
        self,
        canal: CanalMeasurement | None,
        radiograph: Radiograph | None,
        *,
        mm_per_px: float | None,
        gap_numbers: Mapping[int, int],
        numbers: Numbers = _POINT,
    ) -> None:
        """Show one canal, or what is missing.

        Parameters
        ----------
        canal : CanalMeasurement or None
        radiograph : Radiograph or None
            The film the canal was measured on.
        mm_per_px : float or None
            Column pitch; None for a film without a scale, which is shown in px.
        gap_numbers : mapping
            Place of a void in ``canal.gaps`` to its number on the film.
        numbers : Numbers
            Decimal mark.
        """
        self._clear()
        if canal is None or radiograph is None:
            self._missing.setText(
                "No film is open."
                if radiograph is None
                else "No canal is measured yet. Click along a canal to see its profile."
            )
            self._pages.setCurrentIndex(0)
            return
        self._numbers = numbers
        self._axis = axis = _axis_of(canal, radiograph, mm_per_px)
        if _has_profile(canal):
            self._profile = tuple(sorted(canal.profile, key=lambda p: p.to_end_px))
        self._lay_out(axis)
        strip = self._draw_strip(canal, radiograph, axis)
        if self._profile:
            self._draw_width(canal, axis)
            self._draw_density(axis, relative=radiograph.intensity not in ("linear", "log"))
            for index, gap in enumerate(canal.gaps):
                self._gaps[index] = self._draw_gap(gap, axis, strip, gap_numbers.get(index))
        for plot, cursor in zip(self._plots, self._cursors, strict=True):
            plot.setXRange(axis.low, axis.high, padding=0.0)
            plot.addItem(cursor, ignoreBounds=True)
        self._keep_proportions()
        self._hint = _hint(canal)
        self._readout.setText(self._hint)
        self._pages.setCurrentIndex(1)

    def mark_place(self, s_px: float | None) -> None:
        """Put the line for one place of the centre line into all plots; None takes it away."""
        axis = self._axis
        for cursor in self._cursors:
            cursor.setVisible(axis is not None and s_px is not None)
            if axis is not None and s_px is not None:
                cursor.setPos(axis.x(s_px))
        if axis is not None:
            self._readout.setText(
                self._hint if s_px is None else self._words_at(axis, axis.x(s_px))
            )

    def emphasise_gap(self, index: int | None) -> None:
        """Make one void of ``canal.gaps`` stand out; None makes all equal again."""
        for k, gap in self._gaps.items():
            chosen = k == index
            gap.outline.setPen(pen(_VOID, _OUTLINE_CHOSEN_PX if chosen else _OUTLINE_PX))
            for shade in gap.shades:
                shade.setBrush(brush(_VOID, _SHADE_CHOSEN if chosen else _SHADE))
            gap.number.border = pen(_VOID, 1.5) if chosen else pg.mkPen(None)
            gap.number.update()

    # -- pointer --------------------------------------------------------------

    def _x_under(self, where: QPointF) -> float | None:
        for plot in self._plots:
            if plot.isVisible() and plot.vb.sceneBoundingRect().contains(where):
                return float(plot.vb.mapSceneToView(where).x())
        return None

    def _point_at(self, where: QPointF) -> None:
        x = self._x_under(where)
        if x is None or self._axis is None:
            self._leave()
            return
        s_px = self._axis.s_px(x)
        over_gap = self._gap_at(x) is not None
        shape = Qt.CursorShape.PointingHandCursor if over_gap else Qt.CursorShape.CrossCursor
        self._view.viewport().setCursor(shape)
        self._hovering = True
        self.mark_place(s_px)
        self.place_hovered.emit(s_px)

    def _leave(self) -> None:
        if not self._hovering:
            return
        self._hovering = False
        self._view.viewport().unsetCursor()
        self.mark_place(None)
        self.place_hovered.emit(None)

    def _click(self, event: Any) -> None:
        x = self._x_under(event.scenePos())
        gap = None if x is None else self._gap_at(x)
        if gap is not None and event.button() == Qt.MouseButton.LeftButton:
            self.gap_chosen.emit(gap)

    def _gap_at(self, x: float) -> int | None:
        """The void at a place of the axis; a short one can be met a little beside it."""
        near = layer_style.GRAB_PX * float(self._strip.vb.viewPixelSize()[0])
        met = [
            k
            for k, gap in self._gaps.items()
            if abs(x - gap.centre) <= max((gap.high - gap.low) / 2.0, near)
        ]
        return min(met, key=lambda k: abs(x - self._gaps[k].centre), default=None)

    def _words_at(self, axis: _Axis, x: float) -> str:
        numbers = self._numbers
        distance = f"{numbers.quantity(abs(x), axis.unit)} {axis.unit}"
        words = [distance if x >= 0.0 else f"{distance} beyond"]
        point = min(self._profile, key=lambda p: abs(axis.x(p.s_px) - x), default=None)
        if point is not None and self._is_on_profile(axis, x):
            width, u = _width_of(point, axis)
            decimals = 2 if axis.in_mm else 1
            words.append(
                f"width {numbers.fixed(width, decimals)} ± "
                f"{numbers.uncertainty(u, axis.unit)} {axis.unit}"
            )
        gap = self._gap_at(x)
        if gap is not None:
            words.append(self._gaps[gap].words)
        return " · ".join(words)

    def _is_on_profile(self, axis: _Axis, x: float) -> bool:
        ends = [axis.x(p.s_px) for p in (self._profile[0], self._profile[-1])]
        return bool(min(ends) <= x <= max(ends))

    # -- drawing --------------------------------------------------------------

    def _clear(self) -> None:
        self._leave()
        self._axis, self._profile, self._gaps = None, (), {}
        for plot in self._plots:
            plot.clear()
        for cursor in self._cursors:
            cursor.setVisible(False)

    def _lay_out(self, axis: _Axis) -> None:
        """Three plots, or the strip alone; the lowest one carries the axis."""
        filled = bool(self._profile)
        self._width.setVisible(filled)
        self._density.setVisible(filled)
        lowest = self._density if filled else self._strip
        words = f"distance from the {axis.origin_words} ({axis.unit}), apical left"
        for plot in self._plots:
            plot.showAxis("bottom", plot is lowest)
            for side in ("left", "bottom"):
                plot.getAxis(side).decimal_mark = self._numbers.decimal_mark
        label_axis(lowest.getAxis("bottom"), words, small_font(self))
        label_axis(self._width.getAxis("left"), f"width ({axis.unit})", small_font(self))
        label_axis(self._density.getAxis("left"), "density", small_font(self))

    def _keep_proportions(self) -> None:
        """A strip that stands alone shows the canal in its true proportions."""
        if self._axis is None or self._profile:
            return
        across = float(self._strip.vb.viewPixelSize()[0]) * self._strip.vb.height() / 2.0
        if across > 0.0:
            self._show_across(across)

    def _show_across(self, half: float) -> None:
        """Set what the strip shows to either side of the line, with the sides' names."""
        self._strip.setYRange(-half, half, padding=0.0)
        up, down = self._side_words
        self._strip.getAxis("left").setTicks([[(0.75 * half, up), (-0.75 * half, down)]])

    def _draw_strip(
        self, canal: CanalMeasurement, radiograph: Radiograph, axis: _Axis
    ) -> StraightenedCanal:
        strip = _straightened(canal, radiograph, axis)
        half = float(strip.offset_px[-1]) * axis.per_px
        self._strip.addItem(_image(strip, axis))
        self._side_words = _sides(strip)
        self._show_across(half)
        for edge in ("left_edge_px", "right_edge_px"):
            if self._profile:
                points = [getattr(p, edge) for p in self._profile]
                self._strip.addItem(_outline(points, strip, axis, pen(_WIDTH, 1.2)))
        if canal.puff is not None and len(canal.puff.outline_px) > 2:
            points = [*canal.puff.outline_px, canal.puff.outline_px[0]]
            self._strip.addItem(_outline(points, strip, axis, dashed(layer_style.PUFF.colour)))
        self._draw_marks(canal, strip, axis)
        return strip

    def _draw_marks(self, canal: CanalMeasurement, strip: StraightenedCanal, axis: _Axis) -> None:
        """Apex and ends as lines with words, the words on the sides that face away."""
        apex = None
        if canal.apex_px is not None:
            apex = float(axis.x(strip.places([canal.apex_px])[0, 0]))
        beyond = apex is not None and apex > 0.0
        word = filling_word(canal.film_kind)
        end, core = canal.fill_end, canal.core_end
        if end is not None:
            name = "fill end" if word == "fill" else f"tip of the {word}"
            self._mark(0.0, name, layer_style.CORE_END.colour, top=False, coronal=not beyond)
        if end is not None and core is not None and core.s_px < end.s_px:
            x = axis.x(core.s_px)
            self._mark(x, "core end", layer_style.CORE_END.colour, top=True, coronal=not beyond)
        if apex is not None:
            self._mark(apex, "apex", layer_style.APEX.colour, top=True, coronal=beyond)

    def _mark(self, x: float, word: str, colour: str, *, top: bool, coronal: bool) -> None:
        anchor = (0.0 if coronal else 1.0, 0.0 if top else 1.0)
        line = pg.InfiniteLine(
            x,
            angle=90,
            pen=pen(colour, 1.4),
            label=word,
            labelOpts={
                "position": 1.0 if top else 0.0,
                "color": colour,
                "fill": brush(GROUND, _PAPER),
                "anchors": [anchor, anchor],
            },
        )
        line.label.setFont(small_font(self))
        self._strip.addItem(line, ignoreBounds=True)

    def _draw_width(self, canal: CanalMeasurement, axis: _Axis) -> None:
        x = axis.x(np.array([p.s_px for p in self._profile]))
        width, u = np.array([_width_of(p, axis) for p in self._profile]).T
        key = [("━", _WIDTH, "width ± standard uncertainty")]
        taper = canal.taper
        if taper is not None and taper.nominal_band_mm and axis.in_mm:
            at, low, high = np.array(taper.nominal_band_mm).T
            self._width.addItem(band(at, low, high, _STATED, 90))
            key.append(("▒", _STATED, "as stated"))
        self._width.addItem(band(x, width - u, width + u, _WIDTH, 80))
        self._width.addItem(curve(x, width, pen(_WIDTH, 1.6)))
        at_end = None
        if taper is not None:
            at_end = taper.width_at_end_mm if axis.in_mm else taper.width_at_end_px
        if taper is not None and at_end is not None:
            ends = np.array([taper.from_to_end_px, taper.upto_to_end_px]) * axis.per_px
            self._width.addItem(curve(ends, at_end + taper.taper * ends, dashed(_TAPER)))
            key.insert(1, ("╍", _TAPER, "taper line"))
        self._finish(self._width, axis.low, (0.0, float((width + u).max())), key)

    def _draw_density(self, axis: _Axis, *, relative: bool) -> None:
        x = axis.x(np.array([p.s_px for p in self._profile]))
        found = np.array([p.density for p in self._profile])
        expected = np.array([p.density_expected for p in self._profile])
        self._density.addItem(curve(x, expected, dashed(_EXPECTED)))
        self._density.addItem(curve(x, found, pen(_DENSITY, 1.4)))
        key = [("━", _DENSITY, "found"), ("╍", _EXPECTED, "expected from the width")]
        if relative:
            key.append(("", _STATED, "(relative)"))
        both = np.concatenate([found, expected])
        reach = (min(0.0, float(both.min())), float(both.max()))
        self._finish(self._density, axis.low, reach, key)

    def _finish(
        self,
        plot: pg.PlotItem,
        low_x: float,
        reach: tuple[float, float],
        key: Sequence[tuple[str, str, str]],
    ) -> None:
        """Set the height shown and write the key into the upper left corner."""
        low, high = reach
        top = high + _FREE_ABOVE * (high - low)
        plot.setYRange(low, top, padding=0.0)
        text = pg.TextItem(
            html="&nbsp; ".join(f'<span style="color:{c}">{sign} {w}</span>' for sign, c, w in key)
        )
        text.setFont(small_font(self))
        text.setPos(low_x, top)
        text.setZValue(40)
        plot.addItem(text, ignoreBounds=True)

    def _draw_gap(
        self, gap: DensityGap, axis: _Axis, strip: StraightenedCanal, number: int | None
    ) -> _ShownGap:
        """Outline in the strip, shade in the other plots, number below the density."""
        centre = gap.to_end_px * axis.per_px
        half = gap.length.value_px * axis.per_px / 2.0
        points = [*gap.outline_px, *gap.outline_px[:1]]
        outline = _outline(points, strip, axis, pen(_VOID, _OUTLINE_PX))
        self._strip.addItem(outline)
        shades = []
        for plot in (self._width, self._density):
            bottom, top = plot.viewRange()[1]
            shade = QGraphicsRectItem(centre - half, bottom, 2.0 * half, top - bottom)
            shade.setBrush(brush(_VOID, _SHADE))
            shade.setPen(pen(_VOID, 0.8))
            plot.addItem(shade, ignoreBounds=True)
            shades.append(shade)
        name = "" if number is None else str(number)
        label = pg.TextItem(name, color=TEXT, fill=brush(GROUND, _PAPER))
        label.setFont(small_font(self))
        # Two rows by turns, so that numbers of neighbours keep apart.
        label.setAnchor((0.5, 2.0 if number is not None and number % 2 == 0 else 1.0))
        label.setPos(centre, self._density.viewRange()[1][0])
        self._density.addItem(label, ignoreBounds=True)
        return _ShownGap(
            low=centre - half,
            high=centre + half,
            words=f"void {name} ({gap.kind})".replace("  ", " "),
            outline=outline,
            shades=tuple(shades),
            number=label,
        )


# -- what is shown ------------------------------------------------------------


def _has_profile(canal: CanalMeasurement) -> bool:
    """Whether there is a fill whose width and density can be drawn."""
    filled = canal.film_kind in (FilmKind.POSTOPERATIVE, FilmKind.RECALL)
    return filled and len(canal.profile) > 2


def _axis_of(canal: CanalMeasurement, radiograph: Radiograph, mm_per_px: float | None) -> _Axis:
    """The shared axis: its zero, and room for all that is marked on the canal."""
    marked = [p for p in (canal.apex_px, *(canal.puff.outline_px if canal.puff else ())) if p]
    line = straightened_canal(radiograph, canal.centre_line.points_px, half_width_px=1.0)
    places = line.places(marked)[:, 0] if marked else np.empty(0)
    if canal.fill_end is not None:
        origin = canal.fill_end.s_px
        word = filling_word(canal.film_kind)
        words = "apical end of the fill" if word == "fill" else f"tip of the {word}"
    else:
        origin = float(places[0]) if canal.apex_px else canal.centre_line.s_px[-1]
        words = "apex" if canal.apex_px else "apical end of the line"
    start = canal.core_start.s_px if canal.core_start is not None else 0.0
    start = min([start, *(p.s_px for p in canal.profile)])
    last = max([origin, *places])
    length = last - start
    per_px, unit = (1.0, "px") if mm_per_px is None else (mm_per_px, "mm")
    return _Axis(
        origin_s_px=origin,
        per_px=per_px,
        unit=unit,
        origin_words=words,
        low=(origin - last - _FREE_APICAL * length) * per_px,
        high=(origin - start + _FREE_CORONAL * length) * per_px,
    )


def _straightened(
    canal: CanalMeasurement, radiograph: Radiograph, axis: _Axis
) -> StraightenedCanal:
    """The picture as far as it is shown, about one sample to a pixel of a small screen."""
    shown_px = (axis.high - axis.low) / axis.per_px
    if _has_profile(canal):
        half = _ACROSS_WIDTHS * max(p.width_px for p in canal.profile)
    else:
        half = _ACROSS_LENGTHS * shown_px
    first, last = axis.s_px(axis.high), axis.s_px(axis.low)
    return straightened_canal(
        radiograph,
        canal.centre_line.points_px,
        half_width_px=half,
        step_px=max(1.0, shown_px / _SAMPLES_ALONG),
        beyond_px=max(0.0, -first, last - canal.centre_line.s_px[-1]),
    )


def _sides(strip: StraightenedCanal) -> tuple[str, str]:
    """What of the film lies up and down in the strip."""
    row, col = strip.normal.mean(axis=0)
    if abs(col) >= abs(row):
        return ("right", "left") if col > 0 else ("left", "right")
    return ("lower", "upper") if row > 0 else ("upper", "lower")


def _width_of(point: ProfilePoint, axis: _Axis) -> tuple[float, float]:
    """Width and its standard uncertainty in the unit of the axis."""
    if axis.in_mm and point.width_mm is not None and point.u_width_mm is not None:
        return point.width_mm, point.u_width_mm
    return point.width_px * axis.per_px, point.u_width_px * axis.per_px


def _hint(canal: CanalMeasurement) -> str:
    if canal.film_kind != FilmKind.PREOPERATIVE and canal.fill_end is None:
        return f"No {filling_word(canal.film_kind)} was seen along the clicks."
    if canal.gaps:
        return "Point at a place, or click a void."
    return "Point at a place to see it on the film."


# -- pieces of the drawing ----------------------------------------------------


def _outline(
    points_px: Sequence[PointPx], strip: StraightenedCanal, axis: _Axis, pen: Any
) -> pg.PlotCurveItem:
    """A line on the film, drawn in the strip."""
    s_px, offset_px = strip.places(points_px).T
    return curve(axis.x(s_px), offset_px * axis.per_px, pen)


def _image(strip: StraightenedCanal, axis: _Axis) -> pg.ImageItem:
    """Grey picture with the apical end left; what lies outside the film stays clear."""
    levels = np.nanpercentile(strip.pixels[::3, ::3], (0.5, 99.5))
    image = pg.ImageItem(strip.pixels[::-1], levels=levels, axisOrder="col-major")
    step_px = float(strip.s_px[1] - strip.s_px[0])
    left = axis.x(strip.s_px[-1] + step_px / 2.0)
    right = axis.x(strip.s_px[0] - step_px / 2.0)
    half = (float(strip.offset_px[-1]) + step_px / 2.0) * axis.per_px
    image.setRect(QRectF(left, -half, right - left, 2.0 * half))
    return image


def _cursor() -> pg.InfiniteLine:
    place = layer_style.PLACE
    dash = (max(place.dash_px, 1.0), max(place.gap_px, 1.0))
    line = pg.InfiniteLine(angle=90, pen=pg.mkPen(place.colour, width=1.4, dash=dash))
    line.setZValue(50)
    line.setVisible(False)
    return line
