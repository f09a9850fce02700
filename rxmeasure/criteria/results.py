"""Verdicts: what one criterion says of one canal or tooth."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Outcome(StrEnum):
    """What a criterion says."""

    MET = "met"
    NOT_MET = "not met"
    BORDERLINE = "borderline"
    CANNOT_BE_JUDGED = "cannot be judged"


#: Sign shown beside the word, so that no verdict rests on colour alone.
SIGNS = {
    Outcome.MET: "✓",
    Outcome.NOT_MET: "✗",
    Outcome.BORDERLINE: "≈",
    Outcome.CANNOT_BE_JUDGED: "–",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One criterion's verdict on one canal (or on the tooth: ``canal == ""``).

    Attributes
    ----------
    rule_id, rule_version : str
        Printed always.
    field : str
        What is judged: ``"length"``, ``"density"``, ``"taper"``, ``"overall"``, ...
    outcome : Outcome
    label : str
        The rule's own word for the band, e.g. ``"underfilled"``, ``"L2"``.
    probability_met : float or None
        Probability that the criterion is met, given the uncertainty.
    measure_name, value_text, unit : str
        What was compared; the text is rounded for show, the comparison was not.
    source, source_status : str
        Citation with DOI; ``"read"`` or ``"from memory"``.
    why : str
        Why it cannot be judged, or what makes it borderline.
    overridden_by : str
        Reason, when a person changed it; the tool's own outcome is then in ``tool_outcome``.
    confirmed : bool
        False where the canal's marks were proposed and no person confirmed them.
    """

    canal: str
    rule_id: str
    rule_version: str
    field: str
    outcome: Outcome
    label: str
    probability_met: float | None
    measure_name: str
    value_text: str
    unit: str
    source: str
    source_status: str
    why: str = ""
    overridden_by: str = ""
    tool_outcome: Outcome | None = None
    confirmed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothSummary:
    """The worst canal rules the tooth for each rule; nothing is averaged.

    ``confirmed`` is False where one of the canals has marks that no person confirmed.
    """

    rule_id: str
    outcome: Outcome
    worst_canal: str
    counts: tuple[tuple[str, int], ...]
    confirmed: bool = True
