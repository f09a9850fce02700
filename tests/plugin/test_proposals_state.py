"""Proposals beside the marks: what is offered, what an answer changes, what undo brings back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from rxmeasure_napari import marks_edits
from rxmeasure_napari.drawing import InFront, draw_film
from rxmeasure_napari.review_state import (
    OpenFilm,
    Pointing,
    Purpose,
    ReviewState,
    Step,
    Work,
    handles_of,
    moved,
    new_marks,
    proposal_handles,
    without,
)

from rxmeasure.marks import CanalMarks, FilmKind, Landmark, LandmarkState, MarksOrigin, PointPx
from rxmeasure.proposals import CanalProposal, Declined, Proposals, to_marks
from rxmeasure.reading import read_radiograph
from rxmeasure.report.numbers import Numbers

FILM = Path(__file__).resolve().parents[2] / "sample_images" / "adequate_premolar.png"
RADIOGRAPH = read_radiograph(FILM)


def a_proposal(col: float, *, apex: bool = True) -> CanalProposal:
    clicks: tuple[PointPx, ...] = tuple((200.0 + 100.0 * k, col) for k in range(4))
    return CanalProposal(
        clicks_px=clicks,
        fill_start_px=clicks[0],
        fill_end_px=(490.0, col) if apex else clicks[-1],
        apex_px=clicks[-1] if apex else None,
        confidence=0.9,
        apex_confidence=0.8 if apex else 0.0,
        why_no_apex=None if apex else "It is hidden.",
    )


LEFT, RIGHT = a_proposal(150.0), a_proposal(350.0, apex=False)
LINE = Declined(points_px=((50.0, 10.0), (50.0, 90.0)), reason="it lies across the roots")
FOUND = Proposals(canals=(LEFT, RIGHT), declined=(LINE,))


@pytest.fixture
def state() -> ReviewState:
    """A film with two proposals, in the step canals."""
    state = ReviewState()
    film = OpenFilm(FILM, RADIOGRAPH, Work(marks=new_marks(FilmKind.POSTOPERATIVE)))
    state.add_film(film)
    state.choose_step(Step.CANALS)
    film.take_proposals(FOUND)
    return state


def film_of(state: ReviewState) -> OpenFilm:
    assert state.film is not None
    return state.film


def test_a_proposal_is_no_mark(state: ReviewState) -> None:
    film = film_of(state)
    assert film.offered == (LEFT, RIGHT)
    assert film.marks == new_marks(FilmKind.POSTOPERATIVE)
    assert not film.undo_label
    assert not film.has_unkept_work
    assert film.revision == 0
    assert film.draft(canal="", step="canals").marks == film.marks


def test_accepting_one_is_one_step_and_undo_offers_it_again(state: ReviewState) -> None:
    film = film_of(state)
    state.accept([RIGHT])
    assert film.undo_label == "accept proposal 2"
    assert film.marks.canals == (to_marks(RIGHT, "2"),)
    assert film.offered == (LEFT,)
    assert state.canal == "2"
    film.undo()
    assert film.marks.canals == ()
    assert film.offered == (LEFT, RIGHT)
    film.redo()
    assert film.marks.canals == (to_marks(RIGHT, "2"),)
    assert film.offered == (LEFT,)


def test_accepting_all_is_one_step_too(state: ReviewState) -> None:
    film = film_of(state)
    state.accept(film.offered)
    assert [c.name for c in film.marks.canals] == ["1", "2"]
    assert {c.origin for c in film.marks.canals} == {MarksOrigin.PROPOSAL_ACCEPTED}
    assert film.offered == ()
    film.undo()
    assert film.marks.canals == ()
    assert film.offered == (LEFT, RIGHT)


def test_a_canal_without_an_apex_is_told_and_its_apex_can_be_placed(state: ReviewState) -> None:
    film = film_of(state)
    state.accept([LEFT])
    assert state.last_told is not None
    assert state.last_told.action is None
    state.accept([RIGHT])
    assert "No apex was found for 2" in state.last_told.text
    assert state.last_told.action is not None
    state.last_told.action[1]()
    state.place_point((520.0, 351.0))
    apex = marks_edits.canal_of(film.marks, "2")
    assert apex is not None
    assert apex.radiographic_apex == Landmark(point_px=(520.0, 351.0), state=LandmarkState.MARKED)
    assert apex.origin is MarksOrigin.PROPOSAL_EDITED


def test_a_moved_point_accepts_its_proposal_in_the_same_step(state: ReviewState) -> None:
    film = film_of(state)
    handle = proposal_handles(film)[-1]
    assert handle.point_px == RIGHT.clicks_px[-1]
    state.choose_handle(handle)
    state.change_point(film, "move", handle, lambda m, h: moved(m, h, (510.0, 340.0)))
    (canal,) = film.marks.canals
    assert canal.clicks_px == (*RIGHT.clicks_px[:-1], (510.0, 340.0))
    assert canal.origin is MarksOrigin.PROPOSAL_EDITED
    assert film.offered == (LEFT,)
    assert state.canal == canal.name
    assert state.handle is not None
    assert (state.handle.kind, state.handle.point_px) == ("click", (510.0, 340.0))
    film.undo()
    assert film.marks.canals == ()
    assert film.offered == (LEFT, RIGHT)


def test_a_point_dragged_far_away_does_not_bring_its_proposal_back(state: ReviewState) -> None:
    film = film_of(state)
    for _ in LEFT.clicks_px:
        handle = next((h for h in proposal_handles(film) if h.proposal == LEFT), None)
        handle = handle or handles_of(film.marks)[0]
        state.change_point(film, "move", handle, lambda m, h: moved(m, h, (5.0, 500.0)))
    assert film.canal_at(LEFT) is None
    assert film.offered == (RIGHT,)


def test_a_point_taken_out_of_a_proposal_accepts_the_rest(state: ReviewState) -> None:
    film = film_of(state)
    state.change_point(film, "take out", proposal_handles(film)[1], without)
    (canal,) = film.marks.canals
    assert canal.clicks_px == (LEFT.clicks_px[0], *LEFT.clicks_px[2:])
    assert canal.origin is MarksOrigin.PROPOSAL_EDITED


def test_rejecting_changes_no_mark_and_searching_again_brings_it_back(state: ReviewState) -> None:
    film = film_of(state)
    state.reject([LEFT])
    assert film.offered == (RIGHT,)
    assert not film.undo_label
    assert film.revision == 0
    film.take_proposals(FOUND)
    assert film.offered == (LEFT, RIGHT)


def test_a_fill_that_is_marked_is_not_offered(state: ReviewState) -> None:
    film = film_of(state)
    by_hand = CanalMarks(name="B", clicks_px=((40.0, 152.0), (350.0, 148.0), (520.0, 150.0)))
    film.edit("trace", replace(film.marks, canals=(by_hand,)))
    assert film.offered == (RIGHT,)
    assert film.canal_at(LEFT) == "B"
    state.accept(film.offered)
    assert film.marks.canals[0] == by_hand
    film.undo()
    film.edit("remove", replace(film.marks, canals=()))
    assert film.offered == (LEFT, RIGHT)


def test_a_name_that_is_taken_is_not_given_twice(state: ReviewState) -> None:
    film = film_of(state)
    far = CanalMarks(name="1", clicks_px=((40.0, 20.0), (600.0, 20.0)))
    film.edit("trace", replace(film.marks, canals=(far,)))
    state.accept(film.offered)
    assert [c.name for c in film.marks.canals] == ["1", "2", "3"]


def test_a_click_adds_to_what_is_offered_and_nothing_twice(state: ReviewState) -> None:
    film = film_of(state)
    state.reject([LEFT])
    nearly = replace(LEFT, clicks_px=tuple((r, c + 1.0) for r, c in LEFT.clicks_px))
    more = a_proposal(450.0)
    at_click = film.take_proposals_at_click(Proposals(canals=(nearly, more), declined=(LINE,)))
    assert at_click == (LEFT, more)
    assert film.offered == (LEFT, RIGHT, more)
    assert film.number_of(more) == 3
    assert film.proposals is not None
    assert film.proposals.declined == (LINE,)


def test_one_click_means_the_fill_once(state: ReviewState) -> None:
    clicked: list[PointPx] = []
    state.fill_clicked.connect(clicked.append)
    state.point_for(Pointing(purpose=Purpose.FILL))
    assert state.place_point((300.0, 150.0))
    assert clicked == [(300.0, 150.0)]
    assert state.pointing.purpose is Purpose.LOOK
    assert not state.place_point((300.0, 150.0))
    assert film_of(state).marks.canals == ()


def test_no_key_acts_on_a_point_of_what_is_no_longer_shown(state: ReviewState) -> None:
    film = film_of(state)
    handle = proposal_handles(film)[0]
    state.choose_handle(handle)
    state.reject([LEFT])
    assert state.handle is None
    state.change_point(film, "move", handle, lambda m, h: moved(m, h, (5.0, 5.0)))
    assert film.marks.canals == ()
    state.choose_handle(proposal_handles(film)[0])
    state.choose_step(Step.FILL)
    assert state.handle is None


def test_turned_grey_levels_take_the_proposals_away(state: ReviewState) -> None:
    film = film_of(state)
    film.set_inverted(True)
    assert film.proposals is None
    assert film.offered == ()
    assert state.proposal is None


def test_one_of_the_offered_is_always_in_front(state: ReviewState) -> None:
    assert state.proposal == LEFT
    state.choose_proposal(RIGHT)
    assert state.proposal == RIGHT
    state.accept([RIGHT])
    assert state.proposal == LEFT
    state.reject([LEFT])
    assert state.proposal is None


def test_the_marked_apex_goes_with_the_last_click() -> None:
    marks = replace(new_marks(FilmKind.RECALL), canals=(to_marks(LEFT, "1"),))
    for changed in (
        marks_edits.move_click(marks, "1", 3, (505.0, 149.0)),
        marks_edits.add_click(marks, "1", (505.0, 149.0)),
    ):
        (canal,) = changed.canals
        assert canal.radiographic_apex.point_px == canal.clicks_px[-1] == (505.0, 149.0)
    (inner,) = marks_edits.move_click(marks, "1", 1, (300.0, 149.0)).canals
    assert inner.radiographic_apex == marks.canals[0].radiographic_apex


def test_what_is_stated_of_a_canal_is_no_change_of_its_points() -> None:
    marks = replace(new_marks(FilmKind.RECALL), canals=(to_marks(LEFT, "1"),))
    (stated,) = marks_edits.change_canal(marks, "1", downpack_depth_mm=4.0).canals
    assert stated.origin is MarksOrigin.PROPOSAL_ACCEPTED
    (by_hand,) = marks_edits.move_click(
        replace(marks, canals=(replace(marks.canals[0], origin=MarksOrigin.BY_HAND),)),
        "1",
        0,
        (1.0, 1.0),
    ).canals
    assert by_hand.origin is MarksOrigin.BY_HAND


def test_a_person_may_confirm_what_nobody_confirmed() -> None:
    unseen = to_marks(LEFT, "1", origin=MarksOrigin.NOT_CONFIRMED)
    marks = replace(new_marks(FilmKind.RECALL), canals=(unseen,))
    (confirmed,) = marks_edits.confirm_canal(marks, "1").canals
    assert confirmed == to_marks(LEFT, "1")
    (edited,) = marks_edits.move_click(marks, "1", 0, (1.0, 1.0)).canals
    assert edited.origin is MarksOrigin.PROPOSAL_EDITED


def test_proposals_are_drawn_with_sign_and_word_and_only_while_they_are_shown(
    state: ReviewState,
) -> None:
    film = film_of(state)
    hidden = draw_film(film, InFront(), Numbers())
    assert hidden.strokes == hidden.points == []
    shown = draw_film(film, InFront(proposal=LEFT), Numbers())
    texts = [p.text for p in shown.points if p.text]
    assert texts == ["? 1 proposed", "? 2 proposed"]
    crosses = {p.point_px for p in shown.points if p.symbol is not None}
    assert crosses == {*LEFT.clicks_px, *RIGHT.clicks_px}
    both = draw_film(film, InFront(proposal=LEFT, declined=True), Numbers())
    assert "– 1" in [p.text for p in both.points]


def test_a_proposal_is_not_drawn_twice_while_its_point_is_dragged(state: ReviewState) -> None:
    film = film_of(state)
    handle = proposal_handles(film)[0]
    film.set_provisional(replace(film.marks, canals=(to_marks(LEFT, "1"),)))
    drawing = draw_film(film, InFront(proposal=LEFT, handle=handle), Numbers())
    assert [p.text for p in drawing.points if "proposed" in p.text] == ["? 2 proposed"]
