"""``rxmeasure trace``: centre lines from a few clicks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rxmeasure.cli.options import image_argument, invert_option, output_options, trace_options
from rxmeasure.cli.output import columns, emit, numbers_for, value_with_u


@click.command()
@image_argument
@trace_options
@invert_option
@output_options
def trace(image: Path, invert: bool, as_json: bool, decimal_comma: bool, **options: Any) -> None:
    """Trace canals, fills or files from a few clicks.

    On a preoperative film (--kind preoperative) the empty, dark canal is
    followed, on any other the bright fill, file or cone.

    \b
    rxmeasure trace film.png --click 120,300 --click 480,352
    """
    from rxmeasure.calibration.calibrate import calibrate as find_scale
    from rxmeasure.cli.marks_input import marks_for
    from rxmeasure.cli.tables import NO_SCALE, scale_lines
    from rxmeasure.errors import MarksError
    from rxmeasure.marks import FilmKind
    from rxmeasure.reading import read_radiograph
    from rxmeasure.report.numbers import clean
    from rxmeasure.tracing.canal_trace import trace_line
    from rxmeasure.tracing.frame import frame_for

    radiograph = read_radiograph(image, invert=invert)
    marks = marks_for(image, options, kind_needed=False)
    if not marks.canals:
        raise MarksError(
            found="no canal.",
            needed="two clicks or more along a canal.",
            next_step="Give --click ROW,COL twice: coronal end first, apex last.",
        )
    calibration = find_scale(radiograph, marks)
    bright = marks.film_kind is not FilmKind.PREOPERATIVE
    numbers = numbers_for(decimal_comma)
    canals, rows = [], []
    for canal in marks.canals:
        frame = frame_for(radiograph, calibration, canal.clicks_px)
        line = trace_line(radiograph, frame, canal.clicks_px, bright=bright)
        length = frame.length(line.length, 2.0**0.5 * marks.settings.click_sd_mm)
        canals.append(
            {
                "name": canal.name,
                "length": length,
                "confidence": line.confidence,
                "points_px": frame.points_px(line.points),
                "s_px": [frame.px(s) for s in line.s],
            }
        )
        shown = (
            value_with_u(numbers, length.value_px, length.u_px, "px")
            if length.value_mm is None
            else value_with_u(numbers, length.value_mm, length.u_mm, "mm")
        )
        rows.append(
            (
                clean(canal.name),
                shown,
                f"{numbers.percent(line.confidence)} of the line follows a visible ridge",
                f"{len(line.points)} points",
            )
        )
    lines = scale_lines(calibration, numbers) if calibration else [NO_SCALE]
    emit(
        "trace",
        {"image": radiograph.source, "calibration": calibration, "canals": canals},
        [*lines, "", *columns([("canal", "length", "confidence", ""), *rows])],
        as_json=as_json,
    )
