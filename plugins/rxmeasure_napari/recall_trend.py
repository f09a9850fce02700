"""Course of the lesions over the years: area with its interval, a line for each root."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
import pyqtgraph as pg
from qtpy.QtCore import QPointF, Qt
from qtpy.QtWidgets import QSizePolicy, QVBoxLayout, QWidget

from rxmeasure.recall.series import Series, TrendPoint, UnchangedBand, unchanged_band
from rxmeasure.report import colours
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.series_words import (
    root_heading,
    trend_gaps_text,
    trend_lines,
    trend_point_text,
)
from rxmeasure_napari import look
from rxmeasure_napari.panels.film_panel import set_line, wrapped
from rxmeasure_napari.plot_pieces import (
    PlotGround,
    band,
    brush,
    curve,
    label_axis,
    new_plot,
    pen,
    small_font,
)

_NOTHING = (
    "No course yet: it takes two visits with a date and an area in mm² at the same root, or the "
    "finding that no lesion is visible."
)
_HINT = "Point at a sign to read its numbers."
#: No lesion visible: a sign of its own, in the colour of the root.
_NONE_SIGN, _NONE_SYMBOL = "✕", "x"
_HEIGHT_PX, _SIGN_PX, _NEAR_PX, _BAND_OPACITY = 190, 11, 14.0, 45


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """Colour, symbol of the plot, the same as a sign in text, and dashes of one root's line."""

    colour: str
    symbol: str
    sign: str
    dash: tuple[float, ...]


_LOOKS = (
    _Look(colour=colours.CENTRE_LINE, symbol="o", sign="●", dash=()),
    _Look(colour=colours.CORE_END, symbol="s", sign="■", dash=(5, 2)),
    _Look(colour=colours.PUFF, symbol="d", sign="◆", dash=(1.5, 2)),
    _Look(colour=colours.REFERENCE, symbol="t1", sign="▲", dash=(6, 2, 1.5, 2)),
    _Look(colour=colours.EDGES, symbol="t", sign="▼", dash=(9, 3)),
)


class TrendPlot(QWidget):
    """Areas over the years since the first visit, with their 95 % interval.

    The shaded band of the root in front is the least significant change from the first
    visit: an area inside it is no change. Pointing at a sign brings its root to the front.
    """

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("rx_trend")
        self.setAccessibleName("Course of the lesions over the years")
        self.setStyleSheet(look.style_sheet())
        self._numbers = Numbers()
        self._words: dict[TrendPoint, str] = {}
        self._bands: dict[str, tuple[UnchangedBand, _Look]] = {}
        self._front = ""
        self._shade: pg.GraphicsObject | None = None
        self._missing = look.text_line(_NOTHING, "rx_trend_missing")
        self._key = look.text_line("", "rx_trend_key")
        self._key.setTextFormat(Qt.TextFormat.RichText)
        self._readout = look.hint(_HINT, "rx_trend_readout")
        self._readout.setMinimumHeight(3 * self._readout.fontMetrics().lineSpacing())
        self._readout.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._gaps = look.hint("", "rx_trend_gaps")
        self._view = PlotGround()
        self._view.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self._view.setFixedHeight(_HEIGHT_PX)
        self._plot = new_plot(self._view, 0)
        self._plot.getAxis("left").key_share = 0.0
        label_axis(self._plot.getAxis("bottom"), "years since the first visit", small_font(self))
        label_axis(self._plot.getAxis("left"), "area (mm²)", small_font(self))
        page = QWidget()
        rows = QVBoxLayout(page)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(2)
        rows.addWidget(self._key)
        rows.addWidget(self._view)
        rows.addWidget(self._readout)
        rows.addWidget(self._gaps)
        self._page = page
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addWidget(self._missing)
        whole.addWidget(page)
        self._view.pointer_moved.connect(self._point_at)
        self._view.pointer_left.connect(self._leave)
        self.show_trend(None)

    def show_trend(self, series: Series | None, *, numbers: Numbers | None = None) -> None:
        """Show the course, or what is missing for one.

        Parameters
        ----------
        series : Series or None
        numbers : Numbers, optional
            How numbers are written.
        """
        self._numbers = numbers or Numbers()
        lines = {} if series is None else trend_lines(series)
        self._plot.clear()
        self._shade, self._words, self._bands = None, {}, {}
        self._missing.setVisible(not lines)
        self._page.setVisible(bool(lines))
        if series is None or not lines:
            self.setAccessibleDescription(_NOTHING)
            return
        for side in ("left", "bottom"):
            self._plot.getAxis(side).decimal_mark = self._numbers.decimal_mark
        looks = {root: _LOOKS[k % len(_LOOKS)] for k, root in enumerate(lines)}
        for root, points in lines.items():
            self._draw(points, looks[root])
            self._words |= {p: trend_point_text(p, series, self._numbers) for p in points}
            found = unchanged_band(series, root)
            if found is not None:
                self._bands[root] = (found, looks[root])
        self._show_range()
        self._show_band(next(iter(self._bands), ""))
        self._key.setText(_key(looks, lines))
        self._readout.setText(self._hint())
        set_line(self._gaps, trend_gaps_text(series))
        self.setAccessibleDescription("\n".join(self._words.values()))

    # -- pointer --------------------------------------------------------------

    def _point_at(self, where: QPointF) -> None:
        point = self._nearest(where)
        if point is None:
            self._readout.setText(self._hint())
            return
        self._readout.setText(wrapped(self._words[point]))
        if point.root in self._bands:
            self._show_band(point.root)

    def _leave(self) -> None:
        if self._words:
            self._readout.setText(self._hint())

    def _nearest(self, where: QPointF) -> TrendPoint | None:
        def distance(point: TrendPoint) -> float:
            at = self._plot.vb.mapViewToScene(QPointF(point.years, point.area_mm2))
            return float(np.hypot(at.x() - where.x(), at.y() - where.y()))

        nearest = min(self._words, key=distance, default=None)
        return nearest if nearest is not None and distance(nearest) <= _NEAR_PX else None

    def _hint(self) -> str:
        if self._front not in self._bands:
            return _HINT
        root = root_heading(self._front)
        return f"{_HINT} Shaded: {root} within the least significant change from the first visit."

    # -- drawing --------------------------------------------------------------

    def _draw(self, points: Sequence[TrendPoint], style: _Look) -> None:
        years = np.array([p.years for p in points])
        areas = np.array([p.area_mm2 for p in points])
        low, high = np.transpose([p.interval_mm2 for p in points])
        line = pg.mkPen(style.colour, width=1.6, dash=style.dash or None)
        self._plot.addItem(curve(years, areas, line))
        self._plot.addItem(
            pg.ErrorBarItem(
                x=years,
                y=areas,
                top=high - areas,
                bottom=areas - low,
                beam=0.0,
                pen=pen(style.colour, 1.4),
            )
        )
        self._plot.addItem(
            pg.ScatterPlotItem(
                x=years,
                y=areas,
                symbol=[style.symbol if area > 0.0 else _NONE_SYMBOL for area in areas],
                size=_SIGN_PX,
                brush=brush(style.colour, 255),
                pen=pen(look.BACKGROUND, 1.0),
            )
        )

    def _show_range(self) -> None:
        """All signs, their intervals and the bands, from nothing up."""
        last = max(p.years for p in self._words) or 1.0
        tops = [p.interval_mm2[1] for p in self._words]
        tops += [max(found.high_mm2) for found, _ in self._bands.values()]
        top = max(tops) or 1.0
        self._plot.setXRange(-0.06 * last, 1.06 * last, padding=0.0)
        self._plot.setYRange(-0.07 * top, 1.06 * top, padding=0.0)

    def _show_band(self, root: str) -> None:
        self._front = root
        if self._shade is not None:
            self._plot.removeItem(self._shade)
            self._shade = None
        if root not in self._bands:
            return
        found, style = self._bands[root]
        years, low, high = (np.array(v) for v in (found.years, found.low_mm2, found.high_mm2))
        self._shade = band(years, low, high, style.colour, _BAND_OPACITY)
        self._shade.setZValue(-10)
        self._plot.addItem(self._shade, ignoreBounds=True)


def _key(looks: dict[str, _Look], lines: dict[str, tuple[TrendPoint, ...]]) -> str:
    parts = [
        f'<span style="color: {style.colour}">{style.sign} {escape(root_heading(root))}</span>'
        for root, style in looks.items()
    ]
    if any(point.area_mm2 == 0.0 for points in lines.values() for point in points):
        parts.append(f"{_NONE_SIGN} no lesion visible")
    return "&nbsp;&nbsp; ".join(parts)
