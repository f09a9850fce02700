"""Spoiled DICOM headers, and what must hold for each: a result or a refusal, soon and small.

``python tests/hostile_headers.py COUNT FIRST`` tries many more than the tests do.
"""

from __future__ import annotations

import random
import resource
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import BytesIO
from typing import Any

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence

from rxmeasure.deidentify.copies import copy_of
from rxmeasure.deidentify.key import Key
from rxmeasure.errors import RxMeasureError
from rxmeasure.reading.radiograph_file import radiograph_of

SECONDS_PER_FILE = 10
#: Beyond what the process has when it starts; the films have 24 x 30 pixels.
MEMORY_BYTES = 512 * 2**20
KEY = Key(secret=b"hostile")

_SYNTAXES = ("1.2.840.10008.1.2.1", "1.2.840.10008.1.2", "1.2.840.10008.1.2.2")
_LENGTHS = (0, 1, 2, 7, 0xFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFE, 0xFFFFFFFF)
_VRS = (b"SQ", b"UN", b"OB", b"OW", b"UT", b"DS", b"IS", b"US", b"PN", b"AT", b"XX", b"\0\0", b"FD")
_BITS = (
    b"\xfe\xff\x00\xe0\xff\xff\xff\xff",
    b"\xfe\xff\x0d\xe0\0\0\0\0",
    b"\xfe\xff\xdd\xe0\0\0\0\0",
    b"1\\2\\3\\4",
    b"1e999",
    b"NaN",
    b"-0",
    b"\x1b$B",
    b"\xff" * 8,
    b"\\" * 40,
)


def seeds() -> list[bytes]:
    """Small films with everything the reader and the de-identifier look at."""
    return [_film(syntax) for syntax in _SYNTAXES]


def _film(syntax: str) -> bytes:
    film = Dataset()
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = syntax
    film.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    film.SOPInstanceUID, film.StudyInstanceUID, film.SeriesInstanceUID = "1.2.3", "1.2.4", "1.2.5"
    film.SpecificCharacterSet, film.Modality, film.ImageType = (
        "ISO_IR 192",
        "IO",
        ["ORIGINAL", "PRIMARY"],
    )
    film.PatientName, film.PatientID, film.StudyDate = "A^B", "7", "20200101"
    film.RescaleSlope, film.RescaleIntercept, film.RescaleType = "2", "-100", "US"
    film.WindowCenter, film.WindowWidth, film.BurnedInAnnotation = 2000, 3000, "NO"
    film.PixelSpacing = film.ImagerPixelSpacing = [0.02, 0.02]
    film.PresentationLUTShape, film.LossyImageCompression = "IDENTITY", "00"
    film.AnatomicRegionSequence = Sequence([_code("661005")])
    film.PrimaryAnatomicStructureSequence = Sequence([_code("422653006")])
    film.OtherPatientIDsSequence = Sequence([Dataset()])
    film.SamplesPerPixel, film.PhotometricInterpretation = 1, "MONOCHROME2"
    film.Rows, film.Columns, film.BitsAllocated, film.BitsStored, film.HighBit = 24, 30, 16, 12, 11
    film.PixelRepresentation = 0
    film.add_new("PixelData", "OW", np.arange(720, dtype="<u2").tobytes())
    table = Dataset()
    table.add_new("LUTDescriptor", "US", [4096, 0, 16])
    table.add_new("LUTData", "US", list(range(4096)))
    if syntax != _SYNTAXES[0]:
        film.ModalityLUTSequence = Sequence([table])
    stream = BytesIO()
    film.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


def _code(value: str) -> Any:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "SCT", "x"
    return item


def spoiled(film: bytes, choose: random.Random, *, first: int = 132) -> bytes:
    """One to three changes of bytes, lengths, VRs and parts, mostly before the pixels."""
    data = bytearray(film)
    for _ in range(choose.choice([1, 1, 1, 2, 3])):
        pixels = 1440 if choose.random() < 0.9 else 0
        at = choose.randrange(first, max(len(data) - pixels, first + 1))
        kind = choose.randrange(8)
        if kind == 0:
            data[at : at + 1] = bytes([choose.randrange(256)])
        elif kind == 1:
            data[at : at + 4] = choose.choice(_LENGTHS).to_bytes(
                4, choose.choice(["little", "big"])
            )
        elif kind == 2:
            data[at : at + 2] = choose.choice(_VRS)
        elif kind == 3:
            data[at:at] = choose.choice(_BITS)
        elif kind == 4:
            del data[at : at + choose.randrange(1, 40)]
        elif kind == 5:
            start = choose.randrange(first, len(data))
            data[at:at] = data[start : start + choose.randrange(1, 200)]
        elif kind == 6:
            del data[at:]
        else:
            data[at:at] = choose.choice(_BITS) * choose.randrange(1, 300)
        if len(data) < 140:
            data += bytes(8)
    return bytes(data)


def outcome(data: bytes) -> str:
    """What reader and de-identifier make of a file: opened and copied, or the class of refusal."""
    with suppress(RxMeasureError):
        radiograph_of(data, file_name="")
    try:
        return str(copy_of(data, KEY).gate.decision)
    except RxMeasureError as refusal:
        return type(refusal).__name__


@contextmanager
def limits() -> Iterator[None]:
    """An alarm for each file (`watched`) and a ceiling of memory for the process."""

    def late(*_: object) -> None:
        raise TimeoutError("a file took too long")

    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    signal.signal(signal.SIGALRM, late)
    try:
        yield
    finally:
        signal.alarm(0)
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 - used
    assert grown < MEMORY_BYTES, f"memory grew by {grown:,} bytes"


def watched(data: bytes) -> str:
    """`outcome` within the time limit. TimeoutError is an OSError: the time is looked at too."""
    signal.alarm(SECONDS_PER_FILE)
    begun = time.monotonic()
    result = outcome(data)
    signal.alarm(0)
    assert time.monotonic() - begun < SECONDS_PER_FILE - 1
    return result


def main(count: int, first: int) -> None:
    films = seeds()
    found: Counter[str] = Counter()
    slowest = 0.0
    begun = time.monotonic()
    for film in films:
        outcome(film)
    with limits():
        for number in range(first, first + count):
            choose = random.Random(f"header {number}")
            data = spoiled(choose.choice(films), choose)
            start = time.monotonic()
            try:
                found[watched(data)] += 1
            except BaseException as fault:  # noqa: BLE001
                print(f"file {number}: {type(fault).__name__}: {fault}", flush=True)
                found[f"FAULT {type(fault).__name__}"] += 1
            slowest = max(slowest, time.monotonic() - start)
            if sum(found.values()) % 5000 == 0:
                print(sum(found.values()), dict(found), f"slowest {slowest:.2f} s", flush=True)
    print(f"{count} files, {time.monotonic() - begun:.0f} s, slowest {slowest:.2f} s", dict(found))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
