"""``rxmeasure working-length``: ratio, correction, locator, projection."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.options import output_options
from rxmeasure.cli.output import columns, emit, folded, numbers_for, value_with_u

if TYPE_CHECKING:
    from rxmeasure.report.numbers import Numbers
    from rxmeasure.working_length import FilmLength


@click.group("working-length")
def working_length() -> None:
    """Working-length arithmetic on lengths read from a film.

    A gap is positive when the tip is short of the radiographic apex, negative
    when it is beyond.
    """


@working_length.command()
@click.option("--file-length", type=float, required=True, metavar="MM", help="File, stop to tip.")
@click.option(
    "--file-image", type=float, required=True, metavar="PX", help="The same on the image."
)
@click.option("--tooth-image", type=float, required=True, metavar="PX", help="Tooth on the image.")
@click.option("--click-sd", type=float, default=0.0, metavar="PX", help="Error of each end (SD).")
@click.option("--file-u", type=float, default=0.0, metavar="MM", help="Uncertainty of the file.")
@click.option(
    "--safety", type=float, default=1.0, show_default=True, metavar="MM", help="Taken off."
)
@output_options
def ratio(
    file_length: float,
    file_image: float,
    tooth_image: float,
    click_sd: float,
    file_u: float,
    safety: float,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Tooth length by the ratio of a file's real and image length, and a trial length."""
    from rxmeasure.working_length import tooth_length_by_ratio, trial_working_length

    tooth = tooth_length_by_ratio(
        file_length_mm=file_length,
        file_image_px=file_image,
        tooth_image_px=tooth_image,
        click_sd_px=click_sd,
        u_file_length_mm=file_u,
    )
    trial = trial_working_length(tooth, safety_mm=safety)
    numbers = numbers_for(decimal_comma)
    lines = columns(
        [
            ("tooth length", _text(numbers, tooth), tooth.scale_source),
            (
                "trial working length",
                _text(numbers, trial),
                f"less {numbers.fixed(safety, 1)} mm safety",
            ),
        ]
    )
    emit(
        "working-length ratio",
        {"tooth_length": tooth, "trial_working_length": trial, "safety_mm": safety},
        lines,
        as_json=as_json,
    )


@working_length.command()
@click.option("--file-length", type=float, required=True, metavar="MM", help="File, stop to tip.")
@click.option("--gap", type=float, metavar="MM", help="Tip to apex in real mm; negative beyond.")
@click.option("--gap-px", type=float, metavar="PX", help="The same in pixels, with --file-image.")
@click.option("--file-image", type=float, metavar="PX", help="The file on the image.")
@click.option("--gap-u", type=float, default=0.0, metavar="MM", help="Uncertainty of --gap.")
@click.option("--click-sd", type=float, default=0.0, metavar="PX", help="Error of each end (SD).")
@click.option("--file-u", type=float, default=0.0, metavar="MM", help="Uncertainty of the file.")
@click.option("--safety", type=float, metavar="MM", help="Taken off; 1.0 unless --apical-bone.")
@click.option(
    "--apical-bone",
    type=click.Choice(["no resorption", "bone resorption", "bone and root resorption"]),
    help="Take the distance of Weine's table off: 1.0, 1.5 or 2.0 mm.",
)
@output_options
def correct(
    file_length: float,
    gap: float | None,
    gap_px: float | None,
    file_image: float | None,
    gap_u: float,
    click_sd: float,
    file_u: float,
    safety: float | None,
    apical_bone: str | None,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """New working length from the gap between the file's tip and the apex."""
    from rxmeasure import working_length as core

    if (gap is None) == (gap_px is None):
        raise click.UsageError("Give --gap in millimetres, or --gap-px with --file-image.")
    if safety is not None and apical_bone is not None:
        raise click.UsageError("Give --safety or --apical-bone.")
    if gap is not None:
        distance = core.FilmLength(value_mm=gap, u_mm=gap_u, scale_source="stated gap")
    else:
        if file_image is None:
            raise click.UsageError("--gap-px needs --file-image for the scale.")
        assert gap_px is not None
        scale = core.film_scale(
            file_length_mm=file_length,
            file_image_px=file_image,
            click_sd_px=click_sd,
            u_file_length_mm=file_u,
        )
        distance = core.scaled_length(length_px=gap_px, scale=scale, click_sd_px=click_sd)
    off = 1.0 if safety is None else safety
    if apical_bone is not None:
        off = core.weine_subtraction_mm(core.ApicalBone(apical_bone))
    found = core.corrected_working_length(
        file_length_mm=file_length, gap=distance, safety_mm=off, u_file_length_mm=file_u
    )
    numbers = numbers_for(decimal_comma)
    lines = columns(
        [
            ("gap on the film", _text(numbers, distance), distance.scale_source),
            (
                "working length",
                _text(numbers, found),
                f"file plus gap less {numbers.fixed(off, 1)} mm",
            ),
        ]
    )
    for warning in found.warnings:
        lines += folded(numbers.in_text(warning.text), mark="! ")
    emit(
        "working-length correct",
        {"gap": distance, "safety_mm": off, "working_length": found},
        lines,
        as_json=as_json,
    )


@working_length.command()
@click.option("--film", type=float, required=True, metavar="MM", help="Length from the film.")
@click.option("--film-u", type=float, default=0.0, metavar="MM", help="Its uncertainty.")
@click.option("--reading", type=float, required=True, metavar="MM", help="Electronic length.")
@output_options
def locator(film: float, film_u: float, reading: float, as_json: bool, decimal_comma: bool) -> None:
    """Hold an apex locator's reading against the film. Never averaged."""
    from rxmeasure.working_length import FilmLength, compare_with_locator

    found = compare_with_locator(
        film=FilmLength(value_mm=film, u_mm=film_u, scale_source="stated film length"),
        locator_mm=reading,
    )
    numbers = numbers_for(decimal_comma)
    text = value_with_u(numbers, found.difference_mm, found.u_mm, "mm")
    lines = [f"reading less film: {text}"]
    for warning in found.warnings:
        lines += folded(numbers.in_text(warning.text), mark="! ")
    emit("working-length locator", {"comparison": found}, lines, as_json=as_json)


@working_length.command()
@click.option("--source-receptor", type=float, metavar="MM", help="Source to receptor.")
@click.option("--object-receptor", type=float, metavar="MM", help="Tooth to receptor.")
@click.option("--focal-spot", type=float, metavar="MM", help="Size of the focal spot.")
@click.option("--length", type=float, metavar="MM", help="True length of a tilted tooth.")
@click.option("--tilt", type=float, metavar="DEG", help="Tooth against the receptor's plane.")
@click.option("--half-angle", type=float, metavar="DEG", help="Half the angle tooth to receptor.")
@click.option(
    "--beam-error", type=float, metavar="DEG", help="Beam off the bisecting line's square."
)
@output_options
def projection(
    source_receptor: float | None,
    object_receptor: float | None,
    focal_spot: float | None,
    length: float | None,
    tilt: float | None,
    half_angle: float | None,
    beam_error: float | None,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """What projection does: magnification, unsharpness, foreshortening, bisecting error."""
    from rxmeasure import working_length as core

    numbers = numbers_for(decimal_comma)
    found: dict[str, Any] = {}
    rows: list[tuple[str, str]] = []
    if source_receptor is not None and object_receptor is not None:
        found["magnification"] = core.magnification(
            source_receptor_mm=source_receptor, object_receptor_mm=object_receptor
        )
        rows.append(("magnification", numbers.fixed(found["magnification"], 4)))
        if focal_spot is not None:
            found["unsharpness_mm"] = core.unsharpness_mm(
                focal_spot_mm=focal_spot,
                source_receptor_mm=source_receptor,
                object_receptor_mm=object_receptor,
            )
            rows.append(("unsharpness", f"{numbers.fixed(found['unsharpness_mm'], 4)} mm"))
    if length is not None and tilt is not None:
        found["image_length_mm"] = core.foreshortened_mm(length, tilt_deg=tilt)
        rows.append(("length on the image", f"{numbers.fixed(found['image_length_mm'], 2)} mm"))
    if half_angle is not None and beam_error is not None:
        found["image_over_true"] = core.bisecting_angle_ratio(
            half_angle_deg=half_angle, beam_error_deg=beam_error
        )
        rows.append(("image over true length", numbers.fixed(found["image_over_true"], 4)))
    if not found:
        raise click.UsageError(
            "Give --source-receptor with --object-receptor, --length with --tilt, or --half-angle "
            "with --beam-error."
        )
    emit("working-length projection", found, columns(rows), as_json=as_json)


def _text(numbers: Numbers, length: FilmLength) -> str:
    return value_with_u(numbers, length.value_mm, length.u_mm or None, "mm")
