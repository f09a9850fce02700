"""``rxmeasure lesion``: the size of one periapical lesion on one film."""

from __future__ import annotations

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
from rxmeasure.cli.output import columns, emit, folded, numbers_for, value_with_u

if TYPE_CHECKING:
    from rxmeasure.marks import PointPx
    from rxmeasure.recall.lesion import Lesion
    from rxmeasure.report.numbers import Numbers
    from rxmeasure.values import Area, Length

_SIZES = (
    ("area", "area"),
    ("largest diameter", "largest_diameter"),
    ("across it", "perpendicular_diameter"),
    ("diameter of a circle of that area", "equivalent_diameter"),
)


@click.command()
@image_argument
@click.option("--root", default="root", metavar="NAME", help="Root at whose apex it lies.")
@click.option("--at", "seed", type=POINT, help="A click near its middle; the outline is found.")
@click.option(
    "--outline",
    type=POINT,
    multiple=True,
    help="A point of the outline that you see, in turn (three or more).",
)
@scale_options
@invert_option
@output_options
def lesion(
    image: Path,
    root: str,
    seed: PointPx | None,
    outline: tuple[PointPx, ...],
    invert: bool,
    as_json: bool,
    decimal_comma: bool,
    **options: Any,
) -> None:
    """Measure one periapical lesion: area and diameters, each with its interval.

    Marked canals beside the image keep the roots out of the search, and give
    the distance of the lesion from each apex. Without a scale the sizes are in
    pixels.

    \b
    rxmeasure lesion film.png --at 612,303 --root MB
    rxmeasure lesion film.png --outline 590,290 --outline 590,320 --outline 630,305
    """
    from rxmeasure.cli.marks_input import marks_for
    from rxmeasure.reading import read_radiograph
    from rxmeasure.recall.series import LesionMark, measured_lesion, scale_and_canals

    if (seed is None) == (not outline):
        raise click.UsageError("Give --at, or the points of an outline with --outline.")
    radiograph = read_radiograph(image, invert=invert)
    marks = marks_for(image, options, kind_needed=False)
    calibration, canals = scale_and_canals(radiograph, marks)
    mark = LesionMark(root=root, seed_px=seed, outline_px=outline)
    found = measured_lesion(mark, radiograph, marks, calibration, canals)
    emit(
        "lesion",
        {"image": radiograph.source, "calibration": calibration, "lesion": _document(found)},
        _lines(found, numbers_for(decimal_comma)),
        as_json=as_json,
    )


def _document(found: Lesion) -> dict[str, Any]:
    from rxmeasure.cli.output import plain

    intervals = {}
    for _, name in _SIZES:
        if found.size is not None:
            value, u, unit = _value(getattr(found.size, name))
            low, high = _interval(value, u)
            intervals[name] = {"unit": unit, "low": low, "high": high}
    return {**plain(found), "interval_95": intervals}


def _lines(found: Lesion, numbers: Numbers) -> list[str]:
    from rxmeasure.cli.tables import caution_lines
    from rxmeasure.report.series_words import outline_origin, root_heading

    lines = [f"{root_heading(found.root)}: lesion {outline_origin(found)}"]
    if found.size is not None:
        rows = [(what, *_cells(getattr(found.size, name), numbers)) for what, name in _SIZES]
        lines += columns(rows)
    for text in (found.declined, *(warning.text for warning in found.warnings)):
        lines += folded(numbers.in_text(text), mark="! ") if text else []
    for one in found.distances:
        value, u, unit = _value(one.distance)
        side = "inside" if value < 0.0 else "outside"
        distance = value_with_u(numbers, abs(value), u, unit)
        lines.append(f"  {one.landmark} lies {distance} {side} its edge")
    return [*lines, "", *caution_lines()]


def _cells(size: Area | Length, numbers: Numbers) -> tuple[str, str]:
    value, u, unit = _value(size)
    low, high = (numbers.quantity(end, unit) for end in _interval(value, u))
    return value_with_u(numbers, value, u, unit), f"95 %: {low} to {high}"


def _value(size: Area | Length) -> tuple[float, float, str]:
    """Value, standard uncertainty and unit; pixels without a scale."""
    power = "2" if hasattr(size, "value_px2") else ""
    value, u = getattr(size, f"value_mm{power}"), getattr(size, f"u_mm{power}")
    if value is None or u is None:
        return getattr(size, f"value_px{power}"), getattr(size, f"u_px{power}"), f"px{power}"
    return value, u, f"mm{power}"


def _interval(value: float, u: float) -> tuple[float, float]:
    """95 % interval; never below nothing."""
    from rxmeasure.recall.change import Z_95

    return max(0.0, value - Z_95 * u), value + Z_95 * u
