"""The rubric as a form in a window, with the sample rubric."""

from __future__ import annotations

from typing import Any

import pytest
from qtpy.QtWidgets import QRadioButton
from rxmeasure_napari.course_state import FilledForm
from rxmeasure_napari.panels.rubric_form import RubricForm
from shown import Shown

from rxmeasure.teaching.rubric import check_levels
from rxmeasure.teaching.rubric_file import parse_rubric, sample_rubric_text

RUBRIC = parse_rubric(sample_rubric_text(), "the sample")


class Form(Shown):
    """The form shown, and what is filled in."""

    def __init__(self, qtbot: Any) -> None:
        super().__init__(qtbot, RubricForm(RUBRIC))
        self.filled = FilledForm()
        self.filled.changed.connect(self.show)
        self.show()

    def show(self, why_not: str = "") -> None:
        self.widget.show_form(self.filled, why_not)

    def choose(self, criterion: str, level: str) -> None:
        self.click(f"rx_level_{criterion}_{level}")


@pytest.fixture
def form(qtbot: Any) -> Form:
    return Form(qtbot)


def test_nothing_is_chosen_at_first(form: Form) -> None:
    assert not any(radio.isChecked() for radio in form.widget.findChildren(QRadioButton))
    assert not form.find("rx_rubric_hand_in").isEnabled()
    form.assert_fits()
    seen = form.all_text()
    for criterion in RUBRIC.criteria:
        for level in criterion.levels:
            assert " ".join(level.descriptor.split()) in seen


def test_it_is_handed_in_with_all_levels_and_the_comment_that_is_being_typed(
    form: Form, qtbot: Any
) -> None:
    for criterion in RUBRIC.criteria:
        assert criterion.title in form.text("rx_rubric_needed")
        form.choose(criterion.id, criterion.level_names[-1])
    assert form.text("rx_rubric_needed") == ""
    comment = form.find("rx_rubric_comment")
    comment.setFocus()
    qtbot.keyClicks(comment, " Look at the apex. ")
    with qtbot.waitSignal(form.widget.handed_in):
        form.click("rx_rubric_hand_in")
    check_levels(RUBRIC, form.filled.level_of)
    assert form.filled.level_of == {c.id: c.level_names[-1] for c in RUBRIC.criteria}
    assert form.filled.comment == "Look at the apex."


def test_undo_goes_back_to_the_level_before_and_to_none(form: Form) -> None:
    first = RUBRIC.criteria[0]
    best, worst = first.level_names[0], first.level_names[-1]
    form.choose(first.id, best)
    form.choose(first.id, worst)
    form.filled.undo()
    assert form.filled.level_of == {first.id: best}
    assert form.find(f"rx_level_{first.id}_{best}").isChecked()
    form.filled.undo()
    assert not form.filled.level_of
    assert not form.find(f"rx_level_{first.id}_{best}").isChecked()
    form.filled.redo()
    assert form.find(f"rx_level_{first.id}_{best}").isChecked()


def test_what_is_missing_beside_the_levels_is_told(form: Form) -> None:
    for criterion in RUBRIC.criteria:
        form.choose(criterion.id, criterion.level_names[0])
    assert form.find("rx_rubric_hand_in").isEnabled()
    form.show("No canal is traced yet.")
    assert form.text("rx_rubric_needed") == "No canal is traced yet."
    assert not form.find("rx_rubric_hand_in").isEnabled()
