"""Pixel pitch from DICOM attributes, by a written order of what is believed."""

from __future__ import annotations

import math
from collections.abc import Mapping

from rxmeasure.radiograph import PixelSpacing
from rxmeasure.values import Warned

PIXEL_SPACING = "Pixel Spacing (0028,0030)"
IMAGER_SPACING = "Imager Pixel Spacing (0018,1164)"
SCANNED_SPACING = "Nominal Scanned Pixel Spacing (0018,2010)"
ASPECT_RATIO = "Pixel Aspect Ratio (0028,0034)"
MAGNIFICATION = "Estimated Radiographic Magnification Factor (0018,1114)"

PATIENT = "patient"
DETECTOR = "detector"
PATIENT_ESTIMATED = "patient (estimated magnification)"
UNKNOWN = "unknown"

#: Believed pitch in mm (choice): film scanners end at about 0.005 mm (4800 per inch),
#: and at 1 mm a whole tooth has some 20 pixels; 1 is also what is written when
#: nothing is known, so it does not count.
MIN_PITCH_MM = 0.005
MAX_PITCH_MM = 1.0

#: Believed ratio of row to column pitch and its inverse (choice).
MAX_ASPECT = 4.0

#: Largest believed magnification (choice: a source 200 mm away and the tooth half way).
MAX_MAGNIFICATION = 2.0

#: Pitches closer than this are the same number written twice (choice: well under the
#: 2.6 % that the smallest usual magnification makes).
SAME_REL = 0.001


def _pair(value: object, largest: float, smallest: float) -> tuple[float, float] | None:
    """Two numbers in range with a believable ratio, or None."""
    if isinstance(value, (str, bytes)):
        return None
    try:
        numbers = [float(v) for v in value]  # type: ignore[attr-defined]
    except (TypeError, ValueError, OverflowError):
        return None
    if len(numbers) != 2 or not all(smallest <= v < largest for v in numbers):
        return None
    if not 1.0 / MAX_ASPECT <= numbers[0] / numbers[1] <= MAX_ASPECT:
        return None
    return numbers[0], numbers[1]


def _shown(value: object) -> str:
    if isinstance(value, (str, bytes)):
        return str(value)[:40]
    try:
        return "\\".join(str(v) for v in value)[:40]  # type: ignore[attr-defined]
    except TypeError:
        return str(value)[:40]


def _same(a: tuple[float, float], b: tuple[float, float]) -> bool:
    return all(math.isclose(x, y, rel_tol=SAME_REL) for x, y in zip(a, b, strict=True))


def read_spacing(
    values: Mapping[str, object],
) -> tuple[PixelSpacing | None, float, tuple[Warned, ...]]:
    """Choose the pixel pitch.

    In this order (DICOM PS3.3 section 10.7.1.1 for the first three):

    1. Pixel Spacing that differs from Imager or Nominal Scanned Pixel Spacing was
       corrected: patient plane. So was Pixel Spacing alone with a Calibration Type.
    2. Pixel Spacing equal to one of them was not corrected: detector plane.
    3. Pixel Spacing alone, without a Calibration Type: it cannot be told.
    4. Imager Pixel Spacing alone: detector plane.
    5. Nominal Scanned Pixel Spacing alone: plane of the scanned film, a detector plane.

    A detector plane with an Estimated Radiographic Magnification Factor above 1 is
    divided by it.

    Parameters
    ----------
    values : mapping
        DICOM keyword to value; None or missing when the file has none. Pairs are
        row first, then column, in mm.

    Returns
    -------
    spacing : PixelSpacing or None
    pixel_aspect : float
        Row pitch over column pitch; from Pixel Aspect Ratio when there is no spacing.
    warnings : tuple of Warned
        Codes ``spacing-ignored``, ``magnification-ignored``, ``aspect-ignored``,
        ``spacing-contradicts-type``.
    """
    warnings: list[Warned] = []

    def believed(keyword: str, label: str) -> tuple[float, float] | None:
        value = values.get(keyword)
        if value is None:
            return None
        pair = _pair(value, MAX_PITCH_MM, MIN_PITCH_MM)
        if pair is None:
            warnings.append(
                Warned(
                    code="spacing-ignored",
                    text=f"{label} is '{_shown(value)}' and was not used: two numbers from "
                    f"{MIN_PITCH_MM} mm to below {MAX_PITCH_MM} mm are believed.",
                )
            )
        return pair

    pixel = believed("PixelSpacing", PIXEL_SPACING)
    imager = believed("ImagerPixelSpacing", IMAGER_SPACING)
    scanned = believed("NominalScannedPixelSpacing", SCANNED_SPACING)
    kind = _text(values.get("PixelSpacingCalibrationType"), upper=True)
    description = _text(values.get("PixelSpacingCalibrationDescription"))
    detector = imager or scanned

    factor = None
    detector_label = IMAGER_SPACING if imager else SCANNED_SPACING
    if pixel is None:
        if detector is None:
            return None, _aspect(values.get("PixelAspectRatio"), warnings), tuple(warnings)
        chosen, plane, attribute = detector, DETECTOR, detector_label
    elif detector is not None and _same(pixel, detector):
        chosen, plane = pixel, DETECTOR
        attribute = f"{PIXEL_SPACING}, equal to {detector_label}"
        if kind is not None:
            warnings.append(
                Warned(
                    code="spacing-contradicts-type",
                    text=f"The file says calibrated ({kind}), but its {attribute}: "
                    "it was taken as not calibrated.",
                )
            )
    else:
        chosen, attribute = pixel, PIXEL_SPACING
        plane = UNKNOWN if detector is None and kind is None else PATIENT
    if plane == DETECTOR:
        factor = _magnification(values.get("EstimatedRadiographicMagnificationFactor"), warnings)
        if factor is not None:
            chosen = (chosen[0] / factor, chosen[1] / factor)
            plane = PATIENT_ESTIMATED
            attribute = f"{attribute}, divided by {MAGNIFICATION}"
    spacing = PixelSpacing(
        row_mm=chosen[0],
        col_mm=chosen[1],
        attribute=attribute,
        plane=plane,
        calibration_type=kind,
        calibration_description=description,
        magnification_factor=factor,
    )
    return spacing, chosen[0] / chosen[1], tuple(warnings)


def _text(value: object, *, upper: bool = False) -> str | None:
    text = "" if value is None else str(value).strip()[:64]
    return (text.upper() if upper else text) or None


def _magnification(value: object, warnings: list[Warned]) -> float | None:
    """Factor above 1, or None. Exactly 1 corrects nothing and is passed over in silence."""
    if value is None:
        return None
    try:
        factor = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        factor = math.nan
    if factor == 1.0:
        return None
    if not 1.0 < factor <= MAX_MAGNIFICATION:
        warnings.append(
            Warned(
                code="magnification-ignored",
                text=f"{MAGNIFICATION} is '{_shown(value)}' and was not used: "
                f"a number above 1 and up to {MAX_MAGNIFICATION} is believed.",
            )
        )
        return None
    return factor


def _aspect(value: object, warnings: list[Warned]) -> float:
    """Vertical over horizontal pixel size (PS3.3 C.7.6.3.1.7); 1 when not given."""
    if value is None:
        return 1.0
    pair = _pair(value, math.inf, 1e-6)
    if pair is None:
        warnings.append(
            Warned(
                code="aspect-ignored",
                text=f"{ASPECT_RATIO} is '{_shown(value)}' and was not used.",
            )
        )
        return 1.0
    return pair[0] / pair[1]
