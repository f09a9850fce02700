"""``rxmeasure calibrate``: the scale of one film."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.options import (
    POINT,
    image_argument,
    invert_option,
    output_options,
    scale_options,
)
from rxmeasure.cli.output import emit, numbers_for

if TYPE_CHECKING:
    from rxmeasure.calibration.file_finding import FoundFile
    from rxmeasure.marks import LengthReference, PointPx
    from rxmeasure.radiograph import Radiograph


@click.command()
@image_argument
@scale_options
@click.option(
    "--file-at",
    type=POINT,
    help="Instead of --file-click: one rough click anywhere on that file; its tip and the "
    "apical side of its stop are found.",
)
@invert_option
@output_options
def calibrate(
    image: Path,
    file_at: PointPx | None,
    invert: bool,
    as_json: bool,
    decimal_comma: bool,
    **options: Any,
) -> None:
    """Find the scale of one film.

    From a file or a line of known length, or from the image file's own pixel
    spacing.

    \b
    rxmeasure calibrate film.png --file-length 21 --file-click 80,410 --file-click 760,455
    rxmeasure calibrate film.png --file-length 21 --file-at 500,430
    """
    from rxmeasure.calibration.calibrate import calibrate as find_scale
    from rxmeasure.cli.marks_input import marks_for
    from rxmeasure.cli.tables import scale_lines
    from rxmeasure.errors import CalibrationError
    from rxmeasure.reading import read_radiograph

    radiograph = read_radiograph(image, invert=invert)
    found = None
    if file_at is not None:
        found = _found_file(radiograph, file_at, options)
        options["file_clicks"] = found.path_px
    marks = marks_for(image, options, kind_needed=False)
    if found is not None:
        marks = replace(marks, references=_with_found_ends(marks.references, found))
    calibration = find_scale(radiograph, marks)
    if calibration is None:
        raise CalibrationError(
            found="no known length, and no pixel spacing in the file that may be used.",
            needed="something of known length on the film, or a spacing in the file.",
            next_step="Give --file-length with two --file-click, or go on without millimetres.",
        )
    if found is not None:
        calibration = replace(calibration, warnings=(*calibration.warnings, *found.reasons))
    emit(
        "calibrate",
        {"image": radiograph.source, "calibration": calibration, "found_file": found},
        scale_lines(calibration, numbers_for(decimal_comma)),
        as_json=as_json,
    )


def _found_file(radiograph: Radiograph, at: PointPx, options: dict[str, Any]) -> FoundFile:
    from rxmeasure.calibration.file_finding import find_file

    if options.get("file_length") is None or options.get("file_clicks"):
        raise click.UsageError("--file-at goes with --file-length, and without --file-click.")
    return find_file(radiograph, [at], length_mm=options["file_length"])


def _with_found_ends(
    references: tuple[LengthReference, ...], found: FoundFile
) -> tuple[LengthReference, ...]:
    ends = (found.u_stop_px, found.u_tip_px)
    return tuple(replace(r, ends_u_px=ends) if r.kind == "file" else r for r in references)
