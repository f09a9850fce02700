"""The manifest: valid, light to discover, and leading to what it names."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import rxmeasure_napari
from npe2 import PluginManifest

MANIFEST = Path(rxmeasure_napari.__file__).with_name("napari.yaml")


@pytest.fixture
def manager(npe2pm: Any) -> Any:
    """A plugin manager that knows this plugin and napari's own reader."""
    npe2pm.register(PluginManifest.from_file(MANIFEST))
    npe2pm.register(PluginManifest.from_distribution("napari"))
    return npe2pm


def readers_for(manager: Any, name: str) -> set[str]:
    return {r.plugin_name for r in manager.iter_compatible_readers([f"/films/{name}"])}


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments], capture_output=True, text=True, timeout=120, check=False
    )


def test_npe2_finds_nothing_to_say() -> None:
    done = run("-m", "npe2", "validate", str(MANIFEST))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Invalid" not in done.stdout
    assert done.stderr == ""


def test_it_is_found_through_the_installed_package() -> None:
    installed = PluginManifest.from_distribution("rxmeasure")
    assert installed.contributions == PluginManifest.from_file(MANIFEST).contributions


def test_every_command_can_be_imported() -> None:
    PluginManifest.from_file(MANIFEST).validate_imports()


def test_discovery_imports_neither_the_core_nor_qt() -> None:
    code = (
        "import sys; from npe2 import PluginManager; manager = PluginManager(); "
        "manager.discover(); manager.get_manifest('rxmeasure'); import rxmeasure_napari; "
        "print([m for m in ('rxmeasure', 'numpy', 'napari.layers', 'qtpy', 'pyqtgraph') "
        "if m in sys.modules])"
    )
    done = run("-c", code)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr


def test_reader_writer_and_samples_need_no_qt() -> None:
    code = (
        "import sys; import rxmeasure_napari.reader, rxmeasure_napari.writer, "
        "rxmeasure_napari.sample_data, rxmeasure_napari.preferences as p; p.read_preferences(); "
        "print([m for m in sys.modules if m.split('.')[0] in ('qtpy', 'PySide6', 'pyqtgraph')])"
    )
    done = run("-c", code)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr


@pytest.mark.parametrize(
    "name",
    ["film.dcm", "film.DICOM", "film.dic", "film.png", "film.JPG", "film.jpeg", "film.tif",
     "film.tiff", "film.png.rxreview.json", "IM000001", "I1"],
)  # fmt: skip
def test_radiographs_and_reviews_are_offered_to_our_reader(manager: Any, name: str) -> None:
    assert "rxmeasure" in readers_for(manager, name)


@pytest.mark.parametrize("name", ["stack.npy", "points.csv", "notes.json", "movie.mp4", "a.zip"])
def test_other_files_are_left_to_other_readers(manager: Any, name: str) -> None:
    assert "rxmeasure" not in readers_for(manager, name)


def test_the_panel_is_in_the_menu_of_measuring(manager: Any) -> None:
    commands = [item.command for item in manager.iter_menu("napari/layers/measure")]
    (widget,) = (w for w in manager.iter_widgets() if w.plugin_name == "rxmeasure")
    assert widget.command in commands
    assert widget.display_name == "Root-canal review"
    assert widget.get_callable().__name__ == "ReviewDock"


def test_every_sample_film_is_in_the_menu(manager: Any, sample_images: Path) -> None:
    samples = dict(manager.iter_sample_data())["rxmeasure"]
    names = {p.name.removesuffix(".marks.toml") for p in sample_images.glob("*.marks.toml")}
    assert {s.key for s in samples} == names
    assert len({s.display_name for s in samples}) == len(names)
