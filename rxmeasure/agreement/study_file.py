"""A rating exercise as a CSV table, one statistic a line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from rxmeasure.agreement.results import Agreement, Refused
from rxmeasure.agreement.study import CriterionAgreement
from rxmeasure.atomic import write_text
from rxmeasure.csv_text import csv_text

HEADER = (
    "criterion", "compared", "first", "second", "statistic", "method", "estimate", "low", "high",
    "level", "interval_method", "unit", "n_units", "n_raters", "n_left_out", "observed_agreement",
    "source", "remarks",
)  # fmt: skip


def write_study(path: str | Path, study: Sequence[CriterionAgreement]) -> None:
    """Write all statistics as CSV; text that a spreadsheet would run is made harmless.

    Raises
    ------
    WriteError
        The file cannot be written.
    """
    write_text(path, csv_text(HEADER, [row for part in study for row in _rows(part)]))


def statistics(
    part: CriterionAgreement,
) -> Iterator[tuple[str, str, str, Agreement | Refused]]:
    """Every statistic with what was compared: kind, first and second."""
    for result in part.all_raters:
        yield "all raters", ", ".join(part.raters), "", result
    groups = (
        ("others alone", part.left_out), ("pair", part.pairs),
        ("against the key", part.against_key), ("within rater", part.within_rater),
    )  # fmt: skip
    for kind, comparisons in groups:
        for comparison in comparisons:
            for result in comparison.results:
                yield kind, comparison.first, comparison.second, result
    for rater in part.drift:
        found = rater.result
        slopes = (found,) if isinstance(found, Refused) else (found.closeness, found.leaning)
        for slope in slopes:
            if slope is not None:
                yield "drift", rater.rater, "", slope


def _rows(part: CriterionAgreement) -> Iterator[tuple[object, ...]]:
    for kind, first, second, result in statistics(part):
        head = (part.criterion, kind, first, second, result.statistic)
        if isinstance(result, Refused):
            remark = f"refused: {result.found} Needed: {result.needed}"
            yield (*head, *[None] * (len(HEADER) - len(head) - 1), remark)
            continue
        interval = result.interval
        limits: tuple[object, ...] = (None,) * 4
        if interval is not None:
            limits = (interval.low, interval.high, interval.level, interval.method)
        yield (
            *head, result.method, result.estimate, *limits, result.unit, result.n_units,
            result.n_raters, result.n_left_out, result.observed, result.source,
            " ".join(caution.text for caution in result.cautions),
        )  # fmt: skip
