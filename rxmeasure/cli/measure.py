"""``rxmeasure measure``: the measures of the canals, without judging them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rxmeasure.cli.options import image_argument, invert_option, marks_options, output_options
from rxmeasure.cli.output import emit, numbers_for


@click.command()
@image_argument
@marks_options
@invert_option
@output_options
def measure(image: Path, invert: bool, as_json: bool, decimal_comma: bool, **options: Any) -> None:
    """Measure the canals of one film.

    \b
    rxmeasure measure film.png --kind post-operative --click 120,300 --click 480,352
    """
    from rxmeasure.cli.marks_input import marks_for
    from rxmeasure.cli.tables import measuring_lines
    from rxmeasure.reading import read_radiograph
    from rxmeasure.review import review_film

    radiograph = read_radiograph(image, invert=invert)
    review = review_film(radiograph, marks_for(image, options))
    emit(
        "measure",
        {
            "image": review.image,
            "calibration": review.calibration,
            "canals": review.canals,
            "warnings": review.warnings,
        },
        measuring_lines(review, numbers_for(decimal_comma)),
        as_json=as_json,
    )
