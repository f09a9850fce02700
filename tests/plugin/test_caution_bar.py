"""The strip of cautions in a window, with mouse and keys."""

from __future__ import annotations

import pytest
from napari._qt.qt_resources import get_stylesheet
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QApplication, QLabel, QVBoxLayout, QWidget
from rxmeasure_napari.caution_bar import TOPICS, CautionBar, for_topic

from rxmeasure.report.cautions import CAUTIONS
from rxmeasure.report.numbers import Numbers

HEADS = [caution.head for caution in CAUTIONS]


@pytest.fixture
def bar(qtbot) -> CautionBar:
    top = QWidget()
    top.setStyleSheet(get_stylesheet("dark"))
    rows = QVBoxLayout(top)
    rows.setContentsMargins(0, 0, 0, 0)
    rows.addStretch(1)
    made = CautionBar()
    rows.addWidget(made)
    top.resize(390, 600)
    qtbot.addWidget(top)
    top.show()
    top.activateWindow()
    qtbot.waitUntil(top.isActiveWindow)
    made.top = top
    return made


def heads(bar: CautionBar) -> str:
    QApplication.processEvents()
    return bar.findChild(QLabel, "rx_caution_heads").text()


@pytest.mark.parametrize(
    ("topic", "expected"),
    [
        ("length", ["The radiographic apex is not the foramen.", "A length without its scale"]),
        ("density", ['"No visible void" is not "no void".', "One film is a two-dimensional"]),
        ("lesion", ["No shadow is not no lesion.", "One film is a two-dimensional"]),
        ("all", ["An aid for teaching and review.", "The radiographic apex is not the foramen."]),
    ],
)
def test_the_folded_strip_shows_what_matters_now(bar, topic: str, expected: list[str]) -> None:
    bar.show_for(topic)
    text = heads(bar)
    assert all(head in text for head in expected)
    assert bar.height() <= 44
    assert bar.width() <= 390
    label = bar.findChild(QLabel, "rx_caution_heads")
    assert label.height() >= label.heightForWidth(label.width())


def test_a_wider_strip_shows_more_heads(bar) -> None:
    before = heads(bar)
    bar.top.resize(900, 600)
    wider = heads(bar)
    assert len(wider) > len(before)
    bar.top.resize(390, 600)
    assert heads(bar) == before


@pytest.mark.parametrize("topic", TOPICS)
def test_every_topic_keeps_every_caution(topic: str) -> None:
    assert sorted(c.head for c in for_topic(topic)) == sorted(HEADS)
    assert all(any(word in head for head in HEADS) for word in TOPICS[topic])


def test_a_key_unfolds_the_full_texts_with_sources_and_escape_folds_them(bar, qtbot) -> None:
    unfold = bar.findChild(QWidget, "rx_cautions_unfold")
    full = bar.findChild(QWidget, "rx_cautions_full")
    assert not full.isVisible()
    bar.top.setFocus()
    qtbot.keyClick(bar.top, Qt.Key.Key_Tab)
    assert QApplication.focusWidget() is unfold
    qtbot.keyClick(unfold, Qt.Key.Key_Space)
    assert full.isVisible()
    assert QApplication.focusWidget() is full
    shown = "\n".join(label.text() for label in full.findChildren(QLabel))
    for caution in CAUTIONS:
        assert caution.head in shown
        assert caution.text in shown
        for source in caution.sources:
            assert f"Source ({source.status}): {source.text}" in shown
    before = full.verticalScrollBar().value()
    qtbot.keyClick(full, Qt.Key.Key_PageDown)
    assert full.verticalScrollBar().value() > before
    assert full.horizontalScrollBar().maximum() == 0
    assert bar.height() <= bar.top.height() / 2
    qtbot.keyClick(full, Qt.Key.Key_Escape)
    assert not full.isVisible()
    assert QApplication.focusWidget() is unfold


def test_the_button_unfolds_and_folds_by_mouse(bar, qtbot) -> None:
    unfold = bar.findChild(QWidget, "rx_cautions_unfold")
    full = bar.findChild(QWidget, "rx_cautions_full")
    for shown in (True, False):
        qtbot.mouseClick(unfold, Qt.MouseButton.LeftButton)
        assert full.isVisible() is shown


def test_numbers_follow_the_decimal_mark_and_names_do_not(bar) -> None:
    bar.write_with(Numbers(decimal_mark=","))
    text = " ".join(label.text() for label in bar.findChildren(QLabel)).replace("\u200b", "")
    assert "0,5 to 1 mm apart" in text
    assert "37,2 %" in text
    assert "doi:10.1111/j.1365-2591.2008.01513.x" in text
    bar.write_with(Numbers())
    text = " ".join(label.text() for label in bar.findChildren(QLabel))
    assert "0.5 to 1 mm apart" in text
