"""Canals proposed in a real window: asked for, looked at, accepted, corrected, rejected, left."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from plugin.window import ALT, Key, OpenReader, Reader, film_of, open_reader
from qtpy.QtWidgets import QApplication
from rxmeasure_napari import measuring
from rxmeasure_napari.review_state import OpenFilm, Purpose, Step, proposal_handles

from rxmeasure.marks import CanalMarks, FilmKind, MarksOrigin, ReviewMarks
from rxmeasure.proposals import Proposals, with_unconfirmed
from rxmeasure.proposals import propose as core_propose
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import load_review, review_path, save_review
from rxmeasure.review import review_film

__all__ = ["film_of", "open_reader"]

FilmOf = Callable[..., Path]
ONE = "adequate_premolar.png"
TWO = "two_canals_premolar.jpg"
#: A dragged point lands so near to where the mouse let it go: half a screen pixel of a whole film.
CLOSE_PX = 1.5


def propose(reader: Reader) -> None:
    """Go to the step canals, ask for proposals and wait for them."""
    reader.press("rx_step_canals")
    reader.press("rx_propose")
    reader.wait(lambda: reader.film.offered)
    QApplication.processEvents()


def rows(reader: Reader, name: str = "rx_proposal_list") -> list[str]:
    found = reader.find(name)
    return [found.item(k).text() for k in range(found.count())]


def drawn(reader: Reader) -> list[str]:
    """Words on the film in front."""
    QApplication.processEvents()
    points = reader.layers.points
    return [] if points is None else list(points.features.get("label", ()))


_FOUND: dict[Any, Proposals] = {}


@pytest.fixture(autouse=True)
def searched_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A search that was made before gives what it gave; it takes some seconds."""
    search = measuring.propose

    def remembered(radiograph: Radiograph, calibration: Any, seed_px: Any) -> Proposals:
        asked = (radiograph.source.sha256, radiograph.polarity.turned, calibration, seed_px)
        if asked not in _FOUND:
            _FOUND[asked] = search(radiograph, calibration, seed_px)
        return _FOUND[asked]

    monkeypatch.setattr(measuring, "propose", remembered)


@pytest.fixture
def gate(searched_once: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """The search ends when this lets it through."""
    let_through = threading.Event()
    search = measuring.propose

    def slow(*asked: Any) -> Proposals:
        found = search(*asked)
        assert let_through.wait(60.0)
        return found

    monkeypatch.setattr(measuring, "propose", slow)
    yield let_through
    let_through.set()


def test_nothing_counts_before_it_is_accepted_and_then_as_one_step(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    path = film_of(TWO)
    reader = open_reader(path)
    before = reader.marks
    propose(reader)
    offered = reader.film.offered
    assert len(offered) == len(rows(reader)) == 2
    for number, (row, proposal) in enumerate(zip(rows(reader), offered, strict=True), 1):
        assert row.startswith(f"? {number}  proposed · fill ")
        assert ("no apex found" in row) is (proposal.apex_px is None)
    assert {"? 1 proposed", "? 2 proposed"} <= set(drawn(reader))
    assert reader.marks == before
    assert reader.film.review is None
    assert not reader.film.has_unkept_work
    assert not reader.desk.keep(reader.film)
    assert sorted(p.name for p in path.parent.iterdir()) == [TWO]
    reader.press("rx_accept_all")
    reader.measured()
    assert [c.name for c in reader.marks.canals] == ["1", "2"]
    assert reader.film.review is not None
    assert all(v.confirmed for v in reader.film.review.verdicts)
    assert not reader.shows("rx_proposal_list")
    assert not {"? 1 proposed", "? 2 proposed"} & set(drawn(reader))
    assert "accepted unchanged by a person" in reader.said("rx_canal_origin")
    reader.press("rx_undo")
    assert reader.marks == before
    assert len(rows(reader)) == 2
    assert {"? 1 proposed", "? 2 proposed"} <= set(drawn(reader))


def test_what_is_kept_holds_the_accepted_canal_alone(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    path = film_of(TWO)
    reader = open_reader(path)
    propose(reader)
    reader.find("rx_proposal_list").setCurrentRow(1)
    reader.key(Key.Key_A, ALT)
    reader.measured()
    assert reader.desk.keep(reader.film)
    (canal,) = load_review(review_path(path)).marks.canals
    assert (canal.name, canal.origin) == ("2", MarksOrigin.PROPOSAL_ACCEPTED)
    assert "proposal 1" not in review_path(path).read_text(encoding="utf-8")
    assert len(reader.film.offered) == 1


def test_a_dragged_point_accepts_its_proposal_as_edited(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    reader = open_reader(film_of(ONE))
    propose(reader)
    (proposal,) = reader.film.offered
    start = proposal.clicks_px[0]
    goal = (start[0] - 30.0, start[1])
    at = reader.press_and_move(start, ((start[0] + goal[0]) / 2, start[1]), goal)
    assert reader.marks.canals == ()
    assert not [text for text in drawn(reader) if "proposed" in text]
    reader.release(at)
    reader.measured()
    (canal,) = reader.marks.canals
    assert canal.origin is MarksOrigin.PROPOSAL_EDITED
    assert canal.clicks_px[1:] == proposal.clicks_px[1:]
    assert canal.clicks_px[0] == pytest.approx(goal, abs=CLOSE_PX)
    assert reader.film.undo_label == "move point 1 of proposal 1"
    assert not reader.film.offered
    reader.on_picture(Key.Key_Up)
    assert reader.marks.canals[0].clicks_px[0][0] == canal.clicks_px[0][0] - 0.5
    reader.press("rx_undo")
    reader.press("rx_undo")
    assert reader.marks.canals == ()
    assert reader.film.offered == (proposal,)


def test_a_rejected_proposal_is_gone_until_the_film_is_searched_again(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    reader = open_reader(film_of(ONE))
    propose(reader)
    reader.press("rx_reject")
    assert not reader.film.offered
    assert not reader.film.undo_label
    assert reader.said("rx_proposals_said") == "All proposals are answered."
    assert not [text for text in drawn(reader) if "proposed" in text]
    reader.key(Key.Key_D, ALT)
    reader.wait(lambda: reader.film.offered)
    assert len(rows(reader)) == 1


def test_lines_that_are_not_proposed_stand_with_their_reasons(
    open_reader: OpenReader, film_of: FilmOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    def explicit(radiograph: Radiograph, calibration: Any, seed_px: Any) -> Proposals:
        return core_propose(radiograph, calibration=calibration, seed_px=seed_px, explicit=True)

    # The network names no line of the samples that it does not propose.
    monkeypatch.setattr(measuring, "propose", explicit)
    reader = open_reader(film_of(ONE))
    propose(reader)
    assert reader.film.proposals is not None
    declined = reader.film.proposals.declined
    assert declined
    assert "– 1" not in drawn(reader)
    reader.press("rx_declined")
    assert rows(reader, "rx_declined_list") == [
        f"– {k}  {line.reason}" for k, line in enumerate(declined, 1)
    ]
    assert "– 1" in drawn(reader)
    reader.press("rx_step_calibrate")
    assert not {"– 1", "? 1 proposed"} & set(drawn(reader))


def test_one_click_on_a_fill_proposes_that_canal_only(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    reader = open_reader(film_of(TWO))
    propose(reader)
    wanted = reader.film.offered[1]
    reader.press("rx_reject")
    reader.press("rx_reject")
    on_fill = tuple((a + b) / 2 for a, b in zip(*wanted.clicks_px[:2], strict=True))
    reader.press("rx_propose_click")
    assert reader.said("rx_canal_hint") == "Click once on a fill on the picture."
    reader.click(on_fill)
    reader.wait(lambda: reader.film.offered)
    assert reader.film.offered == (wanted,)
    assert reader.state.pointing.purpose is Purpose.LOOK
    assert reader.marks.canals == ()
    reader.press("rx_propose_click")
    reader.click((600.0, 60.0))
    reader.wait(lambda: reader.told.startswith("No fill is proposed at this click"))
    assert reader.film.offered == (wanted,)


def test_marks_of_the_reader_stay_and_are_not_proposed_again(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    reader = open_reader(film_of(ONE))
    reader.press("rx_step_canals")
    for point in ((75.0, 242.0), (298.6, 261.5), (531.4, 254.6)):
        reader.click(point)
    reader.on_picture(Key.Key_Return)
    reader.press("rx_step_canals")
    reader.measured()
    own = reader.marks
    reader.press("rx_propose")
    reader.wait(lambda: reader.film.proposals)
    assert reader.told == "No filled canals are proposed. Marked already: 1."
    assert reader.film.offered == ()
    assert reader.marks == own


def ask_late(reader: Reader) -> OpenFilm:
    """Ask for proposals that are held back."""
    reader.press("rx_step_canals")
    reader.press("rx_propose")
    assert reader.shows("rx_cancel")
    return reader.film


def test_a_late_result_goes_to_its_own_film_only(
    open_reader: OpenReader, film_of: FilmOf, gate: threading.Event
) -> None:
    reader = open_reader(film_of(TWO), film_of(ONE))
    asked = ask_late(reader)
    other = next(film for film in reader.state.films if film is not asked)
    reader.state.choose_film(other)
    gate.set()
    reader.wait(lambda: asked.proposals)
    assert other.proposals is None
    assert not [text for text in drawn(reader) if "proposed" in text]
    reader.wait(lambda: not reader.shows("rx_cancel"))


@pytest.mark.parametrize("meanwhile", ["stopped", "turned", "closed"])
def test_a_late_result_is_dropped(
    open_reader: OpenReader, film_of: FilmOf, gate: threading.Event, meanwhile: str
) -> None:
    reader = open_reader(film_of(ONE))
    film = ask_late(reader)
    if meanwhile == "stopped":
        reader.press("rx_cancel")
    elif meanwhile == "turned":
        film.set_inverted(True)
    else:
        reader.desk.close_film(film)
    assert not reader.shows("rx_cancel")
    gate.set()
    done = threading.Event()
    reader.desk._search.run("after", lambda progress: None, lambda _: done.set())
    reader.wait(done.is_set)
    assert film.proposals is None


def test_a_film_of_unfilled_canals_has_none_to_propose(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    reader = open_reader(film_of(ONE))
    reader.film.edit("kind", ReviewMarks(film_kind=FilmKind.WORKING_LENGTH))
    reader.press("rx_step_canals")
    for name in ("rx_propose", "rx_propose_click"):
        assert not reader.find(name).isEnabled()
        assert "post-operative and recall" in reader.find(name).toolTip()
    reader.key(Key.Key_D, ALT)
    assert reader.told.startswith("Canals are proposed on")
    assert not reader.shows("rx_cancel")


def test_a_click_on_a_proposed_line_brings_it_to_the_front(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    reader = open_reader(film_of(TWO))
    propose(reader)
    first, second = reader.film.offered
    assert reader.state.proposal == first
    between = tuple((a + b) / 2 for a, b in zip(*second.clicks_px[:2], strict=True))
    reader.click(between)
    assert reader.state.proposal == second
    assert reader.find("rx_proposal_list").currentRow() == 1
    assert reader.marks.canals == ()


def test_what_nobody_confirmed_is_called_so_until_the_reader_does(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    path = film_of(ONE)
    radiograph = read_radiograph(path)
    bare = ReviewMarks(film_kind=FilmKind.POSTOPERATIVE)
    save_review(review_film(radiograph, with_unconfirmed(radiograph, bare)), review_path(path))
    reader = open_reader(path)
    reader.press("rx_step_canals")
    reader.measured()
    assert "not confirmed" in reader.find("rx_canal_list").item(0).text()
    assert "not confirmed by a person" in reader.said("rx_canal_origin")
    assert "1 not confirmed" in " ".join(drawn(reader))
    reader.press("rx_step_verdict")
    assert "(not confirmed)" in reader.said("rx_verdict_tooth")
    reader.press("rx_step_canals")
    reader.press("rx_confirm")
    reader.measured()
    assert not reader.shows("rx_confirm")
    assert reader.marks.canals[0].origin is MarksOrigin.PROPOSAL_ACCEPTED
    reader.press("rx_step_verdict")
    assert "(not confirmed)" not in reader.said("rx_verdict_tooth")


def test_points_of_proposals_are_held_in_their_step_only(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    reader = open_reader(film_of(ONE))
    propose(reader)
    start = proposal_handles(reader.film)[1].point_px
    reader.press("rx_step_fill")
    assert reader.state.step is Step.FILL
    reader.drag(start, (start[0] + 40.0, start[1] + 40.0))
    assert reader.marks.canals == ()
    assert len(reader.film.offered) == 1


def test_a_canal_that_is_being_clicked_is_not_disturbed(
    open_reader: OpenReader, film_of: FilmOf
) -> None:
    reader = open_reader(film_of(ONE))
    propose(reader)
    start = reader.film.offered[0].clicks_px[0]
    reader.press("rx_new_canal")
    reader.click(start)
    (canal,) = reader.marks.canals
    assert isinstance(canal, CanalMarks)
    assert canal.origin is MarksOrigin.BY_HAND
    assert canal.clicks_px[0] == pytest.approx(start, abs=CLOSE_PX)
