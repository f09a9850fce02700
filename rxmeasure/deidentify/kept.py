"""The allow-list: which attributes of a DICOM film are kept, and which values of them.

Kept is what measuring needs. No free text is on the list, so none can pass; words are held against
the words of the standard, numbers against what they can be. A value that does not pass is dropped
with its attribute.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from typing import Any

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code
from pydicom.valuerep import format_number_as_ds

from rxmeasure.dicom_objects.codes import tooth_code, tooth_of_code
from rxmeasure.reading.damage import DAMAGE_ERRORS
from rxmeasure.reading.dicom import value_of

#: Returns the value to write, or None.
Check = Callable[[Any], Any]

#: Most numbers of one attribute that are kept (choice: films have one or two windows).
_MOST_NUMBERS = 8


def _word(*words: str) -> Check:
    return lambda value: value if isinstance(value, str) and value in words else None


def _words(pattern: str, count: int) -> Check:
    """``count`` words that fit; those behind them are dropped."""

    def check(value: Any) -> Any:
        words = value[:count] if isinstance(value, list) else []
        fit = len(words) == count and all(re.fullmatch(pattern, str(word)) for word in words)
        return [str(word) for word in words] if fit else None

    return check


def _numbers(low: float, high: float) -> Check:
    """One to eight decimal numbers in a range."""

    def check(value: Any) -> Any:
        try:
            numbers = [float(v) for v in (value if isinstance(value, list) else [value])]
        except (TypeError, ValueError, OverflowError):
            return None
        if len(numbers) > _MOST_NUMBERS:
            return None
        fit = all(math.isfinite(v) and low <= v <= high for v in numbers)
        return [format_number_as_ds(v) for v in numbers] if fit else None

    return check


def _whole(low: int, high: int) -> Check:
    def check(value: Any) -> Any:
        numbers = value if isinstance(value, list) else [value]
        fit = len(numbers) <= 2 and all(isinstance(v, int) and low <= v <= high for v in numbers)
        return [int(v) for v in numbers] if fit else None

    return check


_PITCH = _numbers(0.0, 10.0)
_GREY = _numbers(-1e6, 1e6)

#: Attribute -> what of it may stay. Words: PS3.3 (C.7.6.1, C.8.11.1 to C.8.11.4, C.8.11.7,
#: 10.7.1, C.11.1, C.11.2, C.11.6); ranges: choice.
KEPT: dict[str, Check] = {
    "ImageType": _words("ORIGINAL|DERIVED|PRIMARY|SECONDARY", 2),
    "PresentationIntentType": _word("FOR PRESENTATION", "FOR PROCESSING"),
    "PixelIntensityRelationship": _word("LIN", "LOG"),
    "PixelIntensityRelationshipSign": _whole(-1, 1),
    "PresentationLUTShape": _word("IDENTITY", "INVERSE"),
    "RescaleIntercept": _GREY,
    "RescaleSlope": _GREY,
    "RescaleType": _word("US", "OD"),
    "WindowCenter": _GREY,
    "WindowWidth": _GREY,
    "VOILUTFunction": _word("LINEAR", "LINEAR_EXACT", "SIGMOID"),
    "PixelSpacing": _PITCH,
    "ImagerPixelSpacing": _PITCH,
    "NominalScannedPixelSpacing": _PITCH,
    "PixelAspectRatio": _whole(1, 10_000),
    "PixelSpacingCalibrationType": _word("GEOMETRY", "FIDUCIAL"),
    "EstimatedRadiographicMagnificationFactor": _numbers(0.5, 5.0),
    "PatientOrientation": _words("[APRLHF]{1,3}", 2),
    "ImageLaterality": _word("R", "L", "B", "U"),
    "Laterality": _word("R", "L"),
    "DetectorType": _word("DIRECT", "SCINTILLATOR", "STORAGE", "FILM"),
    "DetectorConfiguration": _word("AREA", "SLOT"),
    "PositionerType": _word("NONE", "CEPHALOSTAT", "RIGID"),
    "LossyImageCompression": _word("00", "01"),
    "LossyImageCompressionRatio": _numbers(1.0, 1000.0),
    "LossyImageCompressionMethod": _word("ISO_10918_1", "ISO_14495_1", "ISO_15444_1"),
}

#: Kept as well, but written anew from what was understood of them.
KEPT_ANEW = (
    *("SOPClassUID", "Modality", "SamplesPerPixel", "PhotometricInterpretation", "Rows"),
    *("Columns", "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "PixelData"),
    *("ModalityLUTSequence", "AnatomicRegionSequence", "PrimaryAnatomicStructureSequence"),
)

#: Kept in another form: identifiers keyed, dates shifted.
UIDS = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")
DATES = ("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate")


def kept_values(source: Any) -> Iterator[tuple[str, Any]]:
    """Attributes of the list that the source has, with values that may stay."""
    for keyword, check in KEPT.items():
        value = value_of(source, keyword)
        kept = None if value is None else check(value)
        if kept is not None:
            yield keyword, kept
    for keyword, make in (
        ("ModalityLUTSequence", _modality_table),
        ("AnatomicRegionSequence", _regions),
        ("PrimaryAnatomicStructureSequence", _teeth),
    ):
        try:
            items = [made for item in (value_of(source, keyword) or ()) for made in make(item)]
        except DAMAGE_ERRORS:
            continue
        if items:
            yield keyword, Sequence(items)


def _modality_table(item: Any) -> Iterator[Any]:
    """A table from stored values to grey levels, which rises or falls all the way."""
    count, first, bits = (int(v) for v in item.LUTDescriptor)
    data = item.LUTData
    if isinstance(data, bytes):
        step = 1 if bits == 8 and len(data) <= (count or 2**16) + 1 else 2
        data = [int.from_bytes(data[k : k + step], "little") for k in range(0, len(data), step)]
    levels = [int(v) for v in data][: count or 2**16]
    steps = [b - a for a, b in zip(levels, levels[1:], strict=False)]
    if len(levels) != (count or 2**16) or (min(steps) < 0 < max(steps)):
        return
    made = Dataset()
    made.add_new("LUTDescriptor", "SS" if first < 0 else "US", [count, first, 16])
    made.ModalityLUTType = "OD" if value_of(item, "ModalityLUTType") == "OD" else "US"
    made.add_new("LUTData", "US", levels)
    yield made


def _regions(item: Any) -> Iterator[Any]:
    known = (getattr(codes.cid4016, name) for name in codes.cid4016.dir())
    yield from (
        _coded(code) for code in known if _code_of(item) == (code.value, code.scheme_designator)
    )


def _teeth(item: Any) -> Iterator[Any]:
    value, scheme = _code_of(item)
    tooth = tooth_of_code(Code(value, scheme, ""))
    code = None if tooth is None else tooth_code(tooth)
    if code is not None:
        yield _coded(code)


def _code_of(item: Any) -> tuple[str, str]:
    return str(item.get("CodeValue") or ""), str(item.get("CodingSchemeDesignator") or "")


def _coded(code: Any) -> Any:
    made = Dataset()
    made.CodeValue, made.CodingSchemeDesignator = code.value, code.scheme_designator
    made.CodeMeaning = code.meaning
    return made
