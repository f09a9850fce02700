"""Reviews of sample films, their objects, and spoiled or turned copies of the films."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest

from rxmeasure.marks import LengthReference, ReviewMarks
from rxmeasure.reading import read_radiograph
from rxmeasure.recall.lesion import Lesion, outlined_lesion
from rxmeasure.record.review_file import read_marks
from rxmeasure.review import Review, review_film

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"

#: A DICOM film with detector spacing, and a picture with a file, voids and three criteria.
DICOM, PICTURE = "short_incisor.dcm", "voids_canine.png"


def marks_of(name: str) -> ReviewMarks:
    return read_marks(SAMPLES / f"{Path(name).stem}.marks.toml")


@cache
def review_of(name: str) -> Review:
    return review_film(read_radiograph(SAMPLES / name), marks_of(name))


@cache
def review_without_scale() -> Review:
    marks = replace(marks_of(PICTURE), references=(), use_detector_spacing=False)
    return review_film(read_radiograph(SAMPLES / PICTURE), marks)


@cache
def review_with_a_line() -> Review:
    """The DICOM film with 200 rows that are said to be 9.3 mm."""
    line = LengthReference(kind="line", points_px=((100.0, 60.0), (300.0, 60.0)), length_mm=9.3)
    marks = replace(marks_of(DICOM), references=(line,))
    return review_film(read_radiograph(SAMPLES / DICOM), marks)


def lesion_on(name: str) -> Lesion:
    """An ellipse beside the root, outlined by the reader."""
    radiograph = read_radiograph(SAMPLES / name)
    turn = np.linspace(0.0, 2.0 * np.pi, 48, endpoint=False)
    outline = np.column_stack([120.0 + 60.0 * np.sin(turn), 300.0 + 40.0 * np.cos(turn)])
    return outlined_lesion(radiograph, review_of(name).calibration, outline, root="single")


def dataset(path: Path) -> Any:
    return pydicom.dcmread(path)


def items_of(item: Any) -> list[Any]:
    """All content items of a report."""
    return [item, *(i for child in item.get("ContentSequence", ()) for i in items_of(child))]


def spoiled_film(folder: Path, change: Callable[[Any], None], name: str = DICOM) -> Path:
    """A copy of the DICOM sample with another header or other pixels."""
    image = dataset(SAMPLES / name)
    change(image)
    path = folder / "spoiled.dcm"
    image.save_as(path)
    return path


def as_monochrome1(image: Any) -> None:
    """The same picture with the stored grey levels the other way round."""
    full = 2**image.BitsStored - 1
    image.PixelData = (full - image.pixel_array).astype("<u2").tobytes()
    image.PhotometricInterpretation, image.PresentationLUTShape = "MONOCHROME1", "INVERSE"
    image.PixelIntensityRelationshipSign = -image.PixelIntensityRelationshipSign
    image.WindowCenter = full + 1 - image.WindowCenter


def tool(name: str) -> str:
    """A checker of the Debian packages dcmtk and dicom3tools."""
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed (Debian packages dcmtk and dicom3tools)")
    return found


def said_by(name: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [tool(name), *map(str, arguments)],
        capture_output=True, encoding="utf-8", errors="replace", timeout=60, check=False,
    )  # fmt: skip
