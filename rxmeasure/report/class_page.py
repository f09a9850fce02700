"""The class page: all students, fillings, raters and cases, in tables that can be sorted."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from rxmeasure.agreement.drift import Drift
from rxmeasure.agreement.results import Agreement, Refused
from rxmeasure.atomic import write_text
from rxmeasure.report.class_plots import difficulty_plot, drift_plot, marks_plot, self_mark_plot
from rxmeasure.report.feedback_page import STANDING_SIGNS
from rxmeasure.report.numbers import Numbers, clean
from rxmeasure.report.templating import TEMPLATES, html_page, need_report_packages
from rxmeasure.teaching.calibration import Calibration
from rxmeasure.teaching.class_agreement import (
    ClassAgreement,
    CriterionAgreement,
    RaterAgreement,
    RaterCriterion,
)
from rxmeasure.teaching.course import CourseRecords
from rxmeasure.teaching.moderation import Standing
from rxmeasure.teaching.results import CaseDifficulty, CourseResults, StudentResult, WorkResult

Cell = dict[str, Any]
_NOTHING = "–"


def write_class_page(
    records: CourseRecords,
    results: CourseResults,
    agreement: ClassAgreement,
    calibration: Calibration | None,
    path: str | Path,
    *,
    numbers: Numbers | None = None,
) -> None:
    """Write the page as one HTML file that needs nothing from outside; its one script sorts.

    Parameters
    ----------
    records : CourseRecords
    results : CourseResults
    agreement : ClassAgreement
    calibration : Calibration or None
        None where the teachers did not calibrate.
    path : path-like
        Written whole or not at all.
    numbers : Numbers, optional

    Raises
    ------
    WriteError
        The file cannot be written, or the report packages are not installed.
    """
    need_report_packages()
    numbers = numbers or Numbers()
    script = (TEMPLATES / "sorting.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    content = class_content(records, results, agreement, calibration, numbers)
    write_text(path, html_page("class.html.j2", c=content, script=script, script_hash=digest))


def class_content(
    records: CourseRecords,
    results: CourseResults,
    agreement: ClassAgreement,
    calibration: Calibration | None,
    numbers: Numbers,
) -> dict[str, Any]:
    """What stands on the page, as plain texts, cells with sort values, and drawings."""
    page = _Page(records, numbers)
    rubric = records.course.rubric
    return {
        "title": clean(records.course.title),
        "clinic": clean(records.course.clinic),
        "facts": page.facts(results, agreement),
        "calibration": page.calibration(calibration),
        "plots": [
            {"title": title, "svg": plot.svg, "alt": plot.alt, "narrow": plot.width_mm < 120.0}
            for title, plot in (
                ("Final marks", marks_plot(results, rubric, numbers)),
                ("Own marks and teachers' marks", self_mark_plot(results, rubric, numbers)),
                ("Teachers over the year", drift_plot(agreement, numbers)),
                ("Hard and easy films", difficulty_plot(results, numbers)),
            )
            if plot is not None
        ],
        "tables": [
            page.students(results.students),
            page.works([w for s in results.students for w in s.works]),
            page.criteria(agreement.criteria),
            page.raters(agreement.raters),
            page.drifts(agreement.raters),
            page.cases(results.difficulty),
        ],
        "cautions": page.cautions(agreement),
        "foot": clean(f"Rubric {rubric.id} {rubric.version}. {rubric.note}"),
    }


class _Page:
    """The parts of the page."""

    def __init__(self, records: CourseRecords, numbers: Numbers) -> None:
        self._records = records
        self._rubric = records.course.rubric
        self._numbers = numbers

    def facts(self, results: CourseResults, agreement: ClassAgreement) -> list[dict[str, str]]:
        standings = [s.standing for s in results.students]
        works = [w for s in results.students for w in s.works]
        still_open = [w for w in works if not w.settled.standing.settled]
        twice = [w for w in works if len(w.settled.markers) > 1]
        records = self._records
        rows = (
            (
                "Students",
                f"{len(standings)}: {standings.count(Standing.PASSED)} passed, "
                f"{standings.count(Standing.FAILED)} failed, "
                f"{sum(not s.settled for s in standings)} open",
            ),
            (
                "Fillings",
                f"{len(works)}: {len(twice)} seen by a second marker, {len(still_open)} open",
            ),
            (
                "Bank",
                f"{len(records.keys)} films with a key, agreed by "
                f"{len({who for key in records.keys for who in key.agreed_by})} teachers",
            ),
            ("Markings", f"{len(records.markings)} by {len(agreement.raters)} raters"),
            (
                "Pass mark",
                f"{self._rubric.pass_mark:g} of {self._rubric.full_marks:g}; within "
                f"{self._rubric.borderline:g} of it a second marker decides",
            ),
        )
        return [{"label": k, "value": self._numbers.in_text(v)} for k, v in rows]

    def calibration(self, calibration: Calibration | None) -> dict[str, Any] | None:
        if calibration is None:
            return None
        limit = self._records.course.agreement_at_least
        word = "reached" if calibration.passed else f"not reached: {calibration.why_not}"
        return {
            "sentence": self._numbers.in_text(
                f"{len(calibration.teachers)} teachers marked the same {calibration.n_cases} "
                f"films. Agreement asked for (AC2 of at least {limit:g} on each criterion): {word}"
                + ("" if word.endswith(".") else ".")
            ),
            "table": _table(
                "Calibration of the teachers",
                ["Criterion", "AC2 (95 %)", *(f"{clean(t)} leans" for t in calibration.teachers)],
                [
                    [
                        self._name(c.criterion),
                        self._agreement(c.agreement, sign="✓" if c.reached else "✗"),
                        *(self._signed(leaning.levels, 2) for leaning in c.leanings),
                    ]
                    for c in calibration.criteria
                ],
                note="Leans: levels above (+) or below (−) the mean of the other teachers.",
            ),
        }

    def students(self, students: Sequence[StudentResult]) -> dict[str, Any]:
        return _table(
            "Students",
            ["Student", "Standing", "Final", "Own fillings", "Reading", "Levels as the key",
             "Measures within", "Let pass", "Same again", "Remark"],
            [
                [
                    _text(s.student),
                    _standing(s.standing),
                    self._mark(s.final),
                    self._mark(s.work_mark),
                    self._mark(s.reading.mark),
                    self._share(s.reading.same_level),
                    self._of(s.reading.measures_within, s.reading.n_measures),
                    _count(s.reading.overlooked),
                    self._of(s.reading.same_again, s.reading.repeated),
                    _text(s.why),
                ]
                for s in students
            ],
            note="Let pass: times that a level was let pass that must be reached and, by the key, "
            "is not. Same again: levels given alike to films shown twice unannounced.",
        )  # fmt: skip

    def works(self, works: Sequence[WorkResult]) -> dict[str, Any]:
        return _table(
            "Fillings",
            ["Filling", "Student", "Standing", "Mark", "Markers", "Own mark", "Own less teachers'",
             "Remark"],
            [
                [
                    _text(w.case),
                    _text(w.student),
                    _standing(w.settled.standing),
                    self._mark(w.settled.total),
                    _text(
                        ", ".join(
                            f"{who} {self._numbers.fixed(mark, 1)}"
                            for who, mark in w.settled.markers
                        )
                    ),
                    self._mark(w.self_mark),
                    self._signed(w.gap, 1),
                    _text(w.settled.why),
                ]
                for w in works
            ],
        )  # fmt: skip

    def criteria(self, criteria: Sequence[CriterionAgreement]) -> dict[str, Any]:
        return _table(
            "Agreement by criterion",
            ["Criterion", "Teachers: AC2 (95 %)", "Students: AC2 (95 %)", "Levels of the key"],
            [
                [
                    self._name(c.criterion),
                    self._agreement(c.teachers),
                    self._agreement(c.students),
                    _text(", ".join(f"{n} {name}" for name, n in c.key_levels)),
                ]
                for c in criteria
            ],
            note="Gwet's AC2 with quadratic weights, over first markings of keyed films.",
        )

    def raters(self, raters: Sequence[RaterAgreement]) -> dict[str, Any]:
        return _table(
            "Raters against the key",
            ["Rater", "Who", *(clean(c.title) for c in self._rubric.criteria), "Leans",
             "Same again"],
            [
                [
                    _text(r.rater),
                    _text("teacher" if r.teacher else "student"),
                    *(self._against_key(c) for c in r.criteria),
                    self._signed(sum(c.leaning for c in r.criteria) / len(r.criteria), 2),
                    self._of(r.same_again, r.repeated),
                ]
                for r in raters
            ],
            note="In each cell weighted kappa (quadratic) with its 95 % interval, then AC2. "
            "! marks a kappa that is low only because one level prevails: read AC2. Leans: levels "
            "above (+, too generous) or below (−) the key, mean over criteria. What a teacher "
            "marked before the key was agreed is left out.",
        )  # fmt: skip

    def drifts(self, raters: Sequence[RaterAgreement]) -> dict[str, Any]:
        rows = []
        for r in raters:
            if not isinstance(r.drift, Drift):
                continue
            slope = r.drift.leaning
            rows.append(
                [
                    _text(r.rater),
                    _count(len(r.drift.sessions)),
                    *(self._slope(one, 100.0) for one in (r.drift.closeness, slope)),
                    _text(_drift_word(slope)),
                ]
            )
        return _table(
            "Drift over the sessions",
            ["Rater", "Sessions", "Levels as the key, change in 30 days (%)",
             "Marks above the key, change in 30 days (% of the scale)", "Reading"],
            rows,
            note="Slopes over session means, with 95 % intervals. They need three sessions with "
            "keyed films; raters with fewer are not listed.",
        )  # fmt: skip

    def cases(self, cases: Sequence[CaseDifficulty]) -> dict[str, Any]:
        return _table(
            "Films of the bank",
            ["Film", "Read by", "Levels as the key", "Measures within", "Hardest criterion"],
            [
                [
                    _text(c.case),
                    _count(c.n_students),
                    self._share(c.same_level),
                    self._share(c.measures_within),
                    self._name(c.hardest),
                ]
                for c in cases
            ],
            note="Students only; hard films first.",
        )

    def cautions(self, agreement: ClassAgreement) -> list[str]:
        """What is said against the numbers, each once."""
        found = [
            f"{self._rubric.criterion(c.criterion).title}: {caution.text}"
            for c in agreement.criteria
            for result in (c.teachers, c.students)
            if isinstance(result, Agreement)
            for caution in result.cautions
        ]
        for place, criterion in enumerate(self._rubric.criteria):
            low = [r.rater for r in agreement.raters if _prevalent(r.criteria[place].kappa)]
            if low:
                found.append(
                    f"{criterion.title}: kappa of {len(low)} of {len(agreement.raters)} raters is "
                    "low although the levels agree, because one level prevails. Read AC2 there."
                )
        return [self._numbers.in_text(text) for text in dict.fromkeys(found)]

    def _against_key(self, one: RaterCriterion) -> Cell:
        if isinstance(one.kappa, Refused):
            cell = self._agreement(one.ac2)
            cell["note"] = "no kappa: all levels the same"
            return cell
        sign = "!" if _prevalent(one.kappa) else ""
        cell = self._agreement(one.kappa, sign=sign)
        if isinstance(one.ac2, Agreement):
            cell["note"] = f"AC2 {self._numbers.fixed(one.ac2.estimate, 2)}"
        return cell

    def _name(self, criterion: str) -> Cell:
        return _text(self._rubric.criterion(criterion).title)

    def _agreement(self, result: Agreement | Refused, *, sign: str = "") -> Cell:
        if isinstance(result, Refused):
            return {**_text(_NOTHING), "note": clean(result.found), "sort": ""}
        text = self._numbers.fixed(result.estimate, 2)
        interval = result.interval
        if interval is not None:
            low, high = (self._numbers.fixed(v, 2) for v in (interval.low, interval.high))
            text += f" ({low} to {high})"
        return _number(f"{sign} {text}".strip().replace("-", "−"), result.estimate)

    def _slope(self, result: Agreement | None, factor: float) -> Cell:
        if result is None:
            return _text(_NOTHING)
        cell = self._signed(factor * result.estimate, 1)
        if result.interval is not None:
            low, high = (
                self._signed(factor * v, 1)["text"]
                for v in (result.interval.low, result.interval.high)
            )
            cell["text"] += f" ({low} to {high})"
        return cell

    def _mark(self, value: float | None) -> Cell:
        return _missing() if value is None else _number(self._numbers.fixed(value, 1), value)

    def _share(self, value: float | None) -> Cell:
        return _missing() if value is None else _number(self._numbers.percent(value), value)

    def _signed(self, value: float | None, decimals: int) -> Cell:
        if value is None:
            return _missing()
        text = self._numbers.fixed(abs(value), decimals)
        zero = float(f"{abs(value):.{decimals}f}") == 0.0
        return _number(text if zero else f"{'+' if value > 0 else '−'}{text}", value)

    def _of(self, part: int, whole: int) -> Cell:
        return _number(f"{part} of {whole}", part / whole) if whole else _missing()


def _drift_word(slope: Agreement | None) -> str:
    if slope is None or (slope.interval is None and slope.estimate != 0.0):
        return "cannot be told"
    if slope.interval is None:
        return "no drift shown"
    if slope.interval.low > 0.0:
        return "grows more generous"
    if slope.interval.high < 0.0:
        return "grows stricter"
    return "no drift shown"


def _prevalent(result: Agreement | Refused) -> bool:
    return isinstance(result, Agreement) and any(c.code == "prevalence" for c in result.cautions)


def _table(
    title: str, header: Sequence[str], rows: Iterable[Sequence[Cell]], *, note: str = ""
) -> dict[str, Any]:
    cells = list(rows)
    kinds = [cell["kind"] for cell in cells[0]] if cells else [""] * len(header)
    heads = [{"text": name, "kind": kind} for name, kind in zip(header, kinds, strict=True)]
    return {"title": title, "header": heads, "rows": cells, "note": note}


def _text(text: str) -> Cell:
    return {"text": clean(text), "sort": clean(text), "kind": "", "note": ""}


def _number(text: str, value: float) -> Cell:
    return {"text": text, "sort": f"{value:.6f}", "kind": "number", "note": ""}


def _count(value: int) -> Cell:
    return _number(str(value), value)


def _missing() -> Cell:
    return {"text": _NOTHING, "sort": "", "kind": "number", "note": ""}


def _standing(standing: Standing) -> Cell:
    kind = {Standing.PASSED: "met", Standing.FAILED: "not-met"}.get(standing, "borderline")
    return {
        "text": f"{STANDING_SIGNS[standing]} {standing}",
        "sort": str(standing),
        "kind": f"outcome {kind}",
        "note": "",
    }
