"""A student's feedback sheet: marks, levels and measures beside the key, and where on the film."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from rxmeasure.atomic import write_bytes, write_text
from rxmeasure.radiograph import Radiograph
from rxmeasure.report.content import measure_label
from rxmeasure.report.numbers import Numbers, clean, unit_text
from rxmeasure.report.picture import Picture, film_picture, key_close_up, key_picture
from rxmeasure.report.templating import html_page, need_report_packages, pdf_page
from rxmeasure.teaching.comparing import Comparison, MeasureComparison
from rxmeasure.teaching.course import CourseRecords, Key, Marking
from rxmeasure.teaching.moderation import Standing
from rxmeasure.teaching.results import CourseResults, StudentResult, WorkResult, result_of
from rxmeasure.teaching.rubric import RubricCriterion

#: Sign beside the word, so that colour is never alone.
STANDING_SIGNS = {
    Standing.PASSED: "✓",
    Standing.FAILED: "✗",
    Standing.NOT_MARKED: "…",
    Standing.SECOND_MARKER: "…",
    Standing.THIRD_MARKER: "…",
}

#: What is drawn over the films.
LEGEND = (
    "Yours: blue line, orange bar at the end of the fill (thin bars: one standard uncertainty to "
    "either side), white ring at the apex. The key: yellow dashed line, long yellow bar at the "
    "end of the fill, short one at the apex."
)

Films = Mapping[str, Radiograph]
"""Case -> its film."""


def write_feedback_html(
    records: CourseRecords,
    results: CourseResults,
    student: str,
    films: Films,
    path: str | Path,
    *,
    numbers: Numbers | None = None,
) -> None:
    """Write one student's sheet as one HTML page that needs nothing from outside and no script.

    Parameters
    ----------
    records : CourseRecords
    results : CourseResults
    student : str
        Pseudonym. No other student is on the page.
    films : mapping of str to Radiograph
        Cases that are shown with their film.
    path : path-like
        Written whole or not at all.
    numbers : Numbers, optional

    Raises
    ------
    TeachingError
        No such student.
    WriteError
        The file cannot be written, or the report packages are not installed.
    """
    content = feedback_content(records, results, student, films, numbers or Numbers())
    write_text(path, html_page("feedback.html.j2", c=content))


def write_feedback_pdf(
    records: CourseRecords,
    results: CourseResults,
    student: str,
    films: Films,
    path: str | Path,
    *,
    numbers: Numbers | None = None,
) -> None:
    """Write the sheet as PDF on A4. Parameters and errors as in `write_feedback_html`."""
    content = feedback_content(records, results, student, films, numbers or Numbers())
    write_bytes(path, pdf_page("feedback.typ", content))


def cases_to_show(result: StudentResult, most: int = 3) -> tuple[str, ...]:
    """The student's own fillings and the readings that lie farthest from the key."""
    worst = sorted(result.reading.comparisons, key=lambda c: (c.total, c.case))[:most]
    return (*(work.case for work in result.works), *(c.case for c in worst))


def feedback_content(
    records: CourseRecords,
    results: CourseResults,
    student: str,
    films: Films,
    numbers: Numbers,
) -> dict[str, Any]:
    """What stands on the sheet, as plain texts and drawings."""
    need_report_packages()
    result = result_of(results, student)
    sheet = _Sheet(records, result, films, numbers)
    return {
        "title": f"Feedback for {clean(student)}",
        "course": clean(f"{records.course.title}, {records.course.clinic}"),
        "standing": _standing(result.standing),
        "why": clean(result.why),
        "facts": sheet.facts(),
        "works": [sheet.work(work) for work in result.works],
        "cases": [sheet.case(c) for c in result.reading.comparisons if c.case in films],
        "table": [sheet.row(c) for c in result.reading.comparisons],
        "legend": LEGEND,
        "criteria": [clean(c.title) for c in records.course.rubric.criteria],
        "rubric": clean(
            f"{records.course.rubric.title}, rubric {records.course.rubric.id} "
            f"{records.course.rubric.version}"
        ),
    }


class _Sheet:
    """The parts of one student's sheet."""

    def __init__(
        self, records: CourseRecords, result: StudentResult, films: Films, numbers: Numbers
    ) -> None:
        self._records = records
        self._rubric = records.course.rubric
        self._result = result
        self._films = films
        self._numbers = numbers
        self._own = {m.case: m for m in records.first_by([result.student])}

    def facts(self) -> list[dict[str, str]]:
        """The marks in a few lines."""
        rubric, reading, course = self._rubric, self._result.reading, self._records.course
        again = "no film was shown twice"
        if reading.repeated:
            again = f"{reading.same_again} of {reading.repeated} levels"
        rows = {
            "Final mark": f"{self._mark(self._result.final)} of {rubric.full_marks:g}, "
            f"pass mark {rubric.pass_mark:g}",
            "Own fillings": f"{self._mark(self._result.work_mark)}, counts "
            f"{course.work_weight:g} %",
            "Reading of the bank": f"{self._mark(reading.mark)}, counts "
            f"{course.reading_weight:g} %, {len(reading.comparisons)} films",
            "Levels as the key": _share(reading.same_level, self._numbers),
            "Measures within tolerance": f"{reading.measures_within} of {reading.n_measures}",
            "Let pass though it must be reached": f"{reading.overlooked} times",
            "Same again on films shown twice": again,
        }
        return [{"label": k, "value": self._numbers.in_text(v)} for k, v in rows.items()]

    def work(self, work: WorkResult) -> dict[str, Any]:
        """One filling of the student: levels by the teachers and the student's own."""
        marked = [m for m in self._records.first_by(self._records.teachers) if m.case == work.case]
        own = self._own.get(work.case)
        return {
            "head": clean(work.case),
            "standing": _standing(work.settled.standing),
            "why": clean(work.settled.why),
            "mark": self._mark(work.settled.total),
            "self_mark": self._mark(work.self_mark),
            "gap": _gap_text(work.gap, self._numbers),
            "rows": [self._work_row(c, marked, own) for c in self._rubric.criteria],
            "comments": [clean(m.comment) for m in marked if m.comment],
            "picture": self._work_picture(work.case, own),
        }

    def _work_row(
        self, criterion: RubricCriterion, marked: Iterable[Marking], own: Marking | None
    ) -> dict[str, str]:
        given = [m.level_of[criterion.id] for m in marked]
        said = dict.fromkeys(given)
        worst = max(said, key=criterion.place, default="")
        descriptors = {level.name: level.descriptor for level in criterion.levels}
        return {
            "head": clean(criterion.title),
            "teachers": clean(", then ".join(given)) or "–",
            "student": clean(own.level_of[criterion.id]) if own else "–",
            "earned": "; ".join(
                f"{self._numbers.fixed(criterion.earned(level), 1)} of {criterion.weight:g}"
                for level in said
            ),
            "descriptor": clean(descriptors.get(worst, "")),
            "must": "must be reached: " + criterion.must_reach if criterion.must_reach else "",
        }

    def case(self, comparison: Comparison) -> dict[str, Any]:
        """One reading beside its key, on the film."""
        own, key = self._own[comparison.case], self._records.key_of[comparison.case]
        return {
            "head": clean(comparison.case),
            "mark": self._mark(comparison.total),
            "rows": [
                {
                    "head": clean(self._rubric.criterion(level.criterion).title),
                    "student": clean(level.student),
                    "key": clean(level.key),
                    "word": _steps_word(level.steps),
                    "sign": "✓" if level.steps == 0 else "✗",
                    "descriptor": clean(self._descriptor(level.criterion, level.key)),
                }
                for level in comparison.levels
            ],
            "measures": [self._measure(m) for m in comparison.measures],
            "pictures": self._key_pictures(own, key),
        }

    def row(self, comparison: Comparison) -> dict[str, Any]:
        """One line of the table of all readings."""
        within = [m.within for m in comparison.measures]
        return {
            "case": clean(comparison.case),
            "mark": self._mark(comparison.total),
            "cells": [_short_steps(level.steps) for level in comparison.levels],
            "measures": f"{within.count(True)} of {len(within)}" if within else "–",
            "overlooked": clean(", ".join(comparison.overlooked)),
        }

    def _measure(self, measure: MeasureComparison) -> dict[str, str]:
        unit = unit_text(measure.unit)
        numbers = self._numbers
        if measure.student is None or measure.difference is None:
            own, word, sign = "–", numbers.in_text(measure.why_missing), "–"
        else:
            own = _minus(numbers.fixed(measure.student, 2))
            word = f"{_signed(measure.difference, numbers)} {unit}"
            sign = "✓" if measure.within else "✗"
        return {
            "head": clean(measure_label(measure.name) + _of_canal(measure.canal)),
            "student": own,
            "key": _minus(numbers.fixed(measure.key, 2)),
            "word": word,
            "sign": sign,
            "tolerance": f"{numbers.fixed(measure.tolerance, 1)} {unit}",
        }

    def _key_pictures(self, own: Marking, key: Key) -> list[dict[str, Any]]:
        film = self._films[own.case]
        if own.review is None:
            return []
        near = key_close_up(own.review, film, key.lines, self._numbers)
        whole = key_picture(own.review, film, key.lines, self._numbers)
        return [_picture(one) for one in (whole, near) if one]

    def _work_picture(self, case: str, own: Marking | None) -> dict[str, Any] | None:
        if own is None or own.review is None or case not in self._films:
            return None
        return _picture(film_picture(own.review, self._films[case], self._numbers))

    def _descriptor(self, criterion: str, level: str) -> str:
        levels = self._rubric.criterion(criterion).levels
        return next(one.descriptor for one in levels if one.name == level)

    def _mark(self, value: float | None) -> str:
        return "open" if value is None else self._numbers.fixed(value, 1)


def _picture(picture: Picture) -> dict[str, Any]:
    return {
        "svg": picture.svg,
        "alt": picture.alt,
        "width_mm": picture.width_mm,
        "height_mm": picture.height_mm,
    }


def _standing(standing: Standing) -> dict[str, str]:
    kind = {Standing.PASSED: "met", Standing.FAILED: "not-met"}.get(standing, "borderline")
    return {"sign": STANDING_SIGNS[standing], "word": str(standing), "kind": kind}


def _share(share: float | None, numbers: Numbers) -> str:
    return "–" if share is None else numbers.percent(share)


def _minus(text: str) -> str:
    """A number with a true minus."""
    return text.replace("-", "−")


def _signed(value: float, numbers: Numbers) -> str:
    """A difference with its sign; a true minus."""
    text = numbers.fixed(abs(value), 2)
    return f"{'+' if value >= 0 else '−'}{text}"


def _of_canal(name: str) -> str:
    return "" if name == "single" else f", canal {name}"


def _steps_word(steps: int) -> str:
    if steps == 0:
        return "as the key"
    levels = "level" if abs(steps) == 1 else "levels"
    return f"{abs(steps)} {levels} too {'generous' if steps > 0 else 'strict'}"


def _short_steps(steps: int) -> str:
    return "=" if steps == 0 else f"{'+' if steps > 0 else '−'}{abs(steps)}"


def _gap_text(gap: float | None, numbers: Numbers) -> str:
    if gap is None:
        return ""
    if abs(gap) < 0.05:
        return "You marked yourself as the teachers did."
    word = "more" if gap > 0 else "less"
    return f"You gave yourself {numbers.fixed(abs(gap), 1)} {word} than the teachers."
