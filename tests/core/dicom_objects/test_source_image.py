"""Headers of any quality, and pictures made into DICOM images."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_films import DICOM, PICTURE, SAMPLES, dataset, review_of, spoiled_film

from rxmeasure.dicom_objects.report_reading import read_report
from rxmeasure.dicom_objects.reviewed_image import reviewed_image
from rxmeasure.dicom_objects.source_image import source_image
from rxmeasure.dicom_objects.writing import DicomObject
from rxmeasure.errors import ImageReadError
from rxmeasure.reading import read_radiograph
from rxmeasure.review import Review

OPTIONAL = (
    *("PatientID", "PatientName", "PatientBirthDate", "PatientSex", "AccessionNumber", "StudyID"),
    *("StudyDate", "StudyTime", "ReferringPhysicianName", "SeriesNumber", "InstanceNumber"),
    *(
        "ImagerPixelSpacing",
        "PatientOrientation",
        "ImageLaterality",
        "WindowCenter",
        "Manufacturer",
    ),
    *("SpecificCharacterSet", "PrimaryAnatomicStructureSequence", "RescaleType"),
    "Modality",
)


def without(*keywords: str) -> Callable[[Any], None]:
    def change(image: Any) -> None:
        for keyword in keywords:
            delattr(image, keyword)

    return change


def review_as_if_of(path: Path) -> Review:
    """The sample's review with the spoiled file's own hash; its pixels are the same."""
    review, now = review_of(DICOM), read_radiograph(path)
    return replace(review, image=now.source, polarity_reason=now.polarity.reason)


@pytest.mark.parametrize("missing", [*((k,) for k in OPTIONAL), OPTIONAL], ids=lambda m: m[-1])
def test_a_header_that_lacks_something_can_be_reported_on(
    write: Callable[..., Any], tmp_path: Path, missing: tuple[str, ...]
) -> None:
    path = spoiled_film(tmp_path, without(*missing))
    review = review_as_if_of(path)
    written = write(image=path, review=review)
    assert read_report(written[DicomObject.REPORT]).review == review
    assert dataset(written[DicomObject.PRESENTATION]).PresentationLUTShape == "IDENTITY"


@pytest.mark.parametrize(
    ("keyword", "value"),
    [("PatientSex", "W"), ("StudyTime", "25:61"), ("PatientBirthDate", "31.12.1980")],
)
@pytest.mark.filterwarnings("ignore:Invalid value for VR")
def test_values_that_are_not_valid_are_left_empty(
    write: Callable[..., Any], tmp_path: Path, keyword: str, value: str
) -> None:
    def change(image: Any) -> None:
        image[keyword]._value = value

    path = spoiled_film(tmp_path, change)
    written = write(image=path, review=review_as_if_of(path))
    for made in written.values():
        assert not dataset(made).get(keyword)


def test_names_of_another_character_set_arrive(write: Callable[..., Any], tmp_path: Path) -> None:
    def change(image: Any) -> None:
        image.SpecificCharacterSet = "ISO_IR 100"
        image.PatientName = "Müller^Zoë"

    path = spoiled_film(tmp_path, change)
    for made in write(image=path, review=review_as_if_of(path)).values():
        assert str(dataset(made).PatientName) == "Müller^Zoë"


def test_the_objects_belong_to_the_patient_and_study_of_the_image(
    write: Callable[..., Any],
) -> None:
    image = dataset(SAMPLES / DICOM)
    for made in map(dataset, write(DICOM).values()):
        for keyword in ("PatientID", "PatientName", "StudyInstanceUID", "StudyDate"):
            assert made[keyword].value == image[keyword].value
        assert made.SeriesInstanceUID != image.SeriesInstanceUID


@pytest.mark.parametrize("keyword", ["StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID"])
def test_an_image_that_nothing_can_refer_to_is_refused(tmp_path: Path, keyword: str) -> None:
    path = spoiled_film(tmp_path, without(keyword))
    with pytest.raises(ImageReadError, match="missing or not valid"):
        reviewed_image(path, review_as_if_of(path))


def test_nothing_that_is_not_listed_travels(write: Callable[..., Any], tmp_path: Path) -> None:
    def change(image: Any) -> None:
        image.InstitutionName = image.OperatorsName = image.StationName = "SECRET"
        image.PatientComments = image.StudyDescription = image.DeviceSerialNumber = "SECRET"
        image.private_block(0x0011, "SECRET", create=True).add_new(1, "LO", "SECRET")

    path = spoiled_film(tmp_path, change)
    for made in write(image=path, review=review_as_if_of(path)).values():
        assert b"SECRET" not in made.read_bytes()


# -- pictures --------------------------------------------------------------------


@pytest.mark.parametrize("name", [PICTURE, "overfilled_with_puff.tif", "two_canals_premolar.jpg"])
def test_a_picture_becomes_a_dicom_image_of_the_same_pixels(tmp_path: Path, name: str) -> None:
    from rxmeasure.dicom_objects.reviewed_image import as_file

    before = hashlib.sha256((SAMPLES / name).read_bytes()).digest()
    picture = read_radiograph(SAMPLES / name)
    made = source_image(SAMPLES / name, picture, review_of(PICTURE))
    path = tmp_path / "made.dcm"
    path.write_bytes(as_file(made.whole))
    again = read_radiograph(path)
    assert np.array_equal(again.pixels, picture.pixels)
    assert again.source.lossy == picture.source.lossy
    assert again.spacing is None
    assert (again.value_min, again.value_max) == (picture.value_min, picture.value_max)
    assert hashlib.sha256((SAMPLES / name).read_bytes()).digest() == before


def test_films_of_one_visit_share_a_study(tmp_path: Path) -> None:
    def made_of(name: str, visit: str) -> Any:
        review = review_of(PICTURE)
        marks = replace(review.marks, patient_pseudonym="case-12", visit=visit)
        picture = read_radiograph(SAMPLES / name)
        return source_image(SAMPLES / name, picture, replace(review, marks=marks)).whole

    here, there = made_of(PICTURE, "2025-03-14"), made_of("curved_molar.tif", "2025-03-14")
    later = made_of(PICTURE, "2026-03-14")
    assert here.StudyInstanceUID == there.StudyInstanceUID != later.StudyInstanceUID
    assert (here.StudyDate, here.PatientID) == ("20250314", "case-12")
    assert len({here.SOPInstanceUID, there.SOPInstanceUID, later.SOPInstanceUID}) == 3


def test_films_without_a_case_are_not_films_of_one_patient(tmp_path: Path) -> None:
    review = review_of(PICTURE)
    marks = replace(review.marks, patient_pseudonym="", visit="")
    patients = {
        source_image(
            SAMPLES / name, read_radiograph(SAMPLES / name), replace(review, marks=marks)
        ).whole.PatientID
        for name in (PICTURE, "curved_molar.tif")
    }
    assert len(patients) == 2
    assert "" not in patients
