"""``rxmeasure compare``: visits of one tooth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rxmeasure.cli.options import FILE, invert_option, output_options
from rxmeasure.cli.output import columns, emit, folded, numbers_for, value_with_u

if TYPE_CHECKING:
    from rxmeasure.recall.lesion import Lesion
    from rxmeasure.recall.series import Series, SeriesMarks
    from rxmeasure.recall.steps import Step
    from rxmeasure.report.numbers import Numbers


@click.command()
@click.argument("series_file", type=FILE, required=False, metavar="SERIES")
@click.option(
    "--visit",
    "visits",
    type=(str, FILE),
    multiple=True,
    metavar="DATE IMAGE",
    help="A visit from the earliest on; DATE is YYYY-MM-DD, or - for none.",
)
@click.option(
    "--lesion",
    "lesions",
    type=(int, str, str),
    multiple=True,
    metavar="VISIT ROOT ROW,COL",
    help="A click near the middle of a lesion; visits count from 1.",
)
@click.option(
    "--no-lesion",
    "none_visible",
    type=(int, str),
    multiple=True,
    metavar="VISIT ROOT",
    help="You see no lesion at that root.",
)
@click.option("--treated", metavar="DATE", help="Date of the treatment, for the next recall.")
@click.option(
    "--differing-reason", metavar="TEXT", help="Why visits of another tooth or case are compared."
)
@click.option("--out", type=FILE, metavar="FILE", help="Keep the series in this file.")
@click.option(
    "--page", type=FILE, metavar="FILE", help="Write the page: FILE ends in .html or .pdf."
)
@invert_option
@output_options
def compare(
    series_file: Path | None,
    visits: tuple[tuple[str, Path], ...],
    lesions: tuple[tuple[int, str, str], ...],
    none_visible: tuple[tuple[int, str], ...],
    treated: str | None,
    differing_reason: str | None,
    out: Path | None,
    page: Path | None,
    invert: bool,
    as_json: bool,
    decimal_comma: bool,
) -> None:
    """Compare the visits of one tooth: lesions, fills, scores, next recall.

    SERIES is a TOML file of visits, or a series file. The marks of each film are
    taken from beside its image. Lesions are measured; scores are the reader's.
    Each film is aligned with the one before; where that is refused it is told,
    and the sizes, which each film has by itself, are compared all the same.

    \b
    rxmeasure compare case-12.toml
    rxmeasure compare --visit 2023-01-10 a.png --visit 2024-01-12 b.png \
        --lesion 1 MB 612,303 --lesion 2 MB 609,310
    """
    if (series_file is None) == (not visits):
        raise click.UsageError("Give a SERIES file, or visits with --visit.")
    from rxmeasure.cli.marks_input import film_with_marks
    from rxmeasure.recall.series import compare_films
    from rxmeasure.recall.steps import align_steps
    from rxmeasure.record.series_file import read_series_marks, save_series

    if series_file is None:
        marks, folder = _from_options(visits, lesions, none_visible), Path()
    else:
        marks, folder = read_series_marks(series_file), series_file.parent
    if treated is not None:
        marks = replace(marks, treated=treated)
    if differing_reason is not None:
        marks = replace(marks, differing_reason=differing_reason)
    if page is not None and page.suffix.lower() not in (".html", ".pdf"):
        raise click.UsageError("--page ends in .html or .pdf.")
    films = [film_with_marks(folder / v.image, invert=invert) for v in marks.visits]
    compared = compare_films(marks, films)
    series = compared.series
    pictures = [radiograph for radiograph, _ in films]
    steps = align_steps(series, pictures, known=compared.alignments)
    if out is not None:
        save_series(series, out)
    if page is not None:
        from rxmeasure.report.series_page import write_series_pages

        write_series_pages(series, pictures, page, numbers=numbers_for(decimal_comma), steps=steps)
    emit(
        "compare",
        {
            "series": series,
            "alignments": [_step_document(step) for step in steps],
            "written": [str(path) for path in (out, page) if path is not None],
        },
        _lines(series, steps, numbers_for(decimal_comma)),
        as_json=as_json,
    )


def _from_options(
    visits: tuple[tuple[str, Path], ...],
    lesions: tuple[tuple[int, str, str], ...],
    none_visible: tuple[tuple[int, str], ...],
) -> SeriesMarks:
    from rxmeasure.cli.options import POINT
    from rxmeasure.recall.series import LesionMark, SeriesMarks, VisitMarks

    marked: list[list[LesionMark]] = [[] for _ in visits]

    def of_visit(number: int) -> list[LesionMark]:
        if not 1 <= number <= len(visits):
            raise click.UsageError(f"There is no visit {number}: {len(visits)} are given.")
        return marked[number - 1]

    for number, root, place in lesions:
        point = POINT.convert(place, None, None)
        of_visit(number).append(LesionMark(root=root, seed_px=point))
    for number, root in none_visible:
        of_visit(number).append(LesionMark(root=root, none_visible=True))
    return SeriesMarks(
        visits=tuple(
            VisitMarks(image=str(image), date="" if day == "-" else day, lesions=tuple(found))
            for (day, image), found in zip(visits, marked, strict=True)
        )
    )


def _step_document(step: Step) -> dict[str, Any]:
    from rxmeasure.cli.align import alignment_document

    found = {"verdict": "refused", "reason": step.reason}
    if step.found is not None:
        found = alignment_document(step.found)
    return {"before": step.before, "after": step.after, **found}


def _step_line(step: Step, numbers: Numbers) -> str:
    from rxmeasure.report.subtraction import error_text

    head = f"Visit {step.after} onto visit {step.before}"
    if step.found is None:
        return f"{head}: refused"
    return f"{head}: {step.found.verdict}, {numbers.in_text(error_text(step.found))}"


def _lines(series: Series, steps: Sequence[Step], numbers: Numbers) -> list[str]:
    from rxmeasure.cli.tables import caution_lines
    from rxmeasure.report.series_words import (
        due_text,
        fill_row,
        least_text,
        percent_text,
        refusal_texts,
        root_change,
    )

    lines: list[str] = []
    for number, visit in enumerate(series.visits, 1):
        lines.append(f"Visit {number}  {visit.date or 'no date'}  {visit.image.file_name}")
        rows = [_lesion_row(lesion, numbers) for lesion in visit.lesions]
        lines += columns(rows) or ["  no finding of a lesion marked"]
        for lesion in visit.lesions:
            for text in (lesion.declined, *(w.text for w in lesion.warnings)):
                lines += folded(numbers.in_text(text), indent="    ") if text else []
    lines += ["", "Alignment of the films"]
    for step in steps:
        lines += folded(_step_line(step, numbers))
        lines += folded(numbers.in_text(step.reason), indent="    ") if step.reason else []
    for change in series.lesion_changes:
        words = root_change(change, numbers)
        lines += ["", f"{words.root}, {words.visits}: {words.word}", *folded(words.reason)]
        lines += columns(
            [
                (row.quantity, row.values, row.difference, percent_text(row),
                 f"least significant {row.least_significant}")
                for row in words.rows
            ]
        )  # fmt: skip
    fills = [fill_row(change, numbers) for change in series.fill_changes]
    if fills:
        cells = [
            (f.visits, f.canal, f.quantity, f.word, f.difference, least_text(f), f.text)
            for f in fills
        ]
        lines += ["", "Fill", *columns(cells)]
    due = series.next_recall
    lines += _score_lines(series)
    lines += ["", due_text(due), *folded(f"{due.reason} {due.source}")]
    for text in (*(warning.text for warning in series.warnings), *refusal_texts(steps)):
        lines += folded(numbers.in_text(text), mark="! ")
    return [*lines, "", *caution_lines()]


def _lesion_row(lesion: Lesion, numbers: Numbers) -> tuple[str, str, str, str]:
    from rxmeasure.report.series_words import root_heading

    root = root_heading(lesion.root)
    if lesion.size is None:
        return root, str(lesion.source), "no number" if lesion.declined else "", ""
    area, largest = lesion.size.area, lesion.size.largest_diameter
    if area.value_mm2 is None or largest.value_mm is None:
        texts = (
            value_with_u(numbers, area.value_px2, area.u_px2, "px2"),
            value_with_u(numbers, largest.value_px, largest.u_px, "px"),
        )
    else:
        texts = (
            value_with_u(numbers, area.value_mm2, area.u_mm2, "mm2"),
            value_with_u(numbers, largest.value_mm, largest.u_mm, "mm"),
        )
    return root, str(lesion.source), f"area {texts[0]}", f"largest {texts[1]}"


def _score_lines(series: Series) -> list[str]:
    from rxmeasure.recall.scores import published_scales
    from rxmeasure.report.series_words import (
        root_heading,
        score_text,
        source_text,
        suggestion_text,
    )

    rows: list[Sequence[str]] = []
    for tooth in series.tooth_scores:
        scale = published_scales()[tooth.scale_id]
        given = f"tooth: {score_text(scale.choice(tooth.value))}"
        rows.append((f"visit {tooth.visit}", scale.title, given, source_text(scale)))
    for one in series.suggestions:
        title = published_scales()[one.scale_id].title
        scored = f"{root_heading(one.root)} scored {one.scored}"
        rows.append((f"visit {one.visit}", title, scored, suggestion_text(one.suggested)))
    return ["", "Reader's scores (the worst root rules the tooth)", *columns(rows)] if rows else []
