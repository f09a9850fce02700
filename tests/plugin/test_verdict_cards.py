"""Verdict cards in a window, with mouse and keys, on the sample films."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path

import pytest
from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QApplication,
    QFrame,
    QLabel,
    QToolButton,
    QWidget,
)
from rxmeasure_napari import look
from rxmeasure_napari.verdict_cards import VerdictCards
from rxmeasure_napari.verdict_words import override_of
from shown import Shown, plain, words

from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.criteria.results import Outcome
from rxmeasure.criteria.verdict import judge_canal, summarise_tooth
from rxmeasure.marks import Override, ReviewMarks
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks
from rxmeasure.report.content import build_content
from rxmeasure.report.numbers import Numbers
from rxmeasure.review import Review, review_film
from rxmeasure.values import MeasureValue

SAMPLES = Path(__file__).parents[2] / "sample_images"


@cache
def film(name: str, *, scale: bool = True) -> tuple[Radiograph, ReviewMarks, Review]:
    radiograph, marks = (
        read_radiograph(SAMPLES / name),
        read_marks((SAMPLES / name).with_suffix(".marks.toml")),
    )
    if not scale:
        radiograph, marks = replace(radiograph, spacing=None), replace(marks, references=())
    return radiograph, marks, review_film(radiograph, marks)


def review_with(name: str, *overrides: Override) -> Review:
    radiograph, marks, _ = film(name)
    return review_film(radiograph, replace(marks, overrides=overrides))


VOIDS = "voids_canine.png"
LENGTH = "zero_two/length"
DENSITY = "zero_two/density"
MET = Override(canal="single", rule_id=DENSITY, verdict="met", reason="Overlap, seen on a shift.")


class Window(Shown):
    """Cards in a window as wide as the panel, with what was asked for."""

    def __init__(self, qtbot) -> None:
        self.cards = VerdictCards()
        self.requested: list[Override] = []
        self.withdrawn: list[Override] = []
        self.cards.override_requested.connect(self.requested.append)
        self.cards.override_withdrawn.connect(self.withdrawn.append)
        super().__init__(qtbot, self.cards)

    def show(self, review: Review | None, canal: str | None = "single", **more) -> Window:
        self.cards.show_review(review, canal, numbers=more.pop("numbers", Numbers()), **more)
        QApplication.processEvents()
        return self

    def has(self, name: str) -> bool:
        return self.cards.findChild(QWidget, name) is not None

    def focus(self) -> str:
        QApplication.processEvents()
        widget = QApplication.focusWidget()
        return "" if widget is None else widget.objectName()

    def key(self, key: Qt.Key) -> None:
        self.qtbot.keyClick(QApplication.focusWidget(), key)
        QApplication.processEvents()

    def type(self, text: str) -> None:
        self.qtbot.keyClicks(QApplication.focusWidget(), text)

    def tab_to(self, name: str) -> None:
        for _ in range(200):
            if self.focus() == name:
                return
            self.key(Qt.Key.Key_Tab)
        pytest.fail(f"{name} is not reached by Tab")


@pytest.fixture
def window(qtbot) -> Window:
    return Window(qtbot)


# What is shown.


@pytest.mark.parametrize(
    ("name", "scale"),
    [
        ("adequate_premolar.png", True),
        ("overfilled_with_puff.tif", True),
        (VOIDS, False),
        ("two_canals_premolar.jpg", True),
        ("working_length_premolar.png", True),
    ],
)
def test_the_words_are_those_of_the_report(window, name: str, scale: bool) -> None:
    radiograph, _, review = film(name, scale=scale)
    for canal, part in zip(review.canals, build_content(review, radiograph).canals, strict=True):
        window.show(review, canal.name)
        assert part.verdicts
        for row in part.verdicts:
            target = f"{row.rule.partition(',')[0]}/{row.field}"
            head = window.text(f"rx_verdict_{target}")
            assert head == plain(f"{row.sign} {row.word} {row.field}") + (
                f": {row.label}" if row.label else ""
            )
            line = "\n".join(map(words, window.find(f"rx_line_{target}").findChildren(QLabel)))
            number = row.value.partition("\u00a0")[0]
            for said in (number, row.why, row.probability[1:]):
                assert plain(said) in line


def test_the_measured_value_stands_with_uncertainty_and_scale(window) -> None:
    review = film(VOIDS)[2]
    measure = review.canals[0].measure("fill_to_apex_core_mm")
    assert measure is not None
    window.show(review)
    value = window.text(f"rx_value_{LENGTH}")
    assert value == f"{measure.value:.1f} ± {measure.u:.2f} mm (standard uncertainty, film scale)"
    assert "at least 0 and at most 2 mm" in window.text(f"rx_about_{LENGTH}")
    assert review.calibration.source in window.text("rx_verdict_scale")


def test_numbers_follow_the_decimal_mark(window) -> None:
    window.show(film(VOIDS)[2], numbers=Numbers(decimal_mark=","))
    assert re.match(r"\d,\d ± \d,\d\d mm", window.text(f"rx_value_{LENGTH}"))


def test_without_a_scale_nothing_is_measured_in_mm_and_the_reason_is_shown(window) -> None:
    review = film(VOIDS, scale=False)[2]
    length = next(v for v in review.verdicts if (v.rule_id, v.field) == ("zero_two", "length"))
    assert length.outcome is Outcome.CANNOT_BE_JUDGED
    window.show(review)
    assert window.text(f"rx_verdict_{LENGTH}") == "– cannot be judged length"
    assert window.text(f"rx_why_{LENGTH}") == plain(length.why)
    assert " px" in window.text(f"rx_value_{LENGTH}")
    values = [w for w in window.cards.findChildren(QLabel) if "rx_value" in w.objectName()]
    assert values
    assert not [words(w) for w in values if re.search(r"\bmm", words(w))]


@pytest.mark.parametrize("missing", ["Needed: a file of known length.", ""])
def test_no_review_says_why(window, missing: str) -> None:
    window.show(film(VOIDS)[2])
    window.show(None, "single", missing=missing)
    assert window.all_text() == (missing or "No verdict yet.")
    window.show(film(VOIDS)[2], None)
    assert "No canal is chosen." in window.all_text()
    window.show(film(VOIDS)[2], "MB")
    assert "Canal MB is not measured yet." in window.all_text()


def test_the_worst_canal_rules_the_tooth(window) -> None:
    review = film("two_canals_premolar.jpg")[2]
    window.show(review, "B")
    tooth = window.text("rx_verdict_tooth")
    for summary in review.tooth_summaries:
        assert f"{summary.outcome} {summary.rule_id}: {summary.worst_canal} (" in tooth
    assert {s.worst_canal for s in review.tooth_summaries} == {"B", "P"}


def test_a_raised_flag_stands_out(window) -> None:
    review = film(VOIDS)[2]
    flag = MeasureValue(name="gross_extrusion", value=True, unit="bool", p_true=1.0)
    verdicts = judge_canal("single", [flag], published_rule_sets()["gross_extrusion"])
    flagged = replace(review, verdicts=verdicts, tooth_summaries=summarise_tooth(verdicts))
    window.show(flagged)
    line = window.find("rx_line_gross_extrusion/gross extrusion")
    assert line.property("rx_edge") == "NOT_MET"
    assert "prompt clinical attention" in window.all_text()
    assert "Have the clinician look at it at once" in window.all_text()


@pytest.mark.parametrize("name", ["overfilled_with_puff.tif", "two_canals_premolar.jpg"])
def test_nothing_is_cut_off_in_a_narrow_dock(window, name: str) -> None:
    review = film(name)[2]
    window.show(review, review.canals[-1].name)
    window.click(f"rx_change_{LENGTH}")
    for made in window.cards.findChildren(QToolButton):
        if made.objectName().startswith("rx_source_"):
            made.click()
    QApplication.processEvents()
    assert window.cards.width() <= window.area.viewport().width()
    for widget in window.cards.findChildren(QWidget):
        if not widget.isVisible() or not widget.objectName().startswith("rx_"):
            continue
        right = widget.mapTo(window.cards, widget.rect().topRight()).x()
        assert right < window.cards.width(), widget.objectName()
        if isinstance(widget, QLabel):
            assert widget.height() >= widget.heightForWidth(widget.width()), widget.objectName()
        elif not isinstance(widget, QFrame):
            assert widget.width() >= widget.minimumSizeHint().width(), widget.objectName()


def test_source_and_limits_open_by_key(window) -> None:
    window.show(film(VOIDS)[2])
    assert "doi:10.1007/s00784-011-0671-3" not in window.all_text()
    window.tab_to(f"rx_source_{LENGTH}")
    window.key(Qt.Key.Key_Space)
    details = window.find(f"rx_details_{LENGTH}")
    assert details.isVisible()
    assert "doi:10.1007/s00784-011-0671-3" in details.text()
    assert "(read)" in details.text()
    assert "above 2 mm: underfilled (not met)" in details.text()
    window.key(Qt.Key.Key_Space)
    assert not details.isVisible()
    assert "(read)" in window.find(f"rx_verdict_{LENGTH}").toolTip()


# The reader's own word.


def test_override_by_keys_with_a_typed_reason(window) -> None:
    window.show(film(VOIDS)[2])
    window.tab_to(f"rx_change_{DENSITY}")
    window.key(Qt.Key.Key_Space)
    assert window.focus() == "rx_override_verdict"
    window.key(Qt.Key.Key_Down)
    window.key(Qt.Key.Key_Tab)
    assert window.focus() == "rx_override_reason"
    window.type("Overlap, seen on a shift. ")
    window.key(Qt.Key.Key_Return)
    assert window.requested == [MET]
    assert not window.has("rx_override_form")
    assert window.focus() == f"rx_change_{DENSITY}"


def test_override_by_mouse_with_a_word_of_the_rule(window) -> None:
    window.show(film(VOIDS)[2])
    window.click(f"rx_change_{LENGTH}")
    choice = window.find("rx_override_verdict")
    shown = [choice.itemText(k) for k in range(choice.count())]
    assert shown == [
        "✓ met",
        "✗ not met",
        "– cannot be judged",
        "overfilled (technical grade) (not met)",
        "adequate (met)",
        "underfilled (not met)",
    ]
    choice.setCurrentIndex(shown.index("underfilled (not met)"))
    window.click("rx_override_reason")
    window.type("Measured from the other cusp.")
    window.click("rx_override_apply")
    asked = Override(
        canal="single",
        rule_id=LENGTH,
        verdict="underfilled",
        reason="Measured from the other cusp.",
    )
    assert window.requested == [asked]
    judged = review_with(VOIDS, asked).verdicts
    length = next(v for v in judged if (v.rule_id, v.field) == ("zero_two", "length"))
    assert (length.outcome, length.label) == (Outcome.NOT_MET, "underfilled")


@pytest.mark.parametrize(("verdict", "reason"), [(0, ""), (0, "   "), (-1, "A reason.")])
def test_what_is_missing_keeps_the_button_disabled_and_is_said(
    window, verdict: int, reason: str
) -> None:
    window.show(film(VOIDS)[2])
    window.click(f"rx_change_{DENSITY}")
    window.find("rx_override_verdict").setCurrentIndex(verdict)
    window.click("rx_override_reason")
    window.type(reason)
    assert not window.find("rx_override_apply").isEnabled()
    needed = "the reason" if verdict == 0 else "a verdict"
    assert f"Needed: {needed}" in window.text("rx_override_needed")
    window.key(Qt.Key.Key_Return)
    window.click("rx_override_apply")
    assert window.requested == []
    assert window.has("rx_override_form")


@pytest.mark.parametrize("leave", ["key", "mouse", "other line"])
def test_leaving_the_form_asks_for_nothing(window, leave: str) -> None:
    window.show(film(VOIDS)[2])
    window.click(f"rx_change_{DENSITY}")
    window.find("rx_override_verdict").setCurrentIndex(0)
    window.click("rx_override_reason")
    window.type("A reason.")
    if leave == "key":
        window.key(Qt.Key.Key_Escape)
    elif leave == "mouse":
        window.click("rx_override_cancel")
    else:
        window.click(f"rx_change_{LENGTH}")
    forms = window.cards.findChildren(QWidget, "rx_override_form")
    assert len(forms) == (1 if leave == "other line" else 0)
    assert window.requested == []


def test_what_is_typed_outlasts_a_new_review_of_the_same_canal(window) -> None:
    window.show(film(VOIDS)[2])
    window.click(f"rx_source_{LENGTH}")
    window.click(f"rx_change_{DENSITY}")
    window.key(Qt.Key.Key_Down)
    window.key(Qt.Key.Key_Tab)
    window.type("Half a rea")
    window.show(film("adequate_premolar.png")[2])
    assert window.find(f"rx_details_{LENGTH}").isVisible()
    assert window.focus() == "rx_override_reason"
    window.type("son.")
    window.key(Qt.Key.Key_Return)
    assert [(o.verdict, o.reason) for o in window.requested] == [("met", "Half a reason.")]


def test_a_changed_verdict_shows_both_and_can_be_taken_back(window) -> None:
    window.show(review_with(VOIDS, MET))
    assert window.text(f"rx_verdict_{DENSITY}").startswith("✓ met (changed)")
    changed = window.text(f"rx_changed_{DENSITY}")
    assert "The program's own outcome: ✗ not met" in changed
    assert MET.reason in changed
    assert not window.has(f"rx_change_{DENSITY}")
    window.click(f"rx_take_back_{DENSITY}")
    assert window.withdrawn == [MET]
    window.show(review_with(VOIDS))
    assert window.text(f"rx_verdict_{DENSITY}").startswith("✗ not met density")
    assert window.focus() == f"rx_change_{DENSITY}"


def test_what_only_follows_from_a_change_is_not_taken_back_by_itself(window) -> None:
    review = review_with(VOIDS, MET)
    overall = next(v for v in review.verdicts if (v.rule_id, v.field) == ("zero_two", "overall"))
    assert overall.overridden_by.startswith("follows from density")
    window.show(review)
    assert "follows from density" in window.text("rx_changed_zero_two/overall")
    assert not window.has("rx_take_back_zero_two/overall")
    assert window.has("rx_change_zero_two/overall")


@pytest.mark.parametrize("named", ["zero_two", "zero_two/overall"])
def test_the_later_override_of_a_rule_is_the_one_in_force(named: str) -> None:
    first = Override(canal="single", rule_id="zero_two", verdict="met", reason="one")
    later = Override(canal="single", rule_id=named, verdict="cannot be judged", reason="two")
    review = review_with(VOIDS, first, later)
    beside = [v for v in review.verdicts if v.rule_id == "zero_two"]
    overall = next(v for v in beside if v.field == "overall")
    assert override_of(overall, beside, review.marks.overrides) == later


# Seen in a dim room.


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.1)."""
    shares = (int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    """Contrast ratio of two colours (WCAG 2.1)."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_the_standard() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    # From memory: the lightest grey on white that still passes.
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize(
    ("text", "ground"),
    [
        *product(
            [look.TEXT, look.MUTED, *look.VERDICT.values(), *look.TOLD.values()],
            [look.BACKGROUND, look.CARD],
        ),
        (look.TEXT, look.RAISED),
    ],
)
def test_text_can_be_read_on_its_ground(text: str, ground: str) -> None:
    assert contrast(text, ground) >= 4.5


def test_every_outcome_has_its_colour() -> None:
    assert set(look.VERDICT) == set(Outcome)
    assert len(set(look.VERDICT.values())) == len(Outcome)
