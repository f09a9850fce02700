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
    return _films_in(tmp_path)


@pytest.fixture(scope="session")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What a run on these films writes that nothing disturbs."""
    top = tmp_path_factory.mktemp("undisturbed")
    run_batch(films_of_folder(_films_in(top)), BatchSettings(), top / "out")
    return results(top / "out")


def _films_in(top: Path) -> Path:
    folder = top / "films"
    folder.mkdir()
    film = SAMPLES / "adequate_premolar.png"
    shutil.copy(film, folder / "a_marked.png")
    shutil.copy(SAMPLES / "adequate_premolar.marks.toml", folder / "a_marked.marks.toml")
    with Image.open(film) as whole:
        whole.resize((whole.width // 2, whole.height // 2)).save(folder / DEADLY)
    (folder / "c_bare.png").write_bytes((folder / DEADLY).read_bytes() + b"another hash")
    (folder / "d_damaged.png").write_bytes(film.read_bytes()[:500])
    shutil.copy(folder / "c_bare.png", folder / "e_again.png")
    return folder
