"""Profiles of one fill: edges, width and density over the distance from its apical end."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.geometry import (
    FloatArray,
    PixelScale,
    foot_on_polyline,
    point_at,
    polyline_length,
)
from rxmeasure.report import colours
from rxmeasure.report.numbers import Numbers, clean
from rxmeasure.report.picture import filling_word

SIZE_MM = (104.0, 101.0)

NO_METADATA = dict.fromkeys(("Creator", "Date", "Format", "Type"))

#: Look shared by all plots.
PLOT_STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 7.0,
    "svg.fonttype": "path",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": colours.INK,
    "axes.labelcolor": colours.INK,
    "text.color": colours.INK,
    "xtick.color": colours.INK,
    "ytick.color": colours.INK,
    "axes.linewidth": 0.6,
    "lines.linewidth": 1.2,
    "legend.frameon": False,
    "legend.fontsize": 6.3,
    "text.parse_math": False,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """An SVG with its size on paper and a description for those who cannot see it."""

    svg: str
    width_mm: float
    height_mm: float
    alt: str


def profile_plot(
    canal: CanalMeasurement,
    *,
    plane: PixelScale,
    numbers: Numbers,
    gap_numbers: Mapping[int, int],
    relative_density: bool,
) -> Plot | None:
    """Draw edges, width with its taper line, and density of one fill.

    Parameters
    ----------
    canal : CanalMeasurement
    plane : PixelScale
        Scale of the film, in mm, or in px without a calibration.
    numbers : Numbers
    gap_numbers : mapping
        Place of a void in ``canal.gaps`` to its number on the film.
    relative_density : bool
        True when the grey levels are not known to be linear or logarithmic.

    Returns
    -------
    Plot or None
        None when the canal has no profile.
    """
    if len(canal.profile) < 3:
        return None
    canal = replace(canal, profile=tuple(sorted(canal.profile, key=lambda p: p.to_end_px)))
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    unit = plane.unit
    word = filling_word(canal.film_kind)
    end = "apical end of the fill" if word == "fill" else f"tip of the {word}"
    with rc_context({**PLOT_STYLE, "svg.hashsalt": canal.name}):
        figure = Figure(figsize=(SIZE_MM[0] / 25.4, SIZE_MM[1] / 25.4), layout="constrained")
        top, middle, bottom = figure.subplots(
            3, 1, sharex=True, gridspec_kw={"height_ratios": (0.8, 1.25, 1.0)}
        )
        x = _to_end(canal, unit)
        _edges(top, canal, plane, x)
        _width(middle, canal, unit, x)
        _density(bottom, canal, x, relative_density)
        _gaps(figure.axes, canal, unit, gap_numbers)
        bottom.set_xlabel(f"distance from the {end} ({unit}): apical left")
        bottom.set_xlim(min(0.0, float(x.min())), float(x.max()) * 1.02)
        for axes in figure.axes:
            axes.grid(color="#d9dde2", linewidth=0.4)
            axes.set_axisbelow(True)
            for axis in (axes.xaxis, axes.yaxis):
                axis.set_major_formatter(marked_formatter(numbers))
        figure.align_ylabels()
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata=NO_METADATA)
    return Plot(
        svg=bare_svg(buffer.getvalue()),
        width_mm=SIZE_MM[0],
        height_mm=SIZE_MM[1],
        alt=f"Profiles of canal {clean(canal.name)} over the distance from the {end}: edges of the "
        f"{word}, its width with the taper line, its density with what the width predicts, and "
        f"{len(canal.gaps)} voids.",
    )


def _to_end(canal: CanalMeasurement, unit: str) -> FloatArray:
    if unit == "mm":
        return np.array([np.nan if p.to_end_mm is None else p.to_end_mm for p in canal.profile])
    return np.array([p.to_end_px for p in canal.profile])


def _edges(axes: Any, canal: CanalMeasurement, plane: PixelScale, x: FloatArray) -> None:
    line = plane.to_plane(canal.centre_line.points_px)
    # A fill beyond the apex goes on past the line's end.
    total = polyline_length(line)
    line = np.vstack([point_at(line, -total), line, point_at(line, 2.0 * total)])
    for name, sign in (("left_edge_px", 1.0), ("right_edge_px", -1.0)):
        edge = plane.to_plane([getattr(p, name) for p in canal.profile])
        distance = np.array([sign * foot_on_polyline(line, point)[1] for point in edge])
        axes.plot(x, distance, color=colours.INK, linewidth=0.8)
    axes.axhline(0.0, color=colours.CENTRE_LINE, linewidth=0.8)
    axes.set_ylabel(f"edges ({plane.unit})\nright ← → left")
    axes.margins(y=0.12)


def _width(axes: Any, canal: CanalMeasurement, unit: str, x: FloatArray) -> None:
    mm = unit == "mm"
    width = np.array([p.width_mm if mm else p.width_px for p in canal.profile], dtype=float)
    u = np.array([p.u_width_mm if mm else p.u_width_px for p in canal.profile], dtype=float)
    taper = canal.taper
    if taper and taper.nominal_band_mm and mm:
        band = np.array(taper.nominal_band_mm)
        axes.fill_between(
            *band.T,
            color=colours.PLOT_NOMINAL,
            alpha=0.55,
            linewidth=0,
            label="stated size and taper, with tolerance",
        )
    axes.fill_between(
        x,
        (width - u),
        (width + u),
        color=colours.PLOT_WIDTH,
        alpha=0.18,
        linewidth=0,
    )
    axes.plot(x, width, color=colours.PLOT_WIDTH, label="width (band: ±1 standard unc.)")
    if taper:
        at_end = taper.width_at_end_mm if mm else taper.width_at_end_px
        span = _fit_span(canal, unit)
        if at_end is not None and span is not None:
            ends = np.array(span)
            axes.plot(
                ends,
                at_end + taper.taper * ends,
                color=colours.PLOT_TAPER,
                linestyle=(0, (4, 1.5)),
                label="taper line (over its fit)",
            )
    axes.set_ylabel(f"width ({unit})")
    axes.set_ylim(bottom=0.0, top=1.35 * float(np.nanmax(width + u)))
    axes.legend(loc="upper left", ncols=2, borderaxespad=0.1, columnspacing=1.0)


def _fit_span(canal: CanalMeasurement, unit: str) -> tuple[float, float] | None:
    """Ends of the taper fit in the unit of the plot, read off the profile's own two scales."""
    taper = canal.taper
    if taper is None:
        return None
    span = (taper.from_to_end_px, taper.upto_to_end_px)
    if unit == "px":
        return span
    px = np.array([p.to_end_px for p in canal.profile])
    mm = _to_end(canal, "mm")
    low, high = np.interp(span, px, mm)
    return float(low), float(high)


def _density(axes: Any, canal: CanalMeasurement, x: FloatArray, relative: bool) -> None:
    density = np.array([p.density for p in canal.profile])
    expected = np.array([p.density_expected for p in canal.profile])
    axes.plot(
        x,
        expected,
        color=colours.PLOT_EXPECTED,
        linestyle=(0, (4, 1.5)),
        label="expected from the width",
    )
    axes.plot(x, density, color=colours.PLOT_DENSITY, label="found", linewidth=1.0)
    axes.set_ylabel("density over dentine\n" + ("(relative)" if relative else "(image units)"))
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.28 * (high - low))
    axes.legend(loc="upper left", ncols=2, borderaxespad=0.1, columnspacing=1.0)


def _gaps(
    all_axes: list[Any], canal: CanalMeasurement, unit: str, gap_numbers: Mapping[int, int]
) -> None:
    reach = np.ptp([p.to_end_mm if unit == "mm" else p.to_end_px for p in canal.profile])
    rightmost: list[float] = []  # of the numbers written so far, by line
    places = sorted(range(len(canal.gaps)), key=lambda k: canal.gaps[k].to_end_px)
    for k in places:
        gap = canal.gaps[k]
        centre = gap.to_end_mm if unit == "mm" else gap.to_end_px
        length = gap.length.value_mm if unit == "mm" else gap.length.value_px
        if centre is None or length is None:
            continue
        for axes in all_axes:
            axes.axvspan(
                centre - length / 2,
                centre + length / 2,
                color=colours.PLOT_VOID,
                alpha=0.25,
                linewidth=0,
            )
        free = (n for n, x in enumerate(rightmost) if centre - x > 0.05 * reach)
        line = next(free, len(rightmost))
        rightmost[line : line + 1] = [centre]
        all_axes[0].annotate(
            str(gap_numbers[k]),
            (centre, 1.0),
            xytext=(0, 8 * line),
            textcoords="offset points",
            xycoords=("data", "axes fraction"),
            ha="center",
            va="bottom",
            color=colours.PLOT_VOID,
            fontweight="bold",
        )


def marked_formatter(numbers: Numbers) -> Any:
    """Numbers of an axis with the decimal mark."""
    from matplotlib.ticker import ScalarFormatter

    class Marked(ScalarFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            text: str = super().__call__(x, pos)
            return text.replace(".", numbers.decimal_mark)

    return Marked(useOffset=False, useMathText=False)


def bare_svg(svg: str) -> str:
    """An SVG without XML heading and DOCTYPE, which name outside addresses."""
    return re.sub(r"^.*?(?=<svg)", "", svg, count=1, flags=re.DOTALL)
