"""The radiograph as the program measures it: read once, never altered."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rxmeasure.geometry import PixelScale
from rxmeasure.values import Warned


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelSpacing:
    """Pixel pitch that came with the image.

    Attributes
    ----------
    row_mm, col_mm : float
        Distance between rows, between columns (DICOM order).
    attribute : str
        The attribute it was taken from, with its tag, as shown to the reader.
    plane : str
        ``"patient"``: corrected to the patient's plane. ``"detector"``: at the
        detector's face, so a tooth shows larger than it is.
        ``"patient (estimated magnification)"``: detector pitch divided by the
        estimated magnification factor. ``"unknown"``: the file does not tell.
    calibration_type, calibration_description : str or None
        Pixel Spacing Calibration Type (0028,0A02) and Description (0028,0A04).
    magnification_factor : float or None
        Estimated Radiographic Magnification Factor (0018,1114).
    """

    row_mm: float
    col_mm: float
    attribute: str
    plane: str
    calibration_type: str | None = None
    calibration_description: str | None = None
    magnification_factor: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageSource:
    """Where the pixels came from."""

    file_name: str
    format: str
    sha256: str
    rows: int
    columns: int
    bits: int
    lossy: bool
    modality: str | None = None
    transfer_syntax: str | None = None
    sop_instance_uid: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Polarity:
    """How the grey levels were turned so that radiopaque is bright.

    ``turned`` is True when stored values were mirrored; ``reason`` names the
    attribute or the user's switch that asked for it.
    """

    turned: bool
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Radiograph:
    """One radiograph, radiopaque bright.

    Attributes
    ----------
    pixels : ndarray of float32, shape (rows, cols), read-only
        Modality values, radiopaque bright. Never the screen's window.
    value_min, value_max : float
        Ends of the possible range of ``pixels`` (not of this picture).
    source : ImageSource
    polarity : Polarity
    spacing : PixelSpacing or None
        None when the file gives none that can be believed.
    pixel_aspect : float
        Row pitch over column pitch; 1 unless the file says otherwise.
    intensity : str
        ``"linear"`` or ``"log"`` (Pixel Intensity Relationship) for data that
        were declared for processing, else ``"unknown"``: grey levels may have
        been changed by filters, so density is relative.
    window : tuple of float or None
        (low, high) grey levels the file proposes for the screen, in ``pixels`` values.
    taken : str
        Day of the exposure as YYYY-MM-DD; empty where the file does not tell.
    patient_sha256 : str
        Hash of the Patient ID in the file, to tell patients apart while films are open; empty
        where the file has none. Kept nowhere: a short identifier can be found from it.
    warnings : tuple of Warned
    """

    pixels: NDArray[np.float32]
    value_min: float
    value_max: float
    source: ImageSource
    polarity: Polarity
    spacing: PixelSpacing | None = None
    pixel_aspect: float = 1.0
    intensity: str = "unknown"
    window: tuple[float, float] | None = None
    taken: str = ""
    patient_sha256: str = ""
    warnings: tuple[Warned, ...] = field(default=())

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return (int(self.pixels.shape[0]), int(self.pixels.shape[1]))

    @property
    def px_scale(self) -> PixelScale:
        """Scale of the uncalibrated image: column pitches."""
        return PixelScale(row=self.pixel_aspect, col=1.0, unit="px")
