"""The step 'course' in a real window, on a real store: measure, mark blind, hand in."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from course_in_store import (
    COURSE,
    KEY_MAKERS,
    KEY_VALUE,
    OTHER,
    STUDENT,
    TEACHER,
    CourseInStore,
    course_in_store,
)
from plugin.window import Key, OpenReader, Reader, marks_of, open_reader
from qtpy.QtWidgets import QFileDialog, QLabel, QListWidget, QWidget
from rxmeasure_napari.review_state import Step
from store_servers import running_server

from rxmeasure.marks import ReviewMarks
from rxmeasure.store import Search
from rxmeasure.teaching.course import Submission, measured_of
from rxmeasure.teaching.rubric import Rubric
from rxmeasure.teaching.shelf import KEY, hand_in, handed_in, own_submissions, rubric_of

__all__ = ["marks_of", "open_reader"]

FILMS = ("adequate_premolar.png", "voids_canine.png")
SignIn = Callable[[str], Reader]


@pytest.fixture
def course(tmp_path: Path, sample_images: Path) -> CourseInStore:
    bank = tmp_path / "bank"
    bank.mkdir()
    return course_in_store(
        tmp_path, [Path(shutil.copy(sample_images / name, bank)) for name in FILMS]
    )


@pytest.fixture
def course_on_server(tmp_path: Path, sample_images: Path) -> Iterator[CourseInStore]:
    bank = tmp_path / "bank"
    bank.mkdir()
    films = [Path(shutil.copy(sample_images / name, bank)) for name in FILMS]
    with running_server() as server:
        yield course_in_store(tmp_path, films, server)


@pytest.fixture
def sign_in(
    open_reader: OpenReader, course: CourseInStore, monkeypatch: pytest.MonkeyPatch
) -> SignIn:
    def begin(name: str) -> Reader:
        reader = open_reader()
        reader.press("rx_course")
        type_in(reader, course.address(name), name)
        reader.wait(lambda: reader.state.course.opened)
        films = course.films[name]
        monkeypatch.setattr(
            QFileDialog, "getExistingDirectory", staticmethod(lambda *_: str(films))
        )
        return reader

    return begin


def type_in(reader: Reader, where: str, name: str) -> None:
    """Fill in the form, and press the button."""
    reader.write("rx_course_store", where, then=None)
    reader.write("rx_course_name", name, then=None)
    if name == TEACHER:
        reader.find("rx_course_role").setFocus()
        reader.key(Key.Key_Down)
    reader.press("rx_course_sign_in")


def open_next(reader: Reader) -> str:
    """Open the first film that waits; its ticket."""
    ticket = reader.state.course.opened.tasks[0].ticket  # type: ignore[union-attr]
    reader.press("rx_course_open")
    wait_for_film(reader, reader.state.course.opened.tasks[0].film)  # type: ignore[union-attr]
    return str(ticket)


def wait_for_film(reader: Reader, name: str) -> None:
    reader.wait(lambda: reader.state.film is not None and reader.film.name == name)
    reader.measured()


def choose_levels(reader: Reader, place: int) -> dict[str, str]:
    """The best level of each criterion, or the worst."""
    rubric = rubric_in(reader)
    chosen = {c.id: c.level_names[place] for c in rubric.criteria}
    for criterion, level in chosen.items():
        reader.press(f"rx_level_{criterion}_{level}")
    return chosen


def rubric_in(reader: Reader) -> Rubric:
    assert reader.state.course.opened is not None
    return reader.state.course.opened.rubric


def everything_said(reader: Reader) -> str:
    """All text of the window, tips and names for screen readers too."""
    said = [reader.window.windowTitle()]
    for widget in reader.window.findChildren(QWidget):
        said += [widget.toolTip(), widget.accessibleName(), widget.accessibleDescription()]
        text = getattr(widget, "text", None)
        if callable(text):
            said.append(str(text()))
        if isinstance(widget, QListWidget):
            said += [widget.item(row).text() for row in range(widget.count())]
    said += [layer.name for layer in reader.viewer.layers]
    return "\n".join(said)


def assert_tells_no_secret(reader: Reader, *, but: str) -> None:
    said = everything_said(reader)
    secrets = (*KEY_MAKERS, str(KEY_VALUE), "case-1", "case-2", *FILMS, OTHER, STUDENT, TEACHER)
    assert but in said
    assert not [word for word in secrets if word in said and word != but]


def test_a_student_measures_and_hands_in_and_the_next_film_opens(
    sign_in: SignIn, course: CourseInStore, marks_of: Callable[[str], ReviewMarks]
) -> None:
    reader = sign_in(STUDENT)
    ticket = open_next(reader)
    assert "Measure it in the steps" in reader.said("rx_course_measurement")
    levels = choose_levels(reader, 0)
    assert "No canal is traced yet" in reader.said("rx_rubric_needed")
    assert not reader.find("rx_rubric_hand_in").isEnabled()
    reader.review(marks_of(course.shown[ticket]))
    review = reader.film.review
    assert review is not None
    reader.press("rx_step_course")
    reader.write("rx_rubric_comment", "Short of the apex?", then=None)
    done = reader.film
    area = reader.dock._stack.currentWidget()
    area.ensureWidgetVisible(reader.find("rx_rubric_hand_in"))
    assert area.verticalScrollBar().value() > 0
    reader.press("rx_rubric_hand_in")
    reader.wait(lambda: reader.state.films and done not in reader.state.films)
    with course.open(STUDENT) as store:
        (kept,) = own_submissions(store, COURSE)
        assert handed_in(store, COURSE) == {ticket: 1}
        (drawn,) = store.find(Search(kind="student-drawn"))
        clicks = store.read(drawn.record_id).content["review"]["review"]["marks"]["canals"][0]
    assert kept.ticket == ticket
    assert dict(kept.levels) == levels
    assert kept.comment == "Short of the apex?"
    assert kept.measured == measured_of(review)
    assert tuple(map(tuple, clicks["clicks_px"])) == review.marks.canals[0].clicks_px
    assert reader.said("rx_course_count") == "1 of 3 films handed in."
    second = course.items(STUDENT)[1].ticket
    assert reader.said("rx_title").endswith(course.items(STUDENT)[1].film)
    assert reader.said("rx_course_film") == f"Film 2 · {second}"
    assert not any(r.isChecked() for r in radios(reader))
    assert area.verticalScrollBar().value() == 0


def radios(reader: Reader) -> list[Any]:
    names = [f"rx_level_{c.id}_{n}" for c in rubric_in(reader).criteria for n in c.level_names]
    return [reader.find(name) for name in names]


def test_a_student_is_shown_no_key_and_nobody_else(sign_in: SignIn, course: CourseInStore) -> None:
    reader = sign_in(STUDENT)
    open_next(reader)
    for step in reader.state.steps:
        reader.press(f"rx_step_{step}")
        assert_tells_no_secret(reader, but=STUDENT)
    store = reader.desk.course._store
    assert store.person.role == "student"
    seen = store.find(Search(), limit=None)
    assert {one.kind for one in seen} == {"course-rubric", "course-queue"}
    assert {one.owner for one in seen} == {STUDENT, COURSE}
    assert not store.find(Search(kind=KEY))


def test_a_marker_marks_the_whole_queue_blind(sign_in: SignIn, course: CourseInStore) -> None:
    reader = sign_in(TEACHER)
    open_next(reader)
    items = course.items(TEACHER)
    for place, item in enumerate(items):
        wait_for_film(reader, item.film)
        assert_tells_no_secret(reader, but=TEACHER)
        assert not any(r.isChecked() for r in radios(reader))
        choose_levels(reader, -1 if place else 0)
        reader.press("rx_rubric_hand_in")
        reader.wait(lambda: not reader.desk.course.is_busy)
    assert reader.told == f"Handed in: {items[-1].ticket}. All {len(items)} films are handed in."
    assert not reader.state.films
    assert reader.said("rx_course_count") == "3 of 3 films handed in. Nothing waits."
    with course.open(TEACHER) as store:
        marked = {s.ticket: s for s in own_submissions(store, COURSE)}
    assert list(marked) == sorted(item.ticket for item in items)
    assert dict(marked[items[0].ticket].levels)["length"] == "ideal"
    assert dict(marked[items[1].ticket].levels)["length"] == "poor"
    assert not any(s.measured for s in marked.values())


def test_what_was_handed_in_can_be_corrected(
    sign_in: SignIn, course: CourseInStore, marks_of: Callable[[str], ReviewMarks]
) -> None:
    reader = sign_in(STUDENT)
    ticket = open_next(reader)
    choose_levels(reader, 0)
    reader.review(marks_of(course.shown[ticket]))
    measured = measured_of(reader.film.review)
    reader.press("rx_step_course")
    reader.press("rx_rubric_hand_in")
    reader.wait(lambda: reader.state.course.opened.handed_in)  # type: ignore[union-attr]
    first, *others = course.items(STUDENT)
    wait_for_film(reader, others[0].film)
    tasks = reader.find("rx_course_tasks")
    assert isinstance(tasks, QListWidget)
    rows = [tasks.item(row).text() for row in range(tasks.count())]
    assert rows == [*(f"{t.place} · {t.ticket}" for t in others), f"1 · {ticket} · handed in"]
    tasks.setFocus()
    reader.key(Key.Key_End)
    reader.press("rx_course_open")
    wait_for_film(reader, first.film)
    assert reader.said("rx_course_film") == f"Film 1 · {ticket} · handed in"
    assert reader.find("rx_level_length_ideal").isChecked()
    assert reader.said("rx_rubric_hand_in") == "Hand in again"
    reader.press("rx_level_length_poor")
    reader.press("rx_undo")
    assert reader.find("rx_level_length_ideal").isChecked()
    reader.press("rx_level_length_poor")
    reader.press("rx_rubric_hand_in")
    reader.wait(lambda: reader.state.course.opened.handed_in == {ticket: 2})  # type: ignore[union-attr]
    with course.open(STUDENT) as store:
        (kept,) = own_submissions(store, COURSE)
        (found,) = store.find(Search(kind="student-marks"))
        history = [revision.number for revision in store.history(found.record_id)]
    assert dict(kept.levels)["length"] == "poor"
    assert kept.measured == measured
    assert history == [1, 2]


def test_a_form_that_was_not_handed_in_is_taken_up_again(
    sign_in: SignIn, course: CourseInStore
) -> None:
    reader = sign_in(TEACHER)
    ticket = open_next(reader)
    reader.press("rx_level_length_ideal")
    reader.press("rx_level_density_poor")
    reader.write("rx_rubric_comment", "To think about", then=Key.Key_Return)
    reader.press("rx_course_leave")
    # No word of it beside the films, which a class may share.
    assert not [p for p in course.films[TEACHER].iterdir() if "form" in p.name]
    again = sign_in(TEACHER)
    assert f"Unfinished marking was taken up: {ticket}" in again.told
    assert open_next(again) == ticket
    assert again.find("rx_level_length_ideal").isChecked()
    assert again.find("rx_level_density_poor").isChecked()
    assert "taper" not in again.state.course.form_of(again.film).level_of
    comment = again.find("rx_rubric_comment")
    assert comment.text() == "To think about"
    again.press("rx_undo")
    assert not any(r.isChecked() for r in radios(again))
    again.press("rx_redo")
    choose_levels(again, 0)
    again.press("rx_rubric_hand_in")
    again.wait(lambda: ticket in again.state.course.opened.handed_in)
    again.press("rx_course_leave")
    third = sign_in(TEACHER)
    assert "Unfinished marking" not in third.told


def test_a_course_on_a_server(
    course_on_server: CourseInStore,
    open_reader: OpenReader,
    marks_of: Callable[[str], ReviewMarks],
) -> None:
    course = course_on_server
    reader = open_reader()
    reader.press("rx_course")
    type_in(reader, course.address(TEACHER), STUDENT)
    reader.wait(lambda: "on the login teacher-1" in reader.told)
    reader.write("rx_course_store", course.address(STUDENT), then=None)
    reader.press("rx_course_sign_in")
    reader.wait(lambda: reader.state.course.opened)
    reader.state.course.look_in(course.films[STUDENT])
    ticket = open_next(reader)
    assert_tells_no_secret(reader, but=STUDENT)
    choose_levels(reader, 0)
    reader.review(marks_of(course.shown[ticket]))
    reader.press("rx_step_course")
    reader.press("rx_rubric_hand_in")
    reader.wait(lambda: reader.state.course.opened.handed_in == {ticket: 1})  # type: ignore[union-attr]
    store = reader.desk.course._store
    assert {one.kind for one in store.find(Search(), limit=None)} == {
        "course-rubric", "course-queue", "student-marks", "student-drawn",
    }  # fmt: skip


def test_undo_takes_back_levels_not_marks_of_the_film(sign_in: SignIn) -> None:
    reader = sign_in(TEACHER)
    open_next(reader)
    reader.press("rx_level_length_ideal")
    reader.press("rx_level_length_poor")
    assert reader.shows("rx_unkept")
    reader.press("rx_undo")
    assert reader.find("rx_level_length_ideal").isChecked()
    reader.press("rx_undo")
    assert not any(r.isChecked() for r in radios(reader))
    assert not reader.find("rx_undo").isEnabled()
    reader.press("rx_redo")
    assert reader.find("rx_level_length_ideal").isChecked()


@pytest.mark.parametrize("on_top", [True, False])
def test_a_film_handed_in_meanwhile_is_shown_with_its_difference(
    sign_in: SignIn, course: CourseInStore, on_top: bool
) -> None:
    reader = sign_in(TEACHER)
    ticket = open_next(reader)
    with course.open(TEACHER) as store:
        rubric = rubric_of(store, COURSE)
        best = tuple((c.id, c.level_names[0]) for c in rubric.criteria)
        hand_in(store, COURSE, Submission(rater=TEACHER, ticket=ticket, levels=best))
    mine = choose_levels(reader, 0)
    reader.press("rx_level_taper_poor")
    reader.press("rx_rubric_hand_in")
    reader.wait(lambda: reader.shows("rx_course_conflict"))
    assert "• Taper and shape: handed in ideal, here poor" in reader.said("rx_course_conflict_text")
    assert "Density" not in reader.said("rx_course_conflict_text")
    assert not reader.shows("rx_rubric_hand_in")
    reader.press("rx_course_on_top" if on_top else "rx_course_leave_saved")
    reader.wait(lambda: ticket in reader.state.course.opened.handed_in)  # type: ignore[union-attr]
    with course.open(TEACHER) as store:
        assert handed_in(store, COURSE) == {ticket: 2 if on_top else 1}
        (kept,) = own_submissions(store, COURSE)
    assert dict(kept.levels) == (mine | {"taper": "poor"} if on_top else dict(best))
    assert not reader.shows("rx_course_conflict")


def test_refusals_are_told_and_the_window_goes_on(
    open_reader: OpenReader, course: CourseInStore, tmp_path: Path
) -> None:
    reader = open_reader()
    assert not reader.shows("rx_step_course")
    reader.press("rx_course")
    assert not reader.find("rx_course_sign_in").isEnabled()
    type_in(reader, str(tmp_path / "none.rxstore"), STUDENT)
    reader.wait(lambda: "no record store" in reader.told)
    type_in(reader, str(course.where), "nobody-1")
    reader.wait(lambda: reader.state.course.opened)
    assert "No film was given to nobody-1 as student" in reader.said("rx_course_count")
    reader.press("rx_course_leave")
    assert reader.shows("rx_course_sign_in")
    reader.press("rx_step_picture")
    assert not reader.shows("rx_step_course")


def test_a_wrong_folder_is_told(sign_in: SignIn, course: CourseInStore, tmp_path: Path) -> None:
    reader = sign_in(STUDENT)
    reader.state.course.look_in(tmp_path)
    reader.press("rx_course_open")
    assert f"no film {course.items(STUDENT)[0].film} in" in reader.told
    reader.press("rx_course_folder")
    open_next(reader)
    assert "rx_step_course" in [f"rx_step_{s}" for s in reader.state.steps]
    assert reader.state.step is Step.COURSE


def test_nothing_is_wider_than_the_panel(sign_in: SignIn) -> None:
    reader = sign_in(STUDENT)
    open_next(reader)
    panel = reader.dock._panel(Step.COURSE)
    assert panel.minimumSizeHint().width() <= 390
    for child in panel.findChildren(QLabel):
        if child.isVisible():
            assert child.mapTo(panel, child.rect().topRight()).x() <= panel.width()
