"""PNG, JPEG and TIFF to radiograph. Print resolutions are no scale and are not used."""

from __future__ import annotations

import logging
import struct
from io import BytesIO
from itertools import islice
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rxmeasure.errors import ImageReadError
from rxmeasure.radiograph import ImageSource, Radiograph
from rxmeasure.reading.codestream import jpeg_header
from rxmeasure.reading.damage import DAMAGE_ERRORS, collected_warnings
from rxmeasure.reading.limits import check_size, check_unpacked
from rxmeasure.reading.polarity import raster_polarity
from rxmeasure.reading.sniff import FileKind
from rxmeasure.values import Warned

if TYPE_CHECKING:
    from PIL.Image import Image

# tifffile logs what it finds damaged; without a handler that would land on the terminal.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

#: How far red, green and blue of one pixel may lie apart for the picture to count as
#: grey, as a share of the full range (choice: 8 of 255, the rounding of JPEG colour).
GREY_TOLERANCE = 8 / 255

#: Resolutions along rows and columns closer than this are equal (choice).
_SAME_RESOLUTION = 0.01

#: Orientation tag, the same in EXIF and TIFF.
_EXIF_ORIENTATION = 274

#: TIFF PhotometricInterpretation (TIFF 6.0, section 8): tag and values.
_PHOTOMETRIC = 262
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE, _YCBCR = 0, 1, 2, 3, 6

#: TIFF compressions that lose detail: JPEG (6, 7), JPEG 2000, WebP, JPEG XL.
_LOSSY_TIFF = (6, 7, 33003, 33004, 33005, 34712, 50001, 50002)

#: A picture and its reduced copies; more pages than this are refused (choice).
_MAX_TIFF_PAGES = 8


#: Channels by PNG colour type (ISO/IEC 15948, table 11.1); a palette becomes red, green,
#: blue and alpha.
_PNG_CHANNELS = {0: 1, 2: 3, 3: 4, 4: 2, 6: 4}

#: Most parts of a PNG file (choice: 128 MB in the usual parts of 8 kB are 16,000).
_MAX_PNG_CHUNKS = 100_000


class StoredPicture(NamedTuple):
    """Channels as stored: shape (rows, cols) or (rows, cols, channels)."""

    channels: NDArray[Any]
    bits: int
    full: float
    lossy: bool
    white_is_zero: bool
    orientation: int
    warnings: tuple[Warned, ...]


def read_raster(
    data: bytes, *, kind: FileKind, file_name: str, sha256: str, invert: bool
) -> Radiograph:
    """Read one radiograph from the bytes of a PNG, JPEG or TIFF file.

    A picture file has no scale: print resolutions (PNG pHYs, JFIF density, TIFF
    resolution) describe paper, and pixels count as square. The EXIF or TIFF
    orientation is carried out.

    Parameters
    ----------
    data : bytes
        The whole file.
    kind : FileKind
        PNG, JPEG or TIFF.
    file_name, sha256 : str
        Kept in the source.
    invert : bool
        The user's switch.

    Raises
    ------
    ImageReadError
        When the file is damaged, holds several pictures or a colour picture, or has
        fewer than 8 bits.
    """
    decoded = stored_picture(data, kind)
    grey, colour_warnings = _grey(decoded.channels, decoded.full)
    polarity = raster_polarity(white_is_zero=decoded.white_is_zero, invert=invert)
    pixels = grey.astype(np.float32)
    if polarity.turned:
        pixels = np.float32(decoded.full) - pixels
    pixels = np.ascontiguousarray(oriented(pixels, decoded.orientation))
    pixels.flags.writeable = False
    warnings = decoded.warnings + colour_warnings
    if decoded.lossy:
        warnings += (
            Warned(
                code="lossy",
                text="The picture went through lossy compression: density is only relative.",
            ),
        )
    return Radiograph(
        pixels=pixels,
        value_min=0.0,
        value_max=decoded.full,
        source=ImageSource(
            file_name=file_name,
            format=kind.value,
            sha256=sha256,
            rows=int(pixels.shape[0]),
            columns=int(pixels.shape[1]),
            bits=decoded.bits,
            lossy=decoded.lossy,
        ),
        polarity=polarity,
        warnings=warnings,
    )


def stored_picture(data: bytes, kind: FileKind) -> StoredPicture:
    """Decode a PNG, JPEG or TIFF file, before colours become grey and anything is turned.

    Raises
    ------
    ImageReadError
        As of `read_raster`, except for colours.
    """
    reader = {FileKind.PNG: _png, FileKind.JPEG: _jpeg, FileKind.TIFF: _tiff}[kind]
    with collected_warnings():
        return reader(data)


def oriented(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Turn stored rows and columns upright.

    Parameters
    ----------
    pixels : ndarray, shape (rows, cols)
    orientation : int
        EXIF / TIFF Orientation (tag 274), 1 to 8; anything else changes nothing.

    Returns
    -------
    ndarray
        A view. 5 to 8 swap rows and columns.

    Source: TIFF 6.0, section 8 (Orientation): which edge the first stored row and
    column are.
    """
    if orientation in (5, 6, 7, 8):
        pixels = pixels.T
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    return pixels


def _refused(found: str, needed: str, cause: BaseException | None = None) -> ImageReadError:
    error = ImageReadError(
        found=found,
        needed=needed,
        next_step="Export the radiograph again, as one grey picture of 8 or 16 bits.",
    )
    error.__cause__ = cause
    return error


def _damaged(kind: str, cause: BaseException) -> ImageReadError:
    return _refused(f"a {kind} picture that is damaged or cut short.", "a whole picture.", cause)


def _png(data: bytes) -> StoredPicture:
    if len(data) < 26 or data[12:16] != b"IHDR":
        raise _refused("a PNG picture without its header.", "a whole picture.")
    _check_png_chunks(data)
    columns, rows, depth, colour = struct.unpack(">IIBB", data[16:26])
    if depth not in (8, 16):
        raise _refused(f"a PNG picture of {depth} bits.", "8 or 16 bits.")
    check_unpacked(rows, columns, channels=_PNG_CHANNELS.get(colour, 4), bits=depth)
    image = _opened(data, "PNG")
    warnings: tuple[Warned, ...] = ()
    bits = depth
    try:
        if depth == 16 and colour == 4:
            # Pillow keeps 8 of 16 bits here; read as four 8-bit channels nothing is lost.
            parts = _raw_channels(image, "RGBA").astype(np.uint16)
            channels = parts[..., 0::2] << 8 | parts[..., 1::2]
        elif depth == 16 and colour in (2, 6):
            # The same, by decoding the high and the low bytes one after the other.
            mode = "RGB" if colour == 2 else "RGBA"
            high = _raw_channels(image, f"{mode};16B").astype(np.uint16)
            low = _raw_channels(_opened(data, "PNG"), f"{mode};16L")
            channels = high << 8 | low
        elif colour == 3:
            channels = np.asarray(image.convert("RGBA"))
        else:
            channels = np.asarray(image)
        orientation = _exif_orientation(image)
    except DAMAGE_ERRORS as error:
        raise _damaged("PNG", error) from error
    warnings += _unequal_resolution(image.info.get("dpi") or image.info.get("aspect"))
    return StoredPicture(channels, bits, 2.0**bits - 1.0, False, False, orientation, warnings)


def _check_png_chunks(data: bytes) -> None:
    """Refuse a second header, which a decoder would believe, and chunks without number."""
    at = 8
    for count in range(_MAX_PNG_CHUNKS):
        kind = data[at + 4 : at + 8]
        if not kind or kind == b"IEND":
            return
        if count and kind == b"IHDR":
            raise _refused("a PNG picture with two headers.", "one header.")
        at += 12 + int.from_bytes(data[at : at + 4], "big")
    raise _refused(f"a PNG picture of more than {_MAX_PNG_CHUNKS} parts.", "a common picture.")


def _raw_channels(image: Image, raw_mode: str) -> NDArray[np.uint8]:
    tiles = image.tile  # type: ignore[attr-defined]
    image.tile = [(*tile[:3], raw_mode) for tile in tiles]  # type: ignore[attr-defined]
    return np.asarray(image)


def _jpeg(data: bytes) -> StoredPicture:
    header = jpeg_header(data)
    check_unpacked(header.rows, header.columns, channels=header.components, bits=8)
    image = _opened(data, "JPEG")
    if image.mode not in ("L", "RGB"):
        raise _refused(f"a JPEG picture in {image.mode}.", "grey, or grey stored as RGB.")
    try:
        channels = np.asarray(image)
        orientation = _exif_orientation(image)
    except DAMAGE_ERRORS as error:
        raise _damaged("JPEG", error) from error
    warnings = _unequal_resolution(image.info.get("jfif_density"))
    return StoredPicture(channels, 8, 255.0, True, False, orientation, warnings)


def _opened(data: bytes, kind: str) -> Image:
    """Pillow image, header read only; one picture of the kind."""
    from PIL import Image

    try:
        image = Image.open(BytesIO(data), formats=(kind,))
        frames = int(getattr(image, "n_frames", 1))
    except DAMAGE_ERRORS as error:
        raise _damaged(kind, error) from error
    if frames != 1 or getattr(image, "is_animated", False):
        raise _refused(f"a {kind} file with {frames} pictures.", "one single picture.")
    return image


def _exif_orientation(image: Image) -> int:
    return _orientation_value(image.getexif().get(_EXIF_ORIENTATION))


def _orientation_value(value: object) -> int:
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _unequal_resolution(resolution: object) -> tuple[Warned, ...]:
    try:
        x, y = (float(v) for v in resolution)  # type: ignore[attr-defined]
    except (TypeError, ValueError, ArithmeticError):
        return ()
    if x > 0 and y > 0 and abs(x / y - 1.0) > _SAME_RESOLUTION:
        return (
            Warned(
                code="print-resolution-unequal",
                text="The file's print resolution differs along rows and columns. It is not "
                "used: pixels count as square. Check that the picture is not stretched.",
            ),
        )
    return ()


def _grey(channels: NDArray[Any], full: float) -> tuple[NDArray[Any], tuple[Warned, ...]]:
    """Grey from 1 (grey), 2 (grey, alpha), 3 (RGB) or 4 (RGB, alpha) channels."""
    if channels.ndim == 2:
        return channels, ()
    warnings: tuple[Warned, ...] = ()
    count = channels.shape[2]
    if count in (2, 4):
        if (channels[..., -1] < full).any():
            warnings = (
                Warned(
                    code="transparency-ignored",
                    text="Parts of the picture are transparent; their grey levels were taken "
                    "as stored.",
                ),
            )
        channels = channels[..., :-1]
    if channels.shape[2] == 1:
        return channels[..., 0], warnings
    if channels.shape[2] != 3:
        raise _refused(f"a picture of {count} channels.", "grey, or grey stored as RGB.")
    red, green, blue = (channels[..., k] for k in range(3))
    highest = np.maximum(np.maximum(red, green), blue)
    spread = highest - np.minimum(np.minimum(red, green), blue)
    if float(spread.max()) == 0.0:
        return red, warnings
    share = float((spread > GREY_TOLERANCE * full).mean())
    if share > 0.0:
        raise _refused(
            f"a colour picture: red, green and blue differ in {100 * share:.2g} % of the pixels.",
            "a grey picture without coloured marks.",
        )
    return channels.mean(axis=2, dtype=np.float64), warnings


def _tiff(data: bytes) -> StoredPicture:
    import tifffile

    try:
        with tifffile.TiffFile(BytesIO(data)) as tiff:
            pages = list(islice(tiff.pages, _MAX_TIFF_PAGES))
            full_pages = [page for page in pages if not page.is_reduced]
            if len(full_pages) != 1 or len(pages) == _MAX_TIFF_PAGES or _is_stack(tiff):
                raise _refused("a TIFF file with several pages.", "one single picture.")
            page = full_pages[0]
            _check_tiff_page(page)
            if page.compression == 1:
                _check_tiff_length(page, len(data))
                channels = page.asarray()
                orientation = _orientation_value(page.tags.valueof(_EXIF_ORIENTATION))
            else:
                channels, orientation = _unpacked_tiff(data, page)
            bits, photometric = int(page.bitspersample), int(page.photometric)
            if photometric == _PALETTE and channels.ndim == 2:
                # Colour maps have 16 bits per entry, of which 8 count.
                channels = np.moveaxis(np.asarray(page.colormap)[:, channels] >> 8, 0, -1)
            elif int(page.planarconfig) == 2 and channels.ndim == 3:
                channels = np.moveaxis(channels, 0, -1)
            resolution = page.get_resolution()
            lossy = int(page.compression) in _LOSSY_TIFF
    except DAMAGE_ERRORS as error:
        raise _damaged("TIFF", error) from error
    full = 2.0**bits - 1.0
    if channels.dtype.kind == "f":
        full = 1.0
        if not (np.isfinite(channels).all() and channels.min() >= 0 and channels.max() <= 1):
            raise _refused("a TIFF picture of decimal numbers outside 0 to 1.", "whole numbers.")
    return StoredPicture(
        channels,
        bits,
        full,
        lossy,
        photometric == _WHITE_IS_ZERO,
        orientation,
        _unequal_resolution(resolution),
    )


def _is_stack(tiff: Any) -> bool:
    """Some programs keep a stack of pictures behind one page."""
    return bool(tiff.is_imagej) and int((tiff.imagej_metadata or {}).get("images", 1)) > 1


def _check_tiff_page(page: Any) -> None:
    check_size(int(page.imagelength), int(page.imagewidth))
    if page.is_tiled:
        check_size(int(page.tilelength), int(page.tilewidth))
    kind, bits = int(page.sampleformat), int(page.bitspersample)
    if (kind, bits) not in ((1, 8), (1, 16), (3, 32), (3, 64)):
        sort = {1: "whole", 2: "signed", 3: "decimal"}.get(kind, "other")
        raise _refused(
            f"a TIFF picture of {sort} numbers with {bits} bits.", "8 or 16 bits without sign."
        )
    photometric = int(page.photometric)
    if _PHOTOMETRIC not in page.tags:
        raise _refused(
            "a TIFF picture that does not say whether 0 is black or white.",
            "the tag PhotometricInterpretation (262).",
        )
    known = (_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _PALETTE)
    if photometric not in known and not (photometric == _YCBCR and int(page.compression) != 1):
        raise _refused(
            f"a TIFF picture with colours of kind {photometric}.", "grey, or grey stored as RGB."
        )


def _check_tiff_length(page: Any, file_size: int) -> None:
    """Refuse when strips or tiles lie outside the file or are too short for the picture."""
    segments = list(zip(page.dataoffsets, page.databytecounts, strict=False))
    needed = (
        int(page.imagelength)
        * int(page.imagewidth)
        * int(page.samplesperpixel)
        * (int(page.bitspersample) // 8)
    )
    if any(o + n > file_size for o, n in segments) or sum(n for _, n in segments) < needed:
        raise _refused("a TIFF picture whose pixel data are cut short.", "a whole picture.")


def _unpacked_tiff(data: bytes, page: Any) -> tuple[NDArray[Any], int]:
    """Compressed TIFF through Pillow, whose buffers never outgrow the picture."""
    from PIL import Image

    bits, samples = int(page.bitspersample), int(page.samplesperpixel)
    check_unpacked(int(page.imagelength), int(page.imagewidth), channels=samples, bits=bits)
    if page.index != 0 or (bits > 8 and samples > 1) or bits == 64:
        raise _packed_tiff()
    try:
        image = Image.open(BytesIO(data), formats=("TIFF",))
        if image.size not in (
            (int(page.imagewidth), int(page.imagelength)),
            (int(page.imagelength), int(page.imagewidth)),
        ):
            raise _packed_tiff()
        image.load()
        channels = np.asarray(image)
    except DAMAGE_ERRORS as error:
        raise _packed_tiff(error) from error
    if image.mode == "L" and int(page.photometric) == _WHITE_IS_ZERO:
        channels = 255 - channels  # Pillow has turned it already: back to what is stored
    # Pillow has carried out the orientation and dropped the tag.
    return channels, _orientation_value(image.tag_v2.get(_EXIF_ORIENTATION))  # type: ignore[attr-defined]


def _packed_tiff(cause: BaseException | None = None) -> ImageReadError:
    return _refused(
        "a compressed TIFF picture that is damaged or packed in a rare way.",
        "a picture without compression, or with LZW or deflate in grey.",
        cause,
    )
