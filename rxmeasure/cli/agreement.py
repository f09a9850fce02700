"""``rxmeasure agreement``: how far raters agree, from a CSV file of ratings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.options import FILE, output_options
from rxmeasure.cli.output import columns, emit, folded, numbers_for

if TYPE_CHECKING:
    from rxmeasure.agreement.drift import Drift
    from rxmeasure.agreement.ratings_file import RatingRow
    from rxmeasure.agreement.results import Agreement, Refused
    from rxmeasure.agreement.study import CriterionAgreement, StudyPlan
    from rxmeasure.agreement.words import WordScale
    from rxmeasure.report.numbers import Numbers


@click.command()
@click.argument("ratings", type=FILE)
@click.option(
    "--scale",
    type=click.Choice(["nominal", "ordinal", "interval", "ratio"]),
    required=True,
    help="What the ratings are: names, ordered categories, or numbers of a measure "
    "(ratio: with a true zero).",
)
@click.option(
    "--categories",
    metavar="A,B,C",
    help="All categories from low to high, those that nobody used included.",
)
@click.option(
    "--weights",
    type=click.Choice(["unweighted", "linear", "quadratic"]),
    help="For kappa and AC; else quadratic on an ordinal scale.",
)
@click.option("--key", metavar="RATER", help="The rater who is the agreed reference.")
@click.option("--criterion", "criteria", metavar="NAME", multiple=True, help="Only this criterion.")
@click.option("--unit", default="", metavar="TEXT", help="Unit of numbers, e.g. mm.")
@click.option(
    "--level", type=float, default=0.95, show_default=True, help="Confidence of the intervals."
)
@click.option("--bootstrap", is_flag=True, help="Draw units again for every interval.")
@click.option(
    "--draws", type=int, default=2000, show_default=True, help="Number of bootstrap draws."
)
@click.option("--seed", type=int, default=0, show_default=True, help="Start of the random draws.")
@click.option(
    "--words",
    type=click.Choice(["landis-koch", "cicchetti", "koo-li", "krippendorff"]),
    help="Add this author's words to the coefficients, with their source.",
)
@click.option("--csv", "csv_file", type=FILE, metavar="FILE", help="Write all statistics as CSV.")
@output_options
def agreement(
    ratings: Path, csv_file: Path | None, as_json: bool, decimal_comma: bool, **options: Any
) -> None:
    """How far raters agree, from a CSV file of ratings.

    RATINGS has the columns unit, rater, rating and, if wanted, criterion,
    session (a number or a date) and cluster (patient or tooth). One rating a
    line. With clusters, whole clusters are drawn for every interval.

    \b
    rxmeasure agreement marks.csv --scale ordinal --categories 1,2,3,4,5 --key teacher
    rxmeasure agreement lengths.csv --scale ratio --unit mm
    """
    from rxmeasure.agreement.ratings_file import read_rating_rows
    from rxmeasure.agreement.study import agreement_study
    from rxmeasure.agreement.study_file import write_study
    from rxmeasure.agreement.words import WORD_SCALES

    rows = _chosen(read_rating_rows(ratings), options["criteria"])
    plan = _plan(options)
    study = agreement_study(rows, plan)
    if csv_file is not None:
        write_study(csv_file, study)
    words = WORD_SCALES.get(options["words"])
    document = {"plan": plan, "criteria": study, "words": words}
    numbers = numbers_for(decimal_comma)
    lines = [line for part in study for line in _criterion_lines(part, words, numbers)]
    lines += _method_lines(study, numbers)
    if words is not None:
        lines += folded(
            f"Words for {words.made_for} by {words.source}. They are a convention, not a finding.",
            indent="",
        )
    emit("agreement", document, lines, as_json=as_json)


def _chosen(rows: Sequence[RatingRow], criteria: Sequence[str]) -> Sequence[RatingRow]:
    from rxmeasure.errors import AgreementError

    there = {row.criterion for row in rows}
    for name in criteria:
        if name not in there:
            raise AgreementError(
                found=f"no ratings of the criterion {name!r}.",
                needed=f"one of {', '.join(sorted(there - {''})) or '(the file has none)'}.",
                next_step="Correct the name of the criterion.",
            )
    return [row for row in rows if not criteria or row.criterion in criteria]


def _plan(options: dict[str, Any]) -> StudyPlan:
    from rxmeasure.agreement.ratings import Scale
    from rxmeasure.agreement.resampling import IntervalChoice
    from rxmeasure.agreement.study import StudyPlan
    from rxmeasure.agreement.weights import Weights

    weights = options["weights"]
    categories = options["categories"]
    if options["scale"] == "nominal" and weights in ("linear", "quadratic"):
        raise click.UsageError("--weights need an ordinal scale: names have no distance.")
    if options["scale"] in ("interval", "ratio") and weights is not None:
        raise click.UsageError("--weights are for categories: take the ordinal scale.")
    return StudyPlan(
        scale=Scale(options["scale"]),
        categories=tuple(c.strip() for c in categories.split(",")) if categories else (),
        weights=None if weights is None else Weights(weights),
        key=options["key"],
        unit=options["unit"],
        choice=IntervalChoice(
            level=options["level"],
            bootstrap=options["bootstrap"],
            draws=options["draws"],
            seed=options["seed"],
        ),
    )


def _criterion_lines(
    part: CriterionAgreement, words: WordScale | None, numbers: Numbers
) -> list[str]:
    from rxmeasure.report.numbers import clean

    raters = ", ".join(clean(rater) for rater in part.raters)
    head = f"{clean(part.criterion) or 'All ratings'}: {part.n_units} units, {raters}; "
    lines = folded(f"{head}{part.n_ratings} ratings", indent="")
    if part.category_counts:
        used = ", ".join(f"{clean(label)}: {n}" for label, n in part.category_counts)
        lines += folded(f"Used: {used}")
    lines += ["", "All raters", *_result_lines(part.all_raters, words, numbers)]
    for comparison in part.left_out:
        lines += ["", f"Without {clean(comparison.first)}"]
        lines += _result_lines(comparison.results, words, numbers)
    for title, comparisons in (
        ("Pair", part.pairs),
        ("Against the key", part.against_key),
        ("Within a rater", part.within_rater),
    ):
        for comparison in comparisons:
            pair = f"{clean(comparison.first)} and {clean(comparison.second)}"
            lines += ["", f"{title}: {pair}"]
            lines += _result_lines(comparison.results, words, numbers)
    for rater in part.drift:
        lines += ["", f"Drift against the key: {clean(rater.rater)}"]
        lines += _drift_lines(rater.result, numbers)
    return [*lines, ""]


def _result_lines(
    results: tuple[Agreement | Refused, ...], words: WordScale | None, numbers: Numbers
) -> list[str]:
    from rxmeasure.agreement.results import Agreement

    found = [r for r in results if isinstance(r, Agreement)]
    lines = columns([_row(r, words, numbers) for r in found])
    for result in results:
        if not isinstance(result, Agreement):
            text = f"{result.statistic} not told: {result.found} {result.next_step}"
            lines += folded(numbers.in_text(text), mark="! ")
    cautions = dict.fromkeys(caution.text for r in found for caution in r.cautions)
    for text in cautions:
        lines += folded(numbers.in_text(text), mark="! ")
    return lines


def _row(result: Agreement, words: WordScale | None, numbers: Numbers) -> tuple[str, ...]:
    interval = "no interval"
    if result.interval is not None:
        low, high = (_limit(v, numbers) for v in (result.interval.low, result.interval.high))
        interval = f"{_percent(result.interval.level, numbers)} {low} to {high}"
    unit = f" {result.unit}" if result.unit else ""
    notes = [result.method]
    if result.observed is not None:
        notes.append(f"observed agreement {numbers.fixed(result.observed, 3)}")
    word = None if words is None else words.word(result.statistic, result.estimate)
    if word is not None:
        notes.append(word)
    return (
        result.statistic,
        f"{numbers.fixed(result.estimate, 3)}{unit}",
        interval,
        f"n {result.n_units}",
        numbers.in_text("; ".join(notes)),
    )


def _percent(share: float, numbers: Numbers) -> str:
    return numbers.percent(share).replace("\u00a0", " ")


def _limit(value: float, numbers: Numbers) -> str:
    return numbers.fixed(value, 3) if math.isfinite(value) else "open"


def _method_lines(parts: Sequence[CriterionAgreement], numbers: Numbers) -> list[str]:
    """How intervals were reckoned, and where the statistics come from, each said once."""
    from rxmeasure.agreement.results import Agreement
    from rxmeasure.agreement.study_file import statistics

    found = [r for part in parts for *_, r in statistics(part) if isinstance(r, Agreement)]
    intervals = _names_by((r.interval.method, r.statistic) for r in found if r.interval is not None)
    sources = _names_by((r.source, r.statistic) for r in found)
    lines = []
    for method, names in intervals.items():
        lines += folded(numbers.in_text(f"Intervals of {names}: {method}."), indent="")
    for source, names in sources.items():
        lines += folded(f"{names}: {source}.", indent="")
    return lines


def _names_by(pairs: Iterable[tuple[str, str]]) -> dict[str, str]:
    """What the statistics share, and their names, each once."""
    names: dict[str, dict[str, None]] = {}
    for shared, name in pairs:
        names.setdefault(shared, {})[name] = None
    return {shared: ", ".join(own) for shared, own in names.items()}


def _drift_lines(found: Drift | Refused, numbers: Numbers) -> list[str]:
    from rxmeasure.agreement.drift import Drift
    from rxmeasure.report.numbers import clean

    if not isinstance(found, Drift):
        return _result_lines((found,), None, numbers)
    slopes = (found.closeness,) if found.leaning is None else (found.closeness, found.leaning)
    rows = []
    for session in found.sessions:
        row = [f"session {clean(session.session)}", f"n {session.n}"]
        row.append(f"equal to the key {_percent(session.equal_share, numbers)}")
        mean = session.mean_difference
        row.append("" if mean is None else f"mean difference {numbers.fixed(mean, 3)}")
        rows.append(tuple(row))
    return columns(rows) + _result_lines(slopes, None, numbers)
