"""A review without identity: its marks held against what is known, its results computed again.

No sentence of the old review is kept, whoever wrote it. The marks are cleaned, and the film's copy
is measured and judged anew, so that every word in the result is the program's own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from rxmeasure.criteria.criterion import default_rule_set_ids, published_rule_sets
from rxmeasure.criteria.results import Outcome
from rxmeasure.deidentify.key import Key
from rxmeasure.marks import CanalMarks, Landmark, Override, ReviewMarks
from rxmeasure.record.reviewed_film import read_as_reviewed
from rxmeasure.review import Review, review_film
from rxmeasure.tooth import TEETH, usual_canals

#: Names of canals that stay: the usual ones, those they are part of, and numbers.
_CANALS = frozenset(
    {"MB", "DL", "D", "L", "M", "1", "2", "3", "4"}
    | {name for fdi in TEETH for usual in [usual_canals(fdi)] if usual for name in usual.names}
)
_LANDMARKS = (
    *("coronal_reference", "orifice", "radiographic_apex"),
    *("core_end", "sealer_end", "post_end"),
)
_LEFT_OUT = "left out"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewCopy:
    """The review, and what of the old one was left out."""

    review: Review
    notes: tuple[str, ...]


def review_copy(original: Review, film: Path, key: Key, patient: str) -> ReviewCopy:
    """De-identify a review.

    Parameters
    ----------
    original : Review
    film : Path
        The film's copy without identity.
    key : Key
    patient : str
        Who it is, as the film says; empty where it does not: then the review's pseudonym counts.

    Raises
    ------
    RxMeasureError
        The copy cannot be read, measured or judged.
    """
    marks = original.marks
    who = patient or marks.patient_pseudonym.strip() or f"film\0{original.image.sha256}"
    cleaned = _cleaned(marks, key, who)
    review = review_film(read_as_reviewed(film, original), cleaned)
    return ReviewCopy(
        review=replace(review, created_utc=_created(original.created_utc, key, who)),
        notes=tuple(_left_out(marks, cleaned)),
    )


def _cleaned(marks: ReviewMarks, key: Key, who: str) -> ReviewMarks:
    names = _canal_names(marks.canals)
    rules = tuple(rule for rule in marks.rule_set_ids if rule in published_rule_sets())
    return ReviewMarks(
        film_kind=marks.film_kind,
        tooth=marks.tooth.strip() if marks.tooth.strip() in TEETH else "",
        patient_pseudonym=key.patient(who),
        visit=_visit(marks.visit, key, who),
        canals=tuple(_canal(canal, names[canal.name]) for canal in marks.canals),
        references=tuple(replace(reference, label="") for reference in marks.references),
        use_detector_spacing=marks.use_detector_spacing,
        rule_set_ids=rules,
        settings=marks.settings,
        overrides=tuple(
            replace(change, canal=names[change.canal], reason=_LEFT_OUT)
            for change in marks.overrides
            if change.canal in names
            and _in_words_of(change, rules or default_rule_set_ids(marks.film_kind))
        ),
        reader=key.name("reader", marks.reader.strip()) if marks.reader.strip() else "",
    )


def _canal_names(canals: tuple[CanalMarks, ...]) -> dict[str, str]:
    return {
        canal.name: canal.name if canal.name in _CANALS else f"canal {number}"
        for number, canal in enumerate(canals, start=1)
    }


def _canal(canal: CanalMarks, name: str) -> CanalMarks:
    places: dict[str, Landmark] = {
        place: replace(getattr(canal, place), label="") for place in _LANDMARKS
    }
    return replace(canal, name=name, **places)  # type: ignore[arg-type]


def _in_words_of(change: Override, rules: tuple[str, ...]) -> bool:
    """Whether an override speaks of a published rule and in its words."""
    rule_id, _, name = change.rule_id.partition("/")
    if rule_id not in rules:
        return False
    fields = [f for f in published_rule_sets()[rule_id].fields if name in ("", f.name)]
    words = {str(outcome) for outcome in Outcome} | {w for f in fields for w in f.labels()}
    return bool(fields) and change.verdict in words


def _visit(visit: str, key: Key, who: str) -> str:
    """A date is shifted; any other name of a visit is keyed, so that its films stay together."""
    if not visit.strip():
        return ""
    try:
        shifted = key.shifted(date.fromisoformat(visit.strip()), who)
    except ValueError:
        shifted = None
    return key.name("visit", f"{who}\0{visit.strip()}") if shifted is None else shifted.isoformat()


def _created(created_utc: str, key: Key, who: str) -> str:
    try:
        shifted = key.shifted(date.fromisoformat(created_utc[:10]), who)
    except ValueError:
        shifted = None
    return "" if shifted is None else f"{shifted}T00:00:00+00:00"


def _left_out(old: ReviewMarks, new: ReviewMarks) -> Iterator[str]:
    if len(new.rule_set_ids) < len(old.rule_set_ids):
        yield "criteria that are not published were left out"
    if len(new.overrides) < len(old.overrides):
        yield "changes by hand to such criteria, or of refusals, were left out"
    if [c.name for c in old.canals] != [c.name for c in new.canals]:
        yield "canals of unknown name were given numbers"
