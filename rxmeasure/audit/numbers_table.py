"""Every number of an audit as a CSV table, each with its denominator."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from rxmeasure.agreement.results import Interval
from rxmeasure.atomic import write_text
from rxmeasure.audit.reaudit import Compared, ReAudit
from rxmeasure.audit.results import (
    PLURAL,
    Audit,
    LevelResult,
    MonthlyChart,
    ReaderAgreement,
    Reason,
    Share,
)
from rxmeasure.audit.statistics.proportions import Proportion
from rxmeasure.csv_text import csv_text
from rxmeasure.values import Warned

HEADER = (
    "section", "what", "unit", "numerator", "denominator", "share", "low", "high", "level",
    "interval_method", "n_clusters", "design_effect", "rule_set", "rule_version", "remarks",
)  # fmt: skip
_Row = tuple[object, ...]
_NO_INTERVAL: _Row = (None,) * 4


def write_numbers(path: str | Path, audit: Audit, compared: ReAudit | None = None) -> None:
    """Write all numbers as CSV; text that a spreadsheet would run is made harmless.

    Raises
    ------
    WriteError
        The file cannot be written.
    """
    write_text(path, csv_text(HEADER, _rows(audit, compared)))


def _rows(audit: Audit, compared: ReAudit | None) -> Iterator[_Row]:
    rule = (audit.rule_set_id, audit.rule_set_version)
    for result in audit.levels:
        yield from _level_rows(result, rule)
    yield _share_row("not confirmed", audit.proposals, "canals", rule)
    for share in audit.tooth_groups:
        yield _share_row("tooth group", share, "teeth", rule)
    for share in audit.operators:
        yield _share_row("operator", share, "teeth", rule)
    for chart in audit.charts:
        yield from _chart_rows(chart, rule)
    for reason in audit.left_out:
        yield from _reason_rows("left out", reason, None)
    yield from _count_rows(audit)
    yield from _log_rows(audit)
    for change in audit.rule_changes:
        pair = change.paired
        remark = f"{audit.rule_set_id} met {pair.first_met}; gained {pair.gained}, lost {pair.lost}"
        yield (
            "another rule set", "criteria met", PLURAL[change.level], pair.second_met, pair.total,
            pair.second_met / pair.total, *_NO_INTERVAL, None, None, change.rule_set_id,
            change.version, remark,
        )  # fmt: skip
        yield (
            "another rule set", "change of the share", PLURAL[change.level],
            pair.second_met - pair.first_met, pair.total, pair.difference,
            *_limits(pair.interval), None, None, change.rule_set_id, change.version,
            _remarks(pair.cautions),
        )  # fmt: skip
    for readers in audit.second_readers:
        yield from _reader_rows(readers, rule)
    for one in compared.shares if compared else ():
        yield from _compared_rows(one, rule)
    for warning in audit.warnings:
        yield ("warning", warning.code, *_blank(12), warning.text)


def _compared_rows(one: Compared, rule: tuple[str, str]) -> Iterator[_Row]:
    change = one.change
    for when, found in (("then", change.first), ("now", change.second)):
        name = f"{one.name}, {when}"
        share = Share(name=name, met=found.met, total=found.total, proportion=found)
        yield _share_row("re-audit", share, one.unit, rule)
    yield (
        "re-audit", f"{one.name}, change of the share", one.unit, None, None, change.difference,
        *_limits(change.interval), None, None, *rule, _remarks(change.cautions),
    )  # fmt: skip


def _reader_rows(found: ReaderAgreement, rule: tuple[str, str]) -> Iterator[_Row]:
    same = _bare(f"{found.criterion}, both readers the same", found.n_same, found.n_canals)
    yield _share_row("second readers", same, "canals", rule, found.why_none)
    if found.kappa is not None:
        kappa = found.kappa
        yield (
            "second readers", f"{found.criterion}, {kappa.statistic}", "", None, kappa.n_units,
            kappa.estimate, *_limits(kappa.interval), None, None, *rule, _remarks(kappa.cautions),
        )  # fmt: skip


def _level_rows(result: LevelResult, rule: tuple[str, str]) -> Iterator[_Row]:
    count, unit = result.count, PLURAL[result.count.level]
    share = Share(
        name="criteria met", met=count.n_met, total=count.n_judged, proportion=count.proportion
    )
    yield _share_row("result", share, unit, rule)
    for name, met in (
        ("criteria met if all borderline fail", result.least_met),
        ("criteria met if all borderline meet", result.most_met),
        ("borderline", result.n_borderline),
    ):
        yield _share_row("result", _bare(name, met, count.n_judged), unit, rule)
    whole = count.n_judged + count.n_excluded
    yield _share_row("result", _bare("not judged", count.n_excluded, whole), unit, rule)
    for text, number in count.why_excluded:
        yield from _reason_rows("not judged", Reason(text=text, unit=unit, count=number), whole)


def _chart_rows(chart: MonthlyChart, rule: tuple[str, str]) -> Iterator[_Row]:
    for month in chart.months:
        share = _bare(month.month, month.met, month.total)
        yield _share_row(f"month, {chart.name}", share, "teeth", rule)
    found = chart.chart
    if found is None:
        yield (f"run chart, {chart.name}", "no run chart", *_blank(12), chart.why_none)
        return
    for name, value, limit, signal in (
        ("longest run", found.longest_run, found.longest_run_limit, found.long_run),
        ("crossings", found.crossings, found.crossings_limit, found.few_crossings),
    ):
        text = f"limit {limit}; {'signal' if signal else 'no signal'}; median {found.median:.4f}"
        yield (
            f"run chart, {chart.name}", name, "months", value, found.n_useful,
            *_blank(9), text,
        )  # fmt: skip


def _count_rows(audit: Audit) -> Iterator[_Row]:
    for name, unit, number, whole in (
        ("looked at", "patients", audit.n_patients, None),
        ("looked at", "films", audit.n_films, None),
        ("looked at", "canals", audit.n_canals, None),
        ("verdict set by a person", "canals", audit.n_overridden, audit.n_canals),
        ("judged by this audit", "canals", audit.n_judged_here, audit.n_canals),
        ("read by a second reader", "films", audit.n_second_reader, audit.n_films),
    ):
        yield ("count", name, unit, number, whole, *_blank(10))


def _log_rows(audit: Audit) -> Iterator[_Row]:
    for quality in audit.quality:
        remark = f"target {quality.target:g}; {quality.n_unrated} films not rated"
        yield _share_row("image quality A", quality.share, "films", None, remark)
    for section, unit, result in (
        ("retakes", "films", audit.retakes), ("recall", "recalls due", audit.recall),
    ):  # fmt: skip
        if result is not None:
            yield _share_row(section, result.share, unit, None)
            for reason in result.reasons:
                yield from _reason_rows(section, reason, result.share.total)
    if audit.recall is not None:
        yield ("recall", "not due in the period", "recalls", audit.not_due, *_blank(11))


def _share_row(
    section: str, share: Share, unit: str, rule: tuple[str, str] | None, remark: str = ""
) -> _Row:
    found = share.proportion
    part = share.met / share.total if share.total else None
    cautions = "" if found is None else _remarks(found.cautions)
    return (
        section, share.name, unit, share.met, share.total, part, *_limits(share.interval),
        *_spread(found), *(rule or ("", "")), f"{remark} {cautions}".strip(),
    )  # fmt: skip


def _reason_rows(section: str, reason: Reason, whole: int | None) -> Iterator[_Row]:
    part = reason.count / whole if whole else None
    yield (section, reason.text, reason.unit, reason.count, whole, part, *_blank(9))
    for name in reason.names:
        yield (section, reason.text, reason.unit, *_blank(11), name)


def _bare(name: str, met: int, total: int) -> Share:
    return Share(name=name, met=met, total=total, proportion=None)


def _limits(interval: Interval | None) -> _Row:
    if interval is None:
        return _NO_INTERVAL
    return interval.low, interval.high, interval.level, interval.method


def _spread(found: Proportion | None) -> _Row:
    return (None, None) if found is None else (found.n_clusters, found.design_effect)


def _remarks(cautions: tuple[Warned, ...]) -> str:
    return " ".join(caution.text for caution in cautions)


def _blank(number: int) -> _Row:
    return (None,) * number
