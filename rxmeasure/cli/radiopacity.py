"""``rxmeasure radiopacity``: mm of aluminium from a step wedge on the film."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.options import (
    CANAL,
    FILE,
    POINT,
    all_of,
    image_argument,
    invert_option,
    output_options,
    trace_options,
)
from rxmeasure.cli.output import columns, emit, folded, numbers_for, value_with_u

if TYPE_CHECKING:
    from rxmeasure.radiograph import Radiograph
    from rxmeasure.radiopacity import (
        AluminiumCurve,
        FillRadiopacity,
        Specimen,
        SpecimenRadiopacity,
        WedgeReading,
    )
    from rxmeasure.report.numbers import Numbers

FILL_CAUTION = (
    "The whole path is fill, tooth, bone and cheek in line, less what lies over the wedge. It is "
    "not the radiopacity of a standard, which is that of a flat disc 1 mm thick. What the fill "
    "adds holds for the depth of the canal there, and only as far as the dentine beside it is as "
    "thick as in line with it."
)

_wedge_options = all_of(
    click.option(
        "--wedge",
        "wedge_clicks",
        type=POINT,
        multiple=True,
        required=True,
        help="Middle of the thinnest step, then of the thickest (two clicks).",
    ),
    click.option(
        "--steps", type=int, required=True, metavar="N", help="Steps from the one to the other."
    ),
    click.option(
        "--first", type=float, required=True, metavar="MM", help="Thickness of the thinnest step."
    ),
    click.option(
        "--step", type=float, required=True, metavar="MM", help="What each further step adds."
    ),
)
_specimen_options = all_of(
    click.option(
        "--disc",
        "discs",
        type=CANAL,
        multiple=True,
        metavar="'NAME ROW,COL ROW,COL'",
        help="A flat specimen: its name, its middle and a point on its rim, in quotes.",
    ),
    click.option(
        "--thickness", type=float, metavar="MM", help="Measured thickness of the specimens."
    ),
    click.option(
        "--material",
        type=click.Choice(["sealer", "point"]),
        help="What the specimens are; without it the limits of both are shown.",
    ),
)


@click.command()
@image_argument
@_wedge_options
@_specimen_options
@trace_options
@click.option("--plot", type=FILE, metavar="FILE", help="Draw the calibration curve (SVG).")
@invert_option
@output_options
def radiopacity(
    image: Path,
    wedge_clicks: tuple[tuple[float, float], ...],
    steps: int,
    first: float,
    step: float,
    discs: tuple[tuple[str, tuple[tuple[float, float], ...]], ...],
    thickness: float | None,
    material: str | None,
    plot: Path | None,
    invert: bool,
    as_json: bool,
    decimal_comma: bool,
    **options: Any,
) -> None:
    """Radiopacity in mm of aluminium, from a step wedge on the film.

    Of flat specimens (--disc), held against ISO 6876 and ISO 6877, and of the
    fill of marked canals. Points are ROW,COL in pixels. A wedge of ten steps and
    one disc, for example: --wedge 75,60 --wedge 75,735 --steps 10 --first 1
    --step 1 --disc "A 420,140 420,230" --thickness 1
    """
    from rxmeasure.radiopacity import WedgeMarks, calibrate_wedge, read_wedge
    from rxmeasure.reading import read_radiograph

    if len(wedge_clicks) != 2:
        raise click.UsageError("Give --wedge twice: middle of the thinnest step, of the thickest.")
    marks = WedgeMarks(
        first_px=wedge_clicks[0],
        last_px=wedge_clicks[1],
        steps=steps,
        first_mm=first,
        step_mm=step,
    )
    wanted = _specimens(discs, thickness)
    radiograph = read_radiograph(image, invert=invert)
    wedge = read_wedge(radiograph, marks)
    curve = calibrate_wedge(wedge)
    specimens = _measured(radiograph, curve, wanted, material)
    fills = _fills(radiograph, curve, image, options)
    numbers = numbers_for(decimal_comma)
    document: dict[str, Any] = {
        "image": radiograph.source,
        "wedge": wedge,
        "curve": curve,
        "specimens": specimens,
        "fills": fills,
    }
    lines = [
        *_wedge_lines(wedge, numbers),
        *_specimen_lines(specimens, numbers),
        *_fill_lines(fills, numbers),
    ]
    if plot is not None:
        from rxmeasure.atomic import write_text
        from rxmeasure.report.curve_plot import curve_plot

        write_text(plot, curve_plot(curve, specimens, numbers=numbers).svg)
        document["written"] = [str(plot)]
        lines += ["", f"Written: {plot}"]
    emit("radiopacity", document, lines, as_json=as_json)


def _specimens(
    discs: tuple[tuple[str, tuple[tuple[float, float], ...]], ...], thickness: float | None
) -> list[Specimen]:
    from rxmeasure.radiopacity import Circle, Specimen

    if bool(discs) != (thickness is not None):
        raise click.UsageError("--disc and --thickness go together.")
    made = []
    for name, points in discs:
        if len(points) != 2:
            raise click.UsageError(f"--disc {name}: give its middle and one point on its rim.")
        circle = Circle(centre_px=points[0], rim_px=points[1])
        made.append(Specimen(name=name, circle=circle, thickness_mm=float(thickness or 0.0)))
    return made


def _measured(
    radiograph: Radiograph, curve: AluminiumCurve, specimens: list[Specimen], material: str | None
) -> list[SpecimenRadiopacity]:
    from rxmeasure.radiopacity import STANDARD_LIMITS, measure_specimen

    limits = tuple(x for x in STANDARD_LIMITS if material in (None, x.id))
    return [measure_specimen(radiograph, curve, s, limits) for s in specimens]


def _fills(
    radiograph: Radiograph, curve: AluminiumCurve, image: Path, options: dict[str, Any]
) -> list[FillRadiopacity]:
    from rxmeasure.cli.marks_input import marks_for
    from rxmeasure.radiopacity import measure_fill
    from rxmeasure.review import review_film

    marks = marks_for(image, options, kind_needed=False)
    if not marks.canals:
        return []
    review = review_film(radiograph, marks)
    return [measure_fill(radiograph, curve, canal) for canal in review.canals]


def _wedge_lines(wedge: WedgeReading, numbers: Numbers) -> list[str]:
    rows = [("step", "aluminium", "grey", "uneven by")]
    rows += [
        (
            str(s.number),
            f"{numbers.fixed(s.thickness_mm, 2)} mm",
            f"{numbers.fixed(s.region.grey, 1)} ± {numbers.fixed(s.region.u_grey, 2)}",
            numbers.fixed(s.region.unevenness, 1),
        )
        for s in wedge.steps
    ]
    return [f"Step wedge of {len(wedge.steps)} steps", *columns(rows)]


def _specimen_lines(specimens: list[SpecimenRadiopacity], numbers: Numbers) -> list[str]:
    from rxmeasure.criteria.results import SIGNS
    from rxmeasure.report.numbers import clean

    lines = []
    for s in specimens:
        e = s.equivalent
        value = value_with_u(numbers, e.value_mm_al, e.u_mm_al, "mm Al")
        lines += [
            "",
            f"{clean(s.specimen.name)}: {value} at "
            f"{numbers.fixed(s.specimen.thickness_mm, 2)} mm thickness",
        ]
        for c in s.comparisons:
            chance = (
                ""
                if c.probability_met is None
                else f", probability met {numbers.percent(c.probability_met)}"
            )
            lines += folded(
                f"{c.outcome} as {c.limit.material}{chance}: at least "
                f"{numbers.fixed(c.limit.at_least_mm_al, 0)} mm Al, {c.limit.source} "
                f"({c.limit.source_status})." + (f" {numbers.in_text(c.why)}" if c.why else ""),
                mark=SIGNS[c.outcome] + " ",
            )
    return lines


def _fill_lines(fills: list[FillRadiopacity], numbers: Numbers) -> list[str]:
    from rxmeasure.report.numbers import clean

    if not fills:
        return []
    rows: list[tuple[str, ...]] = [("canal", "whole path", "dentine beside", "the fill adds")]
    for f in fills:
        pairs = (
            (f.whole_path.value_mm_al, f.whole_path.u_mm_al),
            (f.beside.value_mm_al, f.beside.u_mm_al),
            (f.added_mm_al, f.u_added_mm_al),
        )
        rows.append((clean(f.canal), *(value_with_u(numbers, v, u, "mm Al") for v, u in pairs)))
    return ["", "Fills", *columns(rows), *folded(FILL_CAUTION)]
