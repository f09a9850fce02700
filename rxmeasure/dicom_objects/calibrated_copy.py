"""A copy of the image that carries the scale of a file or line of known length."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes as dicom_codes

from rxmeasure import __version__
from rxmeasure.dicom_objects.codes import decimal_text, short_text
from rxmeasure.dicom_objects.reviewed_image import ReviewedImage

#: Signatures hold for the original alone.
_SIGNATURES = ("DigitalSignaturesSequence", "MACParametersSequence")


def calibrated_copy(image: ReviewedImage) -> Any | None:
    """Return a derived image with Pixel Spacing from an object of known size.

    Pixel data and Imager Pixel Spacing stay as they are; Pixel Spacing Calibration Type is
    FIDUCIAL (PS3.3, 10.7.1.2). None where no such object gave the scale.
    """
    calibration = image.review.calibration
    if calibration is None or not calibration.references:
        return None
    original = image.source.whole
    copy = deepcopy(original)
    identity = image.identity("calibrated")
    copy.SOPInstanceUID = identity["sop_instance_uid"]
    copy.file_meta.MediaStorageSOPInstanceUID = copy.SOPInstanceUID
    copy.file_meta.MediaStorageSOPClassUID = copy.SOPClassUID
    copy.SeriesInstanceUID = identity["series_instance_uid"]
    copy.SeriesNumber, copy.InstanceNumber = identity["series_number"], 1
    copy.SeriesDescription = "Calibrated copy"
    copy.ImageType = ["DERIVED", *(list(original.get("ImageType") or ())[1:] or ["SECONDARY"])]
    copy.PixelSpacing = [decimal_text(calibration.row_mm), decimal_text(calibration.col_mm)]
    copy.PixelSpacingCalibrationType = "FIDUCIAL"
    copy.PixelSpacingCalibrationDescription = short_text(calibration.source)
    copy.DerivationDescription = (
        f"Pixel spacing from an object of known length, by rxmeasure {__version__}; "
        "grey levels as in the original"
    )
    copy.SourceImageSequence = [_reference(original)]
    for keyword in _SIGNATURES:
        if keyword in copy:
            del copy[keyword]
    return image.dated(copy)


def _reference(original: Any) -> Any:
    item, purpose = Dataset(), Dataset()
    item.ReferencedSOPClassUID = original.SOPClassUID
    item.ReferencedSOPInstanceUID = original.SOPInstanceUID
    code = dicom_codes.DCM.SourceImageForImageProcessingOperation
    purpose.CodeValue, purpose.CodingSchemeDesignator = code.value, code.scheme_designator
    purpose.CodeMeaning = code.meaning
    item.PurposeOfReferenceCodeSequence = [purpose]
    return item
