"""Which way the grey levels run: inside the program radiopaque is always bright."""

from __future__ import annotations

from rxmeasure.radiograph import Polarity
from rxmeasure.values import Warned

_SWITCHED = "the user's switch to invert, against: "


def dicom_polarity(
    *,
    photometric: str,
    lut_shape: str | None,
    intensity_sign: int | None,
    for_processing: bool,
    modality_rises: bool,
    invert: bool,
) -> tuple[Polarity, tuple[Warned, ...]]:
    """Decide whether modality values must be mirrored so that radiopaque is bright.

    For a picture meant to be shown, Photometric Interpretation and Presentation LUT
    Shape say how it is shown, and a radiograph is shown with radiopaque bright.
    For a picture meant for processing, Pixel Intensity Relationship Sign says
    which way the beam intensity runs, and that decides. Where the two disagree,
    a warning is kept.

    Parameters
    ----------
    photometric : str
        ``"MONOCHROME1"`` or ``"MONOCHROME2"`` (0028,0004).
    lut_shape : str or None
        ``"IDENTITY"`` or ``"INVERSE"`` (2050,0020).
    intensity_sign : int or None
        +1: lower stored values mean less beam; -1: higher stored values do (0028,1041).
    for_processing : bool
        Presentation Intent Type (0008,0068) is FOR PROCESSING.
    modality_rises : bool
        Modality values rise with stored values (False: negative slope).
    invert : bool
        The user's switch: the opposite of what the file says.

    Source: DICOM PS3.3 C.7.6.3.1.2, C.8.11.3 and C.11.6.
    """
    warnings = []
    inverse = lut_shape == "INVERSE"
    shown_turned = photometric == "MONOCHROME1" or inverse
    if photometric == "MONOCHROME1":
        reason = "Photometric Interpretation (0028,0004) is MONOCHROME1"
    elif inverse:
        reason = "Presentation LUT Shape (2050,0020) is INVERSE"
    else:
        reason = "Photometric Interpretation (0028,0004) is MONOCHROME2"
    if lut_shape is not None and inverse != (photometric == "MONOCHROME1"):
        warnings.append(
            Warned(
                code="polarity-unsure",
                text=f"The file says {photometric} and Presentation LUT Shape {lut_shape}, which "
                "contradict each other. Check that metal is bright, else use the switch to invert.",
            )
        )
    turned = shown_turned
    if intensity_sign is not None:
        # The sign speaks of stored values, the mirroring of modality values.
        beam_turned = (intensity_sign > 0) == modality_rises
        other = f"Pixel Intensity Relationship Sign (0028,1041) is {intensity_sign:+d}"
        if for_processing:
            turned, reason, other = beam_turned, other, reason
        if beam_turned != shown_turned:
            warnings.append(
                Warned(
                    code="polarity-unsure",
                    text=f"{reason}, but {other}: they disagree on what is bright, and the first "
                    "was followed. Check that metal is bright, else use the switch to invert.",
                )
            )
    return _with_switch(turned, reason, invert), tuple(warnings)


def raster_polarity(*, white_is_zero: bool, invert: bool) -> Polarity:
    """Decide for a picture file: it is meant to be seen as saved.

    Parameters
    ----------
    white_is_zero : bool
        TIFF PhotometricInterpretation (tag 262) is 0 (TIFF 6.0, section 4).
    invert : bool
        The user's switch.
    """
    reason = (
        "TIFF PhotometricInterpretation (262) is WhiteIsZero"
        if white_is_zero
        else "the picture as saved, bright stays bright"
    )
    return _with_switch(white_is_zero, reason, invert)


def _with_switch(turned: bool, reason: str, invert: bool) -> Polarity:
    if invert:
        return Polarity(turned=not turned, reason=_SWITCHED + reason)
    return Polarity(turned=turned, reason=reason)


def inverted_by_user(reason: str) -> bool:
    """Tell from a `Polarity.reason` whether the user's switch to invert was on.

    A review file keeps the reason only; to open its image the same way it is
    read with the same switch.
    """
    return reason.startswith(_SWITCHED)
