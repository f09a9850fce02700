"""``rxmeasure fit``: nominal arithmetic of files, points, carriers and canals."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.options import all_of, output_options
from rxmeasure.cli.output import columns, emit, folded, numbers_for, value_with_u
from rxmeasure.marks import NominalShape

if TYPE_CHECKING:
    from rxmeasure.fit import PreparedCanal, Product, Seat
    from rxmeasure.report.numbers import Numbers

_NOMINAL = (
    "Nominal: makers keep to a tolerance, and real canals are seldom round. A plausibility "
    "band, not a truth."
)

_Command = Callable[..., None]

_canal_options = all_of(
    click.option("--size", type=float, required=True, metavar="ISO", help="Size of the last file."),
    click.option(
        "--taper", type=float, required=True, metavar="MM/MM", help="Its taper, e.g. 0.04."
    ),
    click.option(
        "--working-length", type=float, required=True, metavar="MM", help="Working length."
    ),
    click.option(
        "--orifice", type=float, metavar="MM", help="Working length to orifice; else all of it."
    ),
)
_point_options = all_of(
    click.option(
        "--point-size", type=float, required=True, metavar="ISO", help="Size of the point."
    ),
    click.option(
        "--point-taper", type=float, required=True, metavar="MM/MM", help="Taper of the point."
    ),
)
_product_option: Callable[[Any], Any] = click.option(
    "--product",
    type=click.Choice(["point", "instrument"]),
    default="point",
    show_default=True,
    help="Whose tolerance holds: ISO 6877 or ISO 3630-1.",
)


def _with_canal(command: _Command) -> _Command:
    """Options of the prepared canal, given to the command as ``prepared``."""

    @_canal_options
    @wraps(command)
    def made(
        size: float, taper: float, working_length: float, orifice: float | None, **others: Any
    ) -> None:
        from rxmeasure.fit import PreparedCanal

        prepared = PreparedCanal(
            size=size, taper=taper, working_length_mm=working_length, orifice_mm=orifice
        )
        command(prepared=prepared, **others)

    return made


def _with_point(command: _Command) -> _Command:
    """Options of a point, given to the command as ``point``."""

    @_point_options
    @wraps(command)
    def made(point_size: float, point_taper: float, **others: Any) -> None:
        command(point=NominalShape(size=point_size, taper=point_taper), **others)

    return made


def _product(name: str) -> Product:
    from rxmeasure.fit import Product

    return Product[name.upper()]


@click.group()
def fit() -> None:
    """Fit arithmetic on nominal sizes and tapers.

    Sizes are ISO sizes (hundredths of a millimetre), tapers mm per mm (0.04
    for .04). Distances run from the working length in coronal direction.
    """


@fit.command()
@click.option("--size", type=float, required=True, metavar="ISO", help="Size at the tip.")
@click.option("--taper", type=float, required=True, metavar="MM/MM", help="Taper, e.g. 0.04.")
@click.option(
    "--upto", type=float, default=16.0, show_default=True, metavar="MM", help="Last place."
)
@click.option("--step", type=float, default=1.0, show_default=True, metavar="MM", help="Step.")
@_product_option
@output_options
def diameters(
    size: float,
    taper: float,
    upto: float,
    step: float,
    product: str,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Nominal diameters of a file or point, with their tolerance, from the tip on."""
    from rxmeasure.fit import nominal_band
    from rxmeasure.fit.inputs import checked

    checked(step, name="step", unit="mm", at_least=0.01)
    checked(upto, name="last place", unit="mm", at_least=0.0, at_most=50.0)
    places = [k * step for k in range(int(upto / step + 1e-9) + 1)]
    band = nominal_band(NominalShape(size=size, taper=taper), places, _product(product))
    numbers = numbers_for(decimal_comma)
    rows = [("from tip", "diameter", "tolerance")]
    rows += [
        (
            f"{numbers.fixed(b.x_mm, 1)} mm",
            f"{numbers.fixed(b.nominal_mm, 2)} mm",
            f"{numbers.fixed(b.low_mm, 2)} to {numbers.fixed(b.high_mm, 2)} mm",
        )
        for b in band
    ]
    emit(
        "fit diameters",
        {"size": size, "taper": taper, "product": _product(product), "diameters": band},
        [*columns(rows), *folded(_NOMINAL, indent="")],
        as_json=as_json,
    )


@fit.command()
@_with_canal
@click.option("--step", type=float, default=1.0, show_default=True, metavar="MM", help="Step.")
@output_options
def canal(
    prepared: PreparedCanal,
    step: float,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Diameter of the prepared canal at each millimetre from the working length."""
    from rxmeasure.fit import canal_diameters

    found = canal_diameters(prepared, step_mm=step)
    numbers = numbers_for(decimal_comma)
    rows = [("from working length", "diameter", "")]
    rows += [
        (
            f"{numbers.fixed(d.to_working_length_mm, 1)} mm",
            f"{numbers.fixed(d.diameter_mm, 2)} ± {numbers.fixed(d.u_diameter_mm, 3)} mm",
            "past the file's working part: taper not stated there" if d.past_working_part else "",
        )
        for d in found
    ]
    emit(
        "fit canal",
        {"canal": prepared, "diameters": found},
        [*columns(rows), *folded(_NOMINAL, indent="")],
        as_json=as_json,
    )


@fit.command()
@_with_point
@click.option("--cut", type=float, metavar="MM", help="Length cut off the tip.")
@click.option("--to-size", type=float, metavar="ISO", help="Size wanted at the tip.")
@click.option("--cut-u", type=float, default=0.0, metavar="MM", help="Uncertainty of the cut.")
@_product_option
@output_options
def trim(
    point: NominalShape,
    cut: float | None,
    to_size: float | None,
    cut_u: float,
    product: str,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Size after trimming a point of constant taper, or where to cut for a size."""
    from rxmeasure import fit as core

    if (cut is None) == (to_size is None):
        raise click.UsageError("Give --cut or --to-size.")
    numbers = numbers_for(decimal_comma)
    if cut is not None:
        trimmed = core.trim(point, cut, u_cut_mm=cut_u, product=_product(product))
        document: dict[str, Any] = {"trimmed": trimmed}
        text = (
            f"After cutting {numbers.fixed(cut, 2)} mm off: size {trimmed.shape.size:.0f}, tip "
            f"{numbers.fixed(trimmed.tip_mm, 2)} ± {numbers.fixed(trimmed.u_tip_mm, 3)} mm."
        )
    else:
        assert to_size is not None
        where = core.cut_for_size(point, to_size, product=_product(product))
        document = {"cut": where, "wanted_size": to_size}
        text = (
            f"For size {to_size:g} cut {numbers.fixed(where.cut_mm, 2)} ± "
            f"{numbers.fixed(where.u_cut_mm, 2)} mm off the tip. A gauge plate tells more than "
            "a ruler."
        )
    emit("fit trim", {"point": point, **document}, folded(text, indent=""), as_json=as_json)


@fit.command()
@_with_point
@_with_canal
@_product_option
@output_options
def seat(
    point: NominalShape,
    prepared: PreparedCanal,
    product: str,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Where a point, trimmed or not, comes to rest in the prepared canal."""
    from rxmeasure.fit import seat_point

    found = seat_point(point, prepared, product=_product(product))
    emit(
        "fit seat",
        {"canal": prepared, "point": point, "seat": found},
        folded(f"The point {_seat_text(found, numbers_for(decimal_comma))}", indent=""),
        as_json=as_json,
    )


@fit.command()
@click.option(
    "--tip", type=float, required=True, metavar="MM", help="Diameter of the carrier's tip."
)
@click.option(
    "--carrier-taper", type=float, required=True, metavar="MM/MM", help="Its taper; 0: parallel."
)
@click.option("--tip-u", type=float, default=0.0, metavar="MM", help="Uncertainty of the tip.")
@_with_canal
@output_options
def carrier(
    tip: float,
    carrier_taper: float,
    tip_u: float,
    prepared: PreparedCanal,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Depth at which a heat carrier or plugger binds, against 4 to 6 mm short."""
    from rxmeasure.fit import carrier_fit

    found = carrier_fit(tip_mm=tip, taper=carrier_taper, canal=prepared, u_tip_mm=tip_u)
    numbers = numbers_for(decimal_comma)
    lines = folded(
        f"The carrier {_seat_text(found.seat, numbers)} Aim of 4 to 6 mm short (common practice, "
        f"no source): {found.aim}.",
        indent="",
    )
    for warning in found.warnings:
        lines += folded(numbers.in_text(warning.text), mark="! ")
    emit("fit carrier", {"canal": prepared, "fit": found}, lines, as_json=as_json)


@fit.command()
@_with_canal
@click.option(
    "--plug", type=float, default=5.0, show_default=True, metavar="MM", help="Length of the plug."
)
@output_options
def backfill(
    prepared: PreparedCanal,
    plug: float,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Volumes of plug and backfill, and the number of increments of 2 to 3 mm."""
    from rxmeasure.fit import plan_fill

    plan = plan_fill(prepared, plug_mm=plug)
    numbers = numbers_for(decimal_comma)
    fewest, most = plan.increments
    count = f"{fewest}" if fewest == most else f"{fewest} to {most}"
    rows = [
        (
            name,
            f"{numbers.fixed(length, 1)} mm",
            f"{numbers.fixed(volume.volume_mm3, 2)} ± {numbers.fixed(volume.u_mm3, 2)} mm³",
        )
        for name, length, volume in (
            ("plug", plan.plug_mm, plan.plug),
            ("backfill", plan.backfill_mm, plan.backfill),
        )
    ]
    lines = columns(rows)
    lines.append(
        f"Increments of 2 to 3 mm (common practice, no source): {count}; with the fewest each "
        f"{numbers.fixed(plan.increment_mm, 1)} mm."
    )
    for warning in plan.warnings:
        lines += folded(numbers.in_text(warning.text), mark="! ")
    lines += folded(_NOMINAL, indent="")
    emit("fit backfill", {"canal": prepared, "plan": plan}, lines, as_json=as_json)


@fit.command()
@_with_point
@_with_canal
@_product_option
@output_options
def sealer(
    point: NominalShape,
    prepared: PreparedCanal,
    product: str,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Share of the canal that a single point leaves to the sealer."""
    from rxmeasure.fit import sealer_share

    share = sealer_share(point, prepared, product=_product(product))
    numbers = numbers_for(decimal_comma)
    lines = folded(
        f"Sealer's share: {numbers.percent(share.share)} ± {numbers.percent(share.u_share)} of "
        f"{numbers.fixed(share.canal.volume_mm3, 2)} mm³, the point's tip "
        f"{numbers.fixed(share.tip_to_working_length_mm, 1)} mm short of the working length.",
        indent="",
    )
    emit(
        "fit sealer",
        {"canal": prepared, "point": point, "sealer_share": share},
        [*lines, *folded(_NOMINAL, indent="")],
        as_json=as_json,
    )


def _seat_text(found: Seat, numbers: Numbers) -> str:
    text = str(found.seating)
    distance = found.to_working_length_mm
    if distance is not None:
        where = "beyond" if distance < 0.0 else "short of"
        text += (
            f": tip {value_with_u(numbers, abs(distance), found.u_mm, 'mm')} {where} the working "
            "length"
        )
    if found.touches:
        text += f", held at the {found.touches}"
    return f"{text}. It could go beyond with {numbers.percent(found.probability_beyond)}."
