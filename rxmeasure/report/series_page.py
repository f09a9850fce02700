"""The series page: the visits of one tooth side by side, and what changed between them."""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from rxmeasure.atomic import write_bytes, write_text
from rxmeasure.errors import WriteError
from rxmeasure.geometry import FloatArray, PixelScale
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.change import Change, ChangeVerdict
from rxmeasure.recall.comparison import FillChange, LesionChange
from rxmeasure.recall.contrast import AlignmentError
from rxmeasure.recall.lesion import Lesion
from rxmeasure.recall.scores import published_scales
from rxmeasure.recall.series import Series, Visit
from rxmeasure.report import colours
from rxmeasure.report.numbers import Numbers, clean, unit_text
from rxmeasure.report.picture import grey_for_the_eye
from rxmeasure.report.subtraction import subtract
from rxmeasure.values import Area, Length

_TEMPLATES = Path(__file__).with_name("templates")
#: Sign beside the word, so that colour is never alone.
SIGNS = {
    ChangeVerdict.NONE_VISIBLE: "○",
    ChangeVerdict.NOT_VISIBLE: "○",
    ChangeVerdict.REDUCED: "▼",
    ChangeVerdict.UNCHANGED: "＝",
    ChangeVerdict.ENLARGED: "▲",
    ChangeVerdict.NEW: "▲",
    ChangeVerdict.CANNOT_BE_TOLD: "?",
}
_LINES = ("solid", (0, (5, 2)), (0, (1, 1.5)), (0, (5, 1.5, 1, 1.5)))
_MARKERS = "osD^v"
#: The film's picture on the page: longer side in pixels.
_PICTURE_PX = 720


def write_series_html(
    series: Series,
    films: Sequence[Radiograph],
    path: str | Path,
    *,
    numbers: Numbers | None = None,
) -> None:
    """Write the series as one HTML page that needs nothing from outside and no script.

    Parameters
    ----------
    series : Series
    films : sequence of Radiograph
        The film of each visit.
    path : path-like
        Written whole or not at all.
    numbers : Numbers, optional

    Raises
    ------
    WriteError
        The films are not those of the series, the file cannot be written, or the report
        packages are not installed.
    """
    content = series_content(series, films, numbers or Numbers())
    write_text(path, _html(content))


def write_series_pdf(
    series: Series,
    films: Sequence[Radiograph],
    path: str | Path,
    *,
    numbers: Numbers | None = None,
) -> None:
    """Write the series as PDF on A4. Parameters and errors as in `write_series_html`."""
    content = series_content(series, films, numbers or Numbers())
    import typst
    from matplotlib import get_data_path

    pdf = typst.compile(
        str(_TEMPLATES / "series.typ"),
        font_paths=[str(Path(get_data_path()) / "fonts" / "ttf")],
        sys_inputs={"data": json.dumps(content)},
        format="pdf",
    )
    write_bytes(path, pdf)


def series_content(series: Series, films: Sequence[Radiograph], numbers: Numbers) -> dict[str, Any]:
    """What stands on the page, as plain texts and drawings."""
    if [film.source.sha256 for film in films] != [v.image.sha256 for v in series.visits]:
        raise WriteError(
            found="films that are not those of the series.",
            needed="the film of each visit, in their order.",
            next_step="Open the films of the series.",
        )
    try:
        import jinja2  # noqa: F401
        import matplotlib  # noqa: F401
        import typst  # noqa: F401
    except ImportError as error:
        raise WriteError(
            found=f"the package {error.name} is missing.",
            needed="the packages that make reports.",
            next_step="Install rxmeasure with its report extra: pip install 'rxmeasure[report]'.",
        ) from error
    return {
        "title": _title(series),
        "visits": [
            {
                "head": f"Visit {n}: {visit.date or 'no date'}",
                "facts": _visit_facts(visit),
                "picture": _picture(visit, film),
                "alt": "The film of the visit with the outlines of its lesions.",
                "lesions": [_lesion_row(lesion, numbers) for lesion in visit.lesions],
            }
            for n, (visit, film) in enumerate(zip(series.visits, films, strict=True), 1)
        ],
        "changes": [_change_part(change, numbers) for change in series.lesion_changes],
        "subtractions": _subtractions(series, films, numbers),
        "fills": [_fill_row(change, numbers) for change in series.fill_changes],
        "scores": _score_rows(series),
        "trend": _trend_plot(series, numbers),
        "due": {
            "date": series.next_recall.date or "None proposed",
            "reason": series.next_recall.reason,
            "source": series.next_recall.source,
        },
        "warnings": [numbers.in_text(w.text) for w in series.warnings],
        "foot": f"rxmeasure {series.software_version}, {series.created_utc}",
    }


def _html(content: dict[str, Any]) -> str:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("series.html.j2").render(
        c=content,
        uri=_as_uri,
        style=(_TEMPLATES / "page.css").read_text(encoding="utf-8"),
    )


def _as_uri(svg: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode("utf-8")).decode("ascii")


def _row(head: str, *cells: str, note: str = "") -> dict[str, Any]:
    return {"head": clean(head), "cells": [clean(cell) for cell in cells], "note": note}


def _fill_row(change: FillChange, numbers: Numbers) -> dict[str, Any]:
    value = ""
    if change.difference is not None:
        value = f"{numbers.quantity(change.difference, change.unit)} {unit_text(change.unit)}"
    visits = f"{change.before} to {change.after}"
    return _row(f"{change.canal}: {change.quantity}", visits, value, change.text)


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
    symptoms = {"none": "no symptoms", "present": "symptoms"}.get(
        str(visit.symptoms), "symptoms not stated"
    )
    return clean(f"{visit.image.file_name}; {symptoms}; scale: {scale}")


def _lesion_row(lesion: Lesion, numbers: Numbers) -> dict[str, Any]:
    notes = " ".join([lesion.declined, *(w.text for w in lesion.warnings)])
    if lesion.size is None:
        cells = ("no number" if lesion.declined else "none visible", "", "")
    else:
        size = lesion.size
        cells = (
            _area_text(size.area, numbers),
            _length_text(size.largest_diameter, numbers),
            _length_text(size.perpendicular_diameter, numbers),
        )
    return _row(f"root {lesion.root}", *cells, str(lesion.source), note=numbers.in_text(notes))


def _area_text(area: Area, numbers: Numbers) -> str:
    if area.value_mm2 is None or area.u_mm2 is None:
        return _with_u(area.value_px2, area.u_px2, "px2", numbers)
    return _with_u(area.value_mm2, area.u_mm2, "mm2", numbers)


def _length_text(length: Length, numbers: Numbers) -> str:
    if length.value_mm is None or length.u_mm is None:
        return _with_u(length.value_px, length.u_px, "px", numbers)
    return _with_u(length.value_mm, length.u_mm, "mm", numbers)


def _with_u(value: float, u: float, unit: str, numbers: Numbers) -> str:
    return f"{numbers.quantity(value, unit)} ± {numbers.uncertainty(u, unit)} {unit_text(unit)}"


def _subtractions(
    series: Series, films: Sequence[Radiograph], numbers: Numbers
) -> list[dict[str, str]]:
    """Each visit less the one before; films that cannot be aligned are told."""
    found = []
    visits = list(zip(series.visits, films, strict=True))
    for number, (before, after) in enumerate(zip(visits, visits[1:], strict=False), 1):
        try:
            subtraction, _ = subtract(before, after)
            svg, text = subtraction.svg, subtraction.text
        except AlignmentError as error:
            svg, text = "", f"No subtraction: {error.found}"
        found.append(
            {
                "head": f"Visit {number + 1} less visit {number}",
                "svg": svg,
                "text": numbers.in_text(text),
            }
        )
    return found


def _change_part(change: LesionChange, numbers: Numbers) -> dict[str, Any]:
    return {
        "head": clean(f"Lesion at root {change.root}, visit {change.before} to {change.after}"),
        "sign": SIGNS[change.verdict],
        "word": str(change.verdict),
        "reason": numbers.in_text(change.reason),
        "rows": [_change_row(one, numbers) for one in change.changes],
    }


def _change_row(change: Change, numbers: Numbers) -> dict[str, Any]:
    unit = "ratio" if change.unit == "ratio" else change.unit
    interval = ""
    if change.percent_interval is not None:
        low, high = (numbers.fixed(value, 0) for value in change.percent_interval)
        interval = f"{low} to {high} %"
    return _row(
        change.quantity,
        f"{numbers.quantity(change.before, unit)} → {numbers.quantity(change.after, unit)}",
        _with_u(change.difference, change.u_difference, unit, numbers),
        f"{numbers.quantity(change.least_significant, unit)} {unit_text(unit)}",
        f"{numbers.fixed(change.percent, 0)} %",
        interval,
    )


def _score_rows(series: Series) -> list[dict[str, Any]]:
    scales = published_scales()
    rows = []
    for number, visit in enumerate(series.visits, 1):
        for given in visit.scores:
            scale = scales[given.scale_id]
            choice = scale.choice(given.value)
            suggestion = next(
                (
                    f"the measurement suggests {s.suggested}"
                    for s in series.suggestions
                    if (s.visit, s.scale_id, s.root) == (number, scale.id, given.root)
                ),
                "",
            )
            rows.append(
                _row(
                    scale.title,
                    str(number),
                    given.root,
                    f"{choice.value}: {choice.label}",
                    suggestion,
                    f"{scale.source} ({scale.status})",
                )
            )
    return rows


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
    roots = list(dict.fromkeys(point.root for point in series.trend))
    lines = {root: [p for p in series.trend if p.root == root] for root in roots}
    lines = {root: points for root, points in lines.items() if len(points) > 1}
    if not lines:
        return ""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    style = {"font.family": "DejaVu Sans", "svg.hashsalt": "trend", "text.parse_math": False}
    with rc_context(style):
        figure = Figure(figsize=(6.2, 2.9), layout="constrained")
        axes = figure.subplots()
        for n, (root, points) in enumerate(lines.items()):
            axes.errorbar(
                [p.years for p in points],
                [p.area_mm2 for p in points],
                yerr=[1.96 * p.u_area_mm2 for p in points],
                label=clean(f"root {root}"),
                color=(colours.PLOT_WIDTH, colours.PLOT_VOID, colours.INK)[n % 3],
                linestyle=_LINES[n % len(_LINES)],
                marker=_MARKERS[n % len(_MARKERS)],
                capsize=3,
            )
        axes.set_xlabel("years since the first visit")
        axes.set_ylabel("lesion area (mm²), 95 % interval")
        axes.set_ylim(bottom=0.0)
        axes.grid(color="#d9dde2", linewidth=0.5)
        axes.spines[["top", "right"]].set_visible(False)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(lambda value, _: numbers.fixed(value, 1))
        axes.legend(frameon=False)
        buffer = io.BytesIO()
        metadata = dict.fromkeys(("Creator", "Date", "Format", "Type"))
        figure.savefig(buffer, format="svg", metadata=metadata)
    svg = buffer.getvalue().decode("utf-8")
    return svg[svg.index("<svg") :]
