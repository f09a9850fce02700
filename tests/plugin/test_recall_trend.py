"""The course of lesions in a window, read with the pointer."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pyqtgraph as pg
import pytest
from drawn_visits import drawn_series, lesion, visit
from qtpy.QtCore import QPoint, QPointF
from qtpy.QtGui import QCursor
from qtpy.QtWidgets import QApplication, QGraphicsPolygonItem
from rxmeasure_napari.recall_trend import TrendPlot
from shown import Shown, plain

from rxmeasure.recall.series import LesionMark, Series, TrendPoint, unchanged_band
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.series_words import trend_point_text


@pytest.fixture
def plot(qtbot: Any) -> Iterator[Shown]:
    QCursor.setPos(900, 600)
    yield Shown(qtbot, TrendPlot())
    QCursor.setPos(900, 600)


@pytest.fixture(scope="module")
def two_roots() -> Series:
    radii = ((60.0, 30.0), (50.0, 40.0), (None, 45.0))
    return drawn_series(
        visits=tuple(
            visit(n, m, lesions=(lesion(m), lesion(d, "D"))) for n, (m, d) in enumerate(radii, 1)
        )
    )


def show(plot: Shown, series: Series | None, **more: Any) -> None:
    plot.widget.show_trend(series, **more)
    QApplication.processEvents()
    plot.widget.grab()  # lays out and paints


def items(plot: Shown, kind: type) -> list[Any]:
    return [i for i in plot.widget._view.scene().items() if isinstance(i, kind) and i.isVisible()]


def signs(plot: Shown) -> dict[tuple[float, float], Any]:
    """Each sign by its place, rounded."""
    return {
        (round(spot.pos().x(), 2), round(spot.pos().y(), 2)): spot
        for scatter in items(plot, pg.ScatterPlotItem)
        for spot in scatter.points()
    }


def place(plot: Shown, point: TrendPoint) -> QPoint:
    at = plot.widget._plot.vb.mapViewToScene(QPointF(point.years, point.area_mm2))
    return plot.widget._view.mapFromScene(at)


def point_at(plot: Shown, where: QPoint) -> str:
    plot.qtbot.mouseMove(plot.widget._view.viewport(), where)
    QApplication.processEvents()
    return plot.text("rx_trend_readout")


def test_each_area_has_a_sign_and_none_visible_has_its_own(plot: Shown, two_roots: Series) -> None:
    show(plot, two_roots)
    found = signs(plot)
    assert len(found) == len(two_roots.trend) == 6
    symbols: dict[str, set[Any]] = {"M": set(), "D": set()}
    colours: dict[str, set[str]] = {"M": set(), "D": set()}
    none_sign = set()
    for point in two_roots.trend:
        spot = found[round(point.years, 2), round(point.area_mm2, 2)]
        colours[point.root].add(spot.brush().color().name())
        (symbols[point.root] if point.area_mm2 else none_sign).add(spot.symbol())
    assert len(none_sign) == 1
    assert len(symbols["M"] | symbols["D"] | none_sign) == 3
    assert len(colours["M"]) == len(colours["D"]) == 1
    assert colours["M"] != colours["D"]


def test_the_key_names_the_roots_and_the_sign_of_none(plot: Shown, two_roots: Series) -> None:
    show(plot, two_roots)
    assert plot.text("rx_trend_key") == "● Root M (mesial) ■ Root D (distal) ✕ no lesion visible"
    show(plot, drawn_series(60.0, 50.0))
    assert "no lesion visible" not in plot.text("rx_trend_key")


def test_intervals_are_those_of_the_points(plot: Shown, two_roots: Series) -> None:
    show(plot, two_roots)
    bars = items(plot, pg.ErrorBarItem)
    drawn = sorted(
        (x, y - low, y + high)
        for bar in bars
        for x, y, low, high in zip(*(bar.opts[k] for k in ("x", "y", "bottom", "top")), strict=True)
    )
    assert np.allclose(drawn, sorted((p.years, *p.interval_mm2) for p in two_roots.trend))


def test_pointing_at_a_sign_tells_its_numbers(plot: Shown, two_roots: Series) -> None:
    numbers = Numbers(decimal_mark=",")
    show(plot, two_roots, numbers=numbers)
    assert plot.text("rx_trend_readout").startswith("Point at a sign")
    for point in two_roots.trend:
        told = point_at(plot, place(plot, point))
        assert told == plain(trend_point_text(point, two_roots, numbers))
        assert told in plain(plot.widget.accessibleDescription())
    away = place(plot, two_roots.trend[0]) + QPoint(60, 0)
    assert point_at(plot, away).startswith("Point at a sign")


def test_the_band_is_the_least_significant_change_of_the_root_in_front(
    plot: Shown, two_roots: Series
) -> None:
    show(plot, two_roots)

    def shade() -> tuple[float, float, float, float]:
        (found,) = items(plot, QGraphicsPolygonItem)
        corners = found.polygon()
        y = [corner.y() for corner in corners]
        x = [corner.x() for corner in corners]
        return min(x), max(x), min(y), max(y)

    for root in ("M", "D"):
        point_at(plot, place(plot, next(p for p in two_roots.trend if p.root == root)))
        band = unchanged_band(two_roots, root)
        assert band is not None
        wanted = (band.years[0], band.years[-1], min(band.low_mm2), max(band.high_mm2))
        assert np.allclose(shade(), wanted)


def test_everything_lies_inside_the_axes(plot: Shown, two_roots: Series) -> None:
    show(plot, two_roots)
    (left, right), (bottom, top) = plot.widget._plot.viewRange()
    for point in two_roots.trend:
        assert left < point.years < right
        assert bottom < point.interval_mm2[0]
        assert point.interval_mm2[1] < top
    plot.assert_fits()


@pytest.mark.parametrize(
    "series",
    [
        None,
        drawn_series(visits=(visit(1, 60.0), visit(2, 40.0, date=""))),
    ],
)
def test_without_a_course_it_says_what_is_missing(plot: Shown, series: Series | None) -> None:
    show(plot, drawn_series(60.0, 50.0))
    show(plot, series)
    assert "two visits with a date" in plot.text("rx_trend_missing")
    assert plot.text("rx_trend_key") == ""
    assert signs(plot) == {}


def test_two_findings_of_no_lesion_are_drawn_at_nothing(plot: Shown) -> None:
    show(plot, drawn_series(None, None))
    assert set(signs(plot)) == {(0.0, 0.0), (1.0, 0.0)}
    assert plot.text("rx_trend_missing") == ""


def test_a_lesion_without_a_number_is_told(plot: Shown) -> None:
    seeded = LesionMark(root="M", seed_px=(150.0, 130.0))  # noise is no lesion
    visits = (visit(1, 60.0), visit(2, 60.0, lesions=(seeded,)), visit(3, 50.0))
    show(plot, drawn_series(visits=visits))
    assert plot.text("rx_trend_gaps") == "No number, so no sign: Root M (mesial) at visit 2."
