"""The series page: the visits of one tooth side by side, and what changed between them."""

from __future__ import annotations

import base64
import dataclasses
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from rxmeasure.atomic import write_bytes, write_text
from rxmeasure.errors import WriteError
from rxmeasure.geometry import FloatArray, PixelScale
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.comparison import FillChange, LesionChange
from rxmeasure.recall.lesion import NOT_NO_LESION, Lesion
from rxmeasure.recall.scores import ReaderScore, published_scales
from rxmeasure.recall.series import Series, Visit, unchanged_band
from rxmeasure.recall.steps import Step, align_steps
from rxmeasure.report import colours
from rxmeasure.report.cautions import RECALL_CAUTIONS, Caution
from rxmeasure.report.numbers import Numbers, clean
from rxmeasure.report.picture import grey_for_the_eye
from rxmeasure.report.plots import marked_formatter
from rxmeasure.report.series_words import (
    SYMPTOMS,
    choice_text,
    due_text,
    fill_row,
    glances,
    outline_origin,
    refusal_texts,
    root_change,
    root_heading,
    source_text,
    suggestion_text,
    tooth_words,
    trend_gaps_text,
    trend_lines,
    visit_heading,
    with_u,
)
from rxmeasure.report.subtraction import subtract
from rxmeasure.report.templating import html_page, need_report_packages, pdf_page
from rxmeasure.values import Area, Length

_LINES = ("solid", (0, (5, 2)), (0, (1, 1.5)), (0, (5, 1.5, 1, 1.5)))
_MARKERS = "osD^v"
#: The film's picture on the page: longer side in pixels.
_PICTURE_PX = 720


def write_series_pages(
    series: Series,
    films: Sequence[Radiograph],
    *paths: str | Path,
    numbers: Numbers | None = None,
    steps: Sequence[Step] | None = None,
) -> None:
    """Write the series as a page, once for each path and with the same content.

    Parameters
    ----------
    series : Series
    films : sequence of Radiograph
        The film of each visit.
    *paths : path-like
        ``.pdf``: PDF on A4; else HTML that needs nothing from outside and no script. Each is
        written whole or not at all.
    numbers : Numbers, optional
    steps : sequence of Step, optional
        From `align_steps`; left out, the films are aligned here.

    Raises
    ------
    WriteError
        The films are not those of the series, a file cannot be written, or the report
        packages are not installed.
    """
    content = series_content(series, films, numbers or Numbers(), steps)
    for path in paths:
        if Path(path).suffix.lower() == ".pdf":
            write_bytes(path, pdf_page("series.typ", content))
        else:
            write_text(path, html_page("series.html.j2", c=content))


def series_content(
    series: Series,
    films: Sequence[Radiograph],
    numbers: Numbers,
    steps: Sequence[Step] | None = None,
) -> dict[str, Any]:
    """What stands on the page, as plain texts and drawings."""
    if [film.source.sha256 for film in films] != [v.image.sha256 for v in series.visits]:
        raise WriteError(
            found="films that are not those of the series.",
            needed="the film of each visit, in their order.",
            next_step="Open the films of the series.",
        )
    need_report_packages()
    if steps is None:
        steps = align_steps(series, films)
    return {
        "title": _title(series),
        "glances": [dataclasses.asdict(glance) for glance in glances(series, numbers)],
        "visits": [
            {
                "head": visit_heading(series, n),
                "facts": _visit_facts(visit),
                "picture": _picture(visit, film),
                "alt": "The film of the visit with the outlines of its lesions.",
                "lesions": [_lesion_row(lesion, numbers) for lesion in visit.lesions],
            }
            for n, (visit, film) in enumerate(zip(series.visits, films, strict=True), 1)
        ],
        "changes": [_change_part(change, numbers) for change in series.lesion_changes],
        "subtractions": _subtractions(series, films, steps, numbers),
        "fills": [_fill_row(change, numbers) for change in series.fill_changes],
        "scores": _score_rows(series),
        "scales": _scale_sources(series),
        "trend": _trend_plot(series, numbers),
        "trend_gaps": trend_gaps_text(series),
        "due": {
            "head": due_text(series.next_recall),
            "reason": series.next_recall.reason,
            "source": series.next_recall.source,
        },
        "warnings": [
            numbers.in_text(text)
            for text in (*(w.text for w in series.warnings), *refusal_texts(steps))
        ],
        "cautions": [_caution(caution) for caution in RECALL_CAUTIONS],
        "foot": f"rxmeasure {series.software_version}, {series.created_utc}",
    }


def _row(head: str, *cells: str, note: str = "") -> dict[str, Any]:
    return {"head": clean(head), "cells": [clean(cell) for cell in cells], "note": note}


def _caution(caution: Caution) -> dict[str, str]:
    sources = "; ".join(f"{source.text} ({source.status})" for source in caution.sources)
    return {"head": caution.head, "text": caution.text, "sources": sources}


def _fill_row(change: FillChange, numbers: Numbers) -> dict[str, Any]:
    row = fill_row(change, numbers)
    return _row(
        f"{row.canal}: {row.quantity}",
        row.visits,
        f"{row.sign} {row.word}",
        row.difference,
        row.least_significant,
        "" if change.changed is False else row.text,
    )


def _title(series: Series) -> str:
    tooth = next((v.tooth for v in series.visits if v.tooth), "")
    case = next((v.patient_pseudonym for v in series.visits if v.patient_pseudonym), "")
    parts = ["Recall"]
    if tooth:
        parts.append(f"tooth {tooth} (FDI)")
    if case:
        parts.append(case)
    return clean(", ".join(parts))


def _visit_facts(visit: Visit) -> str:
    scale = visit.calibration.source if visit.calibration else "no scale"
    return clean(f"{visit.image.file_name}; {SYMPTOMS[visit.symptoms]}; scale: {scale}")


def _lesion_row(lesion: Lesion, numbers: Numbers) -> dict[str, Any]:
    warnings = [w.text for w in lesion.warnings if w.code != NOT_NO_LESION]
    notes = " ".join([lesion.declined, *warnings])
    if lesion.size is None:
        cells = ("no number" if lesion.declined else "none visible", "", "")
    else:
        size = lesion.size
        cells = (
            _area_text(size.area, numbers),
            _length_text(size.largest_diameter, numbers),
            _length_text(size.perpendicular_diameter, numbers),
        )
    return _row(
        root_heading(lesion.root), *cells, outline_origin(lesion), note=numbers.in_text(notes)
    )


def _area_text(area: Area, numbers: Numbers) -> str:
    if area.value_mm2 is None or area.u_mm2 is None:
        return with_u(area.value_px2, area.u_px2, "px2", numbers)
    return with_u(area.value_mm2, area.u_mm2, "mm2", numbers)


def _length_text(length: Length, numbers: Numbers) -> str:
    if length.value_mm is None or length.u_mm is None:
        return with_u(length.value_px, length.u_px, "px", numbers)
    return with_u(length.value_mm, length.u_mm, "mm", numbers)


def _subtractions(
    series: Series, films: Sequence[Radiograph], steps: Sequence[Step], numbers: Numbers
) -> list[dict[str, str]]:
    """Each visit less the one before; films that cannot be aligned are told."""
    found = []
    for step in steps:
        visit, first, second = series.visits[step.before - 1], *films[step.before - 1 : step.after]
        subtraction = subtract(visit, first, second, step)
        found.append(
            {
                "head": f"Visit {step.after} less visit {step.before}",
                "svg": subtraction.svg,
                "text": numbers.in_text(subtraction.text),
            }
        )
    return found


def _change_part(change: LesionChange, numbers: Numbers) -> dict[str, Any]:
    words = root_change(change, numbers)
    return {
        "head": f"{words.root}, {words.visits}",
        "sign": words.sign,
        "word": words.word,
        "reason": words.reason,
        "rows": [
            _row(
                one.quantity,
                one.values,
                one.difference,
                one.least_significant,
                one.percent,
                one.interval,
            )
            for one in words.rows
        ],
    }


def _score_rows(series: Series) -> list[dict[str, Any]]:
    """The scores scale by scale and visit by visit, the tooth's last."""
    rows = []
    for scale in published_scales().values():
        for number, visit in enumerate(series.visits, 1):
            given = [one for one in visit.scores if one.scale_id == scale.id]
            for one in given:
                score = choice_text(scale.choice(one.value))
                beside = _suggestion(series, number, one)
                rows.append(_row(scale.title, str(number), root_heading(one.root), score, beside))
            tooth = tooth_words(scale, given)
            if tooth is not None:
                rows.append(_row(scale.title, str(number), "Tooth", tooth.score, tooth.ruled_by))
    return rows


def _scale_sources(series: Series) -> list[str]:
    """Sources of the scales that were used."""
    used = {one.scale_id for visit in series.visits for one in visit.scores}
    return [
        clean(f"{scale.title}: {source_text(scale)}")
        for scale in published_scales().values()
        if scale.id in used
    ]


def _suggestion(series: Series, number: int, given: ReaderScore) -> str:
    wanted = (number, given.scale_id, given.root)
    return next(
        (
            suggestion_text(s.suggested)
            for s in series.suggestions
            if (s.visit, s.scale_id, s.root) == wanted
        ),
        "",
    )


def _picture(visit: Visit, film: Radiograph) -> str:
    """The film as an SVG with the lesions' outlines."""
    from PIL import Image

    rows, cols = film.shape
    factor = min(1.0, _PICTURE_PX / max(rows * film.pixel_aspect, cols))
    wide, high = round(cols * factor), round(rows * film.pixel_aspect * factor)
    buffer = io.BytesIO()
    Image.fromarray(grey_for_the_eye(film)).resize((wide, high)).save(buffer, format="PNG")
    picture = base64.b64encode(buffer.getvalue()).decode("ascii")
    stretch = PixelScale(row=high / rows, col=wide / cols, unit="px")
    lines = "".join(
        _outline(stretch.to_plane(np.array(lesion.outline_px) + 0.5))
        for lesion in visit.lesions
        if lesion.outline_px and lesion.size is not None
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" '
        f'width="{wide}" height="{high}">'
        f'<image href="data:image/png;base64,{picture}" width="{wide}" height="{high}"/>'
        f"{lines}</svg>"
    )


def _outline(points: FloatArray) -> str:
    """A light line with a dark rim, to be seen on any grey."""
    places = " ".join(f"{c:.1f},{r:.1f}" for r, c in points)
    return "".join(
        f'<polygon points="{places}" fill="none" stroke="{colour}" stroke-width="{width}" '
        f'stroke-opacity="{opacity}"/>'
        for colour, width, opacity in (("#000000", 4, 0.6), (colours.CENTRE_LINE, 2, 1))
    )


def _trend_plot(series: Series, numbers: Numbers) -> str:
    """Area over time as an SVG; empty with fewer than two dated areas of one root."""
    lines = trend_lines(series)
    if not lines:
        return ""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    style = {"font.family": "DejaVu Sans", "svg.hashsalt": "trend", "text.parse_math": False}
    with rc_context(style):
        figure = Figure(figsize=(6.2, 3.4), layout="constrained")
        axes = figure.subplots()
        for n, (root, points) in enumerate(lines.items()):
            colour = (colours.PLOT_WIDTH, colours.PLOT_VOID, colours.INK)[n % 3]
            band = unchanged_band(series, root) if len(lines) == 1 else None
            if band is not None:
                axes.fill_between(
                    band.years,
                    band.low_mm2,
                    band.high_mm2,
                    color=colour,
                    alpha=0.12,
                    linewidth=0.0,
                    label="within the least significant change from the first visit",
                )
            areas = np.array([p.area_mm2 for p in points])
            low, high = np.transpose([p.interval_mm2 for p in points])
            axes.errorbar(
                [p.years for p in points],
                areas,
                yerr=[areas - low, high - areas],
                label=root_heading(root),
                color=colour,
                linestyle=_LINES[n % len(_LINES)],
                marker=_MARKERS[n % len(_MARKERS)],
                capsize=3,
            )
            none_visible = [p.years for p in points if p.area_mm2 == 0.0]
            axes.plot(none_visible, [0.0] * len(none_visible), "kx", ms=9, clip_on=False, zorder=5)
        if any(p.area_mm2 == 0.0 for points in lines.values() for p in points):
            axes.plot([], [], "kx", label="no lesion visible")
        axes.set_xlabel("years since the first visit")
        axes.set_ylabel("lesion area (mm²), 95 % interval")
        axes.set_ylim(bottom=0.0)
        axes.grid(color="#d9dde2", linewidth=0.5)
        axes.spines[["top", "right"]].set_visible(False)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(marked_formatter(numbers))
        # Above the plot, where it hides no sign.
        figure.legend(loc="outside upper left", frameon=False, ncols=2)
        buffer = io.BytesIO()
        metadata = dict.fromkeys(("Creator", "Date", "Format", "Type"))
        figure.savefig(buffer, format="svg", metadata=metadata)
    svg = buffer.getvalue().decode("utf-8")
    return svg[svg.index("<svg") :]
