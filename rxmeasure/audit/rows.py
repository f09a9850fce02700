"""What an audit reads: one row for each reviewed canal, from whatever keeps reviews.

A folder of review files, a table and a record store each give the same rows. A source
implements `AuditSource`; nothing else of it is known here.
"""

from __future__ import annotations

from collections.abc import Iterator, Set
from dataclasses import dataclass
from typing import Protocol

from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.rules import RuleSet
from rxmeasure.marks import FilmKind
from rxmeasure.values import MeasureValue


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptVerdict:
    """The verdict that a review keeps on one canal: of ``overall``, or of the worst field.

    ``why`` says why it could not be judged, or what makes it borderline; ``overridden``
    whether a person set it.
    """

    outcome: Outcome
    why: str = ""
    overridden: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditRow:
    """One canal on one reviewed film.

    Attributes
    ----------
    patient, tooth, canal : str
        Pseudonym, FDI number, canal name.
    film : str
        Name of the image file; the clinic's log is joined by it.
    film_kind : FilmKind
    taken : str
        Date of the film, ISO 8601; empty when unknown.
    reader, operator : str
        Pseudonyms; empty when unknown.
    confirmed : bool
        Whether a person stands behind the canal's marks.
    calibrated : bool
        Whether the film has a scale.
    verdict : KeptVerdict or None
        By the audit's rule set in its very version; None where the review was not judged by
        it. The audit then judges the measures.
    fields : tuple of (str, Outcome)
        What the review keeps of each criterion of that rule set; may be empty.
    measures : tuple of MeasureValue
        At least those asked for, as far as there are any.
    """

    patient: str
    tooth: str
    canal: str
    film: str
    film_kind: FilmKind
    taken: str = ""
    reader: str = ""
    operator: str = ""
    confirmed: bool = True
    calibrated: bool = True
    verdict: KeptVerdict | None = None
    fields: tuple[tuple[str, Outcome], ...] = ()
    measures: tuple[MeasureValue, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedRecord:
    """A review that could not be read: its name, and what was found."""

    name: str
    found: str


class AuditSource(Protocol):
    """Something that keeps reviews."""

    @property
    def name(self) -> str:
        """What the report calls it."""

    def rows(self, rule_set: RuleSet, measures: Set[str]) -> Iterator[AuditRow | RefusedRecord]:
        """All canals of all reviews, in any order, damaged records among them.

        Parameters
        ----------
        rule_set : RuleSet
            The verdict of this one goes into each row, where the review holds it.
        measures : set of str
            Names of the measures that go into each row.
        """
