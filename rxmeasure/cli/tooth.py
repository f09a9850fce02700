"""``rxmeasure tooth``: numbers in three notations, usual canals, lengths."""

from __future__ import annotations

import click

from rxmeasure.cli.options import output_options
from rxmeasure.cli.output import columns, emit, numbers_for


@click.command()
@click.argument("number")
@click.option(
    "--notation",
    type=click.Choice(["fdi", "universal", "palmer"]),
    default="fdi",
    show_default=True,
    help="Notation of NUMBER. Palmer in plain text (UR6) or with its corner mark.",
)
@click.option("--length", type=float, metavar="MM", help="A measured length to hold against it.")
@output_options
def tooth(
    number: str, notation: str, length: float | None, as_json: bool, decimal_comma: bool
) -> None:
    """Tell a tooth's number in three notations, its usual canals and lengths."""
    from rxmeasure import tooth as teeth
    from rxmeasure.errors import MarksError

    fdi = number
    if notation == "universal":
        fdi = teeth.universal_to_fdi(number)
    elif notation == "palmer":
        fdi = teeth.palmer_to_fdi(number)
    found = teeth.tooth_of(fdi)
    if found is None:
        raise MarksError(
            found=f"the number {number!r}, which is no tooth in the {notation} notation.",
            needed="one of the 32 permanent or 20 primary teeth; others are not mapped.",
            next_step="Correct the number, or choose its --notation.",
        )
    canals = teeth.usual_canals(found.fdi)
    lengths = teeth.mean_lengths(found.fdi)
    warning = None if length is None else teeth.length_plausibility(found.fdi, length)
    numbers = numbers_for(decimal_comma)
    lines = [
        found.name,
        *columns(
            [
                ("FDI", found.fdi),
                ("Universal", found.universal),
                ("Palmer", f"{found.palmer}  {found.palmer_mark}"),
            ]
        ),
    ]
    if canals is not None:
        count = (
            f"{canals.fewest}"
            if canals.fewest == canals.most
            else (f"{canals.fewest} to {canals.most}")
        )
        names = f" ({', '.join(canals.names)})" if canals.names else ""
        lines += ["", f"usual canals: {count}{names}{'; ' + canals.note if canals.note else ''}"]
    if lengths:
        lines += ["", "mean length"]
        lines += columns(
            [
                (
                    entry.root or "tooth",
                    f"{numbers.fixed(entry.mean_mm, 1)} mm",
                    ""
                    if entry.shortest_mm is None or entry.longest_mm is None
                    else f"{numbers.fixed(entry.shortest_mm, 1)} to "
                    f"{numbers.fixed(entry.longest_mm, 1)} mm",
                    entry.source,
                )
                for entry in lengths
            ]
        )
    if length is not None:
        text = "plausible" if warning is None else numbers.in_text(warning.text)
        lines += ["", f"{numbers.fixed(length, 1)} mm: {text}"]
    document = {
        "tooth": found,
        "usual_canals": canals,
        "mean_lengths": lengths,
        "plausible_range_mm": teeth.plausible_range_mm(found.fdi),
        "length_mm": length,
        "warning": warning,
    }
    emit("tooth", document, lines, as_json=as_json)
