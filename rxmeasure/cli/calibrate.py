"""``rxmeasure calibrate``: the scale of one film."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rxmeasure.cli.options import image_argument, invert_option, output_options, scale_options
from rxmeasure.cli.output import emit, numbers_for


@click.command()
@image_argument
@scale_options
@invert_option
@output_options
def calibrate(
    image: Path, invert: bool, as_json: bool, decimal_comma: bool, **options: Any
) -> None:
    """Find the scale of one film.

    From a file or a line of known length, or from the image file's own pixel
    spacing.

    \b
    rxmeasure calibrate film.png --file-length 21 --file-click 80,410 --file-click 760,455
    """
    from rxmeasure.calibration.calibrate import calibrate as find_scale
    from rxmeasure.cli.marks_input import marks_for
    from rxmeasure.cli.tables import scale_lines
    from rxmeasure.errors import CalibrationError
    from rxmeasure.reading import read_radiograph

    radiograph = read_radiograph(image, invert=invert)
    calibration = find_scale(radiograph, marks_for(image, options, kind_needed=False))
    if calibration is None:
        raise CalibrationError(
            found="no known length, and no pixel spacing in the file that may be used.",
            needed="something of known length on the film, or a spacing in the file.",
            next_step="Give --file-length with two --file-click, or go on without millimetres.",
        )
    emit(
        "calibrate",
        {"image": radiograph.source, "calibration": calibration},
        scale_lines(calibration, numbers_for(decimal_comma)),
        as_json=as_json,
    )
