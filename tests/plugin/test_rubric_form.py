"""The rubric as a form in a window, with the sample rubric."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from qtpy.QtWidgets import QRadioButton
from rxmeasure_napari.rubric_form import RubricForm
from shown import Shown

from rxmeasure.store import Person, Role, make_store, open_store
from rxmeasure.teaching.course import Submission
from rxmeasure.teaching.course_file import sample_course_text
from rxmeasure.teaching.queue import Queue, QueueItem, Ticket
from rxmeasure.teaching.rubric import check_levels
from rxmeasure.teaching.rubric_file import parse_rubric, sample_rubric_text
from rxmeasure.teaching.shelf import (
    Rules,
    begin_course,
    give_out,
    hand_in,
    own_queue,
    own_submissions,
    rubric_of,
)

RUBRIC = parse_rubric(sample_rubric_text(), "the sample")


@pytest.fixture
def shown(qtbot: Any) -> Shown:
    return Shown(qtbot, RubricForm(RUBRIC))


def choose(shown: Shown, criterion: str, level: str) -> None:
    shown.find(f"rx_level_{criterion}_{level}").click()


def test_nothing_is_chosen_at_first(shown: Shown) -> None:
    assert not any(radio.isChecked() for radio in shown.widget.findChildren(QRadioButton))
    assert not shown.find("rx_rubric_hand_in").isEnabled()
    shown.assert_fits()
    seen = shown.all_text()
    for criterion in RUBRIC.criteria:
        for level in criterion.levels:
            assert " ".join(level.descriptor.split()) in seen


def test_levels_of_all_criteria_are_handed_in(shown: Shown, qtbot: Any) -> None:
    for criterion in RUBRIC.criteria:
        assert criterion.title in shown.text("rx_rubric_needed")
        choose(shown, criterion.id, criterion.level_names[-1])
    shown.find("rx_rubric_comment").setText(" Look at the apex. ")
    with qtbot.waitSignal(shown.widget.handed_in) as told:
        shown.click("rx_rubric_hand_in")
    levels, comment = told.args
    check_levels(RUBRIC, dict(levels))
    assert levels == tuple((c.id, c.level_names[-1]) for c in RUBRIC.criteria)
    assert comment == "Look at the apex."


def test_undo_goes_back_to_the_level_before_and_to_none(shown: Shown) -> None:
    first = RUBRIC.criteria[0]
    best, worst = first.level_names[0], first.level_names[-1]
    choose(shown, first.id, best)
    choose(shown, first.id, worst)
    shown.click("rx_rubric_undo")
    assert shown.widget.levels == ((first.id, best),)
    assert shown.find(f"rx_level_{first.id}_{best}").isChecked()
    shown.click("rx_rubric_undo")
    assert shown.widget.levels == ()
    assert not shown.find(f"rx_level_{first.id}_{best}").isChecked()
    assert not shown.find("rx_rubric_undo").isEnabled()


def test_what_the_form_hands_in_fits_the_queue_of_a_blind_rater(qtbot: Any, tmp_path: Path) -> None:
    where = str(tmp_path / "course.rxstore")
    rules = Rules(
        course=sample_course_text(),
        rubric=sample_rubric_text(),
        students=("student-1",),
        teachers=("teacher-1",),
    )
    item = QueueItem(place=1, ticket="K3RW7ABD", film="K3RW7ABD.png")
    ticket = Ticket(
        ticket=item.ticket, rater="teacher-1", session="2026-03-02", case="case-1", showing=1
    )
    queue = Queue(rater="teacher-1", session="2026-03-02", items=(item,), tickets=(ticket,))
    with make_store(where, Person(name="director", role=Role.TEACHER)) as store:
        course = begin_course(store, rules).id
        give_out(store, course, queue)
    with open_store(where, Person(name="teacher-1", role=Role.RATER)) as store:
        assert own_queue(store, course) == (item,)
        shown = Shown(qtbot, RubricForm(rubric_of(store, course)))
        for criterion in RUBRIC.criteria:
            choose(shown, criterion.id, criterion.level_names[0])
        with qtbot.waitSignal(shown.widget.handed_in) as told:
            shown.click("rx_rubric_hand_in")
        levels, comment = told.args
        wanted = Submission(rater="teacher-1", ticket=item.ticket, levels=levels, comment=comment)
        hand_in(store, course, wanted)
        assert own_submissions(store, course) == (wanted,)
