"""Which canals an audit looks at, and for which reasons others are left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rxmeasure.audit.clinic_log import FilmEntry
from rxmeasure.audit.dates import Period
from rxmeasure.audit.results import Reason
from rxmeasure.audit.rows import AuditRow, RefusedRecord
from rxmeasure.audit.second_readers import read_twice
from rxmeasure.criteria.results import Outcome
from rxmeasure.marks import FilmKind
from rxmeasure.tooth import tooth_of
from rxmeasure.values import Warned


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which rows count. ``films`` is the sample; None: all."""

    film_kind: FilmKind
    period: Period
    films: frozenset[str] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Rows that count, each canal once, and why others do not.

    ``read_twice``: canals that two readers read on the same film.
    """

    rows: tuple[AuditRow, ...]
    read_twice: tuple[tuple[AuditRow, AuditRow], ...]
    left_out: tuple[Reason, ...]
    n_second_reader: int


def select(records: Iterable[AuditRow | RefusedRecord], wanted: Wanted) -> Selection:
    """Take the rows that the audit is about; the order of the records does not matter."""
    refused: list[RefusedRecord] = []
    reasons: Counter[str] = Counter()
    rows: list[AuditRow] = []
    for record in records:
        if isinstance(record, RefusedRecord):
            refused.append(record)
        elif why := _why_not(record, wanted):
            reasons[why] += 1
        else:
            rows.append(record)
    chosen = _each_canal_once(rows, reasons)
    left_out = [Reason(text=t, unit="canals", count=n) for t, n in reasons.items()]
    if refused:
        names = tuple(sorted(f"{r.name}: {r.found}" for r in refused))
        left_out.append(
            Reason(text="review file refused", unit="files", count=len(refused), names=names)
        )
    left_out += _missing_films(rows, wanted)
    by_two = _read_by_two(rows)
    return Selection(
        rows=tuple(chosen),
        read_twice=read_twice(by_two),
        left_out=tuple(sorted(left_out, key=lambda r: (-r.count, r.text))),
        n_second_reader=len({(row.patient, row.film) for row in by_two}),
    )


def with_log(
    records: Iterable[AuditRow | RefusedRecord], films: Sequence[FilmEntry]
) -> tuple[list[AuditRow | RefusedRecord], tuple[Warned, ...]]:
    """The rows with operator and date from the clinic's log, where they have none."""
    log = {entry.film: entry for entry in films}
    found: list[AuditRow | RefusedRecord] = []
    absent, other = set(), set()
    for record in records:
        if isinstance(record, RefusedRecord):
            found.append(record)
        elif (entry := log.get(record.film)) is None:
            absent.add(record.film)
            found.append(record)
        elif entry.patient and record.patient and entry.patient != record.patient:
            other.add(record.film)
            found.append(record)
        else:
            found.append(_joined(record, entry))
    return found, (
        *_film_warnings(absent, "film-not-in-log", "not in the log of films"),
        *_film_warnings(
            other, "other-patient-in-log", "of another patient in the log; the log was not used"
        ),
    )


def _joined(row: AuditRow, entry: FilmEntry) -> AuditRow:
    operator, taken = row.operator or entry.operator, row.taken or entry.date
    if (operator, taken) == (row.operator, row.taken):
        return row
    # What `dataclasses.replace` does, at half its time: a store has many rows.
    return AuditRow(
        patient=row.patient,
        tooth=row.tooth,
        canal=row.canal,
        film=row.film,
        film_kind=row.film_kind,
        taken=taken,
        reader=row.reader,
        operator=operator,
        confirmed=row.confirmed,
        calibrated=row.calibrated,
        verdict=row.verdict,
        fields=row.fields,
        measures=row.measures,
    )


def _film_warnings(films: set[str], code: str, text: str) -> tuple[Warned, ...]:
    if not films:
        return ()
    return (Warned(code=code, text=f"{len(films)} films with reviews are {text}."),)


def _why_not(row: AuditRow, wanted: Wanted) -> str:
    """Why a row does not count; empty where it does."""
    if row.film_kind is not wanted.film_kind:
        return "another kind of film"
    if not row.patient:
        return "no patient pseudonym"
    if tooth_of(row.tooth) is None:
        return "no tooth number (FDI)"
    if wanted.period.bounded and not row.taken:
        return "no date"
    if not wanted.period.holds(row.taken):
        return "outside the period"
    if wanted.films is not None and row.film not in wanted.films:
        return "not in the sample"
    return ""


def _each_canal_once(rows: Sequence[AuditRow], reasons: Counter[str]) -> list[AuditRow]:
    """Of several reviews of a canal the one of the latest film."""
    best: dict[tuple[str, str, str], AuditRow] = {}
    others = []
    for row in rows:
        place = (row.patient, row.tooth, row.canal)
        first = best.setdefault(place, row)
        if first is not row:
            best[place] = max(first, row, key=_standing)
            others.append(first if best[place] is row else row)
    for row in others:
        same = row.film == best[row.patient, row.tooth, row.canal].film
        reasons["another review of the film counts" if same else
                "another film of the canal counts"] += 1  # fmt: skip
    return [best[place] for place in sorted(best)]


def _standing(row: AuditRow) -> tuple[object, ...]:
    """Latest film first; of one day those confirmed and judged; then by name."""
    judged = row.verdict is not None and row.verdict.outcome is not Outcome.CANNOT_BE_JUDGED
    return row.taken, row.confirmed, judged, row.film, row.reader, repr(row.verdict)


def _missing_films(rows: Sequence[AuditRow], wanted: Wanted) -> list[Reason]:
    missing = sorted((wanted.films or frozenset()) - {row.film for row in rows})
    if not missing:
        return []
    text = "in the sample, without a review that counts"
    return [Reason(text=text, unit="films", count=len(missing), names=tuple(missing))]


def _read_by_two(rows: Sequence[AuditRow]) -> list[AuditRow]:
    """The rows of films that more than one reader reviewed."""
    first: dict[tuple[str, str], str] = {}
    films = set()
    for row in rows:
        film = (row.patient, row.film)
        if row.reader and first.setdefault(film, row.reader) != row.reader:
            films.add(film)
    return [row for row in rows if (row.patient, row.film) in films] if films else []
