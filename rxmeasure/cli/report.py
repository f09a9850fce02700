"""``rxmeasure report``: a review as an HTML page and a PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rxmeasure.cli.options import image_argument, kept_review_options, output_options
from rxmeasure.cli.output import emit


@click.command()
@image_argument
@kept_review_options
@click.option(
    "--notation",
    type=click.Choice(["FDI", "Universal", "Palmer"], case_sensitive=False),
    default="FDI",
    show_default=True,
    help="How the tooth is named.",
)
@click.option("--title", metavar="TEXT", help="Title of the page.")
@click.option(
    "--image-changed-reason",
    metavar="TEXT",
    help="Go on although the image is not the one of the review; the reason is printed.",
)
@output_options
def report(
    image: Path,
    review_file: Path | None,
    out: Path | None,
    notation: str,
    title: str | None,
    image_changed_reason: str | None,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Write a review as an HTML page and a PDF. Nothing is measured again."""
    from rxmeasure.atomic import make_folder
    from rxmeasure.cli.report_files import write_report
    from rxmeasure.record.review_file import load_review, review_path
    from rxmeasure.record.reviewed_film import read_as_reviewed
    from rxmeasure.report.options import DecimalMark, ReportOptions, ToothNotation

    review = load_review(review_file or review_path(image))
    more: dict[str, Any] = {} if title is None else {"title": title}
    options = ReportOptions(
        decimal_mark=DecimalMark.COMMA if decimal_comma else DecimalMark.POINT,
        tooth_notation=ToothNotation(notation),
        changed_image_reason=image_changed_reason or "",
        **more,
    )
    radiograph = read_as_reviewed(image, review)
    target = image if out is None else out / image.name
    make_folder(target.parent)
    written = [str(path) for path in write_report(review, radiograph, target, options)]
    emit(
        "report",
        {"file": str(image), "written": written},
        [f"Written: {path}" for path in written],
        as_json=as_json,
    )
