"""What stands on an audit's page, as plain texts and one drawing. Nothing is counted here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from rxmeasure.agreement.results import Interval
from rxmeasure.audit.reaudit import Compared, ReAudit
from rxmeasure.audit.results import (
    PLURAL,
    Audit,
    LevelResult,
    LogResult,
    MonthlyChart,
    QualityResult,
    ReaderAgreement,
    Reason,
    RuleChange,
    Share,
)
from rxmeasure.audit.statistics.denominators import Level
from rxmeasure.audit.statistics.proportions import Proportion
from rxmeasure.audit.yardsticks import FEWEST_IMAGES, QUALITY, RECALL, RETAKES, Yardstick
from rxmeasure.report.audit_chart import chart_svg
from rxmeasure.report.numbers import Numbers, clean

#: Most rows of each list on the page; the table of numbers holds all.
MOST_ROWS = 6
MOST_OTHER_RULES = 4
_LONGEST_NAME = 46

CAUTIONS = (
    "A share holds for its rule set alone; percentages by different rule sets do not compare.",
    "Canals of one patient go together: intervals are over patients, not over canals.",
    "Operators compare only where their cases are alike; few cases say little about a person.",
    "One film is a two-dimensional shadow; the radiographic apex is not the foramen, and no "
    "visible void is not no void.",
    "An aid for review, not a diagnosis. Never take a film to feed an audit.",
)

_Row = list[str]


def audit_content(
    audit: Audit, compared: ReAudit | None, numbers: Numbers, *, title: str, chart: bool = True
) -> dict[str, Any]:
    """The page's content as a JSON tree: texts, rows of texts, and an SVG if wanted."""
    return {
        "title": _short(title, 70),
        "facts": _facts(audit),
        "interval_head": f"{numbers.percent(audit.level)} interval, %",
        "headline": _headline(audit, numbers),
        "levels": [_level_row(result, numbers) for result in audit.levels],
        "groups": [_share_row(share, numbers) for share in audit.tooth_groups],
        "operators": _largest(audit.operators, numbers),
        "chart": chart_svg(audit.charts) if chart else "",
        "chart_alt": "Share of teeth that meet the criteria by month, for all and by operator.",
        "signals": [_signal(chart, numbers) for chart in audit.charts[:1]],
        "quality": [_quality_row(result, numbers) for result in audit.quality],
        "quality_source": _source(QUALITY, numbers),
        "log": _log_rows(audit, numbers),
        "log_sources": [_source(y, numbers) for y in _log_yardsticks(audit)],
        "left_out": _left_out(audit),
        "proposals": _proposals(audit, numbers),
        "rules": _rule_rows(audit, numbers),
        "readers": [_reader_row(one, numbers) for one in audit.second_readers],
        "reader_notes": numbers.in_text(_reader_notes(audit)),
        "reaudit": [_compared_row(one, numbers) for one in compared.shares] if compared else [],
        "reaudit_head": _reaudit_head(compared),
        "notes": [numbers.in_text(text) for text in _notes(audit)],
        "cautions": list(CAUTIONS),
        "foot": f"rxmeasure {audit.software_version}, {audit.created_utc}",
    }


def percent_interval(interval: Interval | None, numbers: Numbers) -> str:
    """An interval of a share in percent, without the sign."""
    if interval is None:
        return "–"
    low, high = (numbers.fixed(100.0 * v, 0) for v in (interval.low, interval.high))
    return f"{low}\u00a0to\u00a0{high}"


def _part(met: int, total: int) -> str:
    return f"{met}\u00a0of\u00a0{total}"


def _counted(count: int, unit: str) -> str:
    """So many files, films or canals."""
    return f"{count}\u00a0{unit.removesuffix('s') if count == 1 else unit}"


def _short(text: str, longest: int = _LONGEST_NAME) -> str:
    text = clean(text)
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _facts(audit: Audit) -> list[_Row]:
    period = f"{audit.since or 'the first film'} to {audit.until or 'the last film'}"
    return [
        ["Rule set", _short(f"{audit.rule_set_id}, version {audit.rule_set_version}: "
                            f"{audit.rule_set_title}", 120)],
        ["Films", f"{audit.film_kind}, {period}; {_short(audit.sampling, 70)}"],
        ["Looked at", f"{_many(audit.n_patients, 'patient')}, {_many(audit.n_films, 'film')}, "
                      f"{_many(audit.n_canals, 'canal')}; "
                      f"{_many(audit.n_second_reader, 'film')} read by a second reader; "
                      f"from {_short(audit.source)}"],
    ]  # fmt: skip


def _many(number: int, what: str) -> str:
    """1 canal, 2 canals."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _headline(audit: Audit, numbers: Numbers) -> dict[str, str]:
    """The share of teeth in large letters."""
    teeth = next(r.count for r in audit.levels if r.count.level is Level.TOOTH)
    if not teeth.n_judged:
        return {"share": "–", "text": "No tooth could be judged."}
    interval = None if teeth.proportion is None else teeth.proportion.interval
    span = "no interval: all of one patient"
    if interval is not None:
        span = f"{numbers.percent(interval.level)} interval {percent_interval(interval, numbers)} %"
    return {
        "share": numbers.percent(teeth.n_met / teeth.n_judged),
        "text": f"of teeth meet the criteria: {teeth.n_met} of {teeth.n_judged}, {span}.",
    }


def _level_row(result: LevelResult, numbers: Numbers) -> _Row:
    count = result.count
    found = count.proportion
    effect = None if found is None else found.design_effect
    judged = count.n_judged
    ends = (result.least_met, result.most_met)
    span = (
        "\u00a0to\u00a0".join(numbers.fixed(100.0 * met / judged, 0) for met in ends)
        if judged
        else "–"
    )
    return [
        PLURAL[count.level].capitalize(),
        _part(count.n_met, judged),
        numbers.percent(count.n_met / judged) if judged else "–",
        percent_interval(None if found is None else found.interval, numbers),
        "–" if effect is None else numbers.fixed(effect, 1),
        str(result.n_borderline),
        span,
        str(count.n_excluded),
    ]


def _share_row(share: Share, numbers: Numbers) -> _Row:
    return [
        _short(share.name, 26),
        _part(share.met, share.total),
        numbers.percent(share.met / share.total),
        percent_interval(share.interval, numbers),
    ]


def _largest(shares: Sequence[Share], numbers: Numbers) -> dict[str, Any]:
    """The operators with most teeth, by name, and how many are left for the table."""
    largest = sorted(shares, key=lambda s: (-s.total, s.name))[:MOST_ROWS]
    rows = [_share_row(share, numbers) for share in sorted(largest, key=lambda s: s.name)]
    return {"rows": rows, "more": _more(len(shares) - len(rows), "operators")}


def _more(count: int, what: str) -> str:
    return f"and {count} more {what}, in the table of numbers" if count > 0 else ""


def _signal(chart: MonthlyChart, numbers: Numbers) -> dict[str, Any]:
    found = chart.chart
    if found is None:
        text = f"No run chart: {chart.why_none}"
        return {"shifted": False, "sign": "–", "word": "", "text": numbers.in_text(text)}
    return {
        "shifted": found.shifted,
        "sign": "▲" if found.shifted else "○",
        "word": "Signal: the process changed." if found.shifted else "No signal.",
        "text": f"Median {numbers.percent(found.median)}; longest run {found.longest_run} months "
        f"(more than {found.longest_run_limit} is a signal), median crossed {found.crossings} "
        f"times (fewer than {found.crossings_limit} is a signal). Anhøj and Olesen 2014, "
        "doi:10.1371/journal.pone.0113825.",
    }


def _quality_row(result: QualityResult, numbers: Numbers) -> _Row:
    row = _share_row(result.share, numbers)
    notes = [_against_target(result)]
    if result.share.total < FEWEST_IMAGES:
        notes.append(f"under {FEWEST_IMAGES} images")
    if result.n_unrated:
        notes.append(f"{result.n_unrated} not rated")
    return [*row, numbers.percent(result.target), "; ".join(notes)]


def _against_target(result: QualityResult) -> str:
    interval = result.share.interval
    reached = result.share.met >= result.target * result.share.total
    sure = interval is not None and not interval.low <= result.target <= interval.high
    if sure:
        return "✓ reached" if reached else "✗ missed"
    return f"≈ {'reached' if reached else 'missed'}, not surely"


def _log_rows(audit: Audit, numbers: Numbers) -> list[dict[str, Any]]:
    found = (
        ("Retakes", "Repeated because", audit.retakes),
        ("Recall visits kept", "Not kept", audit.recall),
    )
    return [
        _log_row(name, why, result, numbers) for name, why, result in found if result is not None
    ]


def _log_row(name: str, why: str, result: LogResult, numbers: Numbers) -> dict[str, Any]:
    row = _share_row(result.share, numbers)
    reasons = [f"{_short(r.text)} {r.count}" for r in result.reasons[:MOST_ROWS]]
    left = len(result.reasons) - len(reasons)
    reasons += [_more(left, "reasons")] if left else []
    text = f"{why}: {'; '.join(reasons)}." if reasons else ""
    return {"row": [name, *row[1:]], "reasons": text}


def _log_yardsticks(audit: Audit) -> list[Yardstick]:
    found = ((audit.retakes, RETAKES), (audit.recall, RECALL))
    return [yardstick for result, yardstick in found if result is not None]


def _source(yardstick: Yardstick, numbers: Numbers) -> str:
    return numbers.in_text(f"{yardstick.text} {yardstick.source} ({yardstick.status}).")


def _left_out(audit: Audit) -> dict[str, Any]:
    """First what was left out unseen, then what could not be judged, each with its count."""
    canals = next(r.count for r in audit.levels if r.count.level is Level.CANAL)
    not_judged = sorted(canals.why_excluded, key=lambda item: (-item[1], item[0]))
    found = [(r.count, r.text, r.unit, "left out") for r in audit.left_out]
    found += [(count, text, "canals", "not judged") for text, count in not_judged]
    found.sort(key=lambda one: -one[0])
    rows = [[_short(text), _counted(count, unit), what] for count, text, unit, what in found]
    return {
        "rows": rows[: MOST_ROWS + 2],
        "more": _more(len(rows) - MOST_ROWS - 2, "reasons"),
        "names": _refused_names(audit.left_out),
    }


def _refused_names(reasons: Iterable[Reason]) -> str:
    names = [name for reason in reasons if reason.unit == "files" for name in reason.names]
    shown = [_short(name.partition(":")[0], 34) for name in names[:3]]
    more = _more(len(names) - len(shown), "files")
    return "Refused: " + "; ".join([*shown, more] if more else shown) if names else ""


def _proposals(audit: Audit, numbers: Numbers) -> str:
    share = audit.proposals
    if not share.total:
        return "All marks were placed or confirmed by a person."
    return (
        f"Proposals that no person confirmed: {share.total} canals, of which the program says "
        f"that {share.met} ({numbers.percent(share.met / share.total)}) meet the criteria. They "
        "are in no other number."
    )


def _rule_rows(audit: Audit, numbers: Numbers) -> dict[str, Any]:
    teeth = [c for c in audit.rule_changes if c.level is Level.TOOTH]
    rows = [_rule_row(change, numbers) for change in teeth[:MOST_OTHER_RULES]]
    return {"rows": rows, "more": _more(len(teeth) - len(rows), "rule sets")}


def _rule_row(change: RuleChange, numbers: Numbers) -> _Row:
    pair = change.paired
    return [
        _short(f"{change.rule_set_id}, {change.version}", 26),
        str(pair.total),
        numbers.percent(pair.first_met / pair.total),
        numbers.percent(pair.second_met / pair.total),
        f"{_signed(pair.difference, numbers)}\u00a0({_points(pair.interval, numbers)})",
        f"+{pair.gained}\u00a0−{pair.lost}",
    ]


def _signed(share: float, numbers: Numbers) -> str:
    text = numbers.fixed(abs(100.0 * share), 0)
    return text if float(text) == 0.0 else f"{'+' if share > 0.0 else '−'}{text}"


def _points(interval: Interval | None, numbers: Numbers) -> str:
    if interval is None:
        return "no interval"
    low, high = _signed(interval.low, numbers), _signed(interval.high, numbers)
    return f"{low}\u00a0to\u00a0{high}"


def _reader_row(found: ReaderAgreement, numbers: Numbers) -> _Row:
    same = (
        f"{numbers.percent(found.n_same / found.n_canals)}\u00a0({found.n_same}/{found.n_canals})"
    )
    kappa = found.kappa
    if kappa is None:
        return [_short(found.criterion, 26), same, "–", "–", ""]
    span = "–"
    if kappa.interval is not None:
        ends = (kappa.interval.low, kappa.interval.high)
        span = "\u00a0to\u00a0".join(numbers.fixed(end, 2) for end in ends)
    prevalence = any(caution.code == "prevalence" for caution in kappa.cautions)
    mark = "! prevalence" if prevalence else ""
    return [_short(found.criterion, 26), same, numbers.fixed(kappa.estimate, 2), span, mark]


def _reader_notes(audit: Audit) -> str:
    """What to know of the table of second readers, and its cautions, each once."""
    if not audit.second_readers:
        return ""
    first = audit.second_readers[0]
    statistic = next((r.kappa.statistic for r in audit.second_readers if r.kappa), "No kappa")
    notes = [f"{statistic}, {first.n_readers} readers; met, not met, or neither; as each "
             "reader's review says, overrides included."]  # fmt: skip
    for one in audit.second_readers:
        if one.kappa is None:
            notes.append(f"{one.criterion}: no kappa, for {one.why_none}")
            continue
        notes += [
            f"{one.criterion}: {caution.text}" if caution.code == "prevalence" else caution.text
            for caution in one.kappa.cautions
        ]
    return " ".join(dict.fromkeys(notes))


def _compared_row(one: Compared, numbers: Numbers) -> _Row:
    change = one.change
    return [
        _short(one.name, 30),
        _of(change.first, numbers),
        _of(change.second, numbers),
        f"{_signed(change.difference, numbers)}\u00a0({_points(change.interval, numbers)})",
        _change_sign(one),
    ]


def _of(share: Proportion, numbers: Numbers) -> str:
    return f"{numbers.percent(share.share)}\u00a0({share.met}/{share.total})"


def _change_sign(one: Compared) -> str:
    if not one.change.rules_out_none:
        return "="
    return "▲" if one.change.difference > 0.0 else "▼"


def _reaudit_head(compared: ReAudit | None) -> str:
    if compared is None:
        return ""
    earlier = compared.earlier
    return f"Against the earlier audit, {earlier.since or 'first film'} to {earlier.until}"


def _notes(audit: Audit) -> list[str]:
    teeth = next(r.count for r in audit.levels if r.count.level is Level.TOOTH)
    cautions = () if teeth.proportion is None else teeth.proportion.cautions
    notes = [w.text for w in (*cautions, *audit.warnings)]
    if audit.n_overridden:
        notes.append(f"{audit.n_overridden} verdicts were set by a person, with reasons.")
    return [_short(note, 150) for note in notes[:MOST_ROWS]]
