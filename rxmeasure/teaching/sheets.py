"""The marks of a course as CSV and as a workbook that runs no formula."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rxmeasure.atomic import write_bytes, write_text
from rxmeasure.csv_text import csv_text, safe_cell
from rxmeasure.errors import WriteError
from rxmeasure.teaching.course import Course
from rxmeasure.teaching.results import CourseResults, StudentResult

if TYPE_CHECKING:
    from openpyxl import Workbook

Row = Sequence[object]

STUDENT_HEADER = (
    "student", "standing", "why", "final", "work_mark", "reading_mark", "full_marks", "pass_mark",
    "same_level_percent", "measures_within", "measures", "overlooked", "repeated_levels",
    "same_again",
)  # fmt: skip
WORK_HEADER = (
    "student", "work", "standing", "why", "mark", "markers", "self_mark", "self_less_teachers",
)  # fmt: skip


def student_rows(course: Course, results: CourseResults) -> Iterator[Row]:
    """One row a student, as in `STUDENT_HEADER`."""
    for student in results.students:
        reading = student.reading
        yield (
            student.student, str(student.standing), student.why, _mark(student.final),
            _mark(student.work_mark), _mark(reading.mark), course.rubric.full_marks,
            course.rubric.pass_mark,
            None if reading.same_level is None else round(100.0 * reading.same_level, 1),
            reading.measures_within, reading.n_measures, reading.overlooked, reading.repeated,
            reading.same_again,
        )  # fmt: skip


def work_rows(results: CourseResults) -> Iterator[Row]:
    """One row a filling, as in `WORK_HEADER`."""
    for student in results.students:
        yield from _works(student)


def write_marks_csv(course: Course, results: CourseResults, path: str | Path) -> None:
    """Write one line a student; text that a spreadsheet would run is made harmless.

    Raises
    ------
    WriteError
        The file cannot be written.
    """
    write_text(path, csv_text(STUDENT_HEADER, student_rows(course, results)))


def write_marks_xlsx(course: Course, results: CourseResults, path: str | Path) -> None:
    """Write a workbook with the sheets Students and Fillings; no cell of it is a formula.

    Raises
    ------
    WriteError
        The file cannot be written, or the package for workbooks is not installed.
    """
    try:
        from openpyxl import Workbook
    except ImportError as error:
        raise WriteError(
            found=f"the package {error.name} is missing.",
            needed="the package that writes workbooks.",
            next_step="Install rxmeasure with its teaching extra: "
            "pip install 'rxmeasure[teaching]', or write CSV.",
        ) from error
    book = Workbook()
    book.remove(book.worksheets[0])
    _add_sheet(book, "Students", STUDENT_HEADER, student_rows(course, results))
    _add_sheet(book, "Fillings", WORK_HEADER, work_rows(results))
    buffer = io.BytesIO()
    book.save(buffer)
    write_bytes(path, buffer.getvalue())


def _works(student: StudentResult) -> Iterator[Row]:
    for work in student.works:
        markers = "; ".join(f"{who} {mark:g}" for who, mark in work.settled.markers)
        yield (
            student.student, work.case, str(work.settled.standing), work.settled.why,
            _mark(work.settled.total), markers, _mark(work.self_mark), _mark(work.gap),
        )  # fmt: skip


def _mark(value: float | None) -> float | None:
    """A mark with one decimal, as on the page."""
    return None if value is None else round(value, 1)


def _add_sheet(book: Workbook, title: str, header: Sequence[str], rows: Iterator[Row]) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(title)
    for number, row in enumerate((header, *rows), start=1):
        for column, value in enumerate(row, start=1):
            cell = sheet.cell(row=number, column=column)
            safe = safe_cell(value)
            cell.value = None if safe == "" else safe
            if isinstance(cell.value, str):
                # Set after the value: openpyxl takes a text with '=' before it for a formula.
                cell.data_type = "s"
            if number == 1:
                cell.font = Font(bold=True)
    for column, name in enumerate(header, start=1):
        sheet.column_dimensions[get_column_letter(column)].width = max(10, len(name) + 2)
    sheet.freeze_panes = "B2"
