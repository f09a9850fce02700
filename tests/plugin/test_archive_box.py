"""Films from an archive and results back to it, in real panels against an archive on loopback."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pydicom
import pytest
from dicom_films import DICOM, SAMPLES
from loopback_archive import LoopbackArchive
from plugin.one_panel import bring_up, click, desk, in_window, part, said, write
from qtpy.QtCore import Qt
from rxmeasure_napari.desk import Desk
from rxmeasure_napari.panels.keep import KeepPanel
from rxmeasure_napari.panels.picture import PicturePanel
from rxmeasure_napari.review_state import OpenFilm

__all__ = ["desk"]

SOON = 60_000


@pytest.fixture
def archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[LoopbackArchive]:
    """One film of patient 4711, in an archive that the settings name 'clinic'."""
    film = pydicom.dcmread(SAMPLES / DICOM)
    film.PatientID, film.PatientName = "4711", "Planted^Name"
    film.StudyDescription = "lower left"
    film.save_as(tmp_path / "film.dcm")
    held = LoopbackArchive()
    held.add(tmp_path / "film.dcm")
    server = held.start()
    settings = tmp_path / "archives.toml"
    settings.write_text(
        f'[archives.clinic]\nhost = "127.0.0.1"\nport = {held.port}\n'
        'called_ae = "ARCHIVE"\ntimeout_s = 5.0\n'
    )
    settings.chmod(0o600)
    monkeypatch.setenv("RXMEASURE_ARCHIVES", str(settings))
    monkeypatch.setattr("rxmeasure.archive.transfers.PAUSES_S", (0.01,))
    yield held
    server.shutdown()


@pytest.fixture
def panel(archive: LoopbackArchive, desk: Desk, qtbot: Any) -> Iterator[PicturePanel]:
    with in_window(PicturePanel(desk)) as panel:
        bring_up(panel, qtbot)
        click(part(panel, "rx_archive_unfold"))
        yield panel


def _searched(panel: PicturePanel, qtbot: Any) -> None:
    write(part(panel, "rx_archive_patient"), "4711", key=None)
    click(part(panel, "rx_archive_search"))
    qtbot.waitUntil(lambda: part(panel, "rx_archive_studies").isVisible(), timeout=SOON)


def _opened(panel: PicturePanel, desk: Desk, folder: Path, qtbot: Any) -> OpenFilm:
    _searched(panel, qtbot)
    part(panel, "rx_archive_studies").setCurrentRow(0)
    qtbot.waitUntil(lambda: part(panel, "rx_archive_films").isVisible(), timeout=SOON)
    assert not part(panel, "rx_archive_open").isEnabled()
    desk.archive.folder = folder
    part(panel, "rx_archive_studies").setCurrentRow(-1)
    part(panel, "rx_archive_studies").setCurrentRow(0)
    qtbot.waitUntil(lambda: part(panel, "rx_archive_open").isEnabled(), timeout=SOON)
    click(part(panel, "rx_archive_open"))
    qtbot.waitUntil(lambda: desk.state.film is not None, timeout=SOON)
    assert desk.state.film is not None
    return desk.state.film


def test_a_film_is_searched_fetched_and_opened(
    panel: PicturePanel, desk: Desk, tmp_path: Path, qtbot: Any
) -> None:
    film = _opened(panel, desk, tmp_path / "fetched", qtbot)
    original = pydicom.dcmread(tmp_path / "film.dcm").pixel_array
    assert (film.radiograph.pixels.shape) == original.shape
    assert film.path.is_relative_to(tmp_path / "fetched")


def test_the_list_shows_the_number_and_never_the_name(panel: PicturePanel, qtbot: Any) -> None:
    _searched(panel, qtbot)
    shown = part(panel, "rx_archive_studies").item(0).text()
    assert "4711" in shown
    assert "lower left" in shown
    assert "Planted" not in shown


def test_an_empty_search_and_a_wrong_day_are_refused(panel: PicturePanel, desk: Desk) -> None:
    told = []
    desk.state.told.connect(lambda one: told.append(one.text))
    click(part(panel, "rx_archive_search"))
    assert "nothing in particular" in told[-1]
    write(part(panel, "rx_archive_since"), "14.3.2025", key=Qt.Key.Key_Return)
    assert "2025-03-14" in told[-1]


def test_an_archive_that_is_gone_is_told_and_the_window_goes_on(
    panel: PicturePanel, archive: LoopbackArchive, desk: Desk, tmp_path: Path, qtbot: Any
) -> None:
    told = []
    desk.state.told.connect(told.append)
    settings = tmp_path / "archives.toml"
    settings.write_text(settings.read_text().replace(f"port = {archive.port}", "port = 1"))
    write(part(panel, "rx_archive_patient"), "4711", key=None)
    click(part(panel, "rx_archive_search"))
    qtbot.waitUntil(lambda: any(one.kind == "refusal" for one in told), timeout=SOON)
    desk.open_path(SAMPLES / DICOM)
    qtbot.waitUntil(lambda: desk.state.film is not None, timeout=SOON)


def test_without_settings_it_says_where_they_belong(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, qtbot: Any
) -> None:
    monkeypatch.setenv("RXMEASURE_ARCHIVES", str(tmp_path / "nowhere.toml"))
    with in_window(PicturePanel(desk)) as panel:
        bring_up(panel, qtbot)
        click(part(panel, "rx_archive_unfold"))
        assert "nowhere.toml" in said(panel, "rx_archive_none")
        assert not part(panel, "rx_archive_search").isVisible()


def test_a_kept_review_is_sent_once(
    archive: LoopbackArchive, panel: PicturePanel, desk: Desk, tmp_path: Path, qtbot: Any
) -> None:
    film = _opened(panel, desk, tmp_path / "fetched", qtbot)
    told = []
    desk.state.told.connect(lambda one: told.append(one.text))
    with in_window(KeepPanel(desk)) as keep:
        bring_up(keep, qtbot)
        assert not part(keep, "rx_send").isEnabled()
        desk.take_marks_file(film, SAMPLES / "short_incisor.marks.toml")
        qtbot.waitUntil(lambda: film.is_current and film.review is not None, timeout=SOON)
        click(part(keep, "rx_keep"))
        qtbot.waitUntil(lambda: part(keep, "rx_send").isEnabled(), timeout=SOON)
        click(part(keep, "rx_send"))
        qtbot.waitUntil(lambda: any("sent" in text for text in told), timeout=SOON)
        stored = len(archive.stored)
        assert stored >= 2
        kinds = {str(one.Modality) for one in archive.datasets()}
        assert {"SR", "PR"} <= kinds
        told.clear()
        click(part(keep, "rx_send"))
        qtbot.waitUntil(lambda: any("there before" in text for text in told), timeout=SOON)
        assert len(archive.stored) == stored
        assert told[-1].startswith(f"clinic: 0 sent, {stored} there before.")
