"""``rxmeasure propose``: filled canals found with no click or one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rxmeasure.cli.options import POINT, image_argument, invert_option, output_options
from rxmeasure.cli.output import columns, emit, numbers_for

if TYPE_CHECKING:
    from rxmeasure.marks import PointPx


@click.command()
@image_argument
@click.option("--at", "seed", type=POINT, help="A click on a fill: only the canal there.")
@invert_option
@output_options
def propose(
    image: Path, seed: PointPx | None, invert: bool, as_json: bool, decimal_comma: bool
) -> None:
    """Propose filled canals, their ends and the apex.

    Nothing is kept: accept a proposal by giving its clicks to another verb.

    \b
    rxmeasure propose film.png
    rxmeasure propose film.png --at 300,255
    """
    from rxmeasure.proposals import propose as find
    from rxmeasure.reading import read_radiograph

    radiograph = read_radiograph(image, invert=invert)
    found = find(radiograph, seed_px=seed)
    numbers = numbers_for(decimal_comma)
    rows = [
        (
            f"{k}",
            numbers.percent(canal.confidence),
            " ".join(_point(p) for p in canal.clicks_px),
            _point(canal.fill_end_px),
            f"{_point(canal.apex_px)} ({numbers.percent(canal.apex_confidence)})"
            if canal.apex_px is not None
            else canal.why_no_apex or "",
        )
        for k, canal in enumerate(found.canals, 1)
    ]
    head = ("", "fill", "clicks (row,col), coronal first", "fill's end", "apex")
    lines = columns([head, *rows]) if rows else ["No filled canal is proposed."]
    lines += [f"  not proposed, at {_point(d.points_px[0])}: {d.reason}" for d in found.declined]
    emit("propose", {"image": radiograph.source, "proposals": found}, lines, as_json=as_json)


def _point(point: PointPx) -> str:
    return f"{point[0]:.1f},{point[1]:.1f}"
