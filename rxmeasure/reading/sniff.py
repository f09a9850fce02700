"""What a file is, judged by its first bytes; its name does not matter."""

from __future__ import annotations

from enum import StrEnum

from rxmeasure.errors import ImageReadError


class FileKind(StrEnum):
    """Kinds of file that can be opened."""

    DICOM = "DICOM"
    PNG = "PNG"
    JPEG = "JPEG"
    TIFF = "TIFF"


_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")

#: Known, but not opened: offset, bytes, name.
_OTHERS = (
    (0, b"GIF8", "a GIF picture"),
    (0, b"BM", "a BMP picture"),
    (8, b"WEBP", "a WebP picture"),
    (4, b"ftyp", "a HEIF picture or a video"),
    (0, b"\0\0\0\x0cjP  ", "a JPEG 2000 picture"),
    (0, b"\xff\x4f\xff\x51", "a JPEG 2000 codestream"),
    (0, b"%PDF", "a PDF document"),
    (0, b"PK\x03\x04", "a ZIP archive"),
    (0, b"\x1f\x8b", "a gzip archive"),
)

#: First element of a DICOM data set that lacks its file header: group 2 or 8, little endian.
_BARE_DICOM_STARTS = (b"\x02\0\0\0", b"\x02\0\x02\0", b"\x02\0\x10\0", b"\x08\0")


def sniff(data: bytes) -> FileKind:
    """Return the kind of file, or refuse it.

    Parameters
    ----------
    data : bytes
        The file's content (the first 132 bytes are enough).

    Raises
    ------
    ImageReadError
        When it is none of DICOM (PS3.10 section 7.1), PNG, JPEG or TIFF.
    """
    if data[128:132] == b"DICM":
        return FileKind.DICOM
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return FileKind.PNG
    if data.startswith(b"\xff\xd8\xff"):
        return FileKind.JPEG
    if data.startswith(_TIFF_STARTS):
        return FileKind.TIFF
    if data.startswith(_BARE_DICOM_STARTS):
        raise ImageReadError(
            found="what may be DICOM data without the DICOM file header.",
            needed="a DICOM file with its 128-byte preamble and the letters DICM (PS3.10).",
            next_step="Export the image again as a DICOM file.",
        )
    name = next(
        (name for at, start, name in _OTHERS if data[at : at + len(start)] == start),
        "a file that is not a known picture",
    )
    raise ImageReadError(
        found=f"{name}.",
        needed="a radiograph as DICOM, PNG, JPEG or TIFF.",
        next_step="Export the radiograph again in one of these formats, best as DICOM.",
    )
