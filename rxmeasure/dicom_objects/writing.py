"""All objects of a review, written beside each other."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Any

from rxmeasure.atomic import write_bytes
from rxmeasure.dicom_objects.reviewed_image import ReviewedImage, as_file, reviewed_image
from rxmeasure.errors import RxMeasureError
from rxmeasure.recall.lesion import Lesion
from rxmeasure.recall.series import Series
from rxmeasure.review import Review


class DicomObject(StrEnum):
    """What can be written; the value is the ending of the file, before ``.dcm``."""

    REPORT = "sr"
    PRESENTATION = "pr"
    SEGMENTATION = "seg"
    CALIBRATED = "calibrated"
    #: The picture as a DICOM image; only where the original is no DICOM file.
    CAPTURE = "sc"


def write_objects(
    image_path: Path, review: Review, folder: Path, *, lesions: tuple[Lesion, ...] = ()
) -> dict[DicomObject, Path]:
    """Write the DICOM objects of a review as ``IMAGE.KIND.dcm``. The image is only read.

    All are made before the first is written. Equal reviews give equal files with equal
    identifiers, so that an archive keeps one of each.

    Parameters
    ----------
    image_path : Path
        DICOM, PNG, JPEG or TIFF; the image of the review.
    review : Review
    folder : Path
        An existing folder.
    lesions : tuple of Lesion
        Lesions measured on this image.

    Returns
    -------
    dict
        Where each object lies. The segmentation is left out where nothing was outlined, the
        calibrated copy where no object of known length gave the scale.

    Raises
    ------
    ImageChangedError, ImageReadError
        The image is not that of the review, or cannot be read or referred to.
    WriteError
        A file cannot be written.
    """
    _need_highdicom()
    made = dict(_objects(reviewed_image(image_path, review, lesions)))
    files = {kind: as_file(what) for kind, what in made.items()}
    written = {}
    for kind, data in files.items():
        written[kind] = folder / f"{image_path.name}.{kind}.dcm"
        write_bytes(written[kind], data)
    return written


def lesions_on(image_sha256: str, series: Series) -> tuple[Lesion, ...]:
    """Lesions that a series has measured on the image with this hash."""
    return tuple(
        lesion
        for visit in series.visits
        if visit.image.sha256 == image_sha256
        for lesion in visit.lesions
    )


def _objects(image: ReviewedImage) -> Iterator[tuple[DicomObject, Any]]:
    from rxmeasure.dicom_objects.calibrated_copy import calibrated_copy
    from rxmeasure.dicom_objects.presentation_state import presentation_state
    from rxmeasure.dicom_objects.segmentation import segmentation
    from rxmeasure.dicom_objects.structured_report import structured_report

    if not image.source.was_dicom:
        yield DicomObject.CAPTURE, image.source.whole
    yield DicomObject.REPORT, structured_report(image)
    yield DicomObject.PRESENTATION, presentation_state(image)
    for kind, made in (
        (DicomObject.SEGMENTATION, segmentation(image)),
        (DicomObject.CALIBRATED, calibrated_copy(image)),
    ):
        if made is not None:
            yield kind, made


def _need_highdicom() -> None:
    from importlib.util import find_spec

    if find_spec("highdicom") is None:
        raise RxMeasureError(
            found="no highdicom, which writes DICOM objects.",
            needed="the package's extra for DICOM.",
            next_step="Install it: pip install 'rxmeasure[dicom]'.",
        )
