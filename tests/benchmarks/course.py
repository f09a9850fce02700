"""A whole course over phantom films: class page, marks and one feedback sheet to look at.

Usage: ``python tests/benchmarks/course.py FOLDER [--first SEED]``. Films are made and measured
once and kept in FOLDER; of the raters' reviews those on the feedback sheet are measured truly,
the others are the film's own review with the rater's scatter.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from simulated_course import (
    SimulatedCourse,
    deserved_levels,
    simulated_course,
)

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import CanalMarks, FilmKind, LengthReference, ReviewMarks
from rxmeasure.phantom import PhantomTruth, cached_phantom, noisy_clicks
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import load_review, review_path, save_review
from rxmeasure.report.class_page import write_class_page
from rxmeasure.report.feedback_page import (
    cases_to_show,
    write_feedback_html,
    write_feedback_pdf,
)
from rxmeasure.review import Review, review_film
from rxmeasure.teaching.calibration import calibration_of_records
from rxmeasure.teaching.class_agreement import class_agreement
from rxmeasure.teaching.course import CourseRecords
from rxmeasure.teaching.results import course_results, result_of
from rxmeasure.teaching.sheets import write_marks_csv, write_marks_xlsx

CASES, STUDENTS, WORKS_EACH = 30, 12, 2
#: Of the students' own fillings, those whose length must fail them.
FAILING = 4
STUDENT = "student-03"
#: How far clicks of whoever made the film's own review land (mm, one standard deviation).
CLICK_SD_MM = 0.1


def main() -> None:
    """Make the course and its pages."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=10000)
    arguments = parser.parse_args()
    folder: Path = arguments.folder
    folder.mkdir(parents=True, exist_ok=True)
    course = simulated_course(dealt(folder, arguments.first), n_cases=CASES, n_students=STUDENTS)
    records = measured_truly(course, course.run(), folder)
    results = course_results(records)
    write_class_page(
        records,
        results,
        class_agreement(records),
        calibration_of_records(records),
        folder / "class.html",
    )
    write_marks_csv(records.course, results, folder / "marks.csv")
    write_marks_xlsx(records.course, results, folder / "marks.xlsx")
    films = {
        case: read_radiograph(folder / course.films[case].case.image)
        for case in cases_to_show(result_of(results, STUDENT))
    }
    write_feedback_html(records, results, STUDENT, films, folder / "feedback.html")
    write_feedback_pdf(records, results, STUDENT, films, folder / "feedback.pdf")
    for student in results.students:
        print(student.student, student.standing, f"{student.final:.1f}", student.why)


def dealt(folder: Path, first: int) -> list[tuple[str, Review]]:
    """Films for the bank as they come, then for the works, few of which fail by their length."""
    rng = np.random.default_rng(0)
    bank: list[tuple[str, Review]] = []
    works: list[tuple[str, Review]] = []
    failing = 0
    for name, review in reviewed_phantoms(folder, first):
        fails = dict(deserved_levels(review, rng))["length"] == "poor"
        if len(works) < STUDENTS * WORKS_EACH and not (fails and failing >= FAILING):
            works.append((name, review))
            failing += fails
        elif len(bank) < CASES:
            bank.append((name, review))
        if len(bank) == CASES and len(works) == STUDENTS * WORKS_EACH:
            break
    return bank + [works[place] for place in rng.permutation(len(works))]


def reviewed_phantoms(folder: Path, first: int) -> Iterator[tuple[str, Review]]:
    """Phantoms with one or two filled canals whose fill was measured; kept in the folder."""
    for seed in range(first, first + 1000):
        image, truth = cached_phantom(seed, folder)
        filled = [c for c in truth.canals if c.content == "filled"]
        if not 1 <= len(filled) <= 2 or any(c.flags for c in filled):
            continue
        try:
            review = _kept_review(image, truth, seed)
        except RxMeasureError:
            continue
        lengths = [canal.fill_to_apex_core for canal in review.canals]
        if all(one and one.value_mm is not None and -2.0 < one.value_mm < 6.0 for one in lengths):
            yield image.name, review


def _kept_review(image: Path, truth: PhantomTruth, seed: int) -> Review:
    kept = review_path(image)
    if kept.is_file():
        return load_review(kept)
    review = _reviewed(image, truth, seed)
    save_review(review, kept)
    return review


def _reviewed(image: Path, truth: PhantomTruth, seed: int) -> Review:
    rng = np.random.default_rng([seed, 5])
    canals = tuple(
        CanalMarks(
            name=c.name,
            clicks_px=tuple(
                (float(row), float(col))
                for row, col in noisy_clicks(c, rng, sd_mm=CLICK_SD_MM, count=3, start="reference")
            ),
        )
        for c in truth.canals
        if c.content == "filled"
    )
    bar = LengthReference(
        kind="line",
        points_px=((20.0, 20.0), (20.0, 20.0 + 5.0 / truth.mm_per_px)),
        length_mm=5.0,
        label="bar of 5 mm",
    )
    marks = ReviewMarks(
        film_kind=FilmKind.POSTOPERATIVE, canals=canals, references=(bar,), reader="teachers"
    )
    return review_film(read_radiograph(image), marks)


def measured_truly(course: SimulatedCourse, records: CourseRecords, folder: Path) -> CourseRecords:
    """The records with the student's shown films measured by the core, from own clicks."""
    shown = cases_to_show(result_of(course_results(records), STUDENT))
    cases = {t.ticket: t.case for queue in course.queues for t in queue.tickets}
    rater = next(r for r in course.students if r.name == STUDENT)
    rng = np.random.default_rng(1)
    given = []
    for submission in course.submissions:
        case = cases[submission.ticket]
        if submission.rater == STUDENT and case in shown:
            film = course.films[case]
            review = _clicked_anew(film.review, folder / film.case.image, rater.scatter_mm, rng)
            submission = replace(submission, review=review)
        given.append(submission)
    course.submissions = given
    return course.records()


def _clicked_anew(
    review: Review, image: Path, scatter_mm: float, rng: np.random.Generator
) -> Review:
    assert review.calibration is not None
    scatter_px = scatter_mm / review.calibration.col_mm
    canals = tuple(
        replace(
            canal,
            clicks_px=tuple(
                (r + float(rng.normal(0.0, scatter_px)), c + float(rng.normal(0.0, scatter_px)))
                for r, c in canal.clicks_px
            ),
        )
        for canal in review.marks.canals
    )
    marks = replace(review.marks, canals=canals, reader=STUDENT)
    return review_film(read_radiograph(image), marks)


if __name__ == "__main__":
    main()
