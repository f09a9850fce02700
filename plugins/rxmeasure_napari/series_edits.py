"""Edits of a series' marks: each takes marks and returns new ones. No Qt, no napari.

Visits count from 1; points are (row, col) in pixels of the visit's film. An outline may
have fewer points than it needs, and landmarks no partner yet: see `finished`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from rxmeasure.errors import RecallError
from rxmeasure.geometry import polyline_length, resample
from rxmeasure.marks import PointPx
from rxmeasure.recall.dates import parse_date
from rxmeasure.recall.pairs import PairLandmarks
from rxmeasure.recall.scores import ReaderScore, Suggest, Symptoms
from rxmeasure.recall.series import MOST_VISITS, LesionMark, SeriesMarks, VisitMarks
from rxmeasure_napari.series_state import SeriesHandle

#: Points that make an outline.
LEAST_OUTLINE = 3
#: Points of an outline that is to be dragged (choice: the area stays within 1 %).
ADJUSTABLE_POINTS = 32


def finished(marks: SeriesMarks) -> SeriesMarks:
    """The part of unfinished marks that can be compared."""
    return replace(
        marks,
        visits=tuple(
            replace(visit, lesions=tuple(one for one in visit.lesions if is_finished(one)))
            for visit in marks.visits
        ),
        landmarks=tuple(pair for pair in marks.landmarks if pair.usable),
    )


def is_finished(mark: LesionMark) -> bool:
    """Whether a finding can be measured."""
    outlined = len(mark.outline_px) >= LEAST_OUTLINE
    return mark.none_visible or mark.seed_px is not None or outlined


# Visits.


def add_visit(marks: SeriesMarks, image: Path, date: str = "") -> SeriesMarks:
    """One more visit at the end."""
    if len(marks.visits) >= MOST_VISITS:
        raise RecallError(
            found=f"{len(marks.visits)} visits.",
            needed=f"{MOST_VISITS} at most.",
            next_step="Take a visit away first.",
        )
    return replace(marks, visits=(*marks.visits, VisitMarks(image=str(image), date=date)))


def date_of(*texts: str) -> str:
    """The first of several texts that is a date, as YYYY-MM-DD; empty where none is."""
    for text in texts:
        try:
            if day := parse_date(text):
                return day.isoformat()
        except RecallError:
            continue
    return ""


def remove_visit(marks: SeriesMarks, number: int) -> SeriesMarks:
    """Without that visit; the points that align it go with it."""
    return _reordered(marks, [n for n in range(1, len(marks.visits) + 1) if n != number])


def by_date(marks: SeriesMarks) -> SeriesMarks:
    """Visits from the earliest to the latest; those without a date stay last, as they were."""
    numbers = range(1, len(marks.visits) + 1)
    return _reordered(marks, sorted(numbers, key=lambda n: marks.visits[n - 1].date or "9999"))


def _reordered(marks: SeriesMarks, order: Sequence[int]) -> SeriesMarks:
    """Visits in a new order, given by their old numbers; left out are taken away."""
    new = {old: number for number, old in enumerate(order, 1)}
    return replace(
        marks,
        visits=tuple(marks.visits[old - 1] for old in order),
        landmarks=tuple(
            _turned(replace(pair, before=new[pair.before], after=new[pair.after]))
            for pair in marks.landmarks
            if pair.before in new and pair.after in new
        ),
    )


def _turned(pair: PairLandmarks) -> PairLandmarks:
    """The earlier visit first."""
    if pair.before < pair.after:
        return pair
    return PairLandmarks(
        before=pair.after, after=pair.before, first_px=pair.second_px, second_px=pair.first_px
    )


def set_date(marks: SeriesMarks, number: int, date: str) -> SeriesMarks:
    """The date of a visit, YYYY-MM-DD or empty; raises RecallError for another text."""
    return _with_visit(marks, number, lambda visit: replace(visit, date=_checked(date)))


def set_treated(marks: SeriesMarks, date: str) -> SeriesMarks:
    """The date of the treatment, YYYY-MM-DD or empty; raises RecallError for another text."""
    return replace(marks, treated=_checked(date))


def set_suggest(marks: SeriesMarks, when: Suggest) -> SeriesMarks:
    """When the reader sees what the measurement suggests."""
    return replace(marks, suggest=when)


def set_differing_reason(marks: SeriesMarks, reason: str) -> SeriesMarks:
    """Why visits of another tooth or pseudonym are compared all the same."""
    return replace(marks, differing_reason=reason)


def _checked(date: str) -> str:
    day = parse_date(date)
    return "" if day is None else day.isoformat()


def set_symptoms(marks: SeriesMarks, number: int, symptoms: Symptoms) -> SeriesMarks:
    """Signs and symptoms at a visit."""
    return _with_visit(marks, number, lambda visit: replace(visit, symptoms=symptoms))


def set_scores(marks: SeriesMarks, number: int, scores: tuple[ReaderScore, ...]) -> SeriesMarks:
    """The reader's scores at a visit."""
    return _with_visit(marks, number, lambda visit: replace(visit, scores=scores))


def _with_visit(
    marks: SeriesMarks, number: int, change: Callable[[VisitMarks], VisitMarks]
) -> SeriesMarks:
    visits = list(marks.visits)
    visits[number - 1] = change(visits[number - 1])
    return replace(marks, visits=tuple(visits))


# Findings.


def finding(marks: SeriesMarks, number: int, root: str) -> LesionMark | None:
    """What is marked at a root at a visit."""
    return next((one for one in marks.visits[number - 1].lesions if one.root == root), None)


def set_finding(marks: SeriesMarks, number: int, mark: LesionMark) -> SeriesMarks:
    """A finding at its root, in the place of the one that was there."""
    if not mark.root.strip():
        raise RecallError(
            found="a lesion without a root.",
            needed="the root or canal at whose apex it lies.",
            next_step="Type the name of the root, the same at every visit.",
        )

    def change(visit: VisitMarks) -> VisitMarks:
        roots = [one.root for one in visit.lesions]
        if mark.root not in roots:
            return replace(visit, lesions=(*visit.lesions, mark))
        lesions = list(visit.lesions)
        lesions[roots.index(mark.root)] = mark
        return replace(visit, lesions=tuple(lesions))

    return _with_visit(marks, number, change)


def remove_finding(marks: SeriesMarks, number: int, root: str) -> SeriesMarks:
    """Without what was marked at a root at a visit."""
    return _with_visit(
        marks,
        number,
        lambda visit: replace(
            visit, lesions=tuple(one for one in visit.lesions if one.root != root)
        ),
    )


def add_outline_point(marks: SeriesMarks, number: int, root: str, point_px: PointPx) -> SeriesMarks:
    """One more point of the outline at a root; the first takes the place of what was marked."""
    known = finding(marks, number, root)
    points = known.outline_px if known is not None else ()
    return set_finding(marks, number, LesionMark(root=root, outline_px=(*points, point_px)))


def adjustable(root: str, outline_px: Sequence[PointPx]) -> LesionMark:
    """An outline that was found, as one of the reader with few enough points to drag."""
    closed = (*outline_px, outline_px[0])
    points = resample(closed, polyline_length(closed) / ADJUSTABLE_POINTS)[:-1]
    return LesionMark(root=root, outline_px=tuple((float(r), float(c)) for r, c in points))


# Points.


def add_landmark(
    marks: SeriesMarks, before: int, after: int, visit: int, point_px: PointPx
) -> SeriesMarks:
    """One more point in the film of one visit of a pair."""
    pair = _pair(marks, before, after)
    if visit == before:
        pair = replace(pair, first_px=(*pair.first_px, point_px))
    else:
        pair = replace(pair, second_px=(*pair.second_px, point_px))
    return _with_pair(marks, pair)


def clear_landmarks(marks: SeriesMarks, before: int, after: int) -> SeriesMarks:
    """A pair without points of the reader."""
    return _with_pair(marks, PairLandmarks(before=before, after=after))


def _pair(marks: SeriesMarks, before: int, after: int) -> PairLandmarks:
    known = (p for p in marks.landmarks if (p.before, p.after) == (before, after))
    return next(known, PairLandmarks(before=before, after=after))


def _with_pair(marks: SeriesMarks, pair: PairLandmarks) -> SeriesMarks:
    others = [p for p in marks.landmarks if (p.before, p.after) != (pair.before, pair.after)]
    kept = [pair] if pair.first_px or pair.second_px else []
    return replace(marks, landmarks=(*others, *kept))


def moved(
    marks: SeriesMarks, handle: SeriesHandle, point_px: PointPx, pair: tuple[int, int]
) -> SeriesMarks:
    """Marks with the point of that handle at another place; ``pair`` is the one in front."""
    if handle.kind == "seed":
        return set_finding(marks, handle.visit, LesionMark(root=handle.root, seed_px=point_px))
    if handle.kind == "landmark":
        known = _pair(marks, *pair)
        if handle.visit == pair[0]:
            first = _replaced(known.first_px, handle.index, point_px)
            return _with_pair(marks, replace(known, first_px=first))
        second = _replaced(known.second_px, handle.index, point_px)
        return _with_pair(marks, replace(known, second_px=second))
    mark = finding(marks, handle.visit, handle.root) or LesionMark(root=handle.root)
    points = _replaced(mark.outline_px, handle.index, point_px)
    return set_finding(marks, handle.visit, replace(mark, outline_px=points))


def without(marks: SeriesMarks, handle: SeriesHandle, pair: tuple[int, int]) -> SeriesMarks:
    """Marks without the point of that handle; a landmark goes with its partner."""
    if handle.kind == "seed":
        return remove_finding(marks, handle.visit, handle.root)
    if handle.kind == "landmark":
        known = _pair(marks, *pair)
        return _with_pair(
            marks,
            replace(
                known,
                first_px=_left_out(known.first_px, handle.index),
                second_px=_left_out(known.second_px, handle.index),
            ),
        )
    mark = finding(marks, handle.visit, handle.root) or LesionMark(root=handle.root)
    points = _left_out(mark.outline_px, handle.index)
    if not points:
        return remove_finding(marks, handle.visit, handle.root)
    return set_finding(marks, handle.visit, replace(mark, outline_px=points))


def _replaced(points: tuple[PointPx, ...], index: int, point_px: PointPx) -> tuple[PointPx, ...]:
    return (*points[:index], point_px, *points[index + 1 :])


def _left_out(points: tuple[PointPx, ...], index: int) -> tuple[PointPx, ...]:
    return points[:index] + points[index + 1 :]
