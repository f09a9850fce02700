"""Pictures and texts that are small as files and large, or endless, for whoever opens them."""

from __future__ import annotations

import struct
import zlib
from io import BytesIO

import numpy as np
from PIL import Image

#: Channels and bytes of a pixel by (bits, PNG colour type).
_PIXEL_BYTES = {(8, 0): 1, (16, 0): 2, (8, 2): 3, (8, 3): 1, (8, 6): 4, (16, 6): 8}


def png_part(kind: bytes, content: bytes) -> bytes:
    """One chunk with its length and checksum."""
    whole = kind + content
    return struct.pack(">I", len(content)) + whole + struct.pack(">I", zlib.crc32(whole))


def png_header(rows: int, columns: int, bits: int = 8, colour: int = 0) -> bytes:
    """IHDR."""
    return png_part(b"IHDR", struct.pack(">IIBBBBB", columns, rows, bits, colour, 0, 0, 0))


def png(
    rows: int, columns: int, *, bits: int = 8, colour: int = 0, before: bytes = b"", **pixels: int
) -> bytes:
    """A black PNG; ``rows_inside`` and ``columns_inside`` may differ from what its header says."""
    row = bytes(1 + pixels.get("columns_inside", columns) * _PIXEL_BYTES[bits, colour])
    packer = zlib.compressobj(9)
    packed = [packer.compress(row) for _ in range(pixels.get("rows_inside", rows))]
    palette = png_part(b"PLTE", bytes(range(256)) * 3) if colour == 3 else b""
    return (
        b"\x89PNG\r\n\x1a\n"
        + png_header(rows, columns, bits, colour)
        + before
        + palette
        + png_part(b"IDAT", b"".join(packed) + packer.flush())
        + png_part(b"IEND", b"")
    )


def picture(kind: str, rows: int = 40, columns: int = 40, **options: object) -> bytes:
    """A grey ramp as Pillow writes it."""
    stream = BytesIO()
    ramp = np.arange(rows * columns, dtype=np.uint32).reshape(rows, columns) % 251
    Image.fromarray(ramp.astype(np.uint8)).save(stream, kind, **options)
    return stream.getvalue()


def jpeg_with(before_scan: bytes) -> bytes:
    """A JPEG with something more before its frame header."""
    whole = picture("JPEG")
    return whole[:2] + before_scan + whole[2:]


def jpeg_of_two_frames() -> bytes:
    """A small JPEG whose second frame header, which decoders believe, is huge."""
    whole = picture("JPEG")
    at = whole.index(b"\xff\xc0")
    end = at + 2 + int.from_bytes(whole[at + 2 : at + 4], "big")
    frame = whole[at : at + 5] + struct.pack(">HH", 13_000, 13_000) + whole[at + 9 : end]
    return whole[:end] + frame + whole[end:]


def jpeg_of_scans(count: int) -> bytes:
    """A progressive JPEG whose last scan comes again and again, each time over all the picture."""
    stream = BytesIO()
    Image.new("L", (4000, 4000)).save(stream, "JPEG", progressive=True)
    whole = stream.getvalue()
    last = whole[whole.rindex(b"\xff\xda") : -2]
    return whole[:-2] + last * count + whole[-2:]


def dicom_of_runs(rows: int, columns: int, pairs: int) -> bytes:
    """RLE whose two segments (PS3.5 G) are runs of 128 zeros, so many in each."""
    segment = b"\x81\0" * pairs
    header = struct.pack("<16I", 2, 64, 64 + len(segment), *[0] * 13)
    return _dicom(rows, columns, "1.2.840.10008.1.2.5", header + segment + segment)


def dicom_of_tiles(side: int, tile: int) -> bytes:
    """JPEG 2000 that says it is cut into small tiles (ITU-T T.800 A.5.1)."""
    stream = BytesIO()
    grey = np.zeros((side, side), np.uint16)
    Image.fromarray(grey).save(stream, "JPEG2000", no_jp2=True, irreversible=False)
    whole = bytearray(stream.getvalue())
    at = whole.index(b"\xff\x51") + 22
    whole[at : at + 8] = struct.pack(">II", tile, tile)
    return _dicom(side, side, "1.2.840.10008.1.2.4.90", bytes(whole))


def _dicom(rows: int, columns: int, syntax: str, packed: bytes) -> bytes:
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.encaps import encapsulate

    film = Dataset()
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = syntax
    film.SOPClassUID, film.SOPInstanceUID = "1.2.840.10008.5.1.4.1.1.1.3", "1.2.3"
    film.Modality, film.PhotometricInterpretation = "IO", "MONOCHROME2"
    film.Rows, film.Columns, film.SamplesPerPixel = rows, columns, 1
    film.BitsAllocated = film.BitsStored = 16
    film.HighBit, film.PixelRepresentation = 15, 0
    film.PixelData = encapsulate([packed])
    stream = BytesIO()
    film.save_as(stream, enforce_file_format=True)
    return stream.getvalue()
