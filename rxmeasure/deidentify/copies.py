"""One film in, a copy without identity out, as bytes; nothing is written here."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

import numpy as np

from rxmeasure.deidentify.gate import Gate
from rxmeasure.deidentify.key import Key
from rxmeasure.errors import DeidentificationError
from rxmeasure.radiograph import PixelSpacing, Radiograph
from rxmeasure.reading.radiograph_file import radiograph_of
from rxmeasure.reading.sniff import FileKind, sniff


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """A film without identity.

    Attributes
    ----------
    name : str
        File name, keyed by the content of the original.
    data : bytes
    gate : Gate
    kept : tuple of str
        Attributes that were kept; for pictures, what beside the pixels.
    patient : str
        The identity in the original, for the key; never written. Empty for pictures.
    notes : tuple of str
        What the person should know of this copy.
    """

    name: str
    data: bytes
    gate: Gate
    kept: tuple[str, ...]
    patient: str = ""
    notes: tuple[str, ...] = ()


def copy_of(data: bytes, key: Key) -> Copy:
    """De-identify a film.

    The copy is read again and shows the same picture, or it is refused.

    Parameters
    ----------
    data : bytes
        DICOM, PNG, JPEG or TIFF: whatever opens as a radiograph.
    key : Key

    Raises
    ------
    ImageReadError
        Not a radiograph that this program opens.
    DeidentificationError
        A kind of which it is not known what it may hold.
    """
    original = radiograph_of(data, file_name="")
    name = key.name("film", hashlib.sha256(data).hexdigest())
    if sniff(data) is FileKind.DICOM:
        from rxmeasure.deidentify.dicom_copy import dicom_copy

        copy = dicom_copy(data, key, name)
    else:
        from rxmeasure.deidentify.picture_copy import picture_copy

        copy = picture_copy(data, name)
    check_same_picture(original, radiograph_of(copy.data, file_name=""))
    return copy


def check_same_picture(original: Radiograph, copy: Radiograph) -> None:
    """Raise unless both have the same pixels, ends of the range, direction and spacing."""
    same = (
        np.array_equal(original.pixels, copy.pixels)
        and (original.value_min, original.value_max) == (copy.value_min, copy.value_max)
        and original.polarity == copy.polarity
        and _same_spacing(original.spacing, copy.spacing)
        and math.isclose(original.pixel_aspect, copy.pixel_aspect, rel_tol=1e-9)
        and original.source.lossy == copy.source.lossy
        and original.intensity == copy.intensity
    )
    if not same:
        raise DeidentificationError(
            found="a film whose picture or scale depends on something that is not known here.",
            needed="a film of which a copy without identity is the same picture.",
            next_step="Export the film again, best as uncompressed DICOM or PNG.",
        )


def _same_spacing(a: PixelSpacing | None, b: PixelSpacing | None) -> bool:
    if a is None or b is None:
        return a is b
    return (a.plane, a.attribute) == (b.plane, b.attribute) and all(
        math.isclose(x, y, rel_tol=1e-9) for x, y in ((a.row_mm, b.row_mm), (a.col_mm, b.col_mm))
    )
