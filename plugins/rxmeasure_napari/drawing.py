"""What is drawn on one film: lines and points with their words. No Qt, no napari.

Everything is in (row, col) pixels of the film; dash lengths and the shift of a
label are screen pixels, because they follow the eye and not the tooth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from rxmeasure.filling.results import CanalMeasurement, FillEnd
from rxmeasure.geometry import FloatArray, foot_on_polyline, point_at, resample, tangents
from rxmeasure.marks import PointPx, ReviewMarks
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.picture import gap_numbers
from rxmeasure.values import Length
from rxmeasure_napari import layer_style as style
from rxmeasure_napari.layer_style import LineStyle, MarkStyle
from rxmeasure_napari.review_state import (
    Handle,
    OfferedFile,
    OpenFilm,
    handles_of,
    proposal_handles,
)

if TYPE_CHECKING:
    from rxmeasure.proposals import CanalProposal

#: Signs before the number of a proposed line and of one that is not proposed.
PROPOSAL_SIGN = "?"
DECLINED_SIGN = "–"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stroke:
    """A polyline, shape (N, 2) pixels, and how it is drawn."""

    points_px: FloatArray
    style: LineStyle


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnPoint:
    """A point with a symbol, a label, or both.

    ``shift_px`` moves the label from the point, (down, right) in screen pixels;
    ``align`` -1 ends the label there, 0 centres it, +1 begins it there.
    """

    point_px: PointPx
    symbol: MarkStyle | None = None
    text: str = ""
    text_colour: str = "#ffffff"
    shift_px: tuple[float, float] = (0.0, 0.0)
    align: int = 0
    chosen: bool = False


@dataclass(slots=True, kw_only=True)
class Drawing:
    """All that is drawn on one film."""

    strokes: list[Stroke] = field(default_factory=list)
    points: list[DrawnPoint] = field(default_factory=list)

    def line(self, points_px: ArrayLike, line_style: LineStyle) -> None:
        """Add a polyline of two points or more."""
        points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        if len(points) > 1:
            self.strokes.append(Stroke(points_px=points, style=line_style))


@dataclass(frozen=True, slots=True, kw_only=True)
class InFront:
    """What the reader works on; all None for a film in the background.

    ``proposal`` is there while proposals are shown; ``declined``: lines not proposed are too.
    """

    canal: str | None = None
    handle: Handle | None = None
    place_px: float | None = None
    gap: int | None = None
    proposal: CanalProposal | None = None
    declined: bool = False


def draw_film(film: OpenFilm, front: InFront, numbers: Numbers) -> Drawing:
    """Draw marks and results of one film."""
    drawing = Drawing()
    marks = film.provisional or film.marks
    _references(drawing, film, marks, numbers)
    if film.offered_file is not None and film.provisional is None:
        _offered_file(drawing, film.offered_file, front)
    named = gap_numbers(film.review) if film.review is not None else {}
    begun: list[PointPx] = []
    for canal in marks.canals:
        measured = film.measured(canal.name)
        here = canal.name == front.canal
        previewed = film.preview_canal == canal.name and film.preview is not None
        if measured is not None and not previewed:
            title = canal.name if canal.confirmed else f"{canal.name} {canal.origin}"
            _centre_line(drawing, measured, begun, title, here=here, numbers=numbers)
            _filling(drawing, measured, here=here, numbers=numbers)
            for k in range(len(measured.gaps)):
                _gap(drawing, measured, k, named[canal.name, k], chosen=here and k == front.gap)
            if here and front.place_px is not None:
                _place(drawing, measured, front.place_px)
        elif not previewed:
            drawing.line(canal.clicks_px, style.CENTRE_UNSEEN)
    if film.preview is not None:
        _preview(drawing, film, numbers)
    _handles(drawing, marks, front)
    if front.proposal is not None:
        _proposals(drawing, film, front)
    if front.declined and film.proposals is not None:
        for number, declined in enumerate(film.proposals.declined, 1):
            drawing.line(declined.points_px, style.GROUND)
            drawing.line(declined.points_px, style.DECLINED)
            middle = declined.points_px[len(declined.points_px) // 2]
            words = f"{DECLINED_SIGN} {number}"
            drawing.points.append(_label(middle, words, style.DECLINED, (0.0, 8.0), align=1))
    return drawing


def _proposals(drawing: Drawing, film: OpenFilm, front: InFront) -> None:
    """Proposals without an answer; one whose point is being dragged is a canal already."""
    dragged = front.handle.proposal if front.handle and film.provisional is not None else None
    for proposal in film.offered:
        if proposal == dragged:
            continue
        here = proposal == front.proposal
        line = np.asarray(proposal.clicks_px)
        drawing.line(line, style.GROUND)
        drawing.line(line, style.PROPOSAL if here else style.PROPOSAL_BEHIND)
        end = np.asarray(proposal.fill_end_px)
        across = 8.0 * _across(line, foot_on_polyline(line, end)[0])
        drawing.line([end - across, end + across], style.PROPOSAL_END)
        words = f"{PROPOSAL_SIGN} {film.number_of(proposal)} proposed"
        outward = -22.0 * tangents(line)[0]
        shift = (float(outward[0]), float(outward[1]))
        drawing.points.append(_label(proposal.clicks_px[0], words, style.PROPOSAL, shift))
    for handle in proposal_handles(film):
        if handle.proposal != dragged:
            drawing.points.append(
                DrawnPoint(
                    point_px=handle.point_px,
                    symbol=style.PROPOSAL_POINT,
                    chosen=handle.same_as(front.handle),
                )
            )


def _label(
    point_px: PointPx,
    text: str,
    line_style: LineStyle,
    shift_px: tuple[float, float],
    *,
    align: int = 0,
) -> DrawnPoint:
    return DrawnPoint(
        point_px=point_px,
        text=text,
        text_colour=line_style.colour,
        shift_px=shift_px,
        align=align,
    )


def _centre_line(
    drawing: Drawing,
    measured: CanalMeasurement,
    begun: list[PointPx],
    title: str,
    *,
    here: bool,
    numbers: Numbers,
) -> None:
    """The line and its label; labels of canals that begin in one place stand one over another."""
    line = np.asarray(measured.centre_line.points_px)
    drawing.line(line, style.CENTRE if here else style.OTHER_CANAL)
    first = measured.centre_line.points_px[0]
    length = measured.canal_length.value_px
    before = sum(bool(np.hypot(*np.subtract(first, p)) < 0.2 * length) for p in begun)
    begun.append(first)
    outward = -tangents(line)[0] * (22.0 + 18.0 * before)
    words = f"  {length_text(measured.canal_length, numbers)}" if here else ""
    drawing.points.append(
        DrawnPoint(
            point_px=first,
            text=title + words,
            text_colour=style.CENTRE.colour,
            shift_px=(float(outward[0]), float(outward[1])),
        )
    )


def _filling(drawing: Drawing, measured: CanalMeasurement, *, here: bool, numbers: Numbers) -> None:
    if here and measured.profile:
        ordered = sorted(measured.profile, key=lambda p: p.s_px)
        drawing.line([p.left_edge_px for p in ordered], style.EDGE)
        drawing.line([p.right_edge_px for p in ordered], style.EDGE)
    if measured.puff is not None:
        drawing.line(closed(measured.puff.outline_px), style.PUFF)
    if measured.apex_px is not None:
        _cross(drawing, measured, measured.apex_px, style.APEX, 9.0)
    _end(drawing, measured, measured.core_end, style.CORE_END)
    if measured.sealer_end is not None and measured.core_end != measured.sealer_end:
        _end(drawing, measured, measured.sealer_end, style.SEALER_END)
    if here:
        _end_words(drawing, measured, numbers)


def _end_words(drawing: Drawing, measured: CanalMeasurement, numbers: Numbers) -> None:
    """Words on where the filling ends, in the bone beyond the tooth and the filling."""
    text = end_text(measured, numbers)
    if not text or measured.core_end is None:
        return
    line = np.asarray(measured.centre_line.points_px)
    out = tangents(line)[-1]
    ends = [line[-1], measured.core_end.point_px]
    if measured.sealer_end is not None:
        ends.append(measured.sealer_end.point_px)
    if measured.puff is not None:
        ends.extend(measured.puff.outline_px)
    last = max((np.asarray(end) for end in ends), key=lambda end: float(end @ out))
    drawing.points.append(
        DrawnPoint(
            point_px=(float(last[0]), float(last[1])),
            text=text,
            text_colour=style.CORE_END.colour,
            shift_px=(float(26.0 * out[0]), float(26.0 * out[1])),
        )
    )


def _end(
    drawing: Drawing, measured: CanalMeasurement, end: FillEnd | None, line_style: LineStyle
) -> None:
    if end is not None:
        _cross(drawing, measured, end.point_px, line_style, 13.0)


def _cross(
    drawing: Drawing,
    measured: CanalMeasurement,
    point_px: PointPx,
    line_style: LineStyle,
    half_px: float,
) -> None:
    """A short line across the canal through a point."""
    line = np.asarray(measured.centre_line.points_px)
    s, _ = foot_on_polyline(line, point_px)
    across = _across(line, s)
    point = np.asarray(point_px)
    drawing.line([point - half_px * across, point + half_px * across], line_style)


def _place(drawing: Drawing, measured: CanalMeasurement, s_px: float) -> None:
    line = np.asarray(measured.centre_line.points_px)
    point, across = point_at(line, s_px), _across(line, s_px)
    drawing.line([point - 22.0 * across, point + 22.0 * across], style.PLACE)


def _across(line: FloatArray, s: float) -> FloatArray:
    ahead = point_at(line, s + 1.0) - point_at(line, s - 1.0)
    along = ahead / max(float(np.hypot(*ahead)), 1e-9)
    return np.array([along[1], -along[0]])


def _gap(
    drawing: Drawing, measured: CanalMeasurement, k: int, number: int, *, chosen: bool
) -> None:
    gap = measured.gaps[k]
    outline = closed(gap.outline_px)
    drawing.line(outline, style.VOID)
    if chosen and len(outline):
        centre = outline.mean(axis=0)
        drawing.line(centre + 1.6 * (outline - centre), style.PLACE)
    # Left and right by turns, so that numbers of neighbours keep apart.
    side = 1 if number % 2 == 0 else -1
    drawing.points.append(
        DrawnPoint(
            point_px=gap.centre_px,
            text=str(number),
            text_colour=style.VOID.colour,
            shift_px=(0.0, side * 20.0),
            align=side,
        )
    )


def closed(outline_px: Sequence[PointPx]) -> FloatArray:
    """An outline that comes back to its first point."""
    points = np.asarray(outline_px, dtype=np.float64).reshape(-1, 2)
    return np.vstack([points, points[:1]]) if len(points) else points


def _preview(drawing: Drawing, film: OpenFilm, numbers: Numbers) -> None:
    assert film.preview is not None
    points = np.asarray(film.preview.points_px)
    seen = np.asarray(film.preview.seen, dtype=bool)
    for first, last in runs(seen):
        part = points[max(first - 1, 0) : last]
        drawing.line(part, style.CENTRE if seen[first] else style.CENTRE_UNSEEN)
    drawing.points.append(
        DrawnPoint(
            point_px=film.preview.points_px[-1],
            text=f"{film.preview_canal}  {length_text(film.preview.length, numbers)}",
            text_colour=style.CENTRE.colour,
            shift_px=(0.0, 18.0),
            align=1,
        )
    )


def runs(flags: ArrayLike) -> list[tuple[int, int]]:
    """First and one-past-last index of each run of equal values."""
    values = np.asarray(flags)
    cuts = [0, *(np.flatnonzero(values[1:] != values[:-1]) + 1).tolist(), len(values)]
    return [(a, b) for a, b in zip(cuts[:-1], cuts[1:], strict=True) if b > a]


def _references(drawing: Drawing, film: OpenFilm, marks: ReviewMarks, numbers: Numbers) -> None:
    results = film.calibration.references if film.calibration is not None else ()
    traced = {r.reference: r for r in results}
    for reference in marks.references:
        result = traced.get(reference)
        path = result.path_px if result is not None else reference.points_px
        if len(path) < 2:
            continue
        drawing.line(path, style.REFERENCE)
        if reference.length_mm > 0.0:
            first = np.asarray(path[0])
            outward = first - np.asarray(path[-1])
            outward = 18.0 * outward / max(float(np.hypot(*outward)), 1e-9)
            drawing.points.append(
                DrawnPoint(
                    point_px=path[0],
                    text=f"{numbers.quantity(reference.length_mm, 'mm')} mm",
                    text_colour=style.REFERENCE.colour,
                    shift_px=(float(outward[0]), float(outward[1])),
                )
            )


def _offered_file(drawing: Drawing, offered: OfferedFile, front: InFront) -> None:
    """A file that waits for an answer: dotted, its ends named with a question mark."""
    drawing.line(offered.found.path_px, style.OFFERED)
    for handle, word in zip(offered.handles, ("stop?", "tip?"), strict=True):
        drawing.points.append(
            DrawnPoint(
                point_px=handle.point_px,
                symbol=style.OFFERED_POINT,
                text=word,
                text_colour=style.OFFERED.colour,
                shift_px=(0.0, 12.0),
                align=1,
                chosen=handle.same_as(front.handle),
            )
        )


def _handles(drawing: Drawing, marks: ReviewMarks, front: InFront) -> None:
    def add(handle: Handle, mark_style: MarkStyle, text: str = "") -> None:
        drawing.points.append(
            DrawnPoint(
                point_px=handle.point_px,
                symbol=mark_style,
                text=text,
                shift_px=(0.0, 12.0),
                align=1,
                chosen=handle.same_as(front.handle),
            )
        )

    for handle in handles_of(marks):
        if handle.kind == "reference":
            add(handle, style.REFERENCE_POINT)
        elif handle.canal == front.canal or front.canal is None:
            if handle.kind == "click":
                add(handle, style.CLICK)
            else:
                words = handle.landmark.replace("_", " ").replace("radiographic ", "")
                add(handle, style.LANDMARK, words)


def length_text(length: Length | None, numbers: Numbers) -> str:
    """A length with its uncertainty; pixels where there is no scale."""
    if length is None:
        return ""
    if length.value_mm is not None and length.u_mm is not None:
        value = numbers.quantity(length.value_mm, "mm")
        return f"{value} ± {numbers.uncertainty(length.u_mm, 'mm')} mm"
    return f"{numbers.quantity(length.value_px, 'px')} px"


def end_text(measured: CanalMeasurement, numbers: Numbers) -> str:
    """Where the fill, file or cone ends, in words: short of the apex, at it, or beyond."""
    gap = measured.tip_to_apex or measured.fill_to_apex_core
    if gap is None:
        return ""
    value, unit = (gap.value_px, "px") if gap.value_mm is None else (gap.value_mm, "mm")
    word = "short" if value >= 0 else "beyond"
    return f"{numbers.quantity(abs(value), unit)} {unit} {word}"


def dashed(points_px: FloatArray, dash: float, gap: float) -> list[FloatArray]:
    """A polyline cut into dashes of that length (pixels of the film), gaps between."""
    if dash <= 0.0:
        return [points_px]
    fine = resample(points_px, step=max(min(dash, gap) / 2.0, 0.25))
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(fine, axis=0).T))])
    on = (s % (dash + gap)) < dash
    return [fine[a : b + 1] for a, b in runs(on) if on[a] and b - a > 0]
