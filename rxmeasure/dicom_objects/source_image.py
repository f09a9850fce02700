"""The image that the objects refer to: a DICOM file, or a secondary capture made of a picture.

Only what is listed here is taken over from the image's header, each value checked; what is
missing or not valid is left empty, as the standard allows for it (type 2). So a header of any
quality can be referred to, and nothing of it travels unseen.
"""

from __future__ import annotations

import re
from copy import deepcopy
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian, SecondaryCaptureImageStorage

from rxmeasure.dicom_objects.codes import short_text
from rxmeasure.dicom_objects.identity import derived_uid
from rxmeasure.errors import ImageReadError
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.reading.radiograph_file import read_file
from rxmeasure.review import Review

#: Images a report may refer to (PS3.4, table B.5-1).
RADIOGRAPH_CLASSES = (
    "1.2.840.10008.5.1.4.1.1.1",
    "1.2.840.10008.5.1.4.1.1.1.1",
    "1.2.840.10008.5.1.4.1.1.1.1.1",
    "1.2.840.10008.5.1.4.1.1.1.3",
    "1.2.840.10008.5.1.4.1.1.1.3.1",
    str(SecondaryCaptureImageStorage),
)

#: Must be there, or nothing can refer to the image.
_IDENTITY = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID", "SOPClassUID")
#: Type 2 in every object: empty where the image has none.
_PATIENT_AND_STUDY = {
    "PatientName": "text",
    "PatientID": "text",
    "PatientBirthDate": "date",
    "PatientSex": "sex",
    "AccessionNumber": "text",
    "StudyID": "text",
    "StudyDate": "date",
    "StudyTime": "time",
    "ReferringPhysicianName": "text",
}
_LATERALITY = ("ImageLaterality", "Laterality")
_GREY_SCALE = ("RescaleIntercept", "RescaleSlope", "RescaleType", "ModalityLUTSequence")

_VALID = {
    "date": re.compile(r"(19|20)\d\d(0[1-9]|1[0-2])(0[1-9]|[12]\d|3[01])"),
    "time": re.compile(r"([01]\d|2[0-3])([0-5]\d([0-5]\d(\.\d{1,6})?)?)?"),
    "sex": re.compile(r"[MFO]"),
    "text": re.compile(r"[^\\]{0,324}"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourceImage:
    """What the objects need to know of their image.

    Attributes
    ----------
    header : pydicom.Dataset
        Identity, patient and study, size and grey scale; nothing else.
    whole : pydicom.Dataset
        The whole DICOM image, or the secondary capture that was made of a picture.
    was_dicom : bool
        False where ``whole`` was made here and must be written along.
    turned : bool
        The stored grey levels must be mirrored to show radiopaque bright.
    """

    header: Any
    whole: Any
    was_dicom: bool
    turned: bool


def source_image(path: Path, radiograph: Radiograph, review: Review) -> SourceImage:
    """Return the image that objects refer to; the file itself is only read.

    Parameters
    ----------
    path : Path
        The file of ``radiograph``, with its grey levels as they were reviewed.

    Raises
    ------
    ImageReadError
        A DICOM file without the identifiers that a reference needs.
    """
    if radiograph.source.format == "DICOM":
        whole = pydicom.dcmread(BytesIO(read_file(path)))
        turned = radiograph.polarity.turned
    else:
        shown = read_radiograph(path)
        whole = _secondary_capture(path, shown, review)
        turned = radiograph.polarity.turned != shown.polarity.turned
    return SourceImage(
        header=_header(whole, radiograph.source.modality or whole.Modality),
        whole=whole,
        was_dicom=radiograph.source.format == "DICOM",
        turned=turned,
    )


def _header(whole: Any, modality: str) -> Any:
    header = Dataset()
    header.Modality = modality
    header.SpecificCharacterSet = "ISO_IR 192"
    for keyword in _IDENTITY:
        setattr(header, keyword, _identifier(whole, keyword))
    if header.SOPClassUID not in RADIOGRAPH_CLASSES:
        raise ImageReadError(
            found=f"a DICOM image of the class {UID(header.SOPClassUID).name[:64]}.",
            needed="an intra-oral, digital or computed radiograph, or a secondary capture.",
            next_step="Export the radiograph under the class of its modality.",
        )
    for keyword, kind in _PATIENT_AND_STUDY.items():
        text = str(whole.get(keyword) or "").strip()
        setattr(header, keyword, text if text and _VALID[kind].fullmatch(text) else None)
    side = next((str(whole.get(k)) for k in _LATERALITY if whole.get(k) in ("R", "L")), None)
    header.Laterality = side
    header.PatientOrientation = _orientation(whole)
    for keyword in _GREY_SCALE:
        if whole.get(keyword) not in (None, ""):
            header[keyword] = deepcopy(whole[keyword])
    # PS3.3, C.11.1: the three rescale attributes come together.
    if "RescaleSlope" in header and "RescaleType" not in header:
        header.RescaleType = "US"
    for keyword in (
        *("Rows", "Columns", "SamplesPerPixel", "PhotometricInterpretation"),
        *("BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation"),
    ):
        if keyword in whole:
            header[keyword] = deepcopy(whole[keyword])
    return header


def _identifier(whole: Any, keyword: str) -> str:
    value = UID(str(whole.get(keyword) or ""))
    if value and value.is_valid:
        return str(value)
    raise ImageReadError(
        found=f"a DICOM image whose {pydicom.datadict.dictionary_description(keyword)} is missing "
        "or not valid.",
        needed="the identifiers of image, series and study, to which a report can refer.",
        next_step="Take the image from the archive, or save it as PNG or TIFF and review that.",
    )


def _orientation(whole: Any) -> list[str] | None:
    values = whole.get("PatientOrientation")
    pair = [] if values is None or isinstance(values, str) else [str(v) for v in values]
    return pair if len(pair) == 2 and all(re.fullmatch(r"[APRLHF]{1,3}", v) for v in pair) else None


def _secondary_capture(path: Path, shown: Radiograph, review: Review) -> Any:
    """The picture as a Secondary Capture image (PS3.3, A.8.1): same pixels, no spacing."""
    facts, marks = shown.source, review.marks
    case, visit = short_text(marks.patient_pseudonym), short_text(marks.visit)
    belongs = ("visit", case, visit) if case and visit else ("film", facts.sha256)
    image = Dataset()
    image.file_meta = FileMetaDataset()
    image.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    image.SpecificCharacterSet = "ISO_IR 192"
    image.SOPClassUID = SecondaryCaptureImageStorage
    image.SOPInstanceUID = derived_uid("secondary capture", facts.sha256, case, visit)
    image.StudyInstanceUID = derived_uid("study", *belongs)
    image.SeriesInstanceUID = derived_uid("series", "secondary capture", *belongs, facts.sha256)
    # Archives take films without a patient for films of one patient.
    patient = case or f"Film {facts.sha256[:12]}"
    image.PatientName, image.PatientID = person_name(patient), patient
    image.PatientBirthDate = image.PatientSex = image.AccessionNumber = None
    image.StudyID = image.ReferringPhysicianName = image.StudyTime = None
    date = visit.replace("-", "")
    image.StudyDate = date if _VALID["date"].fullmatch(date) else None
    image.Modality, image.ConversionType = "IO", "WSD"
    image.SeriesNumber = image.InstanceNumber = 1
    image.ImageType = ["DERIVED", "SECONDARY"]
    image.DerivationDescription = (
        f"Made of a {facts.format} picture of {facts.bits} bits, SHA-256 {facts.sha256}"
    )
    image.Laterality = image.PatientOrientation = None
    _put_pixels(image, shown)
    if facts.lossy:
        image.LossyImageCompression = "01"
        ratio = len(image.PixelData) / path.stat().st_size
        image.LossyImageCompressionRatio = f"{max(ratio, 1.0):.3g}"
        if facts.format == "JPEG":
            image.LossyImageCompressionMethod = "ISO_10918_1"
    return image


def _put_pixels(image: Any, shown: Radiograph) -> None:
    """Grey levels as whole numbers of 8 to 16 bits; other ranges are stretched to 16."""
    levels = shown.value_max + 1.0
    bits = int(np.log2(levels)) if levels in (2.0**b for b in range(8, 17)) else 16
    stretch = (2.0**bits - 1.0) / shown.value_max
    pixels = np.rint(shown.pixels.astype(np.float64) * stretch)
    image.SamplesPerPixel, image.PhotometricInterpretation = 1, "MONOCHROME2"
    image.Rows, image.Columns = shown.shape
    image.BitsAllocated = 8 if bits == 8 else 16
    image.BitsStored, image.HighBit, image.PixelRepresentation = bits, bits - 1, 0
    data = pixels.astype("u1" if bits == 8 else "<u2").tobytes()
    image.PixelData = data + b"\0" * (len(data) % 2)
    image["PixelData"].VR = "OB" if bits == 8 else "OW"


def person_name(pseudonym: str) -> str:
    """A pseudonym as the family name of a person (PS3.5, 6.2); empty stays empty."""
    name = short_text(re.sub(r"[\\^=]", " ", pseudonym), 63)
    return f"{name}^" if name else ""
