"""PNG, JPEG and TIFF files without anything but their picture.

PNG and JPEG are taken apart and put together again from the parts that hold the picture; nothing
is compressed anew. TIFF, whose parts may lie anywhere in the file, is written anew from its
decoded, lossless pixels. Of all that lies beside the picture only the orientation stays, because
the picture is shown by it.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator
from io import BytesIO

from rxmeasure.deidentify.copies import Copy
from rxmeasure.deidentify.gate import gate_of_picture
from rxmeasure.errors import DeidentificationError
from rxmeasure.reading.damage import DAMAGE_ERRORS
from rxmeasure.reading.limits import MAX_FILE_BYTES
from rxmeasure.reading.raster import stored_picture
from rxmeasure.reading.sniff import FileKind, sniff

_PNG_START = b"\x89PNG\r\n\x1a\n"
#: Chunks that the picture is made of (PNG, section 11).
_PNG_PICTURE = (b"PLTE", b"tRNS")
#: Columns and rows of the seven passes: first, step (PNG, section 8.2).
_ADAM7 = (
    *((0, 8, 0, 8), (4, 8, 0, 8), (0, 4, 4, 8), (2, 4, 0, 4)),
    *((0, 2, 2, 4), (1, 2, 0, 2), (0, 1, 1, 2)),
)
_PNG_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}

#: JPEG markers (ITU-T T.81, table B.1): tables and restart interval; those without a length.
_JPEG_TABLES = (0xC4, 0xCC, 0xDB, 0xDD)
_ALONE = (0x01, *range(0xD0, 0xD9))
_START_OF_FRAME = tuple(m for m in range(0xC0, 0xD0) if m not in (0xC4, 0xC8, 0xCC))
_START_OF_SCAN, _END, _APP0, _APP14 = 0xDA, 0xD9, 0xE0, 0xEE
#: JFIF 1.01 without resolution and thumbnail (JFIF 1.02, page 5).
_PLAIN_JFIF = b"JFIF\0\1\1\0\0\1\0\1\0\0"


def picture_copy(data: bytes, name: str) -> Copy:
    """De-identify the bytes of a PNG, JPEG or TIFF file that opens as a radiograph.

    Raises
    ------
    DeidentificationError
        The file has parts of which it is not known what they hold.
    ImageReadError
        It is no picture.
    """
    kind = sniff(data)
    orientation = stored_picture(data, kind).orientation
    ending, make = {
        FileKind.PNG: ("png", _png),
        FileKind.JPEG: ("jpg", _jpeg),
        FileKind.TIFF: ("tif", _tiff),
    }[kind]
    try:
        made = make(data, orientation)
    except DAMAGE_ERRORS as fault:
        raise _unknown("a picture whose parts cannot be understood.") from fault
    kept = ("pixels",) if orientation == 1 else ("pixels", "orientation")
    return Copy(name=f"{name}.{ending}", data=made, gate=gate_of_picture(), kept=kept)


def _unknown(found: str) -> DeidentificationError:
    return DeidentificationError(
        found=found,
        needed="a file of which it is known what each part holds.",
        next_step="Save the radiograph again as PNG, grey, 8 or 16 bits.",
    )


def _exif(orientation: int) -> bytes:
    """The smallest Exif block that says an orientation (TIFF 6.0, section 2)."""
    return b"MM\0*" + struct.pack(">IHHHIHHI", 8, 1, 274, 3, 1, orientation, 0, 0)


# -- PNG -----------------------------------------------------------------------


def _png(data: bytes, orientation: int) -> bytes:
    chunks = list(_png_chunks(data))
    header = chunks[0][1][:13]
    picture = b"".join(body for kind, body in chunks if kind == b"IDAT")
    made = [_chunk(b"IHDR", header)]
    made += [_chunk(kind, body) for kind, body in chunks if kind in _PNG_PICTURE]
    if orientation != 1:
        made.append(_chunk(b"eXIf", _exif(orientation)))
    made.append(_chunk(b"IDAT", zlib.compress(_png_lines(header, picture))))
    return _PNG_START + b"".join(made) + _chunk(b"IEND", b"")


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = len(_PNG_START)
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        kind = data[at + 4 : at + 8]
        yield kind, data[at + 8 : at + 8 + size]
        if kind == b"IEND":
            return
        at += 12 + size


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _png_lines(header: bytes, packed: bytes) -> bytes:
    """The filtered lines, and nothing that lies behind them."""
    width, height, depth, colour, _, _, interlaced = struct.unpack(">IIBBBBB", header)
    passes = _ADAM7 if interlaced else ((0, 1, 0, 1),)
    size = 0
    for column, column_step, row, row_step in passes:
        columns = -(-max(width - column, 0) // column_step)
        rows = -(-max(height - row, 0) // row_step)
        line = 1 + (columns * _PNG_CHANNELS[colour] * depth + 7) // 8
        size += rows * line if columns else 0
    if size > MAX_FILE_BYTES:
        raise _unknown("a PNG picture of more bytes than a radiograph has.")
    try:
        lines = zlib.decompressobj().decompress(packed, size)
    except zlib.error as fault:
        raise _unknown("a PNG picture whose data cannot be unpacked.") from fault
    if len(lines) != size:
        raise _unknown("a PNG picture with fewer lines than its header says.")
    return lines


# -- JPEG ----------------------------------------------------------------------


def _jpeg(data: bytes, orientation: int) -> bytes:
    segments = list(_jpeg_segments(data))
    made = [b"\xff\xd8"]
    if any(marker == _APP0 and body.startswith(b"JFIF\0") for marker, body, _ in segments):
        made.append(_segment(_APP0, _PLAIN_JFIF))
    if orientation != 1:
        made.append(_segment(0xE1, b"Exif\0\0" + _exif(orientation)))
    for marker, body, scan in segments:
        if marker == _APP14 and body.startswith(b"Adobe") and len(body) >= 12:
            # Version 100, no flags; the last byte says how colours are stored.
            made.append(_segment(_APP14, b"Adobe\0\x64\0\0\0\0" + body[11:12]))
        elif marker in _JPEG_TABLES or marker in _START_OF_FRAME or marker == _START_OF_SCAN:
            _check_length(marker, body)
            made += [_segment(marker, body), scan]
    return b"".join(made) + b"\xff\xd9"


def _jpeg_segments(data: bytes) -> Iterator[tuple[int, bytes, bytes]]:
    """Marker, body, and the coded data behind a start of scan; nothing behind the end."""
    at = 2
    while at + 2 <= len(data):
        marker = data[at + 1]
        if data[at] != 0xFF:
            raise _unknown("a JPEG picture with bytes between its parts.")
        if marker == 0xFF:
            at += 1
            continue
        if marker == _END:
            return
        if marker in _ALONE:
            at += 2
            continue
        size = int.from_bytes(data[at + 2 : at + 4], "big")
        if size < 2 or at + 2 + size > len(data):
            raise _unknown("a JPEG picture that is cut short.")
        body = data[at + 4 : at + 2 + size]
        at += 2 + size
        end = _end_of_scan(data, at) if marker == _START_OF_SCAN else at
        yield marker, body, data[at:end]
        at = end


def _end_of_scan(data: bytes, at: int) -> int:
    """Where the next marker begins that is no restart; coded data write FF as FF 00."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            return len(data)
        if data[at + 1] != 0 and not 0xD0 <= data[at + 1] <= 0xD7:
            return at
        at += 2


def _segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def _check_length(marker: int, body: bytes) -> None:
    """Refuse parts that are longer than what they say (ITU-T T.81, B.2.2 to B.2.4)."""
    fits = True
    if marker in _START_OF_FRAME:
        fits = len(body) >= 6 and len(body) == 6 + 3 * body[5]
    elif marker == _START_OF_SCAN:
        fits = len(body) >= 1 and len(body) == 4 + 2 * body[0]
    elif marker == 0xDD:
        fits = len(body) == 2
    elif marker == 0xDB:
        fits = _filled_by(body, lambda rest: 1 + 64 * (1 + (rest[0] >> 4 != 0)))
    elif marker == 0xC4:
        fits = _filled_by(body, lambda rest: 17 + sum(rest[1:17]))
    if not fits:
        raise _unknown("a JPEG picture with parts that are longer than they should be.")


def _filled_by(body: bytes, length_of_first: Callable[[bytes], int]) -> bool:
    while body:
        length = length_of_first(body)
        if length > len(body):
            return False
        body = body[length:]
    return True


# -- TIFF ----------------------------------------------------------------------


def _tiff(data: bytes, orientation: int) -> bytes:
    import tifffile

    picture = stored_picture(data, FileKind.TIFF)
    if picture.lossy:
        raise _unknown("a TIFF picture with lossy compression.")
    channels = picture.channels
    if channels.dtype.kind == "u":
        # Colour maps give 8 bits in 16.
        channels = channels.astype(f"u{picture.bits // 8}")
    colours = 1 if channels.ndim == 2 else channels.shape[2]
    photometric = "miniswhite" if picture.white_is_zero else "minisblack"
    stream = BytesIO()
    tifffile.imwrite(
        stream,
        channels,
        photometric="rgb" if colours >= 3 else photometric,
        planarconfig="contig" if colours > 1 else None,
        extrasamples=["unassalpha"] if colours in (2, 4) else None,
        metadata=None,
        software=False,
        extratags=[(274, "H", 1, orientation, True)] if orientation != 1 else [],
    )
    return stream.getvalue()
