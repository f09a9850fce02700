"""Run charts of an audit: all teeth large, the operators small beside it."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from rxmeasure.audit.results import MonthlyChart
from rxmeasure.report import colours
from rxmeasure.report.numbers import clean
from rxmeasure.report.plots import NO_METADATA, PLOT_STYLE, bare_svg

SIZE_MM = (186.0, 52.0)
#: Operators whose chart has room.
MOST_SMALL = 4
#: Months whose name has room below the large chart.
_MOST_NAMES = 8
#: Letters of an operator's name that have room over a small chart.
_LONGEST_NAME = 14


def chart_svg(charts: Sequence[MonthlyChart]) -> str:
    """Draw the charts; empty where there is no second month."""
    if not charts or len(charts[0].months) < 2:
        return ""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    small = _largest(charts[1:])
    with rc_context({**PLOT_STYLE, "svg.hashsalt": "audit", "font.size": 6.5}):
        figure = Figure(figsize=(SIZE_MM[0] / 25.4, SIZE_MM[1] / 25.4), layout="constrained")
        grid = figure.add_gridspec(2, 4)
        large = figure.add_subplot(grid[:, :2] if small else grid[:, :])
        _draw(large, charts[0], size=4.0)
        large.set_ylabel("teeth that meet the criteria")
        for place, chart in enumerate(small):
            axes = figure.add_subplot(grid[place // 2, 2 + place % 2])
            _draw(axes, chart, size=2.5)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata=NO_METADATA)
    return bare_svg(buffer.getvalue())


def _largest(charts: Sequence[MonthlyChart]) -> list[MonthlyChart]:
    """The operators with most teeth, by name."""

    def teeth(chart: MonthlyChart) -> int:
        return sum(month.total for month in chart.months)

    largest = sorted(charts, key=lambda c: (-teeth(c), c.name))[:MOST_SMALL]
    return sorted((c for c in largest if c.months), key=lambda c: c.name)


def _draw(axes: Any, chart: MonthlyChart, *, size: float) -> None:
    months = [month for month in chart.months if month.total]
    shares = [100.0 * month.met / month.total for month in months]
    places = [_month_number(month.month) - _month_number(months[0].month) for month in months]
    axes.plot(places, shares, "o-", color=colours.PLOT_WIDTH, ms=size, lw=0.9)
    found = chart.chart
    name = clean(chart.name)
    title = name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"
    if found is not None:
        axes.axhline(100.0 * found.median, color=colours.PLOT_TAPER, lw=0.9, ls=(0, (4, 1.5)))
        title += ": signal" if found.shifted else ": no signal"
    else:
        title += ": too few months"
    axes.set_title(title, fontsize=6.5, loc="left", pad=2.5)
    axes.set_ylim(-4, 104)
    axes.set_yticks([0, 50, 100], [f"{n} %" for n in (0, 50, 100)])
    room = max(1, -(-(places[-1] + 1) // (_MOST_NAMES if size > 3 else 3)))
    ticks = [0]
    for k, place in enumerate(places):
        if place - places[ticks[-1]] >= room:
            ticks.append(k)
    axes.set_xticks([places[k] for k in ticks], [months[k].month for k in ticks])
    axes.grid(color="#d9dde2", linewidth=0.4)
    axes.set_axisbelow(True)


def _month_number(month: str) -> int:
    """Months since year 0, so that a month without teeth leaves its room."""
    return 12 * int(month[:4]) + int(month[5:7])
