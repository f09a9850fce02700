"""``rxmeasure judge``: verdicts on a film, or on values typed in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.options import (
    FILE,
    invert_option,
    marks_options,
    output_options,
    rule_options,
)
from rxmeasure.cli.output import emit, numbers_for

if TYPE_CHECKING:
    from rxmeasure.criteria.results import Verdict
    from rxmeasure.values import MeasureValue


@click.command()
@click.argument("image", type=FILE, required=False)
@click.option(
    "--value",
    "values",
    metavar="NAME=VALUE[±U]",
    multiple=True,
    help="A measure by its name instead of an image; +- is taken for ±. "
    "Example: fill_to_apex_core_mm=1.8+-0.3, void_free=yes.",
)
@marks_options
@rule_options
@invert_option
@output_options
def judge(
    image: Path | None,
    values: tuple[str, ...],
    invert: bool,
    as_json: bool,
    decimal_comma: bool,
    **options: Any,
) -> None:
    """Judge a film, or values typed in, by criteria. Nothing is written.

    \b
    rxmeasure judge film.png --rule zero_two
    rxmeasure judge --rule zero_two --value fill_to_apex_core_mm=1.8+-0.3
    """
    if (image is None) == (not values):
        raise click.UsageError("Give an IMAGE, or values with --value.")
    from rxmeasure.cli.tables import verdict_lines

    numbers = numbers_for(decimal_comma)
    if image is None:
        name = options.get("canal_name") or "single"
        measures = tuple(_measure_value(text) for text in values)
        verdicts = _judge_values(name, measures, options)
        emit(
            "judge",
            {"image": None, "verdicts": verdicts, "tooth_summaries": ()},
            verdict_lines(verdicts, (), {name: measures}, numbers),
            as_json=as_json,
        )
        return
    from rxmeasure.cli.marks_input import marks_for
    from rxmeasure.reading import read_radiograph
    from rxmeasure.review import review_film

    review = review_film(
        read_radiograph(image, invert=invert),
        marks_for(image, options),
        rule_files=options["rule_files"],
    )
    emit(
        "judge",
        {
            "image": review.image,
            "verdicts": review.verdicts,
            "tooth_summaries": review.tooth_summaries,
        },
        verdict_lines(
            review.verdicts,
            review.tooth_summaries,
            {canal.name: canal.measures for canal in review.canals},
            numbers,
        ),
        as_json=as_json,
    )


def _judge_values(
    name: str, measures: tuple[MeasureValue, ...], options: dict[str, Any]
) -> tuple[Verdict, ...]:
    from rxmeasure.criteria.criterion import load_rule_set, pick_rule_sets
    from rxmeasure.criteria.verdict import judge_canal

    ids, files = options["rule_ids"], options["rule_files"]
    if not ids and not files:
        raise click.UsageError("Give --rule or --rules-file to judge by.")
    rule_sets = [*(pick_rule_sets(ids) if ids else ()), *map(load_rule_set, files)]
    return tuple(v for rule_set in rule_sets for v in judge_canal(name, measures, rule_set))


def _measure_value(text: str) -> MeasureValue:
    from rxmeasure.measure_names import MEASURES
    from rxmeasure.values import MeasureValue

    name, equals, rest = text.partition("=")
    entry = MEASURES.get(name.strip())
    if not equals or entry is None:
        raise click.UsageError(
            f"{text!r} is not NAME=VALUE with one of the names: {', '.join(MEASURES)}."
        )
    value, _, u = rest.replace("+-", "±").partition("±")
    value, u = value.strip(), u.strip()
    if entry.unit == "bool":
        words = {"yes": True, "no": False}
        if value not in words or u:
            raise click.UsageError(f"{name} is answered with yes or no.")
        return MeasureValue(name=entry.name, value=words[value], unit=entry.unit)
    if entry.unit == "code":
        return MeasureValue(name=entry.name, value=value, unit=entry.unit)
    try:
        number, spread = float(value), float(u) if u else None
    except ValueError as error:
        raise click.UsageError(f"{text!r} holds no number like 1.8 or 1.8±0.3.") from error
    return MeasureValue(
        name=entry.name,
        value=number,
        unit=entry.unit,
        u=spread,
        scale_source="typed in" if entry.unit.startswith("mm") else None,
    )
