"""Laws of the state of a series and of its edits. No Qt."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rxmeasure_napari import series_edits
from rxmeasure_napari.series_state import (
    SeriesHandle,
    SeriesState,
    handles_of,
    landmark_handles,
)

from rxmeasure.errors import RecallError
from rxmeasure.geometry import polygon_area
from rxmeasure.recall.pairs import PairLandmarks
from rxmeasure.recall.series import LesionMark, SeriesMarks

POINTS = ((10.0, 10.0), (10.0, 40.0), (40.0, 40.0))


def visits(count: int, *, dates: tuple[str, ...] = ()) -> SeriesMarks:
    marks = SeriesMarks(visits=())
    for number in range(1, count + 1):
        date = dates[number - 1] if dates else f"202{number}-03-01"
        marks = series_edits.add_visit(marks, Path(f"visit-{number}.png"), date)
    return marks


def opened(marks: SeriesMarks) -> SeriesState:
    series = SeriesState([])
    series.edit("visits", marks)
    return series


def names(marks: SeriesMarks) -> list[str]:
    return [visit.image for visit in marks.visits]


# Visits.


def test_an_eleventh_visit_is_refused() -> None:
    with pytest.raises(RecallError):
        series_edits.add_visit(visits(10, dates=("",) * 10), Path("more.png"))


def test_points_follow_their_visits_when_the_order_changes() -> None:
    marks = visits(3, dates=("2023-01-01", "2021-01-01", ""))
    pair = PairLandmarks(before=1, after=2, first_px=POINTS[:2], second_px=POINTS[1:])
    marks = series_edits.by_date(replace(marks, landmarks=(pair,)))
    assert names(marks) == ["visit-2.png", "visit-1.png", "visit-3.png"]
    assert marks.landmarks == (
        PairLandmarks(before=1, after=2, first_px=POINTS[1:], second_px=POINTS[:2]),
    )


def test_points_of_a_visit_that_is_taken_away_go_with_it() -> None:
    pairs = (
        PairLandmarks(before=1, after=2, first_px=POINTS, second_px=POINTS),
        PairLandmarks(before=2, after=3, first_px=POINTS, second_px=POINTS),
    )
    marks = series_edits.remove_visit(replace(visits(3), landmarks=pairs), 1)
    assert names(marks) == ["visit-2.png", "visit-3.png"]
    assert [(p.before, p.after) for p in marks.landmarks] == [(1, 2)]


@pytest.mark.parametrize(
    ("texts", "day"),
    [
        (("2024-01-12", "2023-01-01"), "2024-01-12"),
        (("", "2023-01-01"), "2023-01-01"),
        (("", "first recall"), ""),
    ],
)
def test_a_date_is_taken_from_where_one_can_be_read(texts: tuple[str, ...], day: str) -> None:
    assert series_edits.date_of(*texts) == day


@pytest.mark.parametrize("text", ["12.1.2024", "2024-13-01", "soon"])
def test_a_text_that_is_no_date_is_refused(text: str) -> None:
    with pytest.raises(RecallError, match="YYYY-MM-DD"):
        series_edits.set_date(visits(1), 1, text)


# Findings.


def test_one_finding_a_root_and_visit() -> None:
    marks = series_edits.set_finding(visits(2), 1, LesionMark(root="MB", none_visible=True))
    marks = series_edits.set_finding(marks, 1, LesionMark(root="D", seed_px=POINTS[0]))
    marks = series_edits.set_finding(marks, 1, LesionMark(root="MB", seed_px=POINTS[1]))
    assert [one.root for one in marks.visits[0].lesions] == ["MB", "D"]
    assert series_edits.finding(marks, 1, "MB") == LesionMark(root="MB", seed_px=POINTS[1])
    assert marks.visits[1].lesions == ()
    assert series_edits.finding(series_edits.remove_finding(marks, 1, "MB"), 1, "MB") is None


def test_a_lesion_needs_a_root() -> None:
    with pytest.raises(RecallError, match="root"):
        series_edits.set_finding(visits(1), 1, LesionMark(root=" ", none_visible=True))


def test_what_is_not_finished_is_left_out_of_the_comparison() -> None:
    marks = series_edits.add_outline_point(visits(2), 1, "MB", POINTS[0])
    marks = series_edits.add_outline_point(marks, 1, "MB", POINTS[1])
    marks = series_edits.add_landmark(marks, 1, 2, 1, POINTS[0])
    left = series_edits.finished(marks)
    assert left.visits[0].lesions == ()
    assert left.landmarks == ()
    whole = series_edits.add_outline_point(marks, 1, "MB", POINTS[2])
    assert series_edits.finished(whole).visits[0].lesions[0].outline_px == POINTS


def test_an_outline_that_was_found_keeps_its_size_with_fewer_points() -> None:
    import numpy as np

    t = np.linspace(0.0, 2.0 * np.pi, 180, endpoint=False)
    found = tuple((float(a), float(b)) for a, b in 50.0 * np.column_stack([np.sin(t), np.cos(t)]))
    mark = series_edits.adjustable("MB", found)
    assert len(mark.outline_px) == series_edits.ADJUSTABLE_POINTS
    assert polygon_area(mark.outline_px) == pytest.approx(polygon_area(found), rel=0.01)


# Points.


def marked() -> SeriesMarks:
    marks = series_edits.set_finding(visits(2), 1, LesionMark(root="MB", outline_px=POINTS))
    marks = series_edits.set_finding(marks, 2, LesionMark(root="MB", seed_px=POINTS[0]))
    for point in POINTS:
        marks = series_edits.add_landmark(marks, 1, 2, 1, point)
        marks = series_edits.add_landmark(marks, 1, 2, 2, point)
    return marks


def all_handles(marks: SeriesMarks) -> list[SeriesHandle]:
    return [*handles_of(marks), *landmark_handles(marks.landmarks[0])]


@pytest.mark.parametrize("place", range(10))
def test_a_point_is_moved_alone(place: int) -> None:
    marks = marked()
    before = all_handles(marks)
    assert len(before) == 10
    after = all_handles(series_edits.moved(marks, before[place], (77.0, 88.0), (1, 2)))
    assert after[place] == replace(before[place], point_px=(77.0, 88.0))
    assert after[:place] + after[place + 1 :] == before[:place] + before[place + 1 :]


@pytest.mark.parametrize("place", range(10))
def test_a_point_is_taken_out_and_a_landmark_with_its_partner(place: int) -> None:
    marks = marked()
    handle = all_handles(marks)[place]
    left = series_edits.without(marks, handle, (1, 2))
    gone = 2 if handle.kind == "landmark" else 1
    assert len(all_handles(left)) == 10 - gone
    assert all(len(p.first_px) == len(p.second_px) for p in left.landmarks)


def test_the_last_point_takes_its_finding_and_its_pair_away() -> None:
    marks = marked()
    for _ in POINTS:
        handle = next(h for h in handles_of(marks) if h.kind == "outline")
        marks = series_edits.without(marks, handle, (1, 2))
    assert marks.visits[0].lesions == ()
    for _ in POINTS:
        handle = landmark_handles(marks.landmarks[0])[0]
        marks = series_edits.without(marks, handle, (1, 2))
    assert marks.landmarks == ()


# The state.

EDITS = st.lists(
    st.sampled_from(["add", "away", "date", "none", "outline", "landmark", "undo", "redo"]),
    max_size=25,
)


def do(series: SeriesState, what: str) -> None:
    count = len(series.visits)
    if what == "undo":
        series.undo()
    elif what == "redo":
        series.redo()
    elif what == "add" and count < 10:
        image = Path(f"film-{count}-{len(series.undo_label)}.png")
        series.edit(what, series_edits.add_visit(series.marks, image))
    elif count and what == "away":
        series.edit(what, series_edits.remove_visit(series.marks, count))
    elif count and what == "date":
        series.edit(what, series_edits.set_date(series.marks, count, "2024-01-01"))
    elif count and what == "none":
        mark = LesionMark(root="MB", none_visible=True)
        series.edit(what, series_edits.set_finding(series.marks, count, mark))
    elif count and what == "outline":
        series.edit(what, series_edits.add_outline_point(series.marks, 1, "MB", POINTS[0]))
    elif count > 1 and what == "landmark":
        marks = series_edits.add_landmark(series.marks, 1, 2, 1, POINTS[0])
        series.edit(what, marks)
        series.bring(handle=landmark_handles(series.pair_marks(1, 2))[-1])


@given(EDITS)
def test_all_undone_is_the_start_and_what_is_in_front_is_there(todo: list[str]) -> None:
    series = SeriesState([])
    for what in todo:
        do(series, what)
        front = series.front
        assert 1 <= front.before < front.after
        assert front.after <= max(len(series.visits), 2)
        assert front.visit <= max(len(series.visits), 1)
        if front.handle is not None:
            known = [*handles_of(series.marks), *landmark_handles(series.pair_marks(1, 2))]
            assert front.handle in known
    end = series.marks
    steps = 0
    while series.undo_label:
        series.undo()
        steps += 1
    assert series.marks == SeriesMarks(visits=())
    for _ in range(steps):
        series.redo()
    assert series.marks == end


def test_nothing_is_kept_before_it_is_kept() -> None:
    series = opened(visits(2))
    assert series.has_unkept_work
    series.set_kept(Path("tooth.rxseries.json"))
    assert not series.has_unkept_work
    series.undo()
    assert not series.has_unkept_work  # no visit is left
    series.redo()
    series.edit("date", series_edits.set_date(series.marks, 1, "2020-01-01"))
    assert series.has_unkept_work
