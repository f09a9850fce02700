"""A review together with the image its objects refer to, and what all objects share."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from rxmeasure import __version__
from rxmeasure.dicom_objects.identity import derived_uid
from rxmeasure.dicom_objects.quantities import Region, regions_of
from rxmeasure.dicom_objects.source_image import SourceImage, source_image
from rxmeasure.errors import ReviewFileError
from rxmeasure.marks import CanalMarks
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.lesion import Lesion
from rxmeasure.record.review_file import check_image, review_text
from rxmeasure.record.reviewed_film import read_as_reviewed
from rxmeasure.report.picture import eye_window
from rxmeasure.review import Review

#: Number of the series of each object beside the image's own (choice).
_SERIES_NUMBERS = {"report": 901, "presentation": 902, "segmentation": 903, "calibrated": 904}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReviewedImage:
    """One review, its film, its image for references, and the lesions found on it.

    ``created``: when the review was made, in the time of this place. ``digest`` tells what is
    written from what was written before.
    """

    review: Review
    created: datetime
    radiograph: Radiograph
    source: SourceImage
    lesions: tuple[Lesion, ...]
    digest: str

    @property
    def header(self) -> Any:
        """What is referred to: see :class:`SourceImage`."""
        return self.source.header

    @property
    def regions(self) -> tuple[Region, ...]:
        """Voids, sealer beyond canals, and lesions with an outline."""
        return regions_of(self.review, self.lesions)

    @property
    def pitch_mm(self) -> tuple[float, float] | None:
        """Millimetres between rows and between columns; None without a scale."""
        calibration = self.review.calibration
        return None if calibration is None else (calibration.row_mm, calibration.col_mm)

    @property
    def stored_window(self) -> tuple[float, float]:
        """Grey levels to show as black and white, in modality values before any turning."""
        low, high = eye_window(self.radiograph)
        if not self.source.turned:
            return low, high
        ends = self.radiograph.value_min + self.radiograph.value_max
        return ends - high, ends - low

    def marks_of(self, canal: str) -> CanalMarks | None:
        """Marks of a canal."""
        return next((m for m in self.review.marks.canals if m.name == canal), None)

    def tracking_uid(self, thing: str) -> str:
        """The same for the same thing on this image in each object and each later review."""
        return tracking_uid(str(self.header.SOPInstanceUID), thing)

    def identity(self, kind: str) -> dict[str, Any]:
        """Arguments that name an object and who made it; equal reviews get equal ones."""
        image = str(self.header.SOPInstanceUID)
        number = _SERIES_NUMBERS[kind]
        return {
            "sop_instance_uid": derived_uid(kind, image, self.digest),
            "series_instance_uid": derived_uid("series", kind, image, self.digest),
            "series_number": number,
            "instance_number": 1,
            "manufacturer": "rxmeasure",
            "manufacturer_model_name": "rxmeasure",
            "software_versions": __version__,
            "device_serial_number": "0",
            "specific_character_set": "ISO_IR 192",
        }

    def dated(self, made: Any) -> Any:
        """Give an object the review's own date, so that equal reviews give equal files."""
        for what in ("InstanceCreation", "Content", "PresentationCreation"):
            if what == "InstanceCreation" or f"{what}Date" in made:
                setattr(made, f"{what}Date", self.created.strftime("%Y%m%d"))
                setattr(made, f"{what}Time", self.created.strftime("%H%M%S"))
        return made

    def finished(self, made: Any) -> Any:
        """Date an object made by highdicom, and take out when that library was called."""
        for equipment in made.ContributingEquipmentSequence:
            equipment.pop("ContributionDateTime", None)
        return self.dated(made)


def reviewed_image(path: Path, review: Review, lesions: tuple[Lesion, ...] = ()) -> ReviewedImage:
    """Put a review and its image together.

    Raises
    ------
    ImageChangedError
        The image is not the one of the review.
    ImageReadError
        The image cannot be read or referred to.
    ReviewFileError
        The review has no canal, or no date.
    """
    created = _date_of(review)
    radiograph = read_as_reviewed(path, review)
    check_image(review, radiograph)
    text = "\n".join([__version__, review_text(review, name=path.name), *map(repr, lesions)])
    return ReviewedImage(
        review=review,
        created=created,
        radiograph=radiograph,
        source=source_image(path, radiograph, review),
        lesions=lesions,
        digest=hashlib.sha256(text.encode()).hexdigest(),
    )


def _date_of(review: Review) -> datetime:
    try:
        if review.canals:
            return datetime.fromisoformat(review.created_utc).astimezone()
    except (ValueError, OverflowError):
        pass
    raise ReviewFileError(
        found="a review without a canal, or without the date on which it was made.",
        needed="a review as the program keeps it.",
        next_step="Review the film again.",
    )


def tracking_uid(image_uid: str, thing: str) -> str:
    """Identifier of a canal or patch on an image."""
    return derived_uid("tracked", image_uid, thing)


def as_file(made: Any) -> bytes:
    """The object as the bytes of a DICOM file."""
    stream = BytesIO()
    made.save_as(stream, enforce_file_format=True)
    return stream.getvalue()
