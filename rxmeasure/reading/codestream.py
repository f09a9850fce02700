"""What the header of a JPEG, JPEG-LS or JPEG 2000 stream promises, without decoding."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from rxmeasure.errors import ImageReadError
from rxmeasure.reading.limits import MAX_UNPACKED_BYTES


class FrameHeader(NamedTuple):
    """Rows, columns, bits per sample and number of components."""

    rows: int
    columns: int
    bits: int
    components: int


#: Start-of-frame markers: SOF0-15 without DHT, JPG and DAC (ITU-T T.81 table B.1),
#: and SOF55 of JPEG-LS (ITU-T T.87).
_SOF = (frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}) | {0xF7}
_ALONE = frozenset(range(0xD0, 0xD9)) | {0x01}

#: Most markers and fill bytes before the first scan (choice: common files have 10 to 50).
MAX_MARKERS = 10_000
#: Most scans (choice: twice the 10 of a common progressive file); one of 31 bytes costs a
#: pass over all the picture.
MAX_SCANS = 20
#: PS3.5 G.5.
_RLE_HEADER_BYTES = 64


def _no_header() -> ImageReadError:
    return ImageReadError(
        found="compressed picture data without a readable header.",
        needed="a whole JPEG, JPEG-LS or JPEG 2000 stream.",
        next_step="Export the image again; the file is damaged.",
    )


def jpeg_header(data: bytes) -> FrameHeader:
    """Frame header of a JPEG or JPEG-LS stream (ITU-T T.81 B.2.2, T.87 C.2.2).

    Raises
    ------
    ImageReadError
        When not one frame header comes before the first scan, or there are more markers
        or scans than a radiograph needs, each of which costs a decoder time.
    """
    frames = [at for marker, at in _segments(data) if marker in _SOF]
    if len(frames) != 1 or frames[0] + 10 > len(data):
        raise _no_header()
    # Inside a scan no 0xFF comes before 0xDA.
    if data.count(b"\xff\xda") > MAX_SCANS:
        raise _no_header()
    at = frames[0]
    return FrameHeader(
        rows=int.from_bytes(data[at + 5 : at + 7], "big"),
        columns=int.from_bytes(data[at + 7 : at + 9], "big"),
        bits=data[at + 4],
        components=data[at + 9],
    )


def _segments(data: bytes) -> Iterator[tuple[int, int]]:
    """Markers before the first scan, and where each stands."""
    at = 2
    if data[:2] != b"\xff\xd8":
        raise _no_header()
    for _ in range(MAX_MARKERS):
        if at + 4 > len(data) or data[at] != 0xFF:
            break
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
        elif marker in _ALONE:
            at += 2
        elif marker in (0xD9, 0xDA):
            return
        else:
            yield marker, at
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    raise _no_header()


def jpeg2000_header(data: bytes) -> FrameHeader:
    """SIZ segment of a JPEG 2000 codestream (ITU-T T.800 A.5.1).

    A codestream inside a JP2 box structure is found as well.

    Raises
    ------
    ImageReadError
        When there is no codestream start followed by SIZ.
    """
    start = data[: 2**16].find(b"\xff\x4f\xff\x51")
    if start < 0 or start + 43 > len(data):
        raise _no_header()
    x_end, y_end, x_start, y_start = (
        int.from_bytes(data[start + k : start + k + 4], "big") for k in (8, 12, 16, 20)
    )
    return FrameHeader(
        rows=y_end - y_start,
        columns=x_end - x_start,
        bits=(data[start + 42] & 0x7F) + 1,
        components=int.from_bytes(data[start + 40 : start + 42], "big"),
    )


def rle_size(frame: bytes) -> int:
    """Bytes that a frame of RLE unpacks to (PS3.5 G.3.1), without unpacking it.

    Counting ends beyond `MAX_UNPACKED_BYTES`; where even the best packing stays within it, that
    bound is returned.
    """
    # Two bytes stand for 128 at most.
    bound = 64 * len(frame)
    if bound <= MAX_UNPACKED_BYTES:
        return bound
    size, at = 0, _RLE_HEADER_BYTES
    while at < len(frame) and size <= MAX_UNPACKED_BYTES:
        code = frame[at]
        size += code + 1 if code < 128 else 257 - code if code > 128 else 0
        at += code + 2 if code < 128 else 2 if code > 128 else 1
    return size
