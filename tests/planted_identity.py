"""Films, pictures and reviews with a different identity planted in every place there is."""

from __future__ import annotations

import gzip
import re
import struct
import zlib
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from dicom_films import DICOM, PICTURE, SAMPLES, marks_of
from PIL import Image, ImageCms, PngImagePlugin
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence

from rxmeasure.criteria.criterion import default_rule_set_ids
from rxmeasure.marks import Landmark, Override
from rxmeasure.reading import read_radiograph
from rxmeasure.review import Review, review_film

BIRTH_DATE, STUDY_DATE = "19620413", "20230517"
STUDY_UID = "1.2.826.0.1.3680043.8.498.777000111"

#: Text attributes of the top level; each is given a word of its own.
TEXTS = (
    *("PatientID", "PatientComments", "ImageComments", "InstitutionName", "InstitutionAddress"),
    *("AccessionNumber", "StudyID", "StudyDescription", "SeriesDescription", "StationName"),
    *("DeviceSerialNumber", "Manufacturer", "ManufacturerModelName", "ProtocolName"),
    *("PixelSpacingCalibrationDescription", "WindowCenterWidthExplanation", "RescaleType"),
    *("OtherPatientIDs", "PatientAddress", "MedicalRecordLocator", "AdditionalPatientHistory"),
    *("DerivationDescription", "SoftwareVersions", "DetectorID", "IssuerOfPatientID"),
    *("ReferringPhysicianName", "OperatorsName", "PatientBirthName", "PerformingPhysicianName"),
)


class Words:
    """Gives words that occur nowhere else, and remembers them."""

    def __init__(self, prefix: str) -> None:
        self.prefix = prefix
        self.all: list[str] = []

    def __call__(self) -> str:
        number = len(self.all)
        self.all.append(f"{self.prefix}{chr(65 + number // 26)}{chr(65 + number % 26)}k")
        return self.all[-1]


def left_in(data: bytes, words: list[str]) -> list[str]:
    """Words that are in the bytes: as they are, in capitals or not, backwards, or as UTF-16."""
    plain = b"\0".join([data, *_unpacked(data)]).lower()
    texts = {w: (w.lower(), w.lower()[::-1]) for w in words}
    return [
        word
        for word, forms in texts.items()
        if any(
            form.encode(code) in plain
            for form in forms
            for code in ("utf-8", "utf-16-le", "utf-16-be")
        )
    ]


def _unpacked(data: bytes) -> list[bytes]:
    """What is packed by gzip or zlib inside the bytes."""
    found = []
    for start in re.finditer(rb"\x1f\x8b\x08|\x78[\x01\x5e\x9c\xda]", data):
        bits = 31 if data[start.start()] == 0x1F else 15
        try:
            found.append(zlib.decompressobj(bits).decompress(data[start.start() :], 2**24))
        except zlib.error:
            continue
    return found


def planted_dicom(word: Words) -> bytes:
    """The DICOM sample with a word in every place, outside the attributes measuring needs."""
    film = pydicom.dcmread(SAMPLES / DICOM)
    film.PatientName = f"{word()}^{word()}^{word()}"
    film.PatientBirthDate, film.StudyDate, film.StudyInstanceUID = BIRTH_DATE, STUDY_DATE, STUDY_UID
    word.all += [BIRTH_DATE, STUDY_DATE, STUDY_UID]
    film.PixelSpacingCalibrationType = "GEOMETRY"
    for keyword in TEXTS:
        setattr(film, keyword, word())
    film.ImageType = ["ORIGINAL", "PRIMARY", word().upper()]
    film.AnatomicRegionSequence[0].CodeMeaning = word()
    film.PrimaryAnatomicStructureSequence[0].CodeMeaning = word()
    film.AnatomicRegionModifierSequence = Sequence([_item(CodeMeaning=word(), CodeValue=word())])
    film.OtherPatientIDsSequence = Sequence([_item(PatientID=word(), IssuerOfPatientID=word())])
    deepest = _item(ScheduledProcedureStepDescription=word(), RequestedProcedureID=word())
    film.RequestAttributesSequence = Sequence(
        [_item(RequestedProcedureCodeSequence=Sequence([deepest]))]
    )
    film.ModalityLUTSequence = Sequence([_table(film, word)])
    private = film.private_block(0x0019, word(), create=True)
    private.add_new(0x01, "LO", word())
    private.add_new(0x02, "UN", word().encode("utf-16-le"))
    private.add_new(0x03, "SQ", Sequence([_item(PatientComments=word())]))
    film.add_new(0x60000010, "US", 8)
    film.add_new(0x60000022, "LO", word())
    film.add_new(0x60003000, "OB", word().encode() + b"\0")
    film.add_new(0x50003000, "OB", word().encode() + b"\0")
    film.IconImageSequence = Sequence([_item(PixelData=word().encode() + b"\0")])
    film["IconImageSequence"].value[0]["PixelData"].VR = "OB"
    film.add_new(0x00091234, "UN", word().encode() + b"\0")
    film.PixelData += word().encode() * 2
    film.add_new(0xFFFCFFFC, "OB", word().encode() + b"\0")
    film.file_meta.SourceApplicationEntityTitle = word()
    film.file_meta.PrivateInformationCreatorUID = "1.2.3"
    film.file_meta.PrivateInformation = word().encode() + b"\0"
    film.preamble = word().encode().ljust(128, b"\0")
    stream = BytesIO()
    film.save_as(stream)
    return stream.getvalue()


def _item(**attributes: Any) -> Any:
    item = Dataset()
    for keyword, value in attributes.items():
        setattr(item, keyword, value)
    return item


def _table(film: Any, word: Words) -> Any:
    item = _item(LUTExplanation=word(), ModalityLUTType=word().upper())
    item.add_new("LUTDescriptor", "US", [2**film.BitsStored, 0, 16])
    item.add_new("LUTData", "US", list(range(0, 2 * 2**film.BitsStored, 2)))
    return item


def planted_pictures(word: Words, *, step: int = 1) -> dict[str, bytes]:
    """PNG, JPEG (turned by Exif) and TIFF with a word in every place; every ``step``-th pixel."""
    with Image.open(SAMPLES / PICTURE) as image:
        grey = np.asarray(image)[::step, ::step]
    eight = Image.fromarray((grey // 256 if grey.dtype == np.uint16 else grey).astype(np.uint8))
    return {
        "png": _png(Image.fromarray(grey), word),
        "jpg": _jpeg(eight, word),
        "tif": _tiff(eight, word),
    }


def _exif(word: Words) -> Image.Exif:
    exif = Image.Exif()
    for tag in (0x010E, 0x013B, 0x0131, 0x8298):
        exif[tag] = word()
    exif[0x9C9B] = word().encode("utf-16-le")
    exif[0x0112] = 6
    return exif


def _profile(word: Words) -> bytes:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    name = word().encode()
    return profile[:200] + name + profile[200 + len(name) :]


def _png(image: Image.Image, word: Words) -> bytes:
    info = PngImagePlugin.PngInfo()
    info.add_text("Author", word())
    info.add_text("Comment", word(), zip=True)
    info.add_itxt(word(), word(), lang="en", tkey=word())
    info.add(b"prVt", word().encode())
    stream = BytesIO()
    image.save(stream, "PNG", pnginfo=info, exif=_exif(word), icc_profile=_profile(word))
    return stream.getvalue() + word().encode()


def _jpeg(image: Image.Image, word: Words) -> bytes:
    stream = BytesIO()
    image.save(stream, "JPEG", exif=_exif(word), icc_profile=_profile(word), comment=word())
    data = stream.getvalue()
    more = [
        (0xE1, b"http://ns.adobe.com/xap/1.0/\0" + word().encode()),
        (0xED, b"Photoshop 3.0\0" + word().encode()),
        (0xEF, word().encode()),
        (0xFE, word().encode("utf-16-le")),
    ]
    extra = b"".join(struct.pack(">BBH", 0xFF, m, len(b) + 2) + b for m, b in more)
    return data[:2] + extra + data[2:] + word().encode()


def _tiff(image: Image.Image, word: Words) -> bytes:
    import tifffile

    stream = BytesIO()
    texts = [(tag, "s", 0, word(), True) for tag in (269, 270, 271, 272, 305, 315, 316, 33432)]
    private = [(65001, "s", 0, word(), True), (700, "B", 7, word().encode()[:7], True)]
    tifffile.imwrite(
        stream, np.asarray(image), photometric="minisblack", metadata=None, software=False,
        extratags=[*texts, *private], iccprofile=_profile(word),
    )  # fmt: skip
    return stream.getvalue() + word().encode()


def planted_review(path: Path, name: str, word: Words) -> Review:
    """A review of a film, with a word wherever a person can write one."""
    marks = marks_of(name)
    canal = marks.canals[0]
    label = Landmark(point_px=canal.clicks_px[0], state="marked", label=word())
    canal = replace(canal, name=word(), coronal_reference=label)
    own = word()
    rules = (*default_rule_set_ids(marks.film_kind), "zero_two")
    marks = replace(
        marks,
        patient_pseudonym=word(),
        reader=word(),
        visit=STUDY_DATE[:4] + "-05-17",
        canals=(canal,),
        references=tuple(replace(r, label=word()) for r in marks.references),
        rule_set_ids=tuple(dict.fromkeys(rules)),
        overrides=(
            Override(canal=canal.name, rule_id="zero_two", verdict="met", reason=word()),
            Override(canal=canal.name, rule_id=own, verdict=word(), reason=word()),
            Override(canal="", rule_id="image-changed", verdict="used", reason=word()),
        ),
    )
    word.all += [STUDY_DATE[:4] + "-05-17", path.name]
    return review_film(read_radiograph(path), marks)


def packed(text: str) -> bytes:
    """For the test of the test: text as a report keeps it."""
    return gzip.compress(text.encode())
