"""What can be searched of a revision: a small JSON tree beside the document."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date as Date
from functools import lru_cache
from typing import Any

import orjson

from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.review import Review


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What is known of a revision without its document.

    Attributes
    ----------
    kind, subject, owner : str
        Which record. The subject of a review is the SHA-256 of its image.
    patient : str or None
        Keyed pseudonym.
    tags : tuple of str
    reason : str
        Why the revision was made.
    date : str
        ISO day of the visit, else of the review or of the save.
    tooth, film_kind, visit : str
    canals : tuple of dict
        Of a review: name, confirmed, calibrated, measures and verdicts of each canal.
    """

    kind: str
    subject: str | None
    owner: str
    patient: str | None
    tags: tuple[str, ...]
    reason: str
    date: str
    tooth: str = ""
    film_kind: str = ""
    visit: str = ""
    canals: tuple[dict[str, Any], ...] = ()

    def as_tree(self) -> dict[str, Any]:
        """Return the header as JSON holds it. Inverse of `header_of`."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}

    @property
    def verdicts(self) -> set[tuple[str, str]]:
        """Every (rule, outcome) that was reached."""
        return {(v[0], v[3]) for canal in self.canals for v in canal["verdicts"]}


def header_of(text: str) -> Header:
    """Return the header that a text of JSON holds."""
    tree = orjson.loads(text)
    return Header(**{**tree, "tags": tuple(tree["tags"]), "canals": tuple(tree["canals"])})


def search_entries(review: Review) -> dict[str, Any]:
    """Return the fields of a `Header` that come from a review."""
    marks = review.marks
    return {
        "date": _day(marks.visit) or review.created_utc[:10],
        "tooth": marks.tooth,
        "film_kind": str(marks.film_kind),
        "visit": marks.visit,
        "canals": tuple(_canal(review, canal) for canal in review.canals),
    }


def _canal(review: Review, canal: CanalMeasurement) -> dict[str, Any]:
    marked = next((c for c in review.marks.canals if c.name == canal.name), None)
    return {
        "name": canal.name,
        "confirmed": marked is None or marked.confirmed,
        "calibrated": review.calibration is not None,
        "measures": {
            m.name: [m.value, m.u, m.p_true] for m in canal.measures if m.value is not None
        },
        "verdicts": [
            [v.rule_id, v.rule_version, v.field, str(v.outcome), v.label]
            for v in review.verdicts
            if v.canal == canal.name
        ],
    }


def _day(visit: str) -> str | None:
    try:
        return Date.fromisoformat(visit[:10]).isoformat()
    except ValueError:
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRow:
    """A verdict in a `ReviewRow`."""

    rule_id: str
    rule_version: str
    field: str
    outcome: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewRow:
    """One canal of the newest revision of a review, for statistics over many.

    Attributes
    ----------
    record_id : int
    image_sha256, owner, author : str
        Whose review it is, and who saved it.
    patient : str or None
        Keyed pseudonym.
    date, tooth, film_kind, visit, canal : str
    tags : tuple of str
    confirmed, calibrated : bool
        Whether a person stands behind the marks; whether the film has a scale.
    measures : dict of str to (value, standard uncertainty or None, probability or None)
        By stable name; those without a value are left out.
    verdicts : tuple of VerdictRow
    """

    record_id: int
    image_sha256: str
    owner: str
    author: str
    patient: str | None
    date: str
    tooth: str
    film_kind: str
    visit: str
    tags: tuple[str, ...]
    canal: str
    confirmed: bool
    calibrated: bool
    measures: dict[str, tuple[float | bool | str, float | None, float | None]]
    verdicts: tuple[VerdictRow, ...]


def review_rows(entries: Iterable[tuple[int, str, str]]) -> Iterator[ReviewRow]:
    """Yield the canals of headers, given as (record, author, text of the header)."""
    for record_id, author, text in entries:
        header = header_of(text)
        for canal in header.canals:
            yield ReviewRow(
                record_id=record_id,
                image_sha256=header.subject or "",
                owner=header.owner,
                author=author,
                patient=header.patient,
                date=header.date,
                tooth=header.tooth,
                film_kind=header.film_kind,
                visit=header.visit,
                tags=header.tags,
                canal=canal["name"],
                confirmed=canal["confirmed"],
                calibrated=canal["calibrated"],
                measures={name: tuple(m) for name, m in canal["measures"].items()},
                verdicts=tuple(_verdict_row(*verdict) for verdict in canal["verdicts"]),
            )


@lru_cache(maxsize=4096)
def _verdict_row(
    rule_id: str, rule_version: str, field: str, outcome: str, label: str
) -> VerdictRow:
    """Equal verdicts are one object: there are few, and many canals."""
    return VerdictRow(
        rule_id=rule_id, rule_version=rule_version, field=field, outcome=outcome, label=label
    )
