"""An invented clinic for audits: reviewed canals and the logs beside them, from a seed.

Nothing in it comes from a patient. Shares, spreads and frequencies are choices, made so that
every part of an audit has something to show.
"""

from __future__ import annotations

import calendar
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from rxmeasure.atomic import write_text
from rxmeasure.audit.judging import kept_verdict
from rxmeasure.audit.rows import AuditRow, KeptVerdict
from rxmeasure.audit.rows_file import write_rows
from rxmeasure.criteria.by_value import measures_of
from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.criteria.verdict import judge_canal
from rxmeasure.csv_text import csv_text
from rxmeasure.marks import FilmKind
from rxmeasure.tooth import TEETH, usual_canals
from rxmeasure.values import MeasureValue

#: Rule set of the kept verdicts, and those whose measures the rows hold.
RULE_SET = "zero_two"
MEASURED_FOR = ("zero_two", "zero_three", "half_two", "minus_one_two")

_OPERATORS = ("op-1", "op-2", "op-3", "op-4")
#: How much farther from the apex than the best each one's fills end, mm.
_LEANING_MM = (0.0, 0.2, 0.35, 0.6)
_RETAKE_REASONS = ("apex missed", "cone cut", "too pale", "patient moved")
_LOST_REASONS = ("moved away", "no answer to letters", "declined", "tooth extracted")


@dataclass(frozen=True, slots=True, kw_only=True)
class Clinic:
    """Reviewed canals, and the clinic's two logs as rows of text under their headers."""

    rows: tuple[AuditRow, ...]
    films: tuple[tuple[str, ...], ...]
    recalls: tuple[tuple[str, ...], ...]


FILMS_HEADER = (
    "film", "date", "patient", "operator", "kind", "receptor", "quality", "retake_of", "reason",
)  # fmt: skip
RECALLS_HEADER = ("patient", "tooth", "treated", "due", "seen", "lost")


def make_clinic(
    *, seed: int, patients: int, start: date = date(2025, 1, 1), months: int = 12
) -> Clinic:
    """Invent a clinic's post-operative films over some months.

    Parameters
    ----------
    seed : int
    patients : int
        Each has one to three root-filled teeth.
    start : date
        First day of the first month.
    months : int
    """
    rng = np.random.default_rng([seed, 61])
    rows: list[AuditRow] = []
    films: list[tuple[str, ...]] = []
    recalls: list[tuple[str, ...]] = []
    for number in range(patients):
        patient = f"case-{number:05d}"
        leaning_mm = rng.normal(0.0, 0.3)
        for tooth in rng.choice(sorted(_TEETH), size=rng.choice([1, 2, 3], p=[0.7, 0.2, 0.1])):
            day = _day(rng, start, months)
            operator = int(rng.integers(len(_OPERATORS)))
            film = f"{patient}-{tooth}.png"
            rows += _tooth_rows(rng, patient, str(tooth), film, day, operator, leaning_mm)
            films += _film_lines(rng, film, day, patient, _OPERATORS[operator])
            recalls.append(_recall_line(rng, patient, str(tooth), day))
    return Clinic(
        rows=tuple({(r.patient, r.tooth, r.canal): r for r in rows}.values()),
        films=tuple({line[0]: line for line in films}.values()),
        recalls=tuple({line[:2]: line for line in recalls}.values()),
    )


def write_clinic(clinic: Clinic, folder: Path) -> None:
    """Write ``canals.csv``, ``films.csv`` and ``recalls.csv``."""
    known = published_rule_sets()
    measures = measures_of([known[rule_id] for rule_id in MEASURED_FOR])
    write_rows(folder / "canals.csv", clinic.rows, known[RULE_SET], measures)
    write_text(folder / "films.csv", csv_text(FILMS_HEADER, clinic.films))
    write_text(folder / "recalls.csv", csv_text(RECALLS_HEADER, clinic.recalls))


_TEETH = [
    fdi for fdi, tooth in TEETH.items()
    if not tooth.primary and fdi[1] != "8"
]  # fmt: skip


def _day(rng: np.random.Generator, start: date, months: int) -> date:
    month = start.month - 1 + int(rng.integers(months))
    year, month = start.year + month // 12, month % 12 + 1
    return date(year, month, int(rng.integers(calendar.monthrange(year, month)[1])) + 1)


def _tooth_rows(
    rng: np.random.Generator,
    patient: str,
    tooth: str,
    film: str,
    day: date,
    operator: int,
    leaning_mm: float,
) -> list[AuditRow]:
    calibrated, confirmed = rng.random() > 0.05, rng.random() > 0.04
    usual = usual_canals(tooth)
    names = usual.names if usual is not None else ()
    return [
        _judged(
            rng,
            AuditRow(
                patient=patient,
                tooth=tooth,
                canal=name,
                film=film,
                film_kind=FilmKind.POSTOPERATIVE,
                taken=day.isoformat(),
                reader="reader-1",
                confirmed=bool(confirmed),
                calibrated=bool(calibrated),
                measures=_measures(
                    rng, 0.8 + leaning_mm + _LEANING_MM[operator], calibrated=bool(calibrated)
                ),
            ),
        )
        for name in names[: max(1, len(names) - int(rng.integers(2)))]
    ]


def _judged(rng: np.random.Generator, row: AuditRow) -> AuditRow:
    """The row with its verdict; a few are set by the reader."""
    verdict = kept_verdict(judge_canal(row.canal, row.measures, published_rule_sets()[RULE_SET]))
    if rng.random() < 0.02:
        verdict = KeptVerdict(outcome=verdict.outcome, why=verdict.why, overridden=True)
    return replace(row, verdict=verdict)


def _measures(
    rng: np.random.Generator, short_mm: float, *, calibrated: bool
) -> tuple[MeasureValue, ...]:
    void_free, even = bool(rng.random() > 0.12), bool(rng.random() > 0.1)
    short = MeasureValue(
        name="fill_to_apex_core_mm",
        value=float(np.round(rng.normal(short_mm, 0.4), 3)),
        u=0.15,
        unit="mm",
        scale_source="file beside the tooth",
    )
    if not calibrated:
        short = replace(
            short, value=None, u=None, scale_source=None, why_missing="this film has no scale"
        )
    return (
        MeasureValue(name="fill_level", value="canal", unit="code"),
        short,
        MeasureValue(name="void_free", value=void_free, unit="bool", p_true=float(void_free)),
        MeasureValue(name="taper_even", value=even, unit="bool", p_true=float(even)),
    )


def _film_lines(
    rng: np.random.Generator, film: str, day: date, patient: str, operator: str
) -> list[tuple[str, ...]]:
    receptor = "digital" if rng.random() < 0.8 else "film"
    head = (day.isoformat(), patient, operator, str(FilmKind.POSTOPERATIVE), receptor)
    if rng.random() > 0.08:
        return [(film, *head, "A" if rng.random() < 0.98 else "N", "", "")]
    first = "first-" + film
    return [
        (first, *head, "N", "", ""),
        (film, *head, "A", first, str(rng.choice(_RETAKE_REASONS))),
    ]


def _recall_line(rng: np.random.Generator, patient: str, tooth: str, day: date) -> tuple[str, ...]:
    due = day + timedelta(days=180)
    chance = rng.random()
    seen = (due + timedelta(days=int(rng.integers(30)))).isoformat() if chance < 0.4 else ""
    lost = str(rng.choice(_LOST_REASONS)) if chance > 0.7 else ""
    return patient, tooth, day.isoformat(), due.isoformat(), seen, lost
