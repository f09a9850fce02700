"""What a clinic keeps beside its reviews: a log of films and a log of recalls, as CSV.

Films: one exposure a line, those that were thrown away too. Columns ``film`` (name of the
image file) and ``date``; if wanted ``patient``, ``operator``, ``kind``, ``receptor`` (digital
or film), ``quality`` (A: diagnostically acceptable, N: not), ``retake_of`` (the film that was
repeated) and ``reason`` (why it was repeated).

Recalls: one visit that was due a line. Columns ``patient``, ``tooth`` and ``due``; if wanted
``treated``, ``seen`` (the day the patient came) and ``lost`` (why there will be no visit).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from rxmeasure.audit.cells import day, filled, one_of, wrong
from rxmeasure.csv_table import Columns, read_table
from rxmeasure.errors import AuditError
from rxmeasure.marks import FilmKind

_FILMS = Columns(
    needed=("film", "date"),
    optional=("patient", "operator", "kind", "receptor", "quality", "retake_of", "reason"),
    what="film",
    others=False,
)
_RECALLS = Columns(
    needed=("patient", "tooth", "due"),
    optional=("treated", "seen", "lost"),
    what="recall",
    others=False,
)


class Receptor(StrEnum):
    """What the picture was taken with."""

    DIGITAL = "digital"
    FILM = "film"


_KINDS = {str(kind): kind for kind in FilmKind}
_RECEPTORS = {str(receptor): receptor for receptor in Receptor}


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmEntry:
    """One exposure.

    ``acceptable`` is None where the film was not rated, ``receptor`` None where it is not
    stated; ``retake_of`` is empty for a first film.
    """

    film: str
    date: str
    patient: str
    operator: str
    kind: str
    receptor: Receptor | None
    acceptable: bool | None
    retake_of: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallEntry:
    """One visit that was due; ``seen`` and ``lost`` are empty where nothing is known."""

    patient: str
    tooth: str
    due: str
    seen: str
    lost: str


def read_films(path: str | Path) -> tuple[FilmEntry, ...]:
    """Read the log of films.

    Raises
    ------
    AuditError
        The file cannot be read, or a line is wrong; the line is named.
    """
    films: dict[str, FilmEntry] = {}
    retakes: list[tuple[int, FilmEntry]] = []
    columns = (*_FILMS.needed, *_FILMS.optional)
    for line, cells in read_table(path, _FILMS, AuditError).picked(columns):
        entry = _film(line, *cells)
        if entry.film in films:
            raise wrong(line, f"the film '{entry.film}' again.", "each film once.")
        films[entry.film] = entry
        if entry.retake_of:
            retakes.append((line, entry))
    for line, entry in retakes:
        first = entry.retake_of
        if first not in films or first == entry.film:
            raise wrong(line, f"a retake of '{first}'.", "another film of this log.")
    return tuple(films.values())


def read_recalls(path: str | Path) -> tuple[RecallEntry, ...]:
    """Read the log of recalls; errors as in `read_films`."""
    seen: set[tuple[str, str, str]] = set()
    found = []
    columns = (*_RECALLS.needed, *_RECALLS.optional)
    for line, cells in read_table(path, _RECALLS, AuditError).picked(columns):
        entry = _recall(line, *cells)
        key = (entry.patient, entry.tooth, entry.due)
        if key in seen:
            raise wrong(line, f"the recall of {' '.join(key)} again.", "each recall once.")
        seen.add(key)
        found.append(entry)
    return tuple(found)


def _film(
    line: int,
    film: str,
    date: str,
    patient: str,
    operator: str,
    kind: str,
    receptor: str,
    quality: str,
    retake_of: str,
    reason: str,
) -> FilmEntry:
    one_of(line, "receptor", receptor, _RECEPTORS)
    one_of(line, "quality", quality, ("A", "N"))
    if bool(retake_of) != bool(reason):
        raise wrong(
            line,
            "a retake without its reason." if retake_of else "a reason without a retake.",
            "retake_of and reason together.",
        )
    filled(line, "date", date)
    return FilmEntry(
        film=filled(line, "film", film),
        date=day(line, "date", date),
        patient=patient,
        operator=operator,
        kind=one_of(line, "kind", kind, _KINDS),
        receptor=_RECEPTORS[receptor] if receptor else None,
        acceptable=quality == "A" if quality else None,
        retake_of=retake_of,
        reason=reason,
    )


def _recall(
    line: int, patient: str, tooth: str, due: str, treated: str, seen: str, lost: str
) -> RecallEntry:
    filled(line, "due", due)
    due, treated, seen = (
        day(line, "due", due),
        day(line, "treated", treated),
        day(line, "seen", seen),
    )
    if seen and lost:
        raise wrong(line, "a patient both seen and lost.", "one of them.")
    if treated and treated >= min(due, seen or due):
        raise wrong(line, "a recall that does not come after the treatment.", "a later date.")
    return RecallEntry(
        patient=filled(line, "patient", patient),
        tooth=filled(line, "tooth", tooth),
        due=due,
        seen=seen,
        lost=lost,
    )
