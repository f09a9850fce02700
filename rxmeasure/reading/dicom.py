"""DICOM file to radiograph."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from datetime import date
from hashlib import sha256 as sha256_of
from io import BytesIO
from typing import Any

import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom.encaps import get_frame
from pydicom.filereader import read_dataset
from pydicom.pixels import apply_modality_lut, get_decoder

from rxmeasure.errors import ImageReadError
from rxmeasure.geometry import FloatArray
from rxmeasure.radiograph import ImageSource, Radiograph
from rxmeasure.reading.codestream import jpeg2000_header, jpeg_header, rle_size
from rxmeasure.reading.damage import DAMAGE_ERRORS, collected_warnings
from rxmeasure.reading.isolated import decode_isolated
from rxmeasure.reading.limits import MAX_FILE_BYTES, MAX_UNPACKED_BYTES, check_size
from rxmeasure.reading.polarity import dicom_polarity
from rxmeasure.reading.spacing import read_spacing
from rxmeasure.values import Warned

#: Radiographs: intra-oral, digital, computed radiography, panoramic, conventional film
#: (PS3.3 C.7.3.1.1.1).
RADIOGRAPH_MODALITIES = ("IO", "DX", "CR", "PX", "RG")

#: Used only when Modality is empty (PS3.4 table B.5-1).
_MODALITY_OF_CLASS = {
    "1.2.840.10008.5.1.4.1.1.1": "CR",
    "1.2.840.10008.5.1.4.1.1.1.1": "DX",
    "1.2.840.10008.5.1.4.1.1.1.1.1": "DX",
    "1.2.840.10008.5.1.4.1.1.1.3": "IO",
    "1.2.840.10008.5.1.4.1.1.1.3.1": "IO",
}

#: Pixel layouts (PS3.6 table A-1): UID to (name, family, always lossy).
_SYNTAXES = {
    "1.2.840.10008.1.2": ("Implicit VR Little Endian", "raw", False),
    "1.2.840.10008.1.2.1": ("Explicit VR Little Endian", "raw", False),
    "1.2.840.10008.1.2.1.99": ("Deflated Explicit VR Little Endian", "raw", False),
    "1.2.840.10008.1.2.2": ("Explicit VR Big Endian", "raw", False),
    "1.2.840.10008.1.2.4.50": ("JPEG Baseline 8 bit", "jpeg", True),
    "1.2.840.10008.1.2.4.51": ("JPEG Extended 12 bit", "jpeg", True),
    "1.2.840.10008.1.2.4.57": ("JPEG Lossless", "jpeg-lossless", False),
    "1.2.840.10008.1.2.4.70": ("JPEG Lossless first-order", "jpeg-lossless", False),
    "1.2.840.10008.1.2.4.80": ("JPEG-LS Lossless", "jpeg-ls", False),
    "1.2.840.10008.1.2.4.81": ("JPEG-LS Near-lossless", "jpeg-ls", True),
    "1.2.840.10008.1.2.4.90": ("JPEG 2000 Lossless", "jpeg2000", False),
    "1.2.840.10008.1.2.4.91": ("JPEG 2000", "jpeg2000", False),
    "1.2.840.10008.1.2.4.201": ("High-throughput JPEG 2000 Lossless", "jpeg2000", False),
    "1.2.840.10008.1.2.4.202": ("High-throughput JPEG 2000 RPCL Lossless", "jpeg2000", False),
    "1.2.840.10008.1.2.4.203": ("High-throughput JPEG 2000", "jpeg2000", False),
    "1.2.840.10008.1.2.5": ("RLE Lossless", "rle", False),
}
#: Transfer syntaxes that can be read.
TRANSFER_SYNTAXES = tuple(_SYNTAXES)
_DEFLATED = "1.2.840.10008.1.2.1.99"
#: Lossy unless Lossy Image Compression (0028,2110) says 00.
_MAYBE_LOSSY = ("1.2.840.10008.1.2.4.91", "1.2.840.10008.1.2.4.203")

#: Decoders tried for each family, in this order; where a syntax is lossless they agree
#: bit by bit. Left out: the RLE plugin of pylibjpeg, which panics on damaged data, and gdcm
#: outside JPEG Lossless; gdcm can end the process and runs in one of its own.
_PLUGINS = {
    "jpeg": ("pillow", "pylibjpeg"),
    "jpeg-lossless": ("pylibjpeg", "gdcm"),
    "jpeg-ls": ("pyjpegls", "pylibjpeg"),
    "jpeg2000": ("pylibjpeg", "pillow"),
    "rle": ("pydicom",),
}

DICOM_DAMAGE = (
    *DAMAGE_ERRORS,
    pydicom.errors.InvalidDicomError,
    pydicom.errors.BytesLengthException,
)

_UNREADABLE = "not readable"


def read_dicom(data: bytes, *, file_name: str, sha256: str, invert: bool) -> Radiograph:
    """Read one radiograph from the bytes of a DICOM file.

    Grey levels are modality values (Modality LUT Sequence or Rescale Slope and
    Intercept applied, PS3.3 C.11.1); the window is only handed on for the screen.
    Turning uses the ends of the possible range, low + high - value, which is
    (2^BitsStored - 1) - value for unsigned data that are not rescaled: grey levels of
    two pictures of one device stay comparable.

    Parameters
    ----------
    data : bytes
        The whole file, beginning with the preamble.
    file_name, sha256 : str
        Kept in the source.
    invert : bool
        The user's switch.

    Raises
    ------
    ImageReadError
        When the file is damaged or is not a single-frame grey radiograph.
    """
    image = read_stored(data)
    dataset, layout, stored, lossy = image.dataset, image.layout, image.pixels, image.lossy
    notes = list(image.warnings)
    with collected_warnings():
        table, table_warnings = _modality_table(dataset, layout)
        notes += table_warnings
        polarity, polarity_warnings = dicom_polarity(
            photometric=layout.photometric,
            lut_shape=_text(dataset, "PresentationLUTShape"),
            intensity_sign=_sign(dataset),
            for_processing=_text(dataset, "PresentationIntentType") == "FOR PROCESSING",
            modality_rises=bool(table[-1] > table[0]),
            invert=invert,
        )
        notes += polarity_warnings
        window = _window(dataset)
        spacing, aspect, spacing_warnings = read_spacing(
            {
                keyword: value_of(dataset, keyword)
                for keyword in (
                    "PixelSpacing",
                    "ImagerPixelSpacing",
                    "NominalScannedPixelSpacing",
                    "PixelSpacingCalibrationType",
                    "PixelSpacingCalibrationDescription",
                    "EstimatedRadiographicMagnificationFactor",
                    "PixelAspectRatio",
                )
            }
        )
        notes += spacing_warnings
        intensity = _intensity(dataset)
        instance_uid = _text(dataset, "SOPInstanceUID")
        taken = _taken(dataset)
        patient = (_text(dataset, "PatientID") or "").strip()
    # Rounded to the pixels' own precision, so that no pixel lies beyond the ends.
    table = table.astype(np.float32).astype(np.float64)
    low, high = float(table.min()), float(table.max())
    if polarity.turned:
        table = low + high - table
        if window is not None:
            window = (low + high - window[1], low + high - window[0])
    pixels = table.astype(np.float32)[stored - layout.low]
    pixels.flags.writeable = False
    if lossy:
        notes.append(
            Warned(
                code="lossy",
                text="The picture went through lossy compression: density is only relative.",
            )
        )
    return Radiograph(
        pixels=pixels,
        value_min=low,
        value_max=high,
        source=ImageSource(
            file_name=file_name,
            format="DICOM",
            sha256=sha256,
            rows=layout.rows,
            columns=layout.columns,
            bits=layout.bits_stored,
            lossy=lossy,
            modality=image.modality,
            transfer_syntax=f"{_SYNTAXES[image.syntax][0]} ({image.syntax})",
            sop_instance_uid=instance_uid,
        ),
        polarity=polarity,
        spacing=spacing,
        pixel_aspect=aspect,
        intensity=intensity,
        window=window,
        taken=taken,
        patient_sha256=sha256_of(patient.encode("utf-8", "replace")).hexdigest() if patient else "",
        warnings=tuple(notes),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoredImage:
    """A DICOM radiograph as it is stored: header, and pixels before any grey scale.

    Attributes
    ----------
    dataset : pydicom.Dataset
    layout : Layout
    syntax : str
        Transfer syntax UID.
    modality : str
        One of `RADIOGRAPH_MODALITIES`.
    pixels : ndarray of int32, shape (rows, cols)
        Stored values, without the bits that mean nothing.
    lossy : bool
    warnings : tuple of Warned
    """

    dataset: Any
    layout: Layout
    syntax: str
    modality: str
    pixels: NDArray[np.int32]
    lossy: bool
    warnings: tuple[Warned, ...]


def read_stored(data: bytes) -> StoredImage:
    """Parse and decode the bytes of a DICOM file.

    Raises
    ------
    ImageReadError
        When the file is damaged or is not a single-frame grey radiograph.
    """
    with collected_warnings():
        syntax = _syntax(data)
        header = _parsed(data, header_only=True)
        modality = _modality(header)
        dataset = _parsed(data)
        # pydicom drops everything when compressed pixel data end too early.
        if len(dataset) < len(header):
            raise _damaged("a DICOM file that is cut short.")
        layout = Layout(dataset)
        _check_pixel_data(dataset, layout, syntax)
    with collected_warnings() as caught:
        stored, warnings = _decode(data, dataset, layout, syntax)
    oddities = [Warned(code="pixel-data-oddity", text=text) for text in caught]
    with collected_warnings():
        lossy = _lossy(dataset, syntax)
    return StoredImage(
        dataset=dataset,
        layout=layout,
        syntax=syntax,
        modality=modality,
        pixels=stored,
        lossy=lossy,
        warnings=(*oddities, *warnings),
    )


def _taken(dataset: Any) -> str:
    """Day of the exposure, else of the study, as YYYY-MM-DD; empty where none can be read."""
    for keyword in ("AcquisitionDate", "ContentDate", "StudyDate"):
        try:
            return date.fromisoformat(_text(dataset, keyword) or "").isoformat()
        except ValueError:
            continue
    return ""


def _damaged(found: str, cause: BaseException | None = None) -> ImageReadError:
    error = ImageReadError(
        found=found,
        needed="a whole, undamaged DICOM image.",
        next_step="Export the image again from the program that holds the original.",
    )
    error.__cause__ = cause
    return error


def check_growth(data: bytes) -> None:
    """Refuse a DICOM file whose deflated data would unpack to more than a file may hold.

    Raises
    ------
    ImageReadError
        They would, or the file's header is damaged.
    """
    syntax, start = _stated_syntax(data)
    if syntax == _DEFLATED:
        _check_inflated(data[start:])


def _stated_syntax(data: bytes) -> tuple[str, int]:
    """Transfer syntax UID, empty where there is none, and where the data begin."""
    stream = BytesIO(data)
    stream.seek(132)
    try:
        meta = read_dataset(
            stream,
            is_implicit_VR=False,
            is_little_endian=True,
            stop_when=lambda tag, vr, length: tag >> 16 != 2,
        )
        return str(meta.get("TransferSyntaxUID") or ""), stream.tell()
    except DICOM_DAMAGE as error:
        raise _damaged("a DICOM file header that cannot be read.", error) from error


def _syntax(data: bytes) -> str:
    """Transfer syntax UID, one of those known here."""
    syntax, start = _stated_syntax(data)
    if syntax not in _SYNTAXES:
        raise ImageReadError(
            found="a DICOM file that does not say how its data are written."
            if not syntax
            else f"DICOM data written in a way that is not known here ({syntax[:64]}).",
            needed="one of the transfer syntaxes for raw, JPEG, JPEG-LS, JPEG 2000 or RLE images.",
            next_step="Export the image again as uncompressed DICOM.",
        )
    if syntax == _DEFLATED:
        _check_inflated(data[start:])
    return syntax


def _parsed(data: bytes, *, header_only: bool = False) -> Any:
    try:
        return pydicom.dcmread(BytesIO(data), stop_before_pixels=header_only)
    except DICOM_DAMAGE as error:
        raise _damaged("DICOM data that cannot be read.", error) from error


def _check_inflated(packed: bytes) -> None:
    """Refuse deflated data that would grow beyond the limit for a file."""
    inflate = zlib.decompressobj(-zlib.MAX_WBITS)
    size = 0
    try:
        while packed and not inflate.eof:
            size += len(inflate.decompress(packed, 2**20))
            packed = inflate.unconsumed_tail
            if size > MAX_FILE_BYTES:
                raise _damaged(f"deflated DICOM data that unpack to more than {size:,} bytes.")
    except zlib.error as error:
        raise _damaged("deflated DICOM data that cannot be unpacked.", error) from error


def value_of(dataset: Any, keyword: str) -> Any:
    """Value of an element; None when absent or empty, a text when it cannot be read."""
    try:
        value = dataset.get(keyword)
        if isinstance(value, pydicom.multival.MultiValue):
            return list(value) or None
        return None if value == "" else value
    except DICOM_DAMAGE:
        return _UNREADABLE


def _text(dataset: Any, keyword: str) -> str | None:
    value = value_of(dataset, keyword)
    text = "" if value is None else str(value).strip().upper()
    return text[:64] or None


def _number(value: Any) -> float | None:
    """One number, the first of several, or None."""
    if isinstance(value, list):
        value = value[0]
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _modality(dataset: Any) -> str:
    modality = _text(dataset, "Modality")
    if modality is None:
        modality = _MODALITY_OF_CLASS.get(_text(dataset, "SOPClassUID") or "")
    if modality in RADIOGRAPH_MODALITIES:
        return modality
    raise ImageReadError(
        found="a DICOM file that does not name its modality."
        if modality is None
        else f"a DICOM file of modality {modality[:16]}.",
        needed=f"a radiograph: modality {', '.join(RADIOGRAPH_MODALITIES)} (IO is intra-oral).",
        next_step="Choose the radiograph. If it is one, export it again under its own modality.",
    )


class Layout:
    """How the pixels are laid out; refuses what is not one frame of grey."""

    def __init__(self, dataset: Any) -> None:
        if "PixelData" not in dataset:
            raise _damaged("a DICOM file without pixel data, or cut short before them.")
        frames = value_of(dataset, "NumberOfFrames")
        if frames is not None and _number(frames) != 1.0:
            raise ImageReadError(
                found=f"a DICOM file with {str(frames)[:16]} frames.",
                needed="one single frame.",
                next_step="Export the one radiograph as a file of its own.",
            )
        self.photometric = _text(dataset, "PhotometricInterpretation") or "none"
        samples = self._integer(dataset, "SamplesPerPixel", "Samples per Pixel (0028,0002)")
        if samples != 1 or self.photometric not in ("MONOCHROME1", "MONOCHROME2"):
            raise ImageReadError(
                found=f"a picture with {samples} samples per pixel, "
                f"Photometric Interpretation {self.photometric}.",
                needed="a grey picture: one sample, MONOCHROME1 or MONOCHROME2.",
                next_step="Export the radiograph as grey, without colour or overlays.",
            )
        self.rows = self._integer(dataset, "Rows", "Rows (0028,0010)")
        self.columns = self._integer(dataset, "Columns", "Columns (0028,0011)")
        check_size(self.rows, self.columns)
        self.bits_allocated = self._integer(dataset, "BitsAllocated", "Bits Allocated (0028,0100)")
        self.bits_stored = self._integer(dataset, "BitsStored", "Bits Stored (0028,0101)")
        high_bit = self._integer(dataset, "HighBit", "High Bit (0028,0102)", self.bits_stored - 1)
        signed = self._integer(dataset, "PixelRepresentation", "Pixel Representation (0028,0103)")
        # 6 to 16 bits stored: PS3.3 C.8.11.3.
        if (
            self.bits_allocated not in (8, 16)
            or not 6 <= self.bits_stored <= self.bits_allocated
            or high_bit != self.bits_stored - 1
            or signed not in (0, 1)
        ):
            raise ImageReadError(
                found=f"pixels of {self.bits_stored} bits stored in {self.bits_allocated}, "
                f"highest bit {high_bit}, representation {signed}.",
                needed="6 to 16 bits, stored from bit 0 up in 8 or 16 bits.",
                next_step="Export the radiograph again, with 8 to 16 bits.",
            )
        self.signed = signed == 1
        self.low = -(2 ** (self.bits_stored - 1)) if self.signed else 0
        self.high = self.low + 2**self.bits_stored - 1

    @staticmethod
    def _integer(dataset: Any, keyword: str, label: str, default: int | None = None) -> int:
        value = value_of(dataset, keyword)
        if value is None and default is not None:
            return default
        if isinstance(value, int):
            return value
        raise _damaged(f"a DICOM image whose {label} is missing or not one number.")

    @property
    def raw_bytes(self) -> int:
        """Bytes of the uncompressed picture."""
        return self.rows * self.columns * self.bits_allocated // 8


def _check_pixel_data(dataset: Any, layout: Layout, syntax: str) -> None:
    """Compare what the header promises with the data, before anything is decoded."""
    name, family, _ = _SYNTAXES[syntax]
    data = value_of(dataset, "PixelData")
    if not isinstance(data, bytes) or not data:
        raise _damaged("a DICOM file whose pixel data are empty.")
    if family == "raw":
        if len(data) < layout.raw_bytes:
            raise _damaged(
                f"{len(data):,} bytes of pixel data where {layout.rows} x {layout.columns} pixels "
                f"of {layout.bits_allocated} bits need {layout.raw_bytes:,}."
            )
        return
    # A compressed picture that is larger than the raw one is a trap or a mistake (choice:
    # twice the raw size, plus room for headers).
    if len(data) > 2 * layout.raw_bytes + 2**16:
        raise _damaged(f"{len(data):,} bytes of compressed pixel data, more than the picture has.")
    try:
        frame = get_frame(data, 0, number_of_frames=1)
    except DICOM_DAMAGE as error:
        raise _damaged(f"{name} pixel data that are cut short.", error) from error
    if family == "rle":
        if rle_size(frame) > MAX_UNPACKED_BYTES:
            raise _damaged("RLE pixel data that unpack to more than a picture may have.")
        return
    header = jpeg2000_header(frame) if family == "jpeg2000" else jpeg_header(frame)
    if header[:2] != (layout.rows, layout.columns):
        raise _damaged(
            f"compressed pixel data of {header.rows} x {header.columns} pixels where the "
            f"header says {layout.rows} x {layout.columns}."
        )
    if header.components != 1 or not 2 <= header.bits <= layout.bits_allocated:
        raise _damaged(
            f"compressed pixel data of {header.components} components and {header.bits} bits "
            f"where the header says 1 and {layout.bits_stored}."
        )


def _decode(
    data: bytes, dataset: Any, layout: Layout, syntax: str
) -> tuple[NDArray[np.int32], list[Warned]]:
    """Stored values, shape (rows, cols)."""
    name, family, _ = _SYNTAXES[syntax]
    try:
        decoder = get_decoder(syntax)
    except NotImplementedError as error:
        raise _no_decoder(name) from error
    plugins: list[str] = [""]
    if family != "raw":
        available = decoder.available_plugins if decoder.is_available else ()
        plugins = [p for p in _PLUGINS[family] if p in available]
        if not plugins:
            raise _no_decoder(name)
    failure: Exception | None = None
    for plugin in plugins:
        try:
            if plugin == "gdcm":
                array = decode_isolated(
                    data, plugin=plugin, rows=layout.rows, columns=layout.columns
                )
            else:
                array, _ = decoder.as_array(
                    dataset, raw=True, decoding_plugin=plugin, correct_unused_bits=False
                )
            break
        except DICOM_DAMAGE as error:
            failure = error
    else:
        raise ImageReadError(
            found=f"{name} pixel data that the installed decoders cannot open.",
            needed="undamaged pixel data of a kind that can be decoded.",
            next_step="Export the image again as uncompressed DICOM. If that is not possible, "
            "make sure that 'rxmeasure[dicom]' is installed.",
        ) from failure
    if array.shape != (layout.rows, layout.columns):
        raise _damaged(f"decoded pixels of shape {array.shape}.")
    stored = array.astype(np.int32)
    # Bits above Bits Stored mean nothing (PS3.5 section 8.1.1), but hint at a wrong header
    # unless they are zero or repeat the sign.
    kept = stored & (2**layout.bits_stored - 1)
    cleaned = kept
    if layout.signed:
        shift = 32 - layout.bits_stored
        cleaned = (kept << shift) >> shift
    if ((stored == cleaned) | (stored == kept)).all():
        return cleaned, []
    return cleaned, [
        Warned(
            code="unused-bits",
            text=f"Some pixels use more than the {layout.bits_stored} bits the file speaks of; "
            "the rest was cut off. Look at the picture before trusting its grey levels.",
        )
    ]


def _no_decoder(name: str) -> ImageReadError:
    return ImageReadError(
        found=f"pixel data compressed as {name}, and no decoder for it.",
        needed="a decoder for compressed DICOM.",
        next_step="Install 'rxmeasure[dicom]', or export the image again as uncompressed DICOM.",
    )


def _modality_table(dataset: Any, layout: Layout) -> tuple[FloatArray, list[Warned]]:
    """Modality value of every possible stored value, lowest first (PS3.3 C.11.1)."""
    stored = np.arange(layout.low, layout.high + 1, dtype=np.int32)
    plain = stored.astype(np.float64)
    if value_of(dataset, "ModalityLUTSequence"):
        name = "Modality LUT Sequence (0028,3000)"
        try:
            table = np.asarray(apply_modality_lut(stored, dataset), dtype=np.float64)
        except DICOM_DAMAGE:
            return plain, [_table_ignored(name)]
    else:
        slope, intercept = value_of(dataset, "RescaleSlope"), value_of(dataset, "RescaleIntercept")
        if slope is None and intercept is None:
            return plain, []
        name = "Rescale Slope and Intercept (0028,1053 and 0028,1052)"
        a, b = _number(slope), _number(intercept)
        if a is None or b is None:
            return plain, [_table_ignored(name)]
        table = plain * a + b
    with np.errstate(over="ignore"):
        narrow = table.astype(np.float32)
    if not np.isfinite(narrow).all() or narrow[0] == narrow[-1]:
        return plain, [_table_ignored(name)]
    return table, []


def _table_ignored(name: str) -> Warned:
    return Warned(
        code="modality-ignored",
        text=f"{name} cannot be used; stored values were taken as they are.",
    )


def _sign(dataset: Any) -> int | None:
    sign = value_of(dataset, "PixelIntensityRelationshipSign")
    return sign if isinstance(sign, int) and sign in (-1, 1) else None


def _intensity(dataset: Any) -> str:
    if _text(dataset, "PresentationIntentType") != "FOR PROCESSING":
        return "unknown"
    relation = _text(dataset, "PixelIntensityRelationship") or ""
    return {"LIN": "linear", "LOG": "log"}.get(relation, "unknown")


def _window(dataset: Any) -> tuple[float, float] | None:
    """Ends of the first window, or of the first VOI LUT, in modality values.

    PS3.3 C.11.2.1.2: LINEAR keeps half a grey level at either end, LINEAR_EXACT and
    SIGMOID do not.
    """
    centre = _number(value_of(dataset, "WindowCenter"))
    width = _number(value_of(dataset, "WindowWidth"))
    if centre is not None and width is not None:
        if (_text(dataset, "VOILUTFunction") or "LINEAR") == "LINEAR":
            centre, width = centre - 0.5, width - 1.0
        return (centre - width / 2, centre + width / 2) if width > 0.0 else None
    try:
        item = dataset.VOILUTSequence[0]
        count, first, _ = (int(v) for v in item.LUTDescriptor)
    except DICOM_DAMAGE:
        return None
    return float(first), float(first + (count or 2**16) - 1)


def _lossy(dataset: Any, syntax: str) -> bool:
    if _SYNTAXES[syntax][2]:
        return True
    said = _text(dataset, "LossyImageCompression")
    return said == "01" or (said != "00" and syntax in _MAYBE_LOSSY)
