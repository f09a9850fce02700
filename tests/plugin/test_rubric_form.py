"""The rubric as a form in a window, with the sample rubric."""

from __future__ import annotations

from typing import Any

import pytest
from qtpy.QtWidgets import QRadioButton
from rxmeasure_napari.rubric_form import RubricForm
from shown import Shown

from rxmeasure.teaching.rubric import check_levels
from rxmeasure.teaching.rubric_file import parse_rubric, sample_rubric_text

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
