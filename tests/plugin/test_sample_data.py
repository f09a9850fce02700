"""Sample films: those of the checkout, and the same made anew where there is no checkout."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from napari.components import ViewerModel
from npe2 import PluginManifest
from rxmeasure_napari import sample_data
from rxmeasure_napari.layer_edge import film_of_layer
from rxmeasure_napari.sample_data import CASES, sample_film

from rxmeasure.errors import WriteError
from rxmeasure.phantom.samples import Case
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks
from rxmeasure.record.sidecar import SIDECAR_SUFFIXES

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "sample_images"


@pytest.fixture
def no_checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(sample_data, "_CHECKOUT_FOLDER", tmp_path / "none")
    for cached in (sample_film, sample_data._folder):
        cached.cache_clear()
    yield
    sample_film.cache_clear()


def image_in_folder(name: str) -> Path:
    (path,) = (p for p in FOLDER.glob(f"{name}.*") if p.suffix not in (".toml", ".json"))
    return path


@pytest.mark.parametrize("name", CASES)
def test_a_sample_opens_from_the_menu_with_its_marks_beside(npe2pm: Any, name: str) -> None:
    npe2pm.register(PluginManifest.from_distribution("rxmeasure"))
    viewer = ViewerModel()
    (layer,) = viewer.open_sample("rxmeasure", name)
    path = image_in_folder(name)
    assert layer.name == path.name
    np.testing.assert_array_equal(layer.data, read_radiograph(path).pixels)
    facts = film_of_layer(layer)
    assert facts is not None
    opened = Path(facts["path"])
    assert opened.read_bytes() == path.read_bytes()
    assert FOLDER not in opened.parents
    marks = read_marks(opened.with_name(f"{name}.marks.toml"))
    assert marks == read_marks(FOLDER / f"{name}.marks.toml")


def test_without_the_checkout_a_sample_is_made_anew(no_checkout: None) -> None:
    ((pixels, _, _),) = sample_data.short_incisor()
    old = read_radiograph(image_in_folder("short_incisor"))
    # Another build of numpy may round a pixel the other way.
    differs = np.abs(pixels - old.pixels) > 0.012 * old.value_max
    assert differs.mean() < 1e-3
    made = sample_film("short_incisor")
    assert made.is_file()
    found = [made.with_name(made.stem + suffix) for suffix in SIDECAR_SUFFIXES]
    (sidecar,) = (p for p in found if p.exists())
    assert read_marks(sidecar) == read_marks(FOLDER / "short_incisor.marks.toml")
    assert made.with_name("short_incisor.truth.json").exists()


def test_a_sample_is_made_once(no_checkout: None, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []

    def count(case: Case, folder: Path) -> Path:
        made.append(case.name)
        return folder / case.name

    monkeypatch.setattr(sample_data, "make_case", count)
    assert sample_film("curved_molar") == sample_film("curved_molar")
    assert made == ["curved_molar"]


def test_a_full_disk_is_told_as_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(name: str) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(sample_data, "sample_film", full)
    with pytest.raises(WriteError, match="No space left"):
        sample_data.curved_molar()


def test_the_folder_goes_when_the_program_ends() -> None:
    code = (
        "from rxmeasure_napari.sample_data import sample_film; "
        "print(sample_film('curved_molar'), sample_film('curved_molar').exists())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=True
    )
    path, existed = done.stdout.split()
    assert existed == "True"
    assert not Path(path).parent.exists()
