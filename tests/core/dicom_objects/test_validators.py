"""Checkers by others find no error in any object: dciodvfy, dsrdump, dcmpschk, dcmdump."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from dicom_films import (
    DICOM,
    PICTURE,
    SAMPLES,
    as_monochrome1,
    lesion_on,
    marks_of,
    review_with_a_line,
    review_without_scale,
    said_by,
    spoiled_film,
)

from rxmeasure.dicom_objects.writing import DicomObject
from rxmeasure.marks import MarksOrigin
from rxmeasure.reading import read_radiograph
from rxmeasure.review import review_film

#: Not the patient's name, which dcmpschk asks for although it may be empty.
LEFT_OUT = (
    *("PatientBirthDate", "AccessionNumber", "StudyID", "StudyTime"),
    *("ReferringPhysicianName", "PatientOrientation", "WindowCenter"),
)

Written = dict[DicomObject, Path]
Cases = dict[str, Callable[[Callable[..., Any], Path], Written]]


def bare_monochrome1(write: Callable[..., Any], folder: Path) -> Written:
    def change(image: Any) -> None:
        as_monochrome1(image)
        for keyword in LEFT_OUT:
            delattr(image, keyword)

    path = spoiled_film(folder, change)
    return write(image=path, review=review_film(read_radiograph(path), marks_of(DICOM)))


def unconfirmed(write: Callable[..., Any], folder: Path) -> Written:
    marks = marks_of(DICOM)
    canals = tuple(replace(c, origin=MarksOrigin.NOT_CONFIRMED) for c in marks.canals)
    marks = replace(marks, canals=canals, tooth="", reader="")
    return write(DICOM, review_film(read_radiograph(SAMPLES / DICOM), marks))


CASES: Cases = {
    "DICOM": lambda write, _: write(DICOM),
    "DICOM with a line": lambda write, _: write(DICOM, review_with_a_line()),
    "PNG with a lesion": lambda write, _: write(lesions=(lesion_on(PICTURE),)),
    "TIFF": lambda write, _: write("overfilled_with_puff.tif"),
    "JPEG": lambda write, _: write("two_canals_premolar.jpg"),
    "file in the canal": lambda write, _: write("working_length_premolar.png"),
    "no scale": lambda write, _: write(review=review_without_scale()),
    "bare MONOCHROME1": bare_monochrome1,
    "not confirmed": unconfirmed,
}


@pytest.mark.parametrize("case", CASES)
def test_others_find_no_error(write: Callable[..., Any], tmp_path: Path, case: str) -> None:
    written = CASES[case](write, tmp_path)
    assert {DicomObject.REPORT, DicomObject.PRESENTATION} <= set(written)
    for kind, path in written.items():
        judged = said_by("dciodvfy", path)
        assert [line for line in judged.stderr.splitlines() if line.startswith("Error")] == [], kind
        assert judged.returncode == 0, kind
        checked = said_by("dcmpschk", path)
        assert "Test passed." in checked.stderr, (kind, checked.stderr)
    shown = said_by("dsrdump", written[DicomObject.REPORT])
    assert shown.returncode == 0, shown.stderr
    assert "Imaging Measurement Report" in shown.stdout
    assert shown.stdout.count("Measurement Group") >= 1


def test_the_checker_would_find_an_error(write: Callable[..., Any]) -> None:
    import pydicom

    path = write(DICOM)[DicomObject.REPORT]
    report = pydicom.dcmread(path)
    del report.CompletionFlag
    report.save_as(path)
    assert "Error" in said_by("dciodvfy", path).stderr
