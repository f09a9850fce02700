from __future__ import annotations

import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from dicom_films import PICTURE, SAMPLES, review_of

from rxmeasure.dicom_objects.writing import DicomObject, write_objects
from rxmeasure.review import Review

Write = Callable[..., dict[DicomObject, Path]]


@pytest.fixture(scope="session")
def objects_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Folder with the objects of a sample film, made once."""

    @cache
    def call(name: str) -> Path:
        folder = tmp_path_factory.mktemp("objects")
        write_objects(SAMPLES / name, review_of(name), folder)
        return folder

    return call


@pytest.fixture
def write(tmp_path: Path, objects_of: Callable[[str], Path]) -> Write:
    """Objects of a sample film, or of another image and review, in a folder of their own."""

    def call(name: str = PICTURE, review: Review | None = None, **more: Any) -> Any:
        if review is None and not more:
            shutil.copytree(objects_of(name), tmp_path, dirs_exist_ok=True)
            endings = {f".{kind}.dcm": kind for kind in DicomObject}
            return {
                kind: path
                for path in tmp_path.glob(f"{name}.*.dcm")
                for ending, kind in endings.items()
                if path.name == name + ending
            }
        image = more.pop("image", SAMPLES / name)
        return write_objects(image, review or review_of(name), tmp_path, **more)

    return call
