"""Audit and re-audit: what changed between two periods."""

from __future__ import annotations

from dataclasses import dataclass

from rxmeasure.audit.results import PLURAL, Audit
from rxmeasure.audit.statistics.comparison import Difference, difference
from rxmeasure.audit.statistics.proportions import Proportion
from rxmeasure.errors import AuditError


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One share then and now; ``unit`` is what its denominator counts."""

    name: str
    unit: str
    change: Difference


@dataclass(frozen=True, slots=True, kw_only=True)
class ReAudit:
    """An earlier audit beside this one. Shares that one of them lacks are left out."""

    earlier: Audit
    shares: tuple[Compared, ...]


def compare_audits(earlier: Audit, later: Audit) -> ReAudit:
    """Compare the shares of two audits by the same rule set.

    Raises
    ------
    AuditError
        The rule sets, kinds of film or levels of confidence differ, or the periods overlap.
    """
    for what, first, second in (
        ("rule set", _rule(earlier), _rule(later)),
        ("kind of film", earlier.film_kind, later.film_kind),
    ):
        if first != second:
            raise AuditError(
                found=f"an earlier audit with another {what}: {first}, now {second}.",
                needed=f"one {what}: percentages from different ones do not compare.",
                next_step=f"Run one of the audits again with the {what} of the other.",
            )
    if not earlier.until or not later.since or later.since <= earlier.until:
        raise AuditError(
            found=f"the periods {_period(earlier)} and {_period(later)}.",
            needed="an earlier period that ends before the later one begins.",
            next_step="Run both audits with --since and --until.",
        )
    then, now = _shares(earlier), _shares(later)
    return ReAudit(
        earlier=earlier,
        shares=tuple(
            Compared(name=name, unit=unit, change=difference(then[name, unit], now[name, unit]))
            for name, unit in then
            if (name, unit) in now
        ),
    )


def _rule(audit: Audit) -> str:
    return f"{audit.rule_set_id} version {audit.rule_set_version}"


def _period(audit: Audit) -> str:
    return f"{audit.since or '(open)'} to {audit.until or '(open)'}"


def _shares(audit: Audit) -> dict[tuple[str, str], Proportion]:
    """The shares that have an interval, by name and unit."""
    found: dict[tuple[str, str], Proportion | None] = {}
    for result in audit.levels:
        unit = PLURAL[result.count.level]
        found[f"{unit} that meet", unit] = result.count.proportion
    for quality in audit.quality:
        found[f"{quality.share.name} images A", "films"] = quality.share.proportion
    if audit.retakes is not None:
        found["retakes", "films"] = audit.retakes.share.proportion
    if audit.recall is not None:
        found["recall visits kept", "recalls due"] = audit.recall.share.proportion
    return {name: share for name, share in found.items() if share is not None}
