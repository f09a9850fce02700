"""The calibration curve of a step wedge: thickness of aluminium over grey level."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np

from rxmeasure.radiopacity import AluminiumCurve, SpecimenRadiopacity
from rxmeasure.report import colours
from rxmeasure.report.numbers import Numbers, clean
from rxmeasure.report.plots import NO_METADATA, PLOT_STYLE, Plot, bare_svg, marked_formatter

SIZE_MM = (120.0, 80.0)


def curve_plot(
    curve: AluminiumCurve, specimens: Sequence[SpecimenRadiopacity] = (), *, numbers: Numbers
) -> Plot:
    """Draw the steps, the curve through them, and specimens on it."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context({**PLOT_STYLE, "svg.hashsalt": "aluminium curve"}):
        figure = Figure(figsize=(SIZE_MM[0] / 25.4, SIZE_MM[1] / 25.4), layout="constrained")
        axes = figure.subplots()
        grey = np.linspace(curve.grey[0], curve.grey[-1], 200)[1:-1]
        line = [curve.thickness_at(float(g)) for g in grey]
        axes.plot(grey, line, color=colours.PLOT_WIDTH, label="curve")
        axes.plot(curve.grey, curve.thickness_mm, "o", color=colours.INK, ms=4, label="steps")
        if specimens:
            axes.errorbar(
                [s.region.grey for s in specimens],
                [s.equivalent.value_mm_al for s in specimens],
                yerr=[1.96 * s.equivalent.u_mm_al for s in specimens],
                fmt="D",
                ms=4,
                capsize=3,
                color=colours.PLOT_TAPER,
                label="specimens (bar: 95 %)",
            )
        for s in specimens:
            axes.annotate(
                clean(s.specimen.name),
                (s.region.grey, s.equivalent.value_mm_al),
                xytext=(-7, 5),
                textcoords="offset points",
                ha="right",
            )
        axes.set_xlabel("grey level (radiopaque bright)")
        axes.set_ylabel("aluminium (mm)")
        axes.grid(color="#d9dde2", linewidth=0.4)
        axes.set_axisbelow(True)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(marked_formatter(numbers))
        axes.legend(loc="upper left")
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata=NO_METADATA)
    return Plot(
        svg=bare_svg(buffer.getvalue()),
        width_mm=SIZE_MM[0],
        height_mm=SIZE_MM[1],
        alt=f"Thickness of aluminium over grey level: {len(curve.grey)} steps of the wedge, the "
        f"curve through them and {len(specimens)} specimens on it.",
    )
