"""Pieces of the plots: their ground, axes with the reader's decimal mark, lines and bands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyqtgraph as pg
from qtpy.QtCore import QEvent, QPointF, Signal
from qtpy.QtGui import QColor, QFont, QMouseEvent, QPolygonF
from qtpy.QtWidgets import QGraphicsPolygonItem, QWidget

from rxmeasure.geometry import FloatArray

GROUND, LINES, TEXT = "#262930", "#7d8794", "#f0f1f2"


class PlotGround(pg.GraphicsLayoutWidget):
    """The plots' ground; tells every place of the pointer (the scene leaves quick ones out)."""

    pointer_moved = Signal(QPointF)
    pointer_left = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.setBackground(GROUND)
        self.setAntialiasing(True)
        self.ci.layout.setContentsMargins(0, 2, 4, 0)
        self.ci.layout.setSpacing(3)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Tell the place."""
        super().mouseMoveEvent(event)
        self.pointer_moved.emit(self.mapToScene(event.position().toPoint()))

    def leaveEvent(self, event: QEvent) -> None:
        """Tell that the pointer is away."""
        super().leaveEvent(event)
        self.pointer_left.emit()


class NumberAxis(pg.AxisItem):
    """An axis with the reader's decimal mark.

    A share of an upright axis at its upper end has no numbers: the key stands beside it.
    """

    decimal_mark = "."
    key_share = 0.15

    def tickValues(
        self,
        minVal: float,
        maxVal: float,
        size: float,
    ) -> list[tuple[float, list[float]]]:
        """Places of numbers, none where the key stands."""
        levels = super().tickValues(minVal, maxVal, size)
        if self.orientation == "bottom":
            return list(levels)
        most = maxVal - self.key_share * (maxVal - minVal)
        return [(spacing, [v for v in values if v <= most]) for spacing, values in levels]

    def tickStrings(self, values: Sequence[float], scale: float, spacing: float) -> list[str]:
        """Numbers with the decimal mark."""
        texts: list[str] = super().tickStrings(values, scale, spacing)
        return [text.replace(".", self.decimal_mark) for text in texts]


def small_font(widget: QWidget) -> QFont:
    """The widget's font, a little smaller, as far as it can be read."""
    font = QFont(widget.font())
    font.setPointSizeF(max(8.0, 0.9 * font.pointSizeF()))
    return font


def new_plot(view: PlotGround, row: int) -> pg.PlotItem:
    """A plot that the mouse does not move; its numbers are as large as the small font."""
    axes = {side: NumberAxis(side) for side in ("left", "bottom")}
    plot = view.addPlot(row=row, col=0, axisItems=axes)
    plot.setMenuEnabled(False)
    plot.hideButtons()
    plot.vb.setMouseEnabled(x=False, y=False)
    plot.vb.disableAutoRange()
    plot.vb.setBorder(pen(LINES, 1))
    font = small_font(view)
    letters = view.fontMetrics().horizontalAdvance("0000000")
    for axis in axes.values():
        axis.setPen(pen(LINES, 1))
        axis.setTextPen(TEXT)
        axis.setTickFont(font)
        axis.enableAutoSIPrefix(False)
        axis.setStyle(tickLength=-4, tickTextOffset=3)
        axis.label.setFont(font)
    axes["left"].setWidth(letters + view.fontMetrics().height() // 2)
    return plot


def pen(colour: str, width: float) -> Any:
    """A solid pen, width in screen pixels."""
    return pg.mkPen(colour, width=width)


def dashed(colour: str) -> Any:
    """A dashed pen."""
    return pg.mkPen(colour, width=1.4, dash=(4, 2.5))


def brush(colour: str, alpha: int) -> Any:
    """A brush; ``alpha`` of 255."""
    shade = QColor(colour)
    shade.setAlpha(alpha)
    return pg.mkBrush(shade)


def curve(x: FloatArray, y: FloatArray, pen: Any) -> pg.PlotCurveItem:
    """A line."""
    return pg.PlotCurveItem(x, y, pen=pen, antialias=True)


def band(
    x: FloatArray, low: FloatArray, high: FloatArray, colour: str, alpha: int
) -> QGraphicsPolygonItem:
    """A shaded band between two lines."""
    around = zip(np.concatenate([x, x[::-1]]), np.concatenate([low, high[::-1]]), strict=True)
    shape = QGraphicsPolygonItem(QPolygonF([QPointF(a, b) for a, b in around]))
    shape.setBrush(brush(colour, alpha))
    shape.setPen(pg.mkPen(None))
    return shape


def label_axis(axis: pg.AxisItem, words: str, font: QFont) -> None:
    """Write the axis' name in a font."""
    axis.setLabel(words, color=TEXT)
    axis.label.setFont(font)
