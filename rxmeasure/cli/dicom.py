"""``rxmeasure dicom``: a review as DICOM objects, and reports read back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rxmeasure.cli.options import FILE, image_argument, kept_review_options, output_options
from rxmeasure.cli.output import emit, folded, numbers_for

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rxmeasure.dicom_objects.report_reading import ReadAnswer, ReadMeasurement, ReadReport
    from rxmeasure.report.numbers import Numbers


@click.group()
def dicom() -> None:
    """Write a review as DICOM objects, read a structured report."""


@dicom.command()
@image_argument
@kept_review_options
@click.option(
    "--series",
    "series_file",
    type=FILE,
    metavar="FILE",
    help="A series file with lesions measured on this image.",
)
@output_options
def write(
    image: Path,
    review_file: Path | None,
    series_file: Path | None,
    out: Path | None,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Write a kept review as DICOM objects: report, drawings, masks, calibrated copy.

    The image is never changed; of a PNG, JPEG or TIFF picture a DICOM image is made.
    """
    from rxmeasure.atomic import make_folder
    from rxmeasure.dicom_objects.writing import lesions_on, write_objects
    from rxmeasure.record.review_file import load_review, review_path
    from rxmeasure.record.series_file import load_series

    review = load_review(review_file or review_path(image))
    lesions = lesions_on(review.image.sha256, load_series(series_file)) if series_file else ()
    folder = image.parent if out is None else out
    make_folder(folder)
    written = write_objects(image, review, folder, lesions=lesions)
    emit(
        "dicom write",
        {"file": str(image), "written": {kind.name.lower(): str(p) for kind, p in written.items()}},
        [f"Written: {path}" for path in written.values()],
        as_json=as_json,
    )


@dicom.command()
@click.argument("file", type=FILE)
@click.option(
    "--out", type=FILE, metavar="FILE", help="Write the review that is kept in the report here."
)
@output_options
def read(file: Path, out: Path | None, as_json: bool, decimal_comma: bool) -> None:
    """Read a structured report; one by this program gives its review back without loss."""
    from rxmeasure.dicom_objects.report_reading import read_report, review_in
    from rxmeasure.record.review_file import save_review

    report = read_report(file)
    if out is not None:
        save_review(review_in(report), out)
    document = {"file": str(file), "report": report, "written": None if out is None else str(out)}
    lines = list(_in_words(report, numbers_for(decimal_comma)))
    if out is not None:
        lines += ["", f"Written: {out}"]
    emit("dicom read", document, lines, as_json=as_json)


def _in_words(report: ReadReport, numbers: Numbers) -> Iterator[str]:
    kept = "with its review" if report.review else "without a review of this program"
    state = "complete" if report.complete else "partial"
    yield f"{report.title or 'Structured report'}, {state}, {kept}"
    if report.observers:
        yield f"By: {', '.join(report.observers)}"
    for group in report.groups:
        tooth = f", tooth {group.tooth}" if group.tooth else ""
        yield ""
        yield f"{group.tracking_id or group.finding or 'Numbers'}{tooth}"
        for measurement in group.measurements:
            yield from folded(_number(measurement, numbers))
        for answer in group.answers:
            yield from _answer(answer)
    yield ""
    for answer in report.answers:
        yield from _answer(answer)
    for warning in report.warnings:
        yield from folded(f"Warning: {warning.text}")


def _number(measurement: ReadMeasurement, numbers: Numbers) -> str:
    from rxmeasure.report.numbers import unit_text

    name = measurement.concept.meaning or measurement.concept.value
    if measurement.value is None:
        return f"{name}: no value ({measurement.why_missing or 'no reason given'})"
    text = f"{name}: {numbers.in_text(f'{measurement.value:.4g}')}"
    if measurement.u_upper is not None:
        text += f" ± {numbers.in_text(f'{measurement.u_upper:.2g}')}"
    return f"{text} {unit_text(measurement.unit)}"


def _answer(answer: ReadAnswer) -> Iterator[str]:
    yield from folded(f"{answer.concept.meaning or answer.concept.value}: {answer.answer}")
    for remark in answer.remarks:
        yield from folded(
            f"{remark.concept.meaning or remark.concept.value}: {remark.answer}", indent="    "
        )
