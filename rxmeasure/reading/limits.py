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
