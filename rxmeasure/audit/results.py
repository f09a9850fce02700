"""What an audit found: plain frozen values. No patient is named in them."""

from __future__ import annotations

from dataclasses import dataclass

from rxmeasure.agreement.results import Agreement, Interval
from rxmeasure.audit.statistics.comparison import PairedDifference
from rxmeasure.audit.statistics.denominators import Level, LevelCount
from rxmeasure.audit.statistics.proportions import Proportion
from rxmeasure.audit.statistics.run_chart import MonthCount, RunChart
from rxmeasure.values import Warned

#: What is counted at each level.
PLURAL = {Level.CANAL: "canals", Level.ROOT: "roots", Level.TOOTH: "teeth"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A numerator, its denominator, and an interval where one can be had.

    Attributes
    ----------
    name : str
        What is counted, e.g. an operator.
    met, total : int
    proportion : Proportion or None
        None without units, or where all are of one patient.
    """

    name: str
    met: int
    total: int
    proportion: Proportion | None

    @property
    def interval(self) -> Interval | None:
        """The interval of the proportion."""
        return None if self.proportion is None else self.proportion.interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """How many were left out for one reason; ``unit`` says what is counted.

    ``names`` are files, each with what was found, or films.
    """

    text: str
    unit: str
    count: int
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelResult:
    """One denominator.

    Attributes
    ----------
    count : LevelCount
        Borderline canals on the side on which their values lie.
    n_borderline : int
        Canals, roots or teeth that would count otherwise if borderline canals fell on the
        other side.
    least_met, most_met : int
        How many meet the criterion when all borderline canals fail, or all meet it.
    """

    count: LevelCount
    n_borderline: int
    least_met: int
    most_met: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthlyChart:
    """Teeth by month; ``chart`` is None where there are too few months, and why says so."""

    name: str
    months: tuple[MonthCount, ...]
    chart: RunChart | None
    why_none: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityResult:
    """Diagnostically acceptable films of one receptor, beside the target.

    ``n_unrated`` films of the log have no rating.
    """

    share: Share
    target: float
    n_unrated: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LogResult:
    """A share that comes from the clinic's log, with what makes up the rest."""

    share: Share
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleChange:
    """The same measured values by another rule set, at one level; overrides set aside."""

    rule_set_id: str
    version: str
    title: str
    level: Level
    paired: PairedDifference


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderAgreement:
    """How far two readers of the same films say the same of one criterion.

    ``n_same`` of ``n_canals`` got the same outcome (met, not met, or neither) from both;
    ``kappa`` is None where the readings allow none, and why says so.
    """

    criterion: str
    n_canals: int
    n_same: int
    n_readers: int
    kappa: Agreement | None
    why_none: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """One audit of one kind of film by one rule set.

    Attributes
    ----------
    software_version, created_utc : str
    source : str
        What the reviews were read from.
    rule_set_id, rule_set_version, rule_set_title : str
    film_kind : str
    since, until : str
        The period; empty for an open end.
    sampling : str
        How the films were chosen, in words.
    level : float
        Confidence of all intervals.
    n_films, n_patients, n_canals : int
        Of the canals that the audit looks at.
    left_out : tuple of Reason
        Before anything was judged.
    levels : tuple of LevelResult
        Canals, roots and teeth; those not judged stand in it with their reasons.
    proposals : Share
        Canals whose marks no person confirmed, and how many of them the program says meet
        the rule set. They are in no other number.
    n_overridden : int
        Canals whose verdict a person set.
    n_judged_here : int
        Canals whose review was not judged by this rule set; the audit judged their measures.
    n_second_reader : int
        Films that a second reader reviewed.
    tooth_groups, operators : tuple of Share
        Teeth.
    charts : tuple of MonthlyChart
        All teeth first, then each operator.
    quality : tuple of QualityResult
    retakes, recall : LogResult or None
        None without a log.
    not_due : int
        Recalls of the log that were not due in the period.
    rule_changes : tuple of RuleChange
    warnings : tuple of Warned
    second_readers : tuple of ReaderAgreement
        All criteria first, then each; empty where no canal was read twice.
    """

    software_version: str
    created_utc: str
    source: str
    rule_set_id: str
    rule_set_version: str
    rule_set_title: str
    film_kind: str
    since: str
    until: str
    sampling: str
    level: float
    n_films: int
    n_patients: int
    n_canals: int
    left_out: tuple[Reason, ...]
    levels: tuple[LevelResult, ...]
    proposals: Share
    n_overridden: int
    n_judged_here: int
    n_second_reader: int
    tooth_groups: tuple[Share, ...]
    operators: tuple[Share, ...]
    charts: tuple[MonthlyChart, ...]
    quality: tuple[QualityResult, ...]
    retakes: LogResult | None
    recall: LogResult | None
    not_due: int
    rule_changes: tuple[RuleChange, ...]
    warnings: tuple[Warned, ...]
    second_readers: tuple[ReaderAgreement, ...] = ()
