"""Films for a batch."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from batch_work import DEADLY, SAMPLES, results
from PIL import Image

from rxmeasure.batch import BatchSettings, films_of_folder, run_batch


@pytest.fixture
def films(tmp_path: Path) -> Path:
    """A film with marks, two without, one damaged; then equal content under another name."""
    folder = tmp_path / "films"
    folder.mkdir()
    film = SAMPLES / "adequate_premolar.png"
    shutil.copy(film, folder / "a_marked.png")
    shutil.copy(SAMPLES / "adequate_premolar.marks.toml", folder / "a_marked.marks.toml")
    with Image.open(film) as whole:
        whole.resize((whole.width // 2, whole.height // 2)).save(folder / DEADLY)
    small = (folder / DEADLY).read_bytes()
    (folder / "c_bare.png").write_bytes(small + b"another hash")
    (folder / "d_damaged.png").write_bytes(film.read_bytes()[:500])
    shutil.copy(folder / "c_bare.png", folder / "e_again.png")
    return folder


@pytest.fixture
def undisturbed(films: Path, tmp_path: Path) -> dict[str, bytes]:
    """What a run that nothing disturbs writes."""
    run_batch(films_of_folder(films), BatchSettings(), tmp_path / "undisturbed")
    return results(tmp_path / "undisturbed")
