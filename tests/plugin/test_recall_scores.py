"""The form of scores in a window: no score before a click, one click a score."""

from __future__ import annotations

from typing import Any

import pytest
from qtpy.QtCore import QPoint, QPointF, Qt
from qtpy.QtGui import QWheelEvent
from qtpy.QtWidgets import QApplication, QComboBox, QPushButton
from rxmeasure_napari.recall_scores import ScoreForm
from shown import Shown

from rxmeasure.recall.scores import ReaderScore, Symptoms, published_scales, score
from rxmeasure.recall.series import Suggestion

SCALES = published_scales()
INDEX, OUTCOME = SCALES["periapical_index"], SCALES["outcome_three_way"]
UNFAVOURABLE = Suggestion(
    visit=2, scale_id=OUTCOME.id, root="M", scored="uncertain", suggested="unfavourable"
)


class Reader(Shown):
    """The form, an owner who shows what it asks for, and the reader's hand."""

    def __init__(self, qtbot: Any, *, roots: tuple[str, ...] = ("M", "D")) -> None:
        self.form = ScoreForm()
        super().__init__(qtbot, self.form)
        self.roots, self.suggestions = roots, (UNFAVOURABLE,)
        self.scores: tuple[ReaderScore, ...] = ()
        self.symptoms = Symptoms.NOT_STATED
        self.heeds = True
        self.asked: list[object] = []
        self.form.scores_changed.connect(self._score)
        self.form.symptoms_changed.connect(self._state)
        self.show()

    def show(self) -> None:
        self.form.show_scores(
            SCALES, self.roots, self.scores, self.suggestions, self.symptoms, visit=2
        )
        QApplication.processEvents()

    def checked(self) -> list[str]:
        buttons = self.form.findChildren(QPushButton)
        return [b.text() for b in buttons if b.property("rx_role") == "choice" and b.isChecked()]

    def _score(self, scores: tuple[ReaderScore, ...]) -> None:
        self.asked.append(scores)
        if self.heeds:
            self.scores = scores
            self.show()

    def _state(self, symptoms: Symptoms) -> None:
        self.asked.append(symptoms)
        self.symptoms = symptoms
        self.show()


@pytest.fixture
def reader(qtbot: Any) -> Reader:
    return Reader(qtbot)


def test_no_scale_has_a_score_before_a_click(reader: Reader) -> None:
    for scale in SCALES.values():
        reader.choose("rx_score_scale", scale.title)
        assert reader.text("rx_score_question") == scale.question
        for root in reader.roots:
            reader.click(f"rx_score_root_{root}")
            assert reader.checked() == []
            assert reader.text("rx_score_given") == "Not scored yet."
            assert "measurement suggests" not in reader.all_text()
    assert reader.asked == []


def test_each_choice_stands_beside_its_anchor_and_group(reader: Reader) -> None:
    for scale in SCALES.values():
        reader.choose("rx_score_scale", scale.title)
        for choice in scale.choices:
            anchor = reader.text(f"rx_score_anchor_{choice.value}")
            assert choice.label in anchor
            assert reader.find(f"rx_score_{choice.value}").text() == choice.value
    reader.choose("rx_score_scale", INDEX.title)
    assert reader.text("rx_score_anchor_2").endswith("(healthy)")
    assert reader.text("rx_score_anchor_3").endswith("(disease)")


@pytest.mark.parametrize("where", ["rx_score_3", "rx_score_anchor_3"])
def test_a_click_gives_the_score_of_the_root_in_front(reader: Reader, where: str) -> None:
    reader.choose("rx_score_scale", INDEX.title)
    reader.click("rx_score_root_D")
    reader.click(where)
    assert reader.asked == [(score(INDEX, "D", "3"),)]
    assert reader.checked() == ["3"]
    assert reader.text("rx_score_given") == "Your score: 3 (disease)"
    reader.click("rx_score_root_M")
    assert reader.checked() == []


def test_a_score_is_changed_and_taken_back_and_others_stay(reader: Reader) -> None:
    kept = score(OUTCOME, "M", "uncertain")
    reader.scores = (kept,)
    reader.show()
    reader.choose("rx_score_scale", INDEX.title)
    reader.click("rx_score_4")
    reader.click("rx_score_2")
    assert reader.scores == (kept, score(INDEX, "M", "2"))
    reader.click("rx_score_2")  # once more: nothing new
    assert len(reader.asked) == 2
    reader.click("rx_score_take_back")
    assert reader.scores == (kept,)
    assert reader.checked() == []
    assert not reader.find("rx_score_take_back").isVisible()


def test_what_the_owner_refuses_is_not_shown(reader: Reader) -> None:
    reader.heeds = False
    reader.choose("rx_score_scale", INDEX.title)
    reader.click("rx_score_4")
    assert len(reader.asked) == 1
    assert reader.checked() == []


def test_a_suggestion_waits_for_the_score(reader: Reader) -> None:
    reader.choose("rx_score_scale", OUTCOME.title)
    assert "measurement suggests" not in reader.all_text()
    reader.click("rx_score_uncertain")
    assert "the measurement suggests unfavourable." in reader.text("rx_score_suggestion")
    assert reader.checked() == ["uncertain"]
    reader.click("rx_score_root_D")
    assert reader.text("rx_score_suggestion") == ""
    reader.click("rx_score_root_M")
    reader.click("rx_score_unfavourable")
    assert "suggests unfavourable too" in reader.text("rx_score_suggestion")
    reader.suggestions = ()  # none are set to be shown
    reader.show()
    assert reader.text("rx_score_suggestion") == ""


def test_the_worst_root_rules_the_tooth(reader: Reader) -> None:
    reader.choose("rx_score_scale", INDEX.title)
    assert reader.text("rx_score_tooth") == ""
    reader.click("rx_score_2")
    assert reader.text("rx_score_tooth") == "Tooth: 2 (healthy); root M; not scored yet: D"
    reader.click("rx_score_root_D")
    reader.click("rx_score_5")
    assert reader.text("rx_score_tooth") == "Tooth: 5 (disease); worst root: D"
    assert reader.find("rx_score_root_M").text() == "M: 2"


def test_a_scored_root_that_is_no_longer_marked_is_still_shown(reader: Reader) -> None:
    reader.scores = (score(INDEX, "old", "5"),)
    reader.show()
    reader.choose("rx_score_scale", INDEX.title)
    assert reader.find("rx_score_root_old").text() == "old: 5"
    reader.click("rx_score_root_old")
    reader.click("rx_score_take_back")
    assert reader.scores == ()


def test_symptoms_are_stated(reader: Reader) -> None:
    reader.choose("rx_score_symptoms", "No symptoms")
    assert reader.asked == [Symptoms.NONE]
    reader.choose("rx_score_symptoms", "Symptoms")
    assert reader.symptoms is Symptoms.PRESENT


def test_the_wheel_changes_nothing(reader: Reader, qtbot: Any) -> None:

    box = reader.find("rx_score_symptoms")
    box.setFocus()
    at = QPointF(box.rect().center())
    QApplication.sendEvent(
        box,
        QWheelEvent(
            at,
            QPointF(box.mapToGlobal(box.rect().center())),
            QPoint(),
            QPoint(0, -120),
            Qt.MouseButton.NoButton,
            Qt.KeyboardModifier.NoModifier,
            Qt.ScrollPhase.NoScrollPhase,
            False,
        ),
    )
    assert box.currentIndex() == 0
    assert reader.asked == []


def test_without_a_root_it_says_what_is_missing(qtbot: Any) -> None:
    reader = Reader(qtbot, roots=())
    assert "Mark a root" in reader.text("rx_score_missing")
    assert not reader.find("rx_score_take_back").isVisible()


def test_names_of_any_length_fit(qtbot: Any) -> None:
    long = "the mesiobuccal root and what lies behind it in the picture " * 2
    reader = Reader(qtbot, roots=("MB", "DB", "P", long, "fifth"))
    for scale in SCALES.values():
        reader.choose("rx_score_scale", scale.title)
        reader.click(f"rx_score_root_{long}")
        reader.assert_fits()


def test_every_button_and_list_has_a_name(reader: Reader) -> None:

    for kind in (QPushButton, QComboBox):
        for widget in reader.form.findChildren(kind):
            assert widget.objectName().startswith("rx_")
            assert widget.accessibleName()
