"""``rxmeasure course``: rubric, bank, keys, blind marking and marks of a course."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rxmeasure.cli.options import (
    FILE,
    all_of,
    comma_option,
    json_option,
    output_options,
    person_option,
)
from rxmeasure.cli.output import columns, emit, folded, numbers_for

if TYPE_CHECKING:
    from rxmeasure.store import Store
    from rxmeasure.teaching.calibration import Calibration
    from rxmeasure.teaching.course import CourseRecords
    from rxmeasure.teaching.queue import Ticket
    from rxmeasure.teaching.results import CourseResults
    from rxmeasure.teaching.rubric import Rubric

_name_option = person_option(required=True)
_in_store = all_of(
    click.argument("where", metavar="STORE"),
    click.argument("course_id", metavar="COURSE"),
    _name_option,
)
_as_rater = all_of(
    _in_store,
    click.option(
        "--teacher", is_flag=True, help="You are a teacher who marks blind; else a student."
    ),
)


@click.group()
def course() -> None:
    """Rubric, bank, keys, blind marking and marks of a course.

    STORE is a file, or postgresql://...; see rxmeasure store. Teachers open it as
    teachers, but mark in the role rater, which sees its own queue and marks alone.
    """


@course.command()
@click.argument("file", type=FILE)
@json_option
def rubric(file: Path, as_json: bool) -> None:
    """Check a rubric (TOML), and show it in words."""
    from rxmeasure.teaching.rubric_file import load_rubric

    found = load_rubric(file)
    emit("course rubric", {"rubric": found}, _rubric_lines(found), as_json=as_json)


@course.command()
@click.argument("folder", type=FILE)
@json_option
def sample(folder: Path, as_json: bool) -> None:
    """Write rubric and course of the sample teaching clinic, to begin from."""
    from rxmeasure.atomic import make_folder, write_text
    from rxmeasure.teaching.course_file import sample_course_text
    from rxmeasure.teaching.rubric_file import sample_rubric_text

    make_folder(folder)
    texts = {
        "filling.rubric.toml": sample_rubric_text(),
        "filling.course.toml": sample_course_text(),
    }
    for file_name, text in texts.items():
        write_text(folder / file_name, text)
    _tell_written("course sample", [folder / file_name for file_name in texts], as_json)


@course.command()
@click.argument("where", metavar="STORE")
@click.argument("file", type=FILE, metavar="COURSE.toml")
@_name_option
@click.option("--student", "students", metavar="NAME", multiple=True, help="A student.")
@click.option("--teacher", "teachers", metavar="NAME", multiple=True, help="A teacher who marks.")
@json_option
def begin(
    where: str,
    file: Path,
    name: str,
    students: tuple[str, ...],
    teachers: tuple[str, ...],
    as_json: bool,
) -> None:
    """Keep a course in a store, made where there is none; again to change rules or people."""
    from rxmeasure.errors import TeachingError
    from rxmeasure.record.parsing import MAX_TOML_BYTES, read_text
    from rxmeasure.store import Person, Role, make_store
    from rxmeasure.teaching.course_file import rubric_path
    from rxmeasure.teaching.shelf import Rules, begin_course

    rules = Rules(
        course=read_text(file, MAX_TOML_BYTES, TeachingError),
        rubric=read_text(rubric_path(file), MAX_TOML_BYTES, TeachingError),
        students=students,
        teachers=teachers,
    )
    with make_store(where, Person(name=name, role=Role.TEACHER)) as store:
        begun = begin_course(store, rules)
    line = f"{begun.id}: {len(students)} students, {len(teachers)} teachers."
    emit("course begin", {"course": begun.id}, [line], as_json=as_json)


@course.command()
@_in_store
@click.argument("films", type=FILE, nargs=-1, required=True)
@click.option("--author", default="", metavar="STUDENT", help="The student whose work they show.")
@json_option
def add(
    where: str, course_id: str, name: str, films: tuple[Path, ...], author: str, as_json: bool
) -> None:
    """Put films into the bank; a case has the name of its file without the ending."""
    from rxmeasure.teaching.bank import case_of
    from rxmeasure.teaching.shelf import add_case, check_student, rules_of

    cases = [case_of(film, film.stem, author=author) for film in films]
    with _teacher(where, name) as store:
        check_student(rules_of(store, course_id), author)
        for case in cases:
            add_case(store, course_id, case)
    lines = [f"{case.id}: {case.image}" for case in cases]
    emit("course add", {"cases": [case.id for case in cases]}, lines, as_json=as_json)


@course.command()
@_in_store
@click.option("--for", "rater", metavar="NAME", required=True, help="Whose queue it is.")
@click.option("--session", metavar="DATE", required=True, help="Date of the session: 2026-03-02.")
@click.option("--case", "names", metavar="CASE", multiple=True, help="Only these cases.")
@click.option(
    "--works",
    is_flag=True,
    help="Fillings, not the bank: a student's own; a teacher's those that still need a marker.",
)
@click.option("--films", type=FILE, required=True, metavar="FOLDER", help="Where the films lie.")
@click.option("--out", type=FILE, required=True, metavar="FOLDER", help="Where the queue's go.")
@json_option
def queue(
    where: str,
    course_id: str,
    name: str,
    rater: str,
    session: str,
    names: tuple[str, ...],
    works: bool,
    films: Path,
    out: Path,
    as_json: bool,
) -> None:
    """Give a rater a blind queue: films in random order under tickets, some of them twice."""
    from rxmeasure.atomic import make_folder
    from rxmeasure.teaching.bank import copy_films
    from rxmeasure.teaching.dealing import cases_for
    from rxmeasure.teaching.queue import marking_queue
    from rxmeasure.teaching.shelf import give_out, records_of

    with _teacher(where, name) as store:
        records = records_of(store, course_id)
        cases = cases_for(records, rater, names=names, works=works)
        made = marking_queue(records.course, cases, rater, session)
        make_folder(out)
        copy_films(made, records.cases, films, out)
        give_out(store, course_id, made)
    lines = [f"{len(made.items)} films for {rater}, {session}, in {out}."]
    emit("course queue", {"rater": rater, "items": made.items}, lines, as_json=as_json)


@course.command()
@_as_rater
@json_option
def tasks(where: str, course_id: str, name: str, teacher: bool, as_json: bool) -> None:
    """Show your own queue, and what of it you have marked."""
    from rxmeasure.teaching.shelf import handed_in, own_queue

    with _rater(where, name, teacher) as store:
        items = own_queue(store, course_id)
        done = handed_in(store, course_id)
    rows = [("place", "ticket", "film", "")]
    rows += [(str(i.place), i.ticket, i.film, "marked" if i.ticket in done else "") for i in items]
    document = {"items": items, "marked": sorted(done)}
    emit("course tasks", document, columns(rows), as_json=as_json)


@course.command()
@_as_rater
@click.argument("ticket")
@click.option(
    "--level", "levels", metavar="CRITERION=LEVEL", multiple=True, help="One for each criterion."
)
@click.option(
    "--review", "review_file", type=FILE, metavar="FILE", help="Your review file of the film."
)
@click.option("--comment", default="", metavar="TEXT", help="A word to the student.")
@json_option
def mark(
    where: str,
    course_id: str,
    name: str,
    teacher: bool,
    ticket: str,
    levels: tuple[str, ...],
    review_file: Path | None,
    comment: str,
    as_json: bool,
) -> None:
    """Hand in your levels, and your review, of one film of your queue.

    \b
    rxmeasure course mark exam.rxstore filling-sample K3RW7ABD --as student-3 \
        --level length=ideal --level density=poor ... --review K3RW7ABD.png.rxreview.json
    """
    from rxmeasure.record.review_file import load_review
    from rxmeasure.teaching.course import Submission
    from rxmeasure.teaching.rubric import mark_of
    from rxmeasure.teaching.shelf import hand_in, handed_in, rubric_of

    submission = Submission(
        rater=name,
        ticket=ticket,
        levels=tuple(_pair(text) for text in levels),
        comment=comment,
        review=None if review_file is None else load_review(review_file),
    )
    with _rater(where, name, teacher) as store:
        there = handed_in(store, course_id).get(ticket, 0)
        hand_in(store, course_id, submission, based_on=there)
        own = mark_of(rubric_of(store, course_id), dict(submission.levels))
    line = f"{ticket} marked: {own.total:g} by your levels."
    emit("course mark", {"ticket": ticket, "mark": own}, [line], as_json=as_json)


@course.command()
@_in_store
@output_options
def calibrate(where: str, course_id: str, name: str, as_json: bool, decimal_comma: bool) -> None:
    """Say how far the teachers agree on the bank, and whether they may mark students."""
    from rxmeasure.teaching.calibration import calibration_of_records

    records = _records(where, course_id, name)
    found = calibration_of_records(records)
    lines = _calibration_lines(found, records, decimal_comma)
    emit("course calibrate", {"calibration": found}, lines, as_json=as_json)


@course.command()
@_in_store
@click.argument("case", metavar="CASE")
@click.option(
    "--settle",
    "settled",
    metavar="CRITERION=LEVEL",
    multiple=True,
    help="A level that the teachers agreed on in talking.",
)
@json_option
def key(
    where: str, course_id: str, name: str, case: str, settled: tuple[str, ...], as_json: bool
) -> None:
    """Make the hidden key of a case from the teachers' own markings; differences are told."""
    from rxmeasure.teaching.key import agreed_key, markings_for_key
    from rxmeasure.teaching.shelf import keep_key, records_of

    with _teacher(where, name) as store:
        records = records_of(store, course_id, drawn=lambda ticket: ticket.case == case)
        markings = markings_for_key(records, case)
        found = agreed_key(markings, records.course, settled=dict(_pair(text) for text in settled))
        keep_key(store, course_id, found, reason="; ".join(settled))
    lines = [f"Key of {case}, agreed by {', '.join(found.agreed_by)}."]
    lines += columns([*found.levels])
    emit("course key", {"key": found}, lines, as_json=as_json)


@course.command()
@_in_store
@output_options
def grade(where: str, course_id: str, name: str, as_json: bool, decimal_comma: bool) -> None:
    """Compare all readings with the keys, and show marks and what still needs a marker."""
    records = _records(where, course_id, name)
    results = _results(records)
    lines = _result_lines(results, decimal_comma)
    emit("course grade", {"results": results}, lines, as_json=as_json)


@course.command()
@_in_store
@click.argument("student", metavar="STUDENT")
@click.option("--films", type=FILE, required=True, metavar="FOLDER", help="Where the films lie.")
@click.option("--out", type=FILE, required=True, metavar="FOLDER", help="Where to write.")
@output_options
def feedback(
    where: str,
    course_id: str,
    name: str,
    student: str,
    films: Path,
    out: Path,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Write one student's feedback as HTML and PDF: marks, the key, and where they differ.

    The sheet shows keys. Hand it out when the films are not to be read again.
    """
    from rxmeasure.atomic import make_folder
    from rxmeasure.reading import read_radiograph
    from rxmeasure.report.feedback_page import (
        cases_to_show,
        write_feedback_html,
        write_feedback_pdf,
    )
    from rxmeasure.teaching.bank import film_of
    from rxmeasure.teaching.course import case_named
    from rxmeasure.teaching.results import result_of

    records = _records(where, course_id, name, drawn_by=student)
    results = _results(records)
    shown = {
        case: read_radiograph(film_of(case_named(records.cases, case), films))
        for case in cases_to_show(result_of(results, student))
    }
    make_folder(out)
    pages = [out / f"{student}.html", out / f"{student}.pdf"]
    for write, page in zip((write_feedback_html, write_feedback_pdf), pages, strict=True):
        write(records, results, student, shown, page, numbers=numbers_for(decimal_comma))
    _tell_written("course feedback", pages, as_json)


@course.command()
@_in_store
@click.option("--csv", "csv_file", type=FILE, metavar="FILE", help="Write one line a student.")
@click.option(
    "--xlsx", "xlsx_file", type=FILE, metavar="FILE", help="Write a workbook, fillings too."
)
@json_option
def marks(
    where: str,
    course_id: str,
    name: str,
    csv_file: Path | None,
    xlsx_file: Path | None,
    as_json: bool,
) -> None:
    """Write the marks as CSV or as a workbook."""
    from rxmeasure.teaching.sheets import write_marks_csv, write_marks_xlsx

    if csv_file is None and xlsx_file is None:
        raise click.UsageError("Name a file with --csv or --xlsx.")
    records = _records(where, course_id, name)
    results = _results(records)
    written = []
    for write, file in ((write_marks_csv, csv_file), (write_marks_xlsx, xlsx_file)):
        if file is not None:
            write(records.course, results, file)
            written.append(file)
    _tell_written("course marks", written, as_json)


@course.command()
@_in_store
@click.option("--out", type=FILE, required=True, metavar="FILE", help="The page: an HTML file.")
@all_of(json_option, comma_option)
def page(
    where: str, course_id: str, name: str, out: Path, as_json: bool, decimal_comma: bool
) -> None:
    """Write the class page: marks, agreement, drift and hard films, in tables to sort."""
    from rxmeasure.errors import TeachingError
    from rxmeasure.report.class_page import write_class_page
    from rxmeasure.teaching.calibration import calibration_of_records
    from rxmeasure.teaching.class_agreement import class_agreement

    records = _records(where, course_id, name)
    calibration = None
    with suppress(TeachingError):  # the page needs none
        calibration = calibration_of_records(records)
    write_class_page(
        records,
        _results(records),
        class_agreement(records),
        calibration,
        out,
        numbers=numbers_for(decimal_comma),
    )
    _tell_written("course page", [out], as_json)


def _teacher(where: str, name: str) -> Store:
    from rxmeasure.store import Person, Role, open_store

    return open_store(where, Person(name=name, role=Role.TEACHER))


def _rater(where: str, name: str, teacher: bool) -> Store:
    from rxmeasure.store import Person, Role, open_store

    return open_store(where, Person(name=name, role=Role.RATER if teacher else Role.STUDENT))


def _records(where: str, course_id: str, name: str, *, drawn_by: str = "") -> CourseRecords:
    from rxmeasure.teaching.shelf import records_of

    def drawn(ticket: Ticket) -> bool:
        return ticket.rater == drawn_by

    with _teacher(where, name) as store:
        return records_of(store, course_id, drawn=drawn)


def _results(records: CourseRecords) -> CourseResults:
    from rxmeasure.teaching.results import course_results

    return course_results(records)


def _pair(text: str) -> tuple[str, str]:
    name, sign, level = text.partition("=")
    if not sign:
        raise click.UsageError(f"{text!r} is not CRITERION=LEVEL.")
    return name.strip(), level.strip()


def _tell_written(verb: str, paths: Iterable[Path], as_json: bool) -> None:
    written = [str(path) for path in paths]
    emit(verb, {"written": written}, [f"Written: {path}" for path in written], as_json=as_json)


def _rubric_lines(rubric: Rubric) -> list[str]:
    lines = [
        f"{rubric.id}, version {rubric.version}: {rubric.title}",
        f"{rubric.full_marks:g} marks in all, {rubric.pass_mark:g} pass; within "
        f"{rubric.borderline:g} of that a second marker decides",
    ]
    for criterion in rubric.criteria:
        must = f", at least '{criterion.must_reach}'" if criterion.must_reach else ""
        lines += ["", f"{criterion.id}: {criterion.title}, {criterion.weight:g} marks{must}"]
        for level in criterion.levels:
            earned = criterion.earned(level.name)
            lines += folded(f"{level.descriptor}", mark=f"{level.name} ({earned:g}): ")
    return lines


def _calibration_lines(
    found: Calibration, records: CourseRecords, decimal_comma: bool
) -> list[str]:
    from rxmeasure.agreement.results import Refused

    numbers = numbers_for(decimal_comma)
    rows: list[Sequence[str]] = [
        ("criterion", "AC2", "reached", *(f"{teacher} leans" for teacher in found.teachers))
    ]
    for c in found.criteria:
        refused = isinstance(c.agreement, Refused)
        value = "-" if isinstance(c.agreement, Refused) else numbers.fixed(c.agreement.estimate, 2)
        word = "yes" if c.reached else "no"
        leans = (numbers.fixed(one.levels, 2) for one in c.leanings)
        rows.append((c.criterion, value, "-" if refused else word, *leans))
    limit = records.course.agreement_at_least
    lines = columns(rows)
    lines.append(f"AC2 asked for: {numbers.in_text(f'{limit:g}')}, on {found.n_cases} cases.")
    passed = "The teachers may mark students."
    lines.append(passed if found.passed else f"The teachers may not mark yet: {found.why_not}")
    return lines


def _result_lines(results: CourseResults, decimal_comma: bool) -> list[str]:
    numbers = numbers_for(decimal_comma)

    def text(value: float | None) -> str:
        return "-" if value is None else numbers.fixed(value, 1)

    rows = [("student", "standing", "final", "fillings", "reading", "measures within", "")]
    for s in results.students:
        within = f"{s.reading.measures_within} of {s.reading.n_measures}"
        rows.append(
            (
                s.student, str(s.standing), text(s.final), text(s.work_mark),
                text(s.reading.mark), within, s.why,
            )
        )  # fmt: skip
    return columns(rows)
