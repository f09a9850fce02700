"""Step 'calibrate' in a real window: clicks as the pointer makes them, fields by mouse and keys."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from plugin.one_panel import (
    Open,
    click,
    comes_in,
    desk,
    films,
    in_window,
    open_film,
    part,
    point,
    said,
    write,
)
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest
from rxmeasure_napari.desk import Desk
from rxmeasure_napari.panels.calibrate import CalibratePanel
from rxmeasure_napari.panels.number_field import NumberField, typed_number
from rxmeasure_napari.review_state import OpenFilm, Pointing, Purpose, Step

from rxmeasure.calibration.calibrate import calibrate
from rxmeasure.errors import MarksError
from rxmeasure.marks import LengthReference
from rxmeasure.record.review_file import read_marks

__all__ = ["desk", "films", "open_film"]

FILE_CLICKS = ((99.4, 92.4), (224.4, 101.9), (357.4, 96.5), (483.9, 57.5))


@pytest.fixture
def panel(desk: Desk) -> Iterator[CalibratePanel]:
    with in_window(CalibratePanel(desk)) as panel:
        yield panel


@pytest.fixture
def come_in(desk: Desk, panel: CalibratePanel, qtbot: Any) -> Callable[[], None]:
    return comes_in(desk, Step.CALIBRATE, panel, qtbot)


@pytest.fixture
def premolar(open_film: Open, come_in: Callable[[], None]) -> OpenFilm:
    film = open_film("adequate_premolar.png")
    come_in()
    return film


def waits_for(desk: Desk, index: int) -> bool:
    return desk.state.pointing == Pointing(purpose=Purpose.REFERENCE, reference=index)


def test_the_step_waits_for_clicks_at_once_and_leaves_no_trace(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel
) -> None:
    assert waits_for(desk, 0)
    assert "stop" in said(panel, "rx_reference_hint")
    panel.hide()
    assert desk.state.pointing == Pointing()
    assert premolar.marks.references == ()
    assert premolar.undo_label == ""


def test_two_clicks_a_length_and_enter_give_the_scale_and_go_on(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel, qtbot: Any
) -> None:
    point(desk, FILE_CLICKS[0])
    assert not part(panel, "rx_length_0").hasFocus()
    point(desk, FILE_CLICKS[-1])
    length = part(panel, "rx_length_0")
    assert length.hasFocus()
    QTest.keyClicks(length, "18.5")
    QTest.keyClick(length, Qt.Key.Key_Return)
    assert desk.state.step is Step.CANALS
    assert desk.state.pointing.purpose is not Purpose.REFERENCE
    qtbot.waitUntil(lambda: premolar.calibration is not None, timeout=10_000)
    expected = calibrate(premolar.radiograph, premolar.marks)
    assert expected is not None
    numbers = panel.numbers
    assert numbers.mm_per_px(expected.col_mm) in said(panel, "rx_scale")
    assert numbers.relative(1.96 * expected.u_rel) in said(panel, "rx_scale")
    assert expected.source in said(panel, "rx_scale_source")
    for _ in range(3):
        premolar.undo()
    assert premolar.marks.references == ()


def test_a_click_between_may_follow_on_a_bent_file(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel
) -> None:
    point(desk, *FILE_CLICKS[:2])
    QTest.keyClicks(part(panel, "rx_length_0"), "18")
    panel.setFocus()
    point(desk, *FILE_CLICKS[2:])
    assert part(panel, "rx_length_0").hasFocus()
    QTest.keyClicks(part(panel, "rx_length_0"), "18,5")
    QTest.keyClick(part(panel, "rx_length_0"), Qt.Key.Key_Enter)
    assert premolar.marks.references == (
        LengthReference(kind="file", points_px=FILE_CLICKS, length_mm=18.5),
    )


@pytest.mark.parametrize("text", ["", "0.5", "185", "-18", "18.5.1", "nan", "1e1", "long"])
def test_a_length_that_cannot_be_is_refused_in_place(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel, text: str
) -> None:
    point(desk, FILE_CLICKS[0], FILE_CLICKS[-1])
    before = premolar.marks
    write(part(panel, "rx_length_0"), text)
    assert premolar.marks == before
    assert desk.state.step is Step.CALIBRATE
    assert "Needed:" in said(panel, "rx_reference_problem_0")
    write(part(panel, "rx_length_0"), "18.5")
    assert part(panel, "rx_reference_problem_0").isHidden()
    assert premolar.marks.references[0].length_mm == 18.5


def test_escape_brings_the_old_length_back(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel
) -> None:
    point(desk, FILE_CLICKS[0], FILE_CLICKS[-1])
    write(part(panel, "rx_length_0"), "18.5")
    write(part(panel, "rx_length_0"), "21", key=Qt.Key.Key_Escape)
    assert part(panel, "rx_length_0").text() == "18.5"
    assert premolar.marks.references[0].length_mm == 18.5


def test_what_is_being_typed_stays_until_the_length_itself_changes(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel
) -> None:
    point(desk, FILE_CLICKS[0], FILE_CLICKS[-1])
    write(part(panel, "rx_length_0"), "18.5")
    write(part(panel, "rx_length_0"), "20")
    length = part(panel, "rx_length_0")
    click(length)
    length.selectAll()
    QTest.keyClicks(length, "2")
    desk.state.try_edit("other", lambda m: replace(m, tooth="35"))
    assert length.text() == "2"
    premolar.undo()
    premolar.undo()
    assert length.text() == "18.5"


def test_a_length_typed_before_the_first_click_is_taken(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel
) -> None:
    write(part(panel, "rx_length_0"), "18.5", key=Qt.Key.Key_Tab)
    assert premolar.undo_label == ""
    point(desk, FILE_CLICKS[0], FILE_CLICKS[-1])
    QTest.keyClick(part(panel, "rx_length_0"), Qt.Key.Key_Return)
    assert premolar.marks.references[0].length_mm == 18.5
    assert desk.state.step is Step.CANALS


def test_the_usual_length_of_the_preferences_is_proposed(
    desk: Desk, open_film: Open, come_in: Callable[[], None], panel: CalibratePanel
) -> None:
    desk.preferences = replace(desk.preferences, file_length_mm=21.0)
    film = open_film("adequate_premolar.png")
    come_in()
    assert part(panel, "rx_length_0").text() == "21"
    point(desk, FILE_CLICKS[0], FILE_CLICKS[-1])
    QTest.keyClick(part(panel, "rx_length_0"), Qt.Key.Key_Return)
    assert film.marks.references[0].length_mm == 21.0


def test_one_click_is_not_a_length_and_can_be_gone_on_with(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel
) -> None:
    point(desk, FILE_CLICKS[0])
    click(part(panel, "rx_next_after_calibrate"))
    assert desk.state.step is Step.CALIBRATE
    assert desk.state.last_told is not None
    assert "the tip" in desk.state.last_told.text
    desk.state.point_for(Pointing())
    assert "no scale yet" in said(panel, "rx_reference_state_0")
    click(part(panel, "rx_click_reference_0"))
    assert waits_for(desk, 0)
    panel.hide()
    desk.state.choose_step(Step.CANALS)
    desk.state.choose_step(Step.CALIBRATE)
    panel.show()
    assert waits_for(desk, 0)
    point(desk, FILE_CLICKS[-1])
    assert len(premolar.marks.references) == 1


def test_escape_on_the_picture_takes_the_empty_card_away(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel
) -> None:
    desk.state.point_for(Pointing())
    assert not [c for c in panel.findChildren(NumberField, "rx_length_0") if c.isVisible()]
    click(part(panel, "rx_trace_file"))
    assert waits_for(desk, 0)


def test_a_straight_line_takes_two_clicks_and_no_more(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel
) -> None:
    click(part(panel, "rx_straight_line"))
    point(desk, FILE_CLICKS[0], FILE_CLICKS[-1])
    assert desk.state.pointing == Pointing()
    assert part(panel, "rx_tip_size_0").isHidden()
    length = part(panel, "rx_length_0")
    assert length.hasFocus()
    QTest.keyClicks(length, "18.5")
    QTest.keyClick(length, Qt.Key.Key_Return)
    assert premolar.marks.references[0].kind == "line"
    assert desk.state.step is Step.CANALS


def test_all_facts_of_a_known_length_can_be_stated(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel, qtbot: Any
) -> None:
    point(desk, *FILE_CLICKS)
    write(part(panel, "rx_length_u_0"), "0.25")
    write(part(panel, "rx_tip_size_0"), "8")
    write(part(panel, "rx_label_0").lineEdit(), "file beside the tooth")
    write(part(panel, "rx_length_0"), "18.5")
    assert premolar.marks.references[0] == LengthReference(
        kind="file",
        points_px=FILE_CLICKS,
        length_mm=18.5,
        length_u_mm=0.25,
        tip_size=8.0,
        label="file beside the tooth",
    )
    qtbot.waitUntil(lambda: premolar.is_current, timeout=10_000)
    calibration = premolar.calibration
    assert calibration is not None
    assert [w.code for w in calibration.warnings] == ["thin-tip"]
    assert calibration.warnings[0].text in said(panel, "rx_scale_warnings")
    write(part(panel, "rx_tip_size_0"), "")
    assert premolar.marks.references[0].tip_size is None


def test_several_show_their_scale_alone_and_how_far_they_disagree(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel, qtbot: Any
) -> None:
    point(desk, *FILE_CLICKS)
    write(part(panel, "rx_length_0"), "18.5")
    desk.state.choose_step(Step.CALIBRATE)
    click(part(panel, "rx_straight_line"))
    point(desk, (99.4, 92.4), (483.9, 57.5))
    QTest.keyClicks(part(panel, "rx_length_1"), "25")
    QTest.keyClick(part(panel, "rx_length_1"), Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: premolar.is_current, timeout=10_000)
    calibration = premolar.calibration
    assert calibration is not None
    for k, result in enumerate(calibration.references):
        text = said(panel, f"rx_reference_state_{k}")
        assert panel.numbers.mm_per_px(result.mm_per_px) in text
        assert result.residual_sd is not None
        assert f"{panel.numbers.fixed(result.residual_sd, 1)} SD" in text
    assert calibration.warnings[0].code == "references-disagree"
    assert calibration.warnings[0].text in said(panel, "rx_scale_warnings")
    click(part(panel, "rx_remove_reference_1"))
    assert [r.kind for r in premolar.marks.references] == ["file"]
    premolar.undo()
    assert [r.kind for r in premolar.marks.references] == ["file", "line"]


def test_no_scale_says_why(
    desk: Desk,
    open_film: Open,
    come_in: Callable[[], None],
    panel: CalibratePanel,
    qtbot: Any,
) -> None:
    film = open_film("short_incisor.dcm")
    come_in()
    qtbot.waitUntil(lambda: film.is_current, timeout=10_000)
    own = film.calibration
    assert own is not None
    assert own.warnings[0].text in said(panel, "rx_scale_warnings")
    click(part(panel, "rx_use_spacing"))
    assert not film.marks.use_detector_spacing
    qtbot.waitUntil(lambda: film.is_current, timeout=10_000)
    assert "no millimetres" in said(panel, "rx_scale")
    assert "switched off" in said(panel, "rx_scale_source")
    assert own.warnings[0].text in said(panel, "rx_spacing_text")
    film.undo()
    assert part(panel, "rx_use_spacing").isChecked()


def test_the_problem_stands_where_the_scale_would(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel, qtbot: Any
) -> None:
    point(desk, (100.0, 100.0), (100.0, 101.0))
    write(part(panel, "rx_length_0"), "18.5")
    qtbot.waitUntil(lambda: premolar.is_current, timeout=10_000)
    assert premolar.computed.problem is not None
    assert premolar.computed.problem.next_step in said(panel, "rx_scale_source")


def test_another_film_brings_its_own_lengths(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel, open_film: Open, films: Path
) -> None:
    point(desk, FILE_CLICKS[0])
    other = open_film("voids_canine.png", read_marks(films / "voids_canine.marks.toml"))
    assert desk.state.film is other
    length = other.marks.references[0].length_mm
    assert part(panel, "rx_length_0").value == length
    desk.state.choose_film(premolar)
    assert part(panel, "rx_length_0").value is None


def test_what_is_typed_belongs_to_the_film_it_was_typed_for(
    premolar: OpenFilm, desk: Desk, panel: CalibratePanel, open_film: Open, films: Path
) -> None:
    other = open_film("voids_canine.png", read_marks(films / "voids_canine.marks.toml"))
    desk.state.choose_film(premolar)
    point(desk, FILE_CLICKS[0], FILE_CLICKS[-1])
    marks = other.marks
    QTest.keyClicks(part(panel, "rx_length_0"), "18.5")
    desk.state.choose_film(other)
    assert premolar.marks.references[0].length_mm == 18.5
    assert part(panel, "rx_length_0").value == marks.references[0].length_mm
    click(part(panel, "rx_tip_size_0"))
    assert other.marks == marks


def test_it_fits_the_dock(premolar: OpenFilm, desk: Desk, panel: CalibratePanel) -> None:
    point(desk, *FILE_CLICKS)
    write(part(panel, "rx_length_0"), "999")
    assert panel.minimumSizeHint().width() <= 375


@pytest.mark.parametrize(
    ("text", "number"), [("18.5", 18.5), ("18,5", 18.5), (" 20 ", 20.0), (".5", 0.5), ("3,", 3.0)]
)
def test_numbers_are_read_with_point_or_comma(text: str, number: float) -> None:
    assert typed_number(text, name="length") == number


@pytest.mark.parametrize("text", ["", ",", "1,2,3", "0x10", "1_000", "inf", "+1", "١٨"])
def test_what_is_no_plain_number_is_refused(text: str) -> None:
    with pytest.raises(MarksError):
        typed_number(text, name="length")
