"""``rxmeasure align``: two films of one tooth brought together."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.exit_codes import NOT_ALIGNED
from rxmeasure.cli.options import FILE, POINT, invert_option, output_options
from rxmeasure.cli.output import columns, emit, folded, numbers_for

if TYPE_CHECKING:
    from rxmeasure.marks import PointPx
    from rxmeasure.radiograph import Radiograph
    from rxmeasure.recall.alignment import RootAlignment
    from rxmeasure.recall.pairs import PairAlignment
    from rxmeasure.report.numbers import Numbers
    from rxmeasure.values import Warned


@click.command()
@click.argument("first", type=FILE)
@click.argument("second", type=FILE)
@click.option(
    "--landmark",
    "landmarks",
    type=(POINT, POINT),
    multiple=True,
    metavar="ROW,COL ROW,COL",
    help="Align by hand: one place in the first film and in the second (two or more).",
)
@click.option(
    "--subtraction", type=FILE, metavar="FILE", help="Write the difference as a PNG picture."
)
@click.option("--overlay", type=FILE, metavar="FILE", help="Write both films, one over the other.")
@click.option(
    "--differing-reason",
    default="",
    metavar="TEXT",
    help="Why films of another tooth or case are brought together.",
)
@invert_option
@output_options
@click.pass_context
def align(
    ctx: click.Context,
    first: Path,
    second: Path,
    landmarks: tuple[tuple[PointPx, PointPx], ...],
    subtraction: Path | None,
    overlay: Path | None,
    differing_reason: str,
    invert: bool,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Bring a later film of a tooth onto an earlier one, and say how well.

    Told are the error at each apex, whether the beam differed (a root longer or
    shorter against its crown), and whether the films may be laid over each
    other. Of the FIRST film the marks beside it give scale and roots; without
    marked canals the roots of proposed fills are used. Where the alignment is
    refused no picture is made, and the exit status is 17; a caution is no
    refusal.

    \b
    rxmeasure align 2023.png 2024.png --subtraction change.png
    """
    from rxmeasure.atomic import write_bytes
    from rxmeasure.cli.marks_input import film_with_marks
    from rxmeasure.recall.pairs import PairLandmarks, align_pair, register
    from rxmeasure.recall.series import different_images, one_tooth, scale_and_canals
    from rxmeasure.recall.unmarked_roots import roots_of
    from rxmeasure.report.subtraction import overlay_png, subtraction_png

    if len(landmarks) == 1:
        raise click.UsageError("Give --landmark twice or more, or not at all.")
    earlier, marks = film_with_marks(first, invert=invert)
    later, later_marks = film_with_marks(second, invert=invert)
    different_images([earlier, later])
    warnings = one_tooth([(earlier, marks), (later, later_marks)], differing_reason)
    calibration, canals = scale_and_canals(earlier, marks)
    by_hand = PairLandmarks(
        before=1,
        after=2,
        first_px=tuple(one for one, _ in landmarks),
        second_px=tuple(two for _, two in landmarks),
    )
    found = align_pair(
        earlier,
        later,
        roots=() if by_hand.usable else roots_of(canals, earlier, calibration),
        mm_per_px=None if calibration is None else calibration.scale.col,
        landmarks=by_hand,
    )
    written = []
    if not found.refused and found.contrast is not None:
        root = found.automatic.roots[0].name if found.automatic and found.automatic.roots else ""
        seen = register(earlier, later, found.map_at(root), found.contrast)
        for path, draw in ((subtraction, subtraction_png), (overlay, overlay_png)):
            if path is not None:
                write_bytes(path, draw(seen, earlier))
                written.append(str(path))
    emit(
        "align",
        {
            "first": earlier.source,
            "second": later.source,
            "alignment": alignment_document(found),
            "warnings": warnings,
            "written": written,
        },
        _lines((earlier, later), found, warnings, numbers_for(decimal_comma), written),
        as_json=as_json,
    )
    if found.refused:
        ctx.exit(NOT_ALIGNED)


def alignment_document(found: PairAlignment) -> dict[str, Any]:
    """An alignment as JSON holds it; ``map`` is null where there is none."""
    automatic = found.automatic
    placed = automatic is None or automatic.matched_features > 0
    return {
        "verdict": found.verdict,
        "reason": found.reason,
        "error_px": found.error_px,
        "error_mm": found.error_mm,
        "map": found.map.tolist() if placed else None,
        "correlation": None if automatic is None else automatic.correlation,
        "matched_features": None if automatic is None else automatic.matched_features,
        "roots": [_root(root) for root in automatic.roots] if automatic is not None else [],
    }


def _root(root: RootAlignment) -> dict[str, Any]:
    names = (
        "name",
        "proposed",
        "apex_px",
        "residual_px",
        "residual_u_px",
        "residual_mm",
        "parallax_px",
        "crown_root_ratio",
    )
    return {**{name: getattr(root, name) for name in names}, "map": root.map.tolist()}


def _lines(
    films: tuple[Radiograph, Radiograph],
    found: PairAlignment,
    warnings: tuple[Warned, ...],
    numbers: Numbers,
    written: list[str],
) -> list[str]:
    from rxmeasure.cli.tables import caution_lines
    from rxmeasure.report.subtraction import error_text

    first, second = (film.source.file_name for film in films)
    lines = [f"{second} onto {first}: {found.verdict}, {numbers.in_text(error_text(found))}"]
    lines += folded(numbers.in_text(found.reason))
    roots = found.automatic.roots if found.automatic is not None else ()
    lines += columns([_root_row(root, numbers) for root in roots])
    if found.refused:
        lines += folded("The films may not be laid over each other: no picture is made.")
    lines += [f"  written: {path}" for path in written]
    for warning in warnings:
        lines += folded(numbers.in_text(warning.text), mark="! ")
    return [*lines, "", *caution_lines()]


def _root_row(root: RootAlignment, numbers: Numbers) -> tuple[str, str, str]:
    from rxmeasure.report.series_words import root_heading

    heading = root.name if root.proposed else root_heading(root.name)
    value, unit = (root.residual_px, "px") if root.residual_mm is None else (root.residual_mm, "mm")
    error = f"{numbers.fixed(value, 1 if unit == 'px' else 2)} {unit}"
    return heading, f"standard error at the apex {error}", _beam_text(root, numbers)


def _beam_text(root: RootAlignment, numbers: Numbers) -> str:
    ratio = root.crown_root_ratio
    if ratio is None:
        return "crown not seen in both films: angle of the beam not compared"
    percent = numbers.fixed(abs(ratio - 1.0) * 100.0, 1)
    longer = "longer" if ratio >= 1.0 else "shorter"
    return f"the second film shows it {percent} % {longer} against its crown"
