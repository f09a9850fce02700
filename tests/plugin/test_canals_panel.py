"""Step 'canals' in a real window: clicks as the pointer makes them, fields by mouse and keys."""

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
from rxmeasure_napari.panels.canals import APEX_STATES, SEEN_APART, CanalsPanel, typed_taper
from rxmeasure_napari.review_state import OpenFilm, Pointing, Purpose, Step

from rxmeasure.errors import MarksError
from rxmeasure.marks import CanalMarks, FilmKind, Landmark, LandmarkState, NominalShape
from rxmeasure.record.review_file import read_marks

__all__ = ["desk", "films", "open_film"]

CLICKS = ((75.0, 242.0), (298.6, 261.5), (531.4, 254.6))


@pytest.fixture
def panel(desk: Desk) -> Iterator[CanalsPanel]:
    with in_window(CanalsPanel(desk)) as panel:
        yield panel


@pytest.fixture
def come_in(desk: Desk, panel: CanalsPanel, qtbot: Any) -> Callable[[], None]:
    return comes_in(desk, Step.CANALS, panel, qtbot)


@pytest.fixture
def premolar(open_film: Open, films: Path, come_in: Callable[[], None]) -> OpenFilm:
    """A film with a scale and without a canal."""
    marks = read_marks(films / "adequate_premolar.marks.toml")
    film = open_film("adequate_premolar.png", replace(marks, canals=()))
    come_in()
    return film


@pytest.fixture
def traced(premolar: OpenFilm, desk: Desk, panel: CanalsPanel, qtbot: Any) -> OpenFilm:
    """The same with its canal, measured; the reader came back to the step."""
    point(desk, *CLICKS)
    desk.state.point_for(Pointing())
    qtbot.waitUntil(lambda: premolar.is_current, timeout=20_000)
    return premolar


@pytest.fixture
def molar(open_film: Open, films: Path, come_in: Callable[[], None], qtbot: Any) -> OpenFilm:
    """Two canals and no scale."""
    film = open_film("curved_molar.tif", read_marks(films / "curved_molar.marks.toml"))
    come_in()
    qtbot.waitUntil(lambda: film.is_current, timeout=20_000)
    return film


def only(film: OpenFilm) -> CanalMarks:
    (canal,) = film.marks.canals
    return canal


def rows(panel: CanalsPanel) -> list[str]:
    canals = part(panel, "rx_canal_list")
    return [canals.item(k).text() for k in range(canals.count())]


def choose(combo: Any, index: int) -> None:
    """Choose by key, as the reader does."""
    combo.setFocus()
    steps = index - combo.currentIndex()
    for _ in range(abs(steps)):
        QTest.keyClick(combo, Qt.Key.Key_Down if steps > 0 else Qt.Key.Key_Up)
    assert combo.currentIndex() == index


def test_the_first_canal_begins_by_itself_and_leaves_no_trace(
    premolar: OpenFilm, desk: Desk, panel: CanalsPanel
) -> None:
    undo = premolar.undo_label
    assert desk.state.pointing == Pointing(purpose=Purpose.CANAL, canal="single")
    assert "coronal reference" in said(panel, "rx_canal_hint")
    assert not part(panel, "rx_apex_state").isEnabled()
    panel.hide()
    assert desk.state.pointing == Pointing()
    assert premolar.marks.canals == ()
    assert premolar.undo_label == undo


def test_three_clicks_and_enter_finish_the_canal(
    premolar: OpenFilm, desk: Desk, panel: CanalsPanel
) -> None:
    point(desk, *CLICKS)
    QTest.keyClick(panel, Qt.Key.Key_Return)
    assert only(premolar) == CanalMarks(name="single", clicks_px=CLICKS)
    assert desk.state.step is Step.FILL
    assert desk.state.pointing == Pointing()


def test_one_click_is_no_canal_and_is_gone_on_with(
    premolar: OpenFilm, desk: Desk, panel: CanalsPanel
) -> None:
    point(desk, CLICKS[0])
    click(part(panel, "rx_next_after_canals"))
    assert desk.state.step is Step.CANALS
    assert desk.state.last_told is not None
    assert "one click" in desk.state.last_told.text
    panel.hide()
    panel.show()
    assert desk.state.pointing == Pointing(purpose=Purpose.CANAL, canal="single")
    point(desk, *CLICKS[1:])
    assert only(premolar).clicks_px == CLICKS


def test_the_length_is_shown_with_uncertainty_scale_and_share_seen(
    traced: OpenFilm, panel: CanalsPanel
) -> None:
    measured = traced.measured("single")
    assert measured is not None
    length, numbers = measured.canal_length, panel.numbers
    assert length.value_mm is not None
    assert length.u_mm is not None
    value = f"{numbers.quantity(length.value_mm, 'mm')} ± {numbers.uncertainty(length.u_mm, 'mm')}"
    assert f"{value} mm" in said(panel, "rx_canal_length")
    assert str(length.scale_source) in said(panel, "rx_canal_source")
    seen = numbers.percent(measured.centre_line.confidence)
    assert rows(panel) == [f"single · 3 clicks · {value} mm · line seen on {seen}"]


def test_a_line_that_follows_the_pointer_shows_its_own_length(
    traced: OpenFilm, panel: CanalsPanel
) -> None:
    from rxmeasure.tracing.preview import preview_trace

    before = said(panel, "rx_canal_length")
    marks = traced.marks
    short = preview_trace(
        traced.radiograph, traced.calibration, CLICKS[:2], marks.film_kind, marks.settings
    )
    traced.set_preview("single", short)
    assert short.length.value_mm is not None
    value = panel.numbers.quantity(short.length.value_mm, "mm")
    assert said(panel, "rx_canal_length").startswith(value)
    traced.set_preview("", None)
    assert said(panel, "rx_canal_length") == before


def test_without_a_scale_pixels_and_why(molar: OpenFilm, panel: CanalsPanel) -> None:
    assert " px" in said(panel, "rx_canal_length")
    assert " mm" not in said(panel, "rx_canal_length")
    assert "No scale" in said(panel, "rx_canal_source")


def test_warnings_stand_in_full(molar: OpenFilm, desk: Desk, panel: CanalsPanel) -> None:
    for canal in molar.marks.canals:
        desk.state.choose_canal(canal.name)
        measured = molar.measured(canal.name)
        assert measured is not None
        text = "\n".join(f"⚠ {w.text}" for w in measured.warnings)
        assert said(panel, "rx_canal_warnings") == text
        assert part(panel, "rx_canal_warnings").isHidden() is (not text)


def test_canals_are_chosen_in_the_list(molar: OpenFilm, desk: Desk, panel: CanalsPanel) -> None:
    canals = part(panel, "rx_canal_list")
    assert desk.state.canal == "M"
    place = canals.visualItemRect(canals.item(1)).center()
    QTest.mouseClick(canals.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert desk.state.canal == "D"
    QTest.keyClick(canals, Qt.Key.Key_Up)
    assert desk.state.canal == "M"
    desk.state.next_canal()
    assert canals.currentRow() == 1
    assert part(panel, "rx_canal_name").currentText() == "D"


def test_a_new_canal_is_listed_and_made_by_its_first_click(
    molar: OpenFilm, desk: Desk, panel: CanalsPanel
) -> None:
    click(part(panel, "rx_new_canal"))
    assert desk.state.pointing == Pointing(purpose=Purpose.CANAL, canal="MB")
    assert rows(panel)[-1] == "MB · 0 clicks"
    assert len(molar.marks.canals) == 2
    point(desk, (150.0, 200.0))
    assert molar.marks.canals[-1] == CanalMarks(name="MB", clicks_px=((150.0, 200.0),))
    click(part(panel, "rx_remove_canal"))
    assert [c.name for c in molar.marks.canals] == ["M", "D"]


def test_a_canal_that_was_only_begun_is_dropped(
    molar: OpenFilm, desk: Desk, panel: CanalsPanel
) -> None:
    undo = molar.undo_label
    click(part(panel, "rx_new_canal"))
    click(part(panel, "rx_remove_canal"))
    assert desk.state.canal == "M"
    assert desk.state.pointing == Pointing()
    assert molar.undo_label == undo


def test_a_canal_is_renamed(molar: OpenFilm, desk: Desk, panel: CanalsPanel) -> None:
    name = part(panel, "rx_canal_name")
    write(name.lineEdit(), "MB")
    assert [c.name for c in molar.marks.canals] == ["MB", "D"]
    assert desk.state.canal == "MB"
    write(name.lineEdit(), "D")
    assert name.currentText() == "MB"
    assert desk.state.last_told is not None
    assert desk.state.last_told.kind == "refusal"
    write(name.lineEdit(), "ML", key=Qt.Key.Key_Escape)
    assert name.currentText() == "MB"
    molar.undo()
    assert [c.name for c in molar.marks.canals] == ["M", "D"]


def test_a_canal_is_named_before_its_first_click(
    premolar: OpenFilm, desk: Desk, panel: CanalsPanel
) -> None:
    write(part(panel, "rx_canal_name").lineEdit(), "B")
    assert premolar.marks.canals == ()
    point(desk, *CLICKS)
    assert only(premolar).name == "B"


def test_remove_can_be_undone(molar: OpenFilm, desk: Desk, panel: CanalsPanel) -> None:
    before = molar.marks
    click(part(panel, "rx_remove_canal"))
    assert [c.name for c in molar.marks.canals] == ["D"]
    assert desk.state.canal == "D"
    molar.undo()
    assert molar.marks == before


def test_the_coronal_reference_is_named_at_the_first_click(
    traced: OpenFilm, panel: CanalsPanel
) -> None:
    field = part(panel, "rx_coronal_reference")
    write(field.lineEdit(), "buccal cusp tip")
    named = Landmark(point_px=CLICKS[0], state=LandmarkState.MARKED, label="buccal cusp tip")
    assert only(traced).coronal_reference == named
    write(field.lineEdit(), "")
    assert only(traced).coronal_reference == Landmark()


@pytest.mark.parametrize(
    "state",
    [
        LandmarkState.UNCLEAR,
        LandmarkState.RESORBED,
        LandmarkState.OPEN_APEX,
        LandmarkState.OUTSIDE_FILM,
    ],
)
def test_the_apex_may_be_other_than_seen(
    traced: OpenFilm, panel: CanalsPanel, state: LandmarkState
) -> None:
    field = part(panel, "rx_apex_state")
    choose(field, list(APEX_STATES).index(state))
    assert only(traced).radiographic_apex == Landmark(state=state)
    choose(field, 0)
    assert only(traced).radiographic_apex == Landmark()


def test_an_apex_apart_keeps_its_place_when_it_is_resorbed(
    traced: OpenFilm, desk: Desk, panel: CanalsPanel
) -> None:
    click(part(panel, "rx_more"))
    click(part(panel, "rx_place_radiographic_apex"))
    point(desk, (540.0, 250.0))
    field = part(panel, "rx_apex_state")
    placed = Landmark(point_px=(540.0, 250.0), state=LandmarkState.MARKED)
    assert only(traced).radiographic_apex == placed
    assert field.currentText() == SEEN_APART
    choose(field, list(APEX_STATES).index(LandmarkState.RESORBED))
    apex = only(traced).radiographic_apex
    assert apex == Landmark(point_px=(540.0, 250.0), state=LandmarkState.RESORBED)
    click(part(panel, "rx_remove_radiographic_apex"))
    assert only(traced).radiographic_apex == Landmark()


@pytest.mark.parametrize("landmark", ["orifice", "core_end", "sealer_end", "post_end"])
def test_landmarks_are_placed_and_removed(
    traced: OpenFilm, desk: Desk, panel: CanalsPanel, landmark: str
) -> None:
    click(part(panel, "rx_more"))
    click(part(panel, f"rx_place_{landmark}"))
    assert said(panel, f"rx_landmark_{landmark}") == "click it now"
    point(desk, (300.0, 260.0))
    placed = Landmark(point_px=(300.0, 260.0), state=LandmarkState.MARKED)
    assert getattr(only(traced), landmark) == placed
    assert said(panel, f"rx_landmark_{landmark}") == "placed"
    click(part(panel, f"rx_remove_{landmark}"))
    assert getattr(only(traced), landmark) == Landmark()


def test_placing_is_given_up_by_the_same_button(
    traced: OpenFilm, desk: Desk, panel: CanalsPanel
) -> None:
    click(part(panel, "rx_place_orifice"))
    assert desk.state.pointing.landmark == "orifice"
    click(part(panel, "rx_place_orifice"))
    assert desk.state.pointing == Pointing()


def test_size_and_taper_are_taken_together(traced: OpenFilm, panel: CanalsPanel) -> None:
    write(part(panel, "rx_nominal_size"), "35")
    assert only(traced).nominal is None
    assert "belong together" in said(panel, "rx_canal_problem")
    write(part(panel, "rx_nominal_taper"), ".04")
    assert only(traced).nominal == NominalShape(size=35.0, taper=0.04)
    assert part(panel, "rx_canal_problem").isHidden()
    write(part(panel, "rx_nominal_taper"), "40 %")
    assert only(traced).nominal == NominalShape(size=35.0, taper=0.04)
    assert "Needed:" in said(panel, "rx_canal_problem")
    write(part(panel, "rx_nominal_taper"), "")
    write(part(panel, "rx_nominal_size"), "")
    assert only(traced).nominal is None


@pytest.mark.parametrize("text", [".04", "0.04", "0,04", "4", "4 %", "4%", "04"])
def test_a_taper_is_read_as_the_trade_writes_it(text: str) -> None:
    assert typed_taper(text) == pytest.approx(0.04)


@pytest.mark.parametrize("text", ["", "%", "0.4", "25", "-4", "4 %%"])
def test_what_is_no_taper_is_refused(text: str) -> None:
    with pytest.raises(MarksError):
        typed_taper(text)


@pytest.mark.parametrize("kind", list(FilmKind))
def test_only_what_the_film_kind_has_is_asked_for(
    traced: OpenFilm, desk: Desk, panel: CanalsPanel, kind: FilmKind
) -> None:
    desk.state.try_edit("film kind", lambda m: replace(m, film_kind=kind))
    click(part(panel, "rx_more"))
    file_film = kind in (FilmKind.WORKING_LENGTH, FilmKind.MASTER_CONE)
    filled = kind in (FilmKind.POSTOPERATIVE, FilmKind.RECALL)
    assert part(panel, "rx_stop_to_tip_mm").isVisible() is file_film
    assert part(panel, "rx_place_core_end").isVisible() is filled
    assert part(panel, "rx_downpack_depth_mm").isVisible() is filled
    assert part(panel, "rx_locator_reading_mm").isVisible()


@pytest.mark.parametrize("field", ["stop_to_tip_mm", "locator_reading_mm", "downpack_depth_mm"])
def test_stated_lengths_are_taken(
    traced: OpenFilm, desk: Desk, panel: CanalsPanel, field: str
) -> None:
    kind = FilmKind.WORKING_LENGTH if field == "stop_to_tip_mm" else FilmKind.POSTOPERATIVE
    desk.state.try_edit("film kind", lambda m: replace(m, film_kind=kind))
    click(part(panel, "rx_more"))
    write(part(panel, f"rx_{field}"), "20,5")
    assert getattr(only(traced), field) == 20.5
    write(part(panel, f"rx_{field}"), "500")
    assert getattr(only(traced), field) == 20.5
    write(part(panel, f"rx_{field}"), "")
    assert getattr(only(traced), field) is None


def test_what_is_typed_belongs_to_the_canal_it_was_typed_for(
    molar: OpenFilm, desk: Desk, panel: CanalsPanel
) -> None:
    other = molar.marks.canals[1]
    size = part(panel, "rx_nominal_size")
    click(size)
    size.selectAll()
    QTest.keyClicks(size, "45")
    desk.state.next_canal()
    assert molar.marks.canals[0].nominal == NominalShape(size=45.0, taper=0.05)
    assert molar.marks.canals[1] == other
    assert size.value == other.nominal.size if other.nominal else False


def test_it_fits_the_dock(traced: OpenFilm, panel: CanalsPanel) -> None:
    click(part(panel, "rx_more"))
    assert panel.minimumSizeHint().width() <= 375
