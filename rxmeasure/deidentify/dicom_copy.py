"""A DICOM film without identity (PS3.15, annex E).

Basic Application Level Confidentiality Profile with the option "Retain Longitudinal Temporal
Information with Modified Dates": recalls are worth nothing without their intervals. No other
option: measuring needs neither patient characteristics nor devices nor descriptions. Instead of the
profile's list of what to remove, a list of what to keep (`kept`), which is stricter: private
attributes, overlays, curves, icons, nested sequences and comments go because nobody named them.

The file is made from nothing: pixels are decoded and stored again without compression, so that no
comment, padding or unused bit of the old file travels.
"""

from __future__ import annotations

import hashlib
import re
from datetime import date
from io import BytesIO
from typing import Any

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.errors import BytesLengthException
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRLittleEndian

from rxmeasure.deidentify.copies import Copy
from rxmeasure.deidentify.gate import gate_of_dicom
from rxmeasure.deidentify.kept import DATES, UIDS, kept_values
from rxmeasure.deidentify.key import Key
from rxmeasure.dicom_objects.source_image import RADIOGRAPH_CLASSES, person_name
from rxmeasure.errors import DeidentificationError
from rxmeasure.reading.damage import DAMAGE_ERRORS, collected_warnings
from rxmeasure.reading.dicom import StoredImage, read_stored, value_of

#: Profile and option by their codes (PS3.16, CID 7050).
_METHOD = (
    ("113100", "Basic Application Confidentiality Profile"),
    ("113107", "Retain Longitudinal Temporal Information Modified Dates Option"),
)

#: Type 2 in patient, study, series, equipment and image: there, but empty.
_EMPTY = (
    *("PatientBirthDate", "PatientSex", "AccessionNumber", "StudyID", "StudyTime"),
    *("ReferringPhysicianName", "Manufacturer", "SeriesNumber", "InstanceNumber"),
    *("AcquisitionTime", "ContentTime", "PatientOrientation", "ImageLaterality"),
    *("DetectorType", "PositionerType"),
)


def dicom_copy(data: bytes, key: Key, name: str) -> Copy:
    """De-identify the bytes of a DICOM file.

    Raises
    ------
    ImageReadError
        Not one grey radiograph.
    DeidentificationError
        Of a class that is not known here, or it cannot be written again.
    """
    with collected_warnings():
        image = read_stored(data)
        try:
            made, notes = _made_anew(image, key)
            stream = BytesIO()
            made.save_as(stream, enforce_file_format=True)
        except (*DAMAGE_ERRORS, BytesLengthException) as fault:
            raise DeidentificationError(
                found="a DICOM film whose header cannot be understood.",
                needed="a header of which it is known what it says.",
                next_step="Export the film again from the program that holds the original.",
            ) from fault
        kept = tuple(e.keyword for e in made if not e.is_empty)
        return Copy(
            name=f"{name}.dcm",
            data=stream.getvalue(),
            gate=gate_of_dicom(image),
            kept=kept,
            patient=_patient(image.dataset),
            notes=notes,
        )


def _made_anew(image: StoredImage, key: Key) -> tuple[Any, tuple[str, ...]]:
    source, patient = image.dataset, _patient(image.dataset)
    made = Dataset()
    for keyword in _EMPTY:
        setattr(made, keyword, None)
    made.AcquisitionContextSequence = Sequence()
    for keyword, value in kept_values(source):
        setattr(made, keyword, value)
    if "PixelSpacingCalibrationType" in made:
        made.PixelSpacingCalibrationDescription = "left out"
    if image.lossy:
        made.LossyImageCompression = "01"
    _put_pixels(made, image)
    _put_identity(made, image, key, patient)
    notes = _put_dates(made, source, key, patient)
    if not str(value_of(source, "PatientID") or "").strip():
        notes += ("no Patient ID: intervals to films of other studies are not kept",)
    return made, notes


def _put_identity(made: Any, image: StoredImage, key: Key, patient: str) -> None:
    source = image.dataset
    pixels_hash = hashlib.sha256(image.pixels.tobytes()).hexdigest()
    made.SOPClassUID = _known_class(source)
    made.Modality = image.modality
    made.SpecificCharacterSet = "ISO_IR 192"
    for keyword in UIDS:
        original = str(value_of(source, keyword) or "").strip()
        # Without an identifier of its own a film belongs to no other one.
        setattr(made, keyword, key.uid(original or f"{keyword} {pixels_hash}"))
    made.PatientID = key.patient(patient)
    made.PatientName = person_name(made.PatientID)
    made.PatientIdentityRemoved = "YES"
    made.DeidentificationMethod = "PS3.15 Basic Profile by an allow-list; dates shifted"
    made.DeidentificationMethodCodeSequence = Sequence(_code(*code) for code in _METHOD)
    made.LongitudinalTemporalInformationModified = "MODIFIED"
    # What says otherwise is refused, and what says nothing is looked at before it is released.
    made.BurnedInAnnotation = "NO"
    made.file_meta = FileMetaDataset()
    made.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian


def _known_class(source: Any) -> str:
    sop_class = str(value_of(source, "SOPClassUID") or "")
    if sop_class not in RADIOGRAPH_CLASSES:
        known = UID(sop_class).name if sop_class.startswith("1.2.840.10008.") else "unknown"
        raise DeidentificationError(
            found=f"a DICOM image of a class that is not on the list ({known[:64] or 'none'}).",
            needed="an intra-oral, digital or computed radiograph, or a secondary capture.",
            next_step="Export the radiograph under the class of its modality, or as PNG.",
        )
    return sop_class


def _put_pixels(made: Any, image: StoredImage) -> None:
    layout = image.layout
    made.SamplesPerPixel, made.PhotometricInterpretation = 1, layout.photometric
    made.Rows, made.Columns = layout.rows, layout.columns
    made.BitsAllocated, made.BitsStored = layout.bits_allocated, layout.bits_stored
    made.HighBit, made.PixelRepresentation = layout.bits_stored - 1, int(layout.signed)
    whole = layout.bits_allocated == 8
    kind = f"<{'i' if layout.signed else 'u'}{layout.bits_allocated // 8}"
    data = image.pixels.astype(kind).tobytes()
    made.add_new("PixelData", "OB" if whole else "OW", data + b"\0" * (len(data) % 2))


def _patient(source: Any) -> str:
    """Who it is: Patient ID, else name and birth date, else the study is all that is known."""
    texts = [str(value_of(source, k) or "").strip() for k in ("PatientID", "PatientName")]
    if texts[0]:
        return texts[0]
    if texts[1]:
        return f"{texts[1]}\0{value_of(source, 'PatientBirthDate') or ''}"
    return f"study\0{value_of(source, 'StudyInstanceUID') or ''}"


def _put_dates(made: Any, source: Any, key: Key, patient: str) -> tuple[str, ...]:
    made.StudyDate = None
    unreadable = []
    for keyword in DATES:
        text = str(value_of(source, keyword) or "").strip()
        day = _day(text)
        shifted = None if day is None else key.shifted(day, patient)
        if shifted is not None:
            setattr(made, keyword, f"{shifted:%Y%m%d}")
        elif text:
            unreadable.append(keyword)
    return tuple(f"{keyword} is no date and was dropped" for keyword in unreadable)


def _day(text: str) -> date | None:
    """A date as PS3.5, 6.2 writes it, or with the dots of older files."""
    parts = re.fullmatch(r"(\d{4})\.?(\d\d)\.?(\d\d)", text, re.ASCII)
    try:
        return date(*map(int, parts.groups())) if parts else None
    except ValueError:
        return None


def _code(value: str, meaning: str) -> Any:
    made = Dataset()
    made.CodeValue, made.CodingSchemeDesignator, made.CodeMeaning = value, "DCM", meaning
    return made
