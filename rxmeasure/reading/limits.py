"""Sizes that are checked on the header, before any memory is taken for pixels."""

from __future__ import annotations

from rxmeasure.errors import ImageReadError

#: Largest file that is read (choice: above the largest raw picture allowed below,
#: 64 million pixels of 3 x 16 bit).
MAX_FILE_BYTES = 512 * 2**20

#: Longest side (choice: the 76 mm of film size 4 - ISO 3665, value from memory -
#: scanned at 0.005 mm need 15 200).
MAX_SIDE_PX = 16_384

#: Most pixels (choice: film size 4, 57 mm x 76 mm, scanned at 0.010 mm has 43 million).
MAX_PIXELS = 64_000_000

#: Most bytes that a compressed picture may unpack to (choice: the pixels above in grey of
#: 16 bits); half a megabyte of PNG can hold 64 million pixels of 4 x 16 bits.
MAX_UNPACKED_BYTES = 2 * MAX_PIXELS

#: Shortest side (choice: below the 22 mm of film size 0 - ISO 3665, value from
#: memory - at 1 mm per pixel, the coarsest pitch that is believed).
MIN_SIDE_PX = 16


def check_size(rows: int, columns: int) -> None:
    """Refuse a picture that is too large or too small to be a radiograph.

    Raises
    ------
    ImageReadError
        When a side or the number of pixels lies outside the limits.
    """
    found = f"a picture of {rows} x {columns} pixels (rows x columns)."
    if rows < MIN_SIDE_PX or columns < MIN_SIDE_PX:
        raise ImageReadError(
            found=found,
            needed=f"at least {MIN_SIDE_PX} pixels on each side.",
            next_step="Choose the radiograph itself, not a thumbnail or an empty export.",
        )
    if rows > MAX_SIDE_PX or columns > MAX_SIDE_PX or rows * columns > MAX_PIXELS:
        raise ImageReadError(
            found=found,
            needed=f"at most {MAX_SIDE_PX} pixels on a side and {MAX_PIXELS:,} in all.",
            next_step="Check the file, or cut out the single radiograph and save that.",
        )


def check_unpacked(rows: int, columns: int, *, channels: int, bits: int) -> None:
    """Refuse a compressed picture that is too large, or unpacks to too many bytes.

    Raises
    ------
    ImageReadError
        When a side, the pixels, or the bytes of all channels lie outside the limits.
    """
    check_size(rows, columns)
    unpacked = rows * columns * channels * -(-bits // 8)
    if unpacked > MAX_UNPACKED_BYTES:
        raise ImageReadError(
            found=f"a picture of {channels} channels that unpacks to {unpacked:,} bytes.",
            needed=f"at most {MAX_UNPACKED_BYTES:,} bytes.",
            next_step="Export the radiograph again, as one grey picture of 8 or 16 bits.",
        )
