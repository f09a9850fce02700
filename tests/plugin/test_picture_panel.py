"""Step 'picture' in a real window, by mouse and keys."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plugin.one_panel import (
    Open,
    bring_up,
    click,
    desk,
    films,
    in_window,
    open_film,
    part,
    write,
)
from qtpy.QtCore import QPoint, QPointF, Qt
from qtpy.QtGui import QWheelEvent
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QFileDialog, QLabel, QPushButton, QWidget
from rxmeasure_napari.desk import Desk
from rxmeasure_napari.grey_levels import GreyPreset, window_for
from rxmeasure_napari.panels.film_panel import breakable
from rxmeasure_napari.panels.picture import PicturePanel
from rxmeasure_napari.panels.tooth_field import read_tooth, written
from rxmeasure_napari.review_state import OpenFilm, Step

from rxmeasure.errors import MarksError
from rxmeasure.marks import FilmKind
from rxmeasure.reading import read_radiograph
from rxmeasure.report.options import ToothNotation
from rxmeasure.tooth import TEETH

__all__ = ["desk", "films", "open_film"]


@pytest.fixture
def panel(desk: Desk, qtbot: Any) -> Iterator[PicturePanel]:
    with in_window(PicturePanel(desk)) as panel:
        bring_up(panel, qtbot)
        yield panel


def test_without_a_film_it_says_what_to_do(panel: PicturePanel) -> None:
    assert "No film is open" in part(panel, "rx_no_film").text()
    assert not part(panel, "rx_close").isEnabled()
    assert not part(panel, "rx_tooth").isVisible()


def test_films_are_opened_from_the_dialog(
    panel: PicturePanel,
    desk: Desk,
    films: Path,
    qtbot: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    chosen = [films / "adequate_premolar.png", films / "short_incisor.dcm"]
    asked = []

    def answer(parent: QWidget, title: str, folder: str, kinds: str) -> tuple[list[str], str]:
        asked.append(folder)
        return [str(path) for path in chosen], kinds

    monkeypatch.setattr(QFileDialog, "getOpenFileNames", answer)
    click(part(panel, "rx_open"))
    qtbot.waitUntil(lambda: len(desk.state.films) == 2, timeout=10_000)
    click(part(panel, "rx_open"))
    assert Path(asked[1]) == films


def test_the_facts_of_the_image(panel: PicturePanel, open_film: Open) -> None:
    open_film("short_incisor.dcm")
    facts = part(panel, "rx_facts").text().replace("\u200b", "")
    assert "520 × 700 px, 12 bit, DICOM, no lossy compression" in facts
    assert "0.04612 mm per pixel; Imager Pixel Spacing (0018,1164)" in facts
    assert "Photometric Interpretation (0028,0004) is MONOCHROME2" in facts


def test_warnings_of_the_image_are_shown_in_full(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("two_canals_premolar.jpg")
    assert film.radiograph.warnings
    shown = part(panel, "rx_warnings").text().replace("\u200b", "")
    for warning in film.radiograph.warnings:
        assert warning.text in shown


def test_a_typed_tooth_is_one_edit(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("curved_molar.tif")
    write(part(panel, "rx_tooth"), "46")
    assert film.marks.tooth == "46"
    assert film.undo_label == "tooth"
    assert part(panel, "rx_tooth_name").text() == "lower right first molar"
    assert "MB, ML, D" in part(panel, "rx_tooth_hint").text()
    film.undo()
    assert not film.undo_label
    assert part(panel, "rx_tooth").text() == ""


def test_no_such_tooth_is_refused_in_place(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("curved_molar.tif")
    field = part(panel, "rx_tooth")
    write(field, "46")
    write(field, "39")
    QTest.keyClick(field, Qt.Key.Key_Return)
    assert film.marks.tooth == "46"
    assert panel.state.step is Step.PICTURE
    assert field.text() == "39"
    assert "no tooth '39' in FDI notation" in part(panel, "rx_tooth_refusal").text()
    QTest.keyClick(field, Qt.Key.Key_Escape)
    assert field.text() == "46"
    assert not part(panel, "rx_tooth_refusal").isVisible()


def test_the_tooth_is_read_in_the_notation_of_the_reader(
    panel: PicturePanel, desk: Desk, open_film: Open
) -> None:
    film = open_film("curved_molar.tif")
    desk.preferences = replace(desk.preferences, tooth_notation=ToothNotation.UNIVERSAL)
    desk.preferences_changed.emit()
    write(part(panel, "rx_tooth"), "30")
    assert film.marks.tooth == "46"
    assert part(panel, "rx_tooth").text() == "30"
    assert part(panel, "rx_tooth_name").text() == "lower right first molar, FDI 46"


@pytest.mark.parametrize("notation", list(ToothNotation))
def test_every_tooth_is_read_as_it_is_written(notation: ToothNotation) -> None:
    for fdi in TEETH:
        assert read_tooth(f" {written(fdi, notation)} ", notation) == fdi


@pytest.mark.parametrize(
    ("text", "notation"),
    [
        ("49", ToothNotation.FDI),
        ("UR6", ToothNotation.FDI),
        ("33", ToothNotation.UNIVERSAL),
        ("UR9", ToothNotation.PALMER),
    ],
)
def test_what_is_no_tooth_is_never_guessed(text: str, notation: ToothNotation) -> None:
    with pytest.raises(MarksError):
        read_tooth(text, notation)


def test_a_tooth_is_picked_on_the_chart(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("curved_molar.tif")
    click(part(panel, "rx_tooth_pick"))
    click(part(panel, "rx_tooth_24"))
    assert film.marks.tooth == "24"
    assert part(panel, "rx_tooth").text() == "24"
    assert not part(panel, "rx_tooth_24").isVisible()


def test_the_patients_right_is_at_the_left_of_the_chart(
    panel: PicturePanel, open_film: Open
) -> None:
    open_film("curved_molar.tif")
    click(part(panel, "rx_tooth_pick"))
    place = {fdi: part(panel, f"rx_tooth_{fdi}").pos() for fdi in ("18", "28", "48", "38")}
    assert place["18"].x() == place["48"].x() < place["28"].x() == place["38"].x()
    assert place["18"].y() == place["28"].y() < place["48"].y()


def test_the_film_kind_by_key(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("working_length_premolar.png")
    kind = part(panel, "rx_kind")
    assert kind.count() == len(FilmKind)
    before = film.marks.film_kind
    kind.setFocus()
    QTest.keyClick(kind, Qt.Key.Key_Up)
    kinds = list(FilmKind)
    assert film.marks.film_kind is kinds[kinds.index(before) - 1]
    assert film.undo_label == "film kind"


def test_the_wheel_never_changes_the_film_kind(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("working_length_premolar.png")
    before = film.marks
    kind = part(panel, "rx_kind")
    middle = QPointF(kind.rect().center())
    for delta in (-120, 120):
        wheel = QWheelEvent(
            middle,
            QPointF(kind.mapToGlobal(kind.rect().center())),
            QPoint(),
            QPoint(0, delta),
            Qt.MouseButton.NoButton,
            Qt.KeyboardModifier.NoModifier,
            Qt.ScrollPhase.NoScrollPhase,
            False,
        )
        QApplication.sendEvent(kind, wheel)
    assert film.marks is before


def test_case_visit_and_reader(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("curved_molar.tif")
    write(part(panel, "rx_case"), "case-12 ")
    write(part(panel, "rx_visit"), "2025-03-14", key=None)
    write(part(panel, "rx_reader"), "reader-3", key=None)
    assert film.marks.reader == ""
    panel.setFocus()
    assert (film.marks.patient_pseudonym, film.marks.visit) == ("case-12", "2025-03-14")
    assert film.marks.reader == "reader-3"
    assert "never a name" in part(panel, "rx_no_names").text()


def test_results_leave_what_is_being_typed_and_undo_does_not(
    panel: PicturePanel, open_film: Open
) -> None:
    film = open_film("curved_molar.tif")
    field = part(panel, "rx_case")
    write(field, "case-1")
    write(field, "case-2")
    write(field, "cas", key=None)
    film.computed_changed.emit()
    assert field.text() == "cas"
    film.undo()
    assert field.text() == "case-1"


def test_what_is_typed_belongs_to_the_film_it_was_typed_for(
    panel: PicturePanel, desk: Desk, open_film: Open
) -> None:
    first, second = open_film("curved_molar.tif"), open_film("short_incisor.dcm")
    write(part(panel, "rx_reader"), "reader-3", key=None)
    desk.state.choose_film(first)
    assert second.marks.reader == "reader-3"
    assert first.marks.reader == ""
    assert part(panel, "rx_reader").text() == ""


def test_the_list_of_films(panel: PicturePanel, desk: Desk, open_film: Open) -> None:
    first = open_film("curved_molar.tif")
    films = part(panel, "rx_films")
    assert not films.isVisible()
    second = open_film("short_incisor.dcm")
    assert films.isVisible()
    assert films.currentRow() == 1
    place = films.visualItemRect(films.item(0)).center()
    QTest.mouseClick(films.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert desk.state.film is first
    click(part(panel, "rx_close"))
    assert desk.state.films == [second]
    assert not films.isVisible()


def test_the_grey_levels_are_turned_and_turned_back(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("adequate_premolar.png")
    before = film.radiograph.pixels
    box = part(panel, "rx_invert")
    QTest.mouseClick(box, Qt.MouseButton.LeftButton, pos=QPoint(8, box.height() // 2))
    turned = film.radiograph
    np.testing.assert_array_equal(
        turned.pixels, turned.value_min + turned.value_max - before.astype(np.float64)
    )
    film.undo()
    np.testing.assert_array_equal(film.radiograph.pixels, before)
    assert not box.isChecked()


@pytest.mark.parametrize("preset", list(GreyPreset))
def test_a_button_asks_for_each_window(
    panel: PicturePanel, open_film: Open, qtbot: Any, preset: GreyPreset
) -> None:
    open_film("adequate_premolar.png")
    with qtbot.waitSignal(panel.grey_requested) as asked:
        click(part(panel, f"rx_grey_{preset.name.lower()}"))
    assert asked.args == [str(preset)]


def test_windows_narrow_to_what_shall_be_seen(sample_images: Path) -> None:
    radiograph = read_radiograph(sample_images / "voids_canine.png")
    whole, teeth, fill = (window_for(radiograph, preset) for preset in GreyPreset)
    assert whole == (radiograph.pixels.min(), radiograph.pixels.max())
    assert whole[0] <= teeth[0] < teeth[1] <= whole[1]
    assert teeth[0] < fill[0] < fill[1] <= whole[1]


@pytest.mark.parametrize("preset", list(GreyPreset))
def test_a_film_without_contrast_has_a_window(sample_images: Path, preset: GreyPreset) -> None:
    radiograph = read_radiograph(sample_images / "voids_canine.png")
    flat = replace(radiograph, pixels=np.full_like(radiograph.pixels, 7.0))
    low, high = window_for(flat, preset)
    assert low < high


def test_marks_beside_the_film_are_offered_and_taken(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("adequate_premolar.png")
    offer = part(panel, "rx_take_marks")
    assert offer.text() == "Take the marks in adequate_premolar.marks.toml"
    click(offer)
    assert film.marks.tooth == "35"
    assert part(panel, "rx_tooth").text() == "35"
    assert not offer.isVisible()
    film.undo()
    assert offer.isVisible()


def test_without_marks_beside_it_nothing_is_offered(
    panel: PicturePanel, films: Path, open_film: Open
) -> None:
    (films / "adequate_premolar.marks.toml").unlink()
    open_film("adequate_premolar.png")
    assert not part(panel, "rx_take_marks").isVisible()


@pytest.fixture
def changed_film(
    panel: PicturePanel, desk: Desk, films: Path, open_film: Open, qtbot: Any
) -> OpenFilm:
    """A film that is another image than the one of the review beside it."""
    film = open_film("adequate_premolar.png")
    click(part(panel, "rx_take_marks"))
    qtbot.waitUntil(lambda: film.is_current and film.review is not None, timeout=20_000)
    assert desk.keep(film)
    desk.close_film(film)
    shutil.copy(films / "voids_canine.png", films / "adequate_premolar.png")
    return open_film("adequate_premolar.png")


def test_a_changed_image_needs_a_reason(
    panel: PicturePanel, changed_film: OpenFilm, qtbot: Any
) -> None:
    assert "is not the image of this review" in part(panel, "rx_changed_text").text()
    use = part(panel, "rx_changed_accept")
    assert not use.isEnabled()
    write(part(panel, "rx_changed_reason"), "   ")
    assert changed_film.changed_image is not None
    write(part(panel, "rx_changed_reason"), "the same film, cropped anew", key=None)
    click(use)
    assert changed_film.changed_image is None
    assert changed_film.marks.overrides[-1].reason == "the same film, cropped anew"
    assert changed_film.marks.canals
    assert not part(panel, "rx_changed_image").isVisible()


def test_on_a_changed_image_one_may_start_anew(panel: PicturePanel, changed_film: OpenFilm) -> None:
    click(part(panel, "rx_changed_anew"))
    assert changed_film.changed_image is None
    assert not changed_film.marks.canals
    assert not part(panel, "rx_changed_image").isVisible()


def test_restored_work_is_told(panel: PicturePanel, desk: Desk, open_film: Open) -> None:
    film = open_film("curved_molar.tif")
    write(part(panel, "rx_tooth"), "46")
    desk.close_film(film)
    again = open_film("curved_molar.tif")
    assert again.marks.tooth == "46"
    assert part(panel, "rx_restored").text().replace("\u200b", "") == again.restored != ""


def test_enter_goes_on(panel: PicturePanel, desk: Desk, open_film: Open) -> None:
    open_film("curved_molar.tif")
    field = part(panel, "rx_tooth")
    write(field, "46")
    assert desk.state.step is Step.PICTURE
    QTest.keyClick(field, Qt.Key.Key_Return)
    assert desk.state.step is Step.CALIBRATE


def test_a_hidden_panel_does_not_listen(panel: PicturePanel, open_film: Open) -> None:
    film = open_film("curved_molar.tif")
    panel.hide()
    film.edit("tooth", replace(film.marks, tooth="46"))
    assert part(panel, "rx_tooth").text() == ""
    panel.show()
    assert part(panel, "rx_tooth").text() == "46"


def test_nothing_is_wider_than_the_dock(panel: PicturePanel, films: Path, open_film: Open) -> None:
    long_name = "a" * 120 + ".dcm"
    (films / "short_incisor.dcm").rename(films / long_name)
    shutil.copy(films / "short_incisor.marks.toml", films / f"{long_name}.marks.toml")
    for name in ("two_canals_premolar.jpg", long_name):
        film = open_film(name)
        film.edit("case", replace(film.marks, patient_pseudonym="x" * 300, tooth="16"))
        film.restored = "Unfinished work was taken up."
    click(part(panel, "rx_tooth_pick"))
    assert panel.minimumSizeHint().width() <= 375
    for label in panel.findChildren(QLabel):
        assert label.x() + label.width() <= label.parentWidget().width()


def test_everything_can_be_reached_and_is_named(panel: PicturePanel, open_film: Open) -> None:
    open_film("curved_molar.tif")
    for made in panel.findChildren(QPushButton):
        assert made.accessibleName()
        assert made.objectName().startswith("rx_")
        assert made.focusPolicy() & Qt.FocusPolicy.TabFocus


def test_only_words_longer_than_a_line_may_break() -> None:
    short = "0.04612 mm per pixel; (0018,1164); patient (estimated magnification) plane"
    assert breakable(short) == short
    pieces = breakable("molar_" * 12 + "b" * 100).split("\u200b")
    assert len(pieces) > 1
    assert max(map(len, pieces)) <= 25
