"""Laws of the state: undo and redo are exact, and what is in front stays sound. No Qt."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rxmeasure_napari import marks_edits
from rxmeasure_napari.history import UNDO_DEPTH
from rxmeasure_napari.review_state import (
    Computed,
    OpenFilm,
    Pointing,
    Purpose,
    ReviewState,
    Step,
    Work,
    handles_of,
    moved,
    new_marks,
    without,
)

from rxmeasure.marks import FilmKind, LandmarkState, Override, ReviewMarks
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks

FILM = Path(__file__).resolve().parents[2] / "sample_images" / "adequate_premolar.png"
RADIOGRAPH: Radiograph = read_radiograph(FILM)
MARKS: ReviewMarks = read_marks(FILM.with_suffix(".marks.toml"))

Do = Callable[[ReviewState], object]


def opened(marks: ReviewMarks | None = None) -> tuple[ReviewState, OpenFilm]:
    state = ReviewState()
    film = OpenFilm(FILM, RADIOGRAPH, Work(marks=marks or new_marks(FilmKind.POSTOPERATIVE)))
    state.add_film(film)
    return state, film


points = st.tuples(
    st.floats(0, RADIOGRAPH.shape[0] - 1, allow_subnormal=False),
    st.floats(0, RADIOGRAPH.shape[1] - 1, allow_subnormal=False),
)
names = st.sampled_from(["single", "MB1", "MB2", "P"])
places = st.integers(0, 9)


def on_a_point(change: Callable[..., ReviewMarks], place: int, *more: object) -> Do:
    """An edit of one of the points there are."""

    def do(state: ReviewState) -> None:
        assert state.film is not None
        handles = handles_of(state.film.marks)
        if handles:
            handle = handles[place % len(handles)]
            state.choose_handle(handle)
            state.try_edit("point", lambda m: change(m, handle, *more))

    return do


def on_a_canal(change: Callable[[ReviewMarks, str], ReviewMarks]) -> Do:
    return lambda s: s.canal and s.try_edit("canal", lambda m: change(m, str(s.canal)))


def insert(state: ReviewState, point: tuple[float, float]) -> None:
    canal = marks_edits.canal_of(state.film.marks, state.canal) if state.film else None
    if canal is not None and len(canal.clicks_px) > 1:
        state.try_edit("insert", lambda m: marks_edits.insert_click(m, canal.name, point))


edits = st.one_of(
    points.map(lambda p: lambda s: s.place_point(p)),
    names.map(lambda n: lambda s: s.begin_canal(n)),
    st.just(lambda s: s.begin_canal()),
    st.just(lambda s: s.begin_reference()),
    st.tuples(places, points).map(lambda d: on_a_point(moved, *d)),
    places.map(lambda k: on_a_point(without, k)),
    names.map(lambda n: on_a_canal(lambda m, c: marks_edits.rename_canal(m, c, n))),
    st.just(on_a_canal(marks_edits.remove_canal)),
    points.map(lambda p: partial(insert, point=p)),
    st.sampled_from(list(marks_edits.LANDMARKS)).map(
        lambda name: (
            lambda s: (
                s.canal
                and s.point_for(Pointing(purpose=Purpose.LANDMARK, canal=s.canal, landmark=name))
            )
        )
    ),
    st.sampled_from(list(FilmKind)).map(
        lambda k: lambda s: s.try_edit("kind", lambda m: marks_edits.with_film_kind(m, k))
    ),
    st.tuples(names, st.sampled_from(["zero_two/length", "half_two/length"])).map(
        lambda d: (
            lambda s: s.try_edit(
                "verdict",
                lambda m: marks_edits.add_override(
                    m, Override(canal=d[0], rule_id=d[1], verdict="met", reason="seen otherwise")
                ),
            )
        )
    ),
    st.just(lambda s: s.next_canal()),
)


@given(st.lists(edits, max_size=30))
def test_all_undone_is_the_start_and_all_redone_is_the_end(todo: list[Do]) -> None:
    state, film = opened()
    history = [film.work]
    for do in todo:
        do(state)
        if film.work != history[-1]:
            history.append(film.work)
    for earlier in reversed(history[:-1]):
        assert film.undo_label
        film.undo()
        assert film.work == earlier
        assert_sound(state)
    assert film.undo_label == ""
    film.undo()
    assert film.work == history[0]
    for later in history[1:]:
        film.redo()
        assert film.work == later
        assert_sound(state)
    assert film.redo_label == ""


@given(st.lists(st.one_of(edits, st.sampled_from(["undo", "redo"])), max_size=40))
def test_undo_and_redo_between_edits_walk_one_line(todo: list[Do | str]) -> None:
    """Against the plain model: a list of states and a place in it."""
    state, film = opened(MARKS)
    line, here = [film.work], 0
    for do in todo:
        if do == "undo":
            film.undo()
            here = max(here - 1, 0)
        elif do == "redo":
            film.redo()
            here = min(here + 1, len(line) - 1)
        else:
            assert callable(do)
            do(state)
            if film.work != line[here]:
                line[here + 1 :] = [film.work]
                here += 1
        assert film.work == line[here]
        assert bool(film.undo_label) == (here > 0)
        assert bool(film.redo_label) == (here < len(line) - 1)
        assert_sound(state)


def assert_sound(state: ReviewState) -> None:
    """What is in front is there, or nothing is in front."""
    film = state.film
    assert film is not None
    names = [c.name for c in film.marks.canals]
    assert state.canal is None or state.canal in names
    if names and state.pointing.purpose is not Purpose.CANAL:
        assert state.canal in names
    if state.pointing.purpose is Purpose.LANDMARK:
        assert state.pointing.canal in names
    assert state.pointing.reference <= len(film.marks.references)
    if state.handle is not None:
        assert state.handle in handles_of(film.marks)


@given(st.lists(edits, max_size=12))
def test_every_change_of_the_marks_raises_the_revision_and_is_told_once(todo: list[Do]) -> None:
    state, film = opened()
    told: list[int] = []
    film.marks_changed.connect(lambda: told.append(film.revision))
    for do in todo:
        before, count = film.work, len(told)
        do(state)
        assert (film.work != before) == (len(told) > count)
    assert told == list(range(1, len(told) + 1))


def test_results_of_older_marks_are_not_taken() -> None:
    _, film = opened(MARKS)
    old = Computed(revision=film.revision)
    film.edit("tooth", marks_edits.with_film_kind(film.marks, FilmKind.RECALL))
    assert not film.take_computed(old)
    assert film.computed is not old
    new = Computed(revision=film.revision)
    assert film.take_computed(new)
    assert film.is_current


def test_what_can_be_undone_is_limited_and_the_rest_still_exact() -> None:
    _, film = opened()
    works = [film.work]
    for k in range(UNDO_DEPTH + 20):
        film.edit("tooth", ReviewMarks(film_kind=FilmKind.POSTOPERATIVE, visit=f"{k}"))
        works.append(film.work)
    for k in range(UNDO_DEPTH):
        film.undo()
        assert film.work == works[-2 - k]
    assert film.undo_label == ""


def test_a_coronal_reference_at_the_first_click_goes_with_it() -> None:
    _, film = opened(MARKS)
    first = next(h for h in handles_of(film.marks, "single") if h.kind == "click")
    there = (first.point_px[0] + 5.25, first.point_px[1] - 3.5)
    marks = moved(film.marks, first, there)
    assert marks.canals[0].coronal_reference.point_px == there
    assert marks.canals[0].coronal_reference.state is LandmarkState.MARKED
    gone = without(marks, first)
    assert gone.canals[0].coronal_reference.point_px == gone.canals[0].clicks_px[0]


@pytest.mark.parametrize("by", [1, -1])
def test_the_steps_end_at_their_ends(by: int) -> None:
    state, _ = opened()
    seen = [state.step]
    for _ in range(2 * len(Step)):
        state.next_step(by)
        seen.append(state.step)
    assert seen[-1] is (Step.RECALL if by > 0 else Step.PICTURE)


@given(st.lists(edits, max_size=15), st.lists(edits, max_size=15))
@settings(max_examples=30)
def test_an_edit_of_one_film_leaves_the_other(first: list[Do], second: list[Do]) -> None:
    state, one = opened()
    other = OpenFilm(FILM, RADIOGRAPH, Work(marks=MARKS))
    for do in first:
        do(state)
    state.add_film(other)
    left = one.work
    for do in second:
        do(state)
    assert one.work == left
    ended = other.work
    state.choose_film(one)
    assert_sound(state)
    while one.undo_label:
        one.undo()
    assert one.marks == new_marks(FilmKind.POSTOPERATIVE)
    assert other.work == ended
