"""An audit from its rows and the clinic's log to its numbers: start reading here."""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np

from rxmeasure import __version__
from rxmeasure.audit.by_month import charts_of, operator_shares, teeth_of, tooth_group_shares
from rxmeasure.audit.clinic_log import FilmEntry, RecallEntry
from rxmeasure.audit.dates import Period
from rxmeasure.audit.judging import JudgedCanal, judge_rows, side_of_measures
from rxmeasure.audit.log_results import (
    quality_results,
    recall_result,
    retake_result,
    unsorted_quality,
)
from rxmeasure.audit.results import Audit, LevelResult, RuleChange, Share
from rxmeasure.audit.rows import AuditRow, AuditSource, RefusedRecord
from rxmeasure.audit.second_readers import reader_agreement
from rxmeasure.audit.selection import Selection, Wanted, select, with_log
from rxmeasure.audit.shares import share_of
from rxmeasure.audit.statistics.comparison import PairedDifference, paired_difference
from rxmeasure.audit.statistics.denominators import (
    MEETS,
    UNKNOWN,
    Groups,
    Level,
    Outcomes,
    as_numbers,
    count_groups,
    groups_at,
)
from rxmeasure.audit.statistics.sampling import SamplingMethod, SamplingPlan
from rxmeasure.criteria.by_value import measures_of
from rxmeasure.criteria.rules import RuleSet
from rxmeasure.errors import AuditError
from rxmeasure.marks import FilmKind
from rxmeasure.values import Warned


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditRequest:
    """What is asked of an audit.

    Attributes
    ----------
    rule_set : RuleSet
    other_rule_sets : tuple of RuleSet
        Judged by the same measured values, to show what the choice of the rule set does.
    film_kind : FilmKind
    period : Period
    sample : SamplingPlan or None
        Only these films; None: all.
    level : float
        Confidence of the intervals.
    """

    rule_set: RuleSet
    other_rule_sets: tuple[RuleSet, ...] = ()
    film_kind: FilmKind = FilmKind.POSTOPERATIVE
    period: Period = field(default_factory=Period)
    sample: SamplingPlan | None = None
    level: float = 0.95


def run_audit(
    source: AuditSource,
    request: AuditRequest,
    *,
    films: Sequence[FilmEntry] = (),
    recalls: Sequence[RecallEntry] = (),
) -> Audit:
    """Count what a clinic's reviews say. No film is measured again.

    Parameters
    ----------
    source : AuditSource
    request : AuditRequest
    films, recalls : sequence
        The clinic's log, where it keeps one.

    Raises
    ------
    AuditError
        No canal is left to be counted, a rule set is not for films of this kind, or a table
        is wrong.
    """
    _check_rule_sets(request)
    with _no_search_for_cycles():
        return _counted(source, request, films, recalls)


def _counted(
    source: AuditSource,
    request: AuditRequest,
    films: Sequence[FilmEntry],
    recalls: Sequence[RecallEntry],
) -> Audit:
    created = datetime.now(UTC)
    selection, log_warnings = _selected(source, request, films)
    canals = judge_rows(selection.rows, request.rule_set)
    groups = [groups_at([canal.record for canal in canals], level) for level in Level]
    teeth = teeth_of(canals, groups[-1])
    due = recall_result(recalls, request.period, created.date().isoformat(), request.level)
    return Audit(
        software_version=__version__,
        created_utc=created.isoformat(timespec="seconds"),
        source=source.name,
        rule_set_id=request.rule_set.id,
        rule_set_version=request.rule_set.version,
        rule_set_title=request.rule_set.title,
        film_kind=str(request.film_kind),
        since=request.period.since,
        until=request.period.until,
        sampling=_sampling_words(request.sample),
        level=request.level,
        n_films=len({(row.patient, row.film) for row in selection.rows}),
        n_patients=len({row.patient for row in selection.rows}),
        n_canals=len(canals),
        left_out=selection.left_out,
        levels=_level_results(canals, groups, request.level),
        proposals=_proposals(canals, request.level),
        n_overridden=sum(bool(c.row.verdict and c.row.verdict.overridden) for c in canals),
        n_judged_here=sum(c.row.verdict is None for c in canals),
        n_second_reader=selection.n_second_reader,
        tooth_groups=tooth_group_shares(teeth, request.level),
        operators=operator_shares(teeth, request.level),
        charts=charts_of(teeth),
        quality=quality_results(films, request.period, request.level),
        retakes=retake_result(films, request.period, request.level),
        recall=due.result,
        not_due=due.not_due,
        rule_changes=_rule_changes(canals, groups, request),
        warnings=log_warnings + unsorted_quality(films, request.period) + _warnings(canals),
        second_readers=reader_agreement(selection.read_twice, request.rule_set, request.level),
    )


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Pause the search for unreachable objects: rows hold none, and are many."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


def _selected(
    source: AuditSource, request: AuditRequest, films: Sequence[FilmEntry]
) -> tuple[Selection, tuple[Warned, ...]]:
    """The rows that count, with what the log says of them, and warnings about the log."""
    asked = (request.rule_set, *request.other_rule_sets)
    records: Iterable[AuditRow | RefusedRecord]
    records = source.rows(request.rule_set, measures_of(asked))
    records, warnings = with_log(records, films) if films else (records, ())
    selection = select(records, _wanted(request))
    if not selection.rows:
        raise _nothing_left(selection)
    return selection, warnings


def _check_rule_sets(request: AuditRequest) -> None:
    for rule_set in (request.rule_set, *request.other_rule_sets):
        if request.film_kind not in rule_set.film_kinds:
            raise AuditError(
                found=f"the rule set '{rule_set.id}' for {request.film_kind} films.",
                needed=f"one of its films: {', '.join(rule_set.film_kinds)}.",
                next_step="Choose another rule set or kind of film.",
            )


def _wanted(request: AuditRequest) -> Wanted:
    films = None
    if request.sample is not None:
        films = frozenset(name for group in request.sample.groups for name in group.chosen)
    return Wanted(film_kind=request.film_kind, period=request.period, films=films)


def _nothing_left(selection: Selection) -> AuditError:
    reasons = "; ".join(f"{r.text}: {r.count} {r.unit}" for r in selection.left_out)
    return AuditError(
        found=f"no canal to count ({reasons or 'the source is empty'}).",
        needed="reviewed canals of this kind of film and period.",
        next_step="Check the kind of film, the period, the sample and the pseudonyms.",
    )


def _sampling_words(sample: SamplingPlan | None) -> str:
    if sample is None:
        return "all films with a review"
    chosen = sum(len(group.chosen) for group in sample.groups)
    if sample.method is SamplingMethod.RANDOM:
        return f"random sample of {chosen} films, seed '{sample.seed}'"
    start = f" from {sample.start_date}" if sample.start_date else ""
    return f"{chosen} consecutive films{start}"


def _level_results(
    canals: Sequence[JudgedCanal], groups: Sequence[Groups], level: float
) -> tuple[LevelResult, ...]:
    records = [canal.record for canal in canals]
    as_judged = as_numbers(record.met for record in records)
    failing = as_numbers(False if c.borderline else c.record.met for c in canals)
    meeting = as_numbers(True if c.borderline else c.record.met for c in canals)
    results = []
    for at in groups:
        judged = at.worst(as_judged) != UNKNOWN
        low, high = at.worst(failing)[judged], at.worst(meeting)[judged]
        results.append(
            LevelResult(
                count=count_groups(records, at, level),
                n_borderline=int(np.count_nonzero(low != high)),
                least_met=int(np.count_nonzero(low == MEETS)),
                most_met=int(np.count_nonzero(high == MEETS)),
            )
        )
    return tuple(results)


def _proposals(canals: Sequence[JudgedCanal], level: float) -> Share:
    own = [canal for canal in canals if not canal.row.confirmed]
    return share_of(
        "canals not confirmed by a person",
        [canal.says_met for canal in own],
        [canal.row.patient for canal in own],
        level=level,
    )


def _rule_changes(
    canals: Sequence[JudgedCanal], groups: Sequence[Groups], request: AuditRequest
) -> tuple[RuleChange, ...]:
    """The measured values by each other rule set, beside what they are by this one."""
    if not request.other_rule_sets:
        return ()
    first = _by_value(canals, request.rule_set)
    return tuple(
        RuleChange(
            rule_set_id=rule_set.id,
            version=rule_set.version,
            title=rule_set.title,
            level=at.level,
            paired=paired,
        )
        for rule_set in request.other_rule_sets
        for at, paired in _paired(groups, first, _by_value(canals, rule_set), request.level)
    )


def _by_value(canals: Sequence[JudgedCanal], rule_set: RuleSet) -> Outcomes:
    """Whether each canal meets a rule set; not known without measures that are confirmed."""
    meets = side_of_measures(rule_set)
    rows = (canal.row for canal in canals)
    return as_numbers(meets(r.measures) if r.confirmed and r.measures else None for r in rows)


def _paired(
    groups: Sequence[Groups],
    first: Outcomes,
    second: Outcomes,
    confidence: float,
) -> Iterator[tuple[Groups, PairedDifference]]:
    """Both judgements at each level, where there are groups that both can judge."""
    for at in groups:
        before, after = at.worst(first), at.worst(second)
        both = (before != UNKNOWN) & (after != UNKNOWN)
        if both.any():
            yield (
                at,
                paired_difference(
                    before[both] == MEETS,
                    after[both] == MEETS,
                    at.patients[both],
                    level=confidence,
                ),
            )


def _warnings(canals: Sequence[JudgedCanal]) -> tuple[Warned, ...]:
    found = []
    here = sum(canal.row.verdict is None for canal in canals)
    if here:
        found.append(
            Warned(
                code="judged-here",
                text=f"{here} canals had not been judged by this rule set; their kept measures "
                "were judged now.",
            )
        )
    undated = sum(not canal.row.taken for canal in canals)
    if undated:
        found.append(
            Warned(code="undated", text=f"{undated} canals have no date and are in no month.")
        )
    return tuple(found)
