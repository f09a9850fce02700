"""What a rule set is: frozen values, and the same in words for a report.

A rule set has fields (length, density, taper, overall, ...). Each field has one
rule. A rule speaks of measures by the names of
:mod:`rxmeasure.measure_names` and of nothing else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from rxmeasure.marks import FilmKind

#: Name of the field that stands for the whole canal, where a rule set has one.
OVERALL = "overall"


def is_count(measure: str) -> bool:
    """Whether a measure counts things: whole numbers, exact."""
    return measure.endswith("_count")


class BandOutcome(StrEnum):
    """What it means to be in a band.

    ``unclassified``: the rule names the band, but calls it neither good nor bad.
    """

    MET = "met"
    NOT_MET = "not met"
    UNCLASSIFIED = "unclassified"


class SourceStatus(StrEnum):
    """How well the source of a rule is known."""

    READ = "read"
    MEMORY = "from memory"
    PRACTICE = "common practice, no source"
    CHOICE = "choice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """One stretch of a measure's values with the rule's word for it.

    ``low_inside`` and ``high_inside`` tell whether a limit belongs to the band;
    an open end is infinite.
    """

    label: str
    outcome: BandOutcome
    low: float = -math.inf
    low_inside: bool = False
    high: float = math.inf
    high_inside: bool = False

    def contains(self, value: float) -> bool:
        """Whether a value lies in the band; never rounded."""
        above = value > self.low or (self.low_inside and value == self.low)
        below = value < self.high or (self.high_inside and value == self.high)
        return above and below

    def words(self, unit: str = "") -> str:
        """The limits in words, e.g. ``"at least 0 and at most 2 mm"``."""
        parts = []
        if self.low == self.high:
            parts.append(f"exactly {self.low:g}")
        elif self.low > -math.inf:
            parts.append(f"{'at least' if self.low_inside else 'above'} {self.low:g}")
        if self.low < self.high < math.inf:
            parts.append(f"{'at most' if self.high_inside else 'below'} {self.high:g}")
        text = " and ".join(parts) or "any value"
        return f"{text} {unit}".rstrip() if parts and unit not in ("", "1") else text


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeValue:
    """One coded value with the rule's word for it."""

    equals: str
    label: str
    outcome: BandOutcome


@dataclass(frozen=True, slots=True, kw_only=True)
class BandsRule:
    """Bands over one numeric measure, ascending, without gap or overlap.

    ``floor_measure`` names the measure that says how small a thing the film
    could have shown.
    """

    measure: str
    unit: str
    bands: tuple[Band, ...]
    floor_measure: str | None = None

    def band_of(self, value: float) -> Band:
        """The band a value lies in."""
        return next(band for band in self.bands if band.contains(value))


@dataclass(frozen=True, slots=True, kw_only=True)
class YesNoRule:
    """A yes/no measure, or a count (yes: one or more)."""

    measure: str
    met_when: bool
    label_yes: str
    label_no: str
    floor_measure: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagRule:
    """A yes/no measure whose yes is flagged with a prompt and never scored."""

    measure: str
    label_yes: str
    label_no: str
    prompt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeRule:
    """A coded measure, first match wins; values not listed go on to ``then``."""

    measure: str
    values: tuple[CodeValue, ...]
    then: BandsRule | YesNoRule | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderRule:
    """Something only the reader can say; never judged by the program."""

    question: str
    values: tuple[CodeValue, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CombinationRule:
    """All of, or any of, other fields."""

    every: bool
    fields: tuple[str, ...]
    label_met: str
    label_not_met: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreRule:
    """How many of some fields are met, in bands."""

    fields: tuple[str, ...]
    bands: tuple[Band, ...]

    def band_of(self, count: int) -> Band:
        """The band of a number of met fields."""
        return next(band for band in self.bands if band.contains(count))


Rule: TypeAlias = (
    BandsRule | YesNoRule | FlagRule | CodeRule | ReaderRule | CombinationRule | ScoreRule
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleField:
    """One field of a rule set with its source."""

    name: str
    rule: Rule
    source: str
    status: SourceStatus
    note: str = ""

    def labels(self) -> dict[str, BandOutcome]:
        """Every word this field can answer with, and what it counts as.

        A flag has none: it is not scored.
        """
        return _labels(self.rule)


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """A named, versioned set of criteria.

    Attributes
    ----------
    id, version, title : str
    film_kinds : tuple of FilmKind
        Films it may be used on.
    fields : tuple of RuleField
    note : str
    """

    id: str
    version: str
    title: str
    film_kinds: tuple[FilmKind, ...]
    fields: tuple[RuleField, ...]
    note: str = ""

    def field(self, name: str) -> RuleField | None:
        """Field of this name, or None."""
        return next((f for f in self.fields if f.name == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldText:
    """One field in words, for a report. ``lines``: one band or answer each."""

    name: str
    what: str
    lines: tuple[str, ...]
    source: str
    status: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSetText:
    """A rule set in words, for a report. Numbers are written with a point."""

    id: str
    version: str
    title: str
    note: str
    fields: tuple[FieldText, ...]


def describe(rule_set: RuleSet) -> RuleSetText:
    """Put a rule set into words."""
    return RuleSetText(
        id=rule_set.id,
        version=rule_set.version,
        title=rule_set.title,
        note=rule_set.note,
        fields=tuple(_field_text(field) for field in rule_set.fields),
    )


def _labels(rule: Rule) -> dict[str, BandOutcome]:
    if isinstance(rule, (BandsRule, ScoreRule)):
        return {band.label: band.outcome for band in rule.bands}
    if isinstance(rule, YesNoRule):
        yes, no = BandOutcome.MET, BandOutcome.NOT_MET
        if not rule.met_when:
            yes, no = no, yes
        return {rule.label_yes: yes, rule.label_no: no}
    if isinstance(rule, CodeRule):
        own = {value.label: value.outcome for value in rule.values}
        return own | (_labels(rule.then) if rule.then else {})
    if isinstance(rule, ReaderRule):
        return {value.label: value.outcome for value in rule.values}
    if isinstance(rule, CombinationRule):
        return {rule.label_met: BandOutcome.MET, rule.label_not_met: BandOutcome.NOT_MET}
    return {}


def _field_text(field: RuleField) -> FieldText:
    what, lines = _rule_words(field.rule)
    return FieldText(
        name=field.name,
        what=what,
        lines=tuple(lines),
        source=field.source,
        status=str(field.status),
        note=field.note,
    )


def _band_lines(bands: tuple[Band, ...], unit: str) -> list[str]:
    return [f"{band.words(unit)}: {band.label} ({band.outcome})" for band in bands]


def _rule_words(rule: Rule) -> tuple[str, list[str]]:
    if isinstance(rule, BandsRule):
        return rule.measure, _band_lines(rule.bands, rule.unit)
    if isinstance(rule, YesNoRule):
        outcomes = _labels(rule)
        return rule.measure, [
            f"yes: {rule.label_yes} ({outcomes[rule.label_yes]})",
            f"no: {rule.label_no} ({outcomes[rule.label_no]})",
        ]
    if isinstance(rule, FlagRule):
        return rule.measure, [
            f"yes: {rule.label_yes} (flagged, not scored). {rule.prompt}",
            f"no: {rule.label_no}",
        ]
    if isinstance(rule, CodeRule):
        lines = [f"{v.equals}: {v.label} ({v.outcome})" for v in rule.values]
        if rule.then is None:
            return rule.measure, lines
        what, more = _rule_words(rule.then)
        return f"{rule.measure}, then {what}", lines + more
    if isinstance(rule, ReaderRule):
        return (
            f"the reader's own entry: {rule.question}",
            [f"{v.label}: {v.equals} ({v.outcome})" for v in rule.values],
        )
    listed = ", ".join(rule.fields)
    independent = "probability: the fields taken as independent"
    if isinstance(rule, ScoreRule):
        return f"how many are met of {listed}; {independent}", _band_lines(rule.bands, "")
    return (
        f"{'all' if rule.every else 'any'} of {listed}; {independent}",
        [f"yes: {rule.label_met} (met)", f"no: {rule.label_not_met} (not met)"],
    )
