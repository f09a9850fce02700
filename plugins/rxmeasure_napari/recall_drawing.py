"""What is drawn on the films of a series: lesions with their sizes, points, the divider.

No Qt, no napari. Everything is in (row, col) pixels of the film that it is drawn on.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from rxmeasure.errors import RxMeasureError
from rxmeasure.geometry import FloatArray
from rxmeasure.marks import PointPx
from rxmeasure.recall.lesion import Lesion, LesionSource
from rxmeasure.recall.plane_map import mapped
from rxmeasure.recall.series import LesionMark
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.series_words import with_u
from rxmeasure_napari import layer_style as style
from rxmeasure_napari.drawing import Drawing, DrawnPoint, closed
from rxmeasure_napari.layer_style import LineStyle
from rxmeasure_napari.series_edits import is_finished
from rxmeasure_napari.series_state import (
    SeriesState,
    View,
    handles_of,
    landmark_handles,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaidOver:
    """The later visit on the film of the earlier one: its number and the map to it."""

    visit: int
    to_first: FloatArray


def draw_visit(
    series: SeriesState, number: int, numbers: Numbers, laid_over: LaidOver | None = None
) -> Drawing:
    """Draw the film of a visit, and on it what the later visit of an overlay shows."""
    drawing = Drawing()
    film, front = series.film_of(number), series.front
    if film is None:
        return drawing
    for canal in film.review.canals if film.review is not None else ():
        drawing.line(canal.centre_line.points_px, style.OTHER_CANAL)
    _findings(drawing, series, number, numbers)
    if laid_over is not None:
        _later_findings(drawing, series, laid_over, numbers)
        if front.view is View.SWIPE:
            rows, cols = film.radiograph.shape
            col = front.divider * cols - 0.5
            drawing.line([(-0.5, col), (rows - 0.5, col)], style.DIVIDER)
        _names_laid_over(drawing, series, film.radiograph.shape[1])
    else:
        _name(drawing, visit_name(series, number))
        _points(drawing, series, number)
    return drawing


def visit_name(series: SeriesState, number: int) -> str:
    """The visit and its date."""
    visit = series.visit(number)
    return f"visit {number}  {visit.date if visit is not None else ''}".strip()


def _names_laid_over(drawing: Drawing, series: SeriesState, cols: int) -> None:
    """Which visit is seen where."""
    front = series.front
    earlier, later = visit_name(series, front.before), visit_name(series, front.after)
    if front.view is View.SWIPE:
        _name(drawing, earlier)
        _name(drawing, later, col=float(cols), align=-1)
    elif front.view is View.SUBTRACTION:
        _name(drawing, f"visit {front.after} less visit {front.before}")
    else:
        _name(drawing, later if front.later_up else earlier)


def _name(drawing: Drawing, words: str, *, col: float = 0.0, align: int = 1) -> None:
    """Words in an upper corner of the film."""
    drawing.points.append(
        DrawnPoint(
            point_px=(0.0, col),
            text=words,
            text_colour=style.LANDMARK.colour,
            shift_px=(20.0, 30.0 * align),
            align=align,
        )
    )


def _findings(drawing: Drawing, series: SeriesState, number: int, numbers: Numbers) -> None:
    visit = (series.provisional or series.marks).visits[number - 1]
    for mark in visit.lesions:
        found = series.lesion(number, mark)
        here = mark.root == series.front.root
        if isinstance(found, Lesion) and found.outline_px:
            line = style.LESION if here else style.LESION_BEHIND
            measured = found if found.size is not None else None
            _outline(drawing, found.outline_px, line if measured else style.LESION_UNMEASURED)
            drawing.points.append(_label(found.outline_px, _words(series, found, numbers)))
        elif len(mark.outline_px) > 1:
            _outline(drawing, mark.outline_px, style.LESION_UNMEASURED)
        if mark.seed_px is not None and not (isinstance(found, Lesion) and found.outline_px):
            words = f"{mark.root}: {_why_no_outline(mark, found)}"
            drawing.points.append(_label([mark.seed_px], words))


def _why_no_outline(mark: LesionMark, found: Lesion | RxMeasureError | None) -> str:
    if found is None:
        return "measuring …" if is_finished(mark) else ""
    return "no outline found"


def _outline(drawing: Drawing, points_px: Iterable[PointPx], line: LineStyle) -> None:
    drawing.line(closed(list(points_px)), line)


def _later_findings(
    drawing: Drawing, series: SeriesState, laid_over: LaidOver, numbers: Numbers
) -> None:
    """Lesions of the later visit, dashed, their words above them."""
    visit = series.visit(laid_over.visit)
    for mark in visit.lesions if visit is not None else ():
        found = series.lesion(laid_over.visit, mark)
        if not isinstance(found, Lesion) or not found.outline_px:
            continue
        there = mapped(laid_over.to_first, np.asarray(found.outline_px))
        outline = [(float(r), float(c)) for r, c in there]
        _outline(drawing, outline, style.LESION_LATER)
        drawing.points.append(
            DrawnPoint(
                point_px=(float(there[:, 0].min()), float(there[:, 1].mean())),
                text=f"visit {laid_over.visit}, {_words(series, found, numbers)}",
                text_colour=style.LESION_LATER.colour,
                shift_px=(-14.0, 0.0),
            )
        )


def _points(drawing: Drawing, series: SeriesState, number: int) -> None:
    front = series.front
    marks = series.provisional or series.marks
    for handle in handles_of(marks):
        if handle.visit != number or (handle.kind == "outline" and handle.root != front.root):
            continue
        drawing.points.append(
            DrawnPoint(
                point_px=handle.point_px,
                symbol=style.SEED if handle.kind == "seed" else style.OUTLINE_POINT,
                chosen=handle.same_as(front.handle),
            )
        )
    for handle in landmark_handles(series.pair_marks(front.before, front.after)):
        if handle.visit == number:
            drawing.points.append(
                DrawnPoint(
                    point_px=handle.point_px,
                    symbol=style.PAIR_POINT,
                    text=str(handle.index + 1),
                    text_colour=style.REFERENCE.colour,
                    shift_px=(0.0, 10.0),
                    align=1,
                    chosen=handle.same_as(front.handle),
                )
            )


def _label(outline_px: Iterable[PointPx], words: str) -> DrawnPoint:
    """Words below an outline, in the bone beyond the root or over it."""
    points = np.asarray(list(outline_px))
    return DrawnPoint(
        point_px=(float(points[:, 0].max()), float(points[:, 1].mean())),
        text=words,
        text_colour=style.LESION.colour,
        shift_px=(16.0, 0.0),
    )


def _words(series: SeriesState, lesion: Lesion, numbers: Numbers) -> str:
    """Root and area, or the root alone while scores are given."""
    return lesion.root if series.front.scoring else size_words(lesion, numbers)


def size_words(lesion: Lesion, numbers: Numbers) -> str:
    """Root and area of a lesion, or that there is no number."""
    if lesion.source is LesionSource.NONE_VISIBLE:
        return f"{lesion.root}: no lesion visible"
    if lesion.size is None:
        return f"{lesion.root}: no number"
    area = lesion.size.area
    if area.value_mm2 is None or area.u_mm2 is None:
        return f"{lesion.root}: {with_u(area.value_px2, area.u_px2, 'px2', numbers)}"
    return f"{lesion.root}: {with_u(area.value_mm2, area.u_mm2, 'mm2', numbers)}"
