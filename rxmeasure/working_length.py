"""Working length from a film: ratio, scale, correction, and what distorts them.

Lengths are millimetres; every result carries its standard uncertainty and the
source of its scale. A gap is positive when the tip is short of the radiographic
apex, negative when it is beyond.

References
----------
Ratio, trial length and subtraction table: teaching texts (Grossman, Ingle,
Weine) as quoted in teaching decks; Kuttler's distances: Kuttler 1955, read in
summary. Projection formulas: elementary geometry of a point source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from rxmeasure.fit.inputs import checked
from rxmeasure.values import Warned

#: A larger gap is not simply added (ESE and handbook habit, from memory; other books say 1 mm).
LARGEST_GAP_TO_ADD_MM = 3.0

#: Locator and film farther apart than this are looked at again (common practice, from memory).
LOCATOR_DISAGREES_MM = 1.0

#: Usual clinical tolerance of an electronic reading (roots 1/2010, p. 42).
LOCATOR_TOLERANCE_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmLength:
    """A length in millimetres reckoned from a film.

    Attributes
    ----------
    value_mm, u_mm : float
        Length and standard uncertainty.
    scale_source : str
        Where the millimetres come from.
    warnings : tuple of Warned
    """

    value_mm: float
    u_mm: float
    scale_source: str
    warnings: tuple[Warned, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmScale:
    """Millimetres per pixel from one object of known length, and its relative uncertainty."""

    mm_per_px: float
    u_rel: float
    source: str


def film_scale(
    *,
    file_length_mm: float,
    file_image_px: float,
    click_sd_px: float = 0.0,
    u_file_length_mm: float = 0.0,
    source: str = "file of known length",
) -> FilmScale:
    """Scale from a file: real length over length on the image.

    Parameters
    ----------
    file_length_mm, u_file_length_mm : float
        Stop to tip, and its standard uncertainty (the setting of the stop).
    file_image_px : float
        The same on the image.
    click_sd_px : float
        Error of each end along the length, one standard deviation.
    source : str
        Kept with every length.

    Raises
    ------
    MarksError
        A length is zero, negative or not finite.
    """
    real = checked(file_length_mm, name="length of the file", unit="mm", above=0.0)
    image = checked(file_image_px, name="length of the file on the image", unit="px", above=0.0)
    click = checked(click_sd_px, name="error of a click", unit="px", at_least=0.0)
    u_real = checked(u_file_length_mm, name="uncertainty of the file", unit="mm", at_least=0.0)
    return FilmScale(
        mm_per_px=real / image,
        u_rel=math.hypot(math.sqrt(2.0) * click / image, u_real / real),
        source=source,
    )


def scaled_length(*, length_px: float, scale: FilmScale, click_sd_px: float = 0.0) -> FilmLength:
    """A length or a gap on the image in millimetres; may be negative (beyond the apex).

    Raises
    ------
    MarksError
        A number is not finite.
    """
    length = checked(length_px, name="length on the image", unit="px")
    click = checked(click_sd_px, name="error of a click", unit="px", at_least=0.0)
    return FilmLength(
        value_mm=length * scale.mm_per_px,
        u_mm=scale.mm_per_px * math.hypot(math.sqrt(2.0) * click, length * scale.u_rel),
        scale_source=scale.source,
    )


def tooth_length_by_ratio(
    *,
    file_length_mm: float,
    file_image_px: float,
    tooth_image_px: float,
    click_sd_px: float = 0.0,
    u_file_length_mm: float = 0.0,
    source: str = "file of known length",
) -> FilmLength:
    """Tooth length = file's real length * tooth on the image / file on the image.

    The four ends are taken as independent. Both image lengths may be in any
    one unit. Click error is small; a tooth that stands slanted to the receptor
    costs more and is not in the uncertainty.

    Parameters
    ----------
    file_length_mm, u_file_length_mm : float
        Real length of the file, stop to tip, and its standard uncertainty.
    file_image_px, tooth_image_px : float
        Both on the image.
    click_sd_px : float
        Error of each end along the length, one standard deviation.
    source : str
        Kept with the result.

    Raises
    ------
    MarksError
        A length is zero, negative or not finite.

    References
    ----------
    The ratio: Grossman, as quoted in teaching decks.
    """
    tooth = checked(tooth_image_px, name="length of the tooth on the image", unit="px", above=0.0)
    scale = film_scale(
        file_length_mm=file_length_mm,
        file_image_px=file_image_px,
        click_sd_px=click_sd_px,
        u_file_length_mm=u_file_length_mm,
        source=source,
    )
    return scaled_length(length_px=tooth, scale=scale, click_sd_px=click_sd_px)


def apparent_magnification(
    *, file_image_px: float, pixel_pitch_mm: float, file_length_mm: float
) -> float:
    """Length on the receptor over real length.

    Raises
    ------
    MarksError
        A number is zero, negative or not finite.
    """
    image = checked(file_image_px, name="length of the file on the image", unit="px", above=0.0)
    pitch = checked(pixel_pitch_mm, name="pixel pitch", unit="mm", above=0.0)
    real = checked(file_length_mm, name="length of the file", unit="mm", above=0.0)
    return image * pitch / real


class ApicalBone(StrEnum):
    """What the film shows at the apex; sets how much is subtracted."""

    NO_RESORPTION = "no resorption"
    BONE = "bone resorption"
    BONE_AND_ROOT = "bone and root resorption"


_WEINE_MM = {
    ApicalBone.NO_RESORPTION: 1.0,
    ApicalBone.BONE: 1.5,
    ApicalBone.BONE_AND_ROOT: 2.0,
}


def weine_subtraction_mm(apical_bone: ApicalBone) -> float:
    """Distance taken off the radiographic length: 1.0, 1.5 or 2.0 mm (Weine, teaching decks)."""
    return _WEINE_MM[ApicalBone(apical_bone)]


def kuttler_subtraction_mm(*, older: bool) -> float:
    """Distance from the major to the minor diameter: 0.5 mm young, 0.6 mm older.

    For a file that stands at the major diameter (Kuttler 1955, teaching decks).
    """
    return 0.6 if older else 0.5


def trial_working_length(tooth_length: FilmLength, *, safety_mm: float = 1.0) -> FilmLength:
    """Radiographic tooth length less a safety distance (1.0 mm, teaching decks).

    Raises
    ------
    MarksError
        The safety distance is negative or leaves nothing.
    """
    safety = checked(
        safety_mm,
        name="safety distance",
        unit="mm",
        at_least=0.0,
        below=max(tooth_length.value_mm, 1e-9),
    )
    return FilmLength(
        value_mm=tooth_length.value_mm - safety,
        u_mm=tooth_length.u_mm,
        scale_source=tooth_length.scale_source,
        warnings=tooth_length.warnings,
    )


def corrected_working_length(
    *,
    file_length_mm: float,
    gap: FilmLength,
    safety_mm: float = 1.0,
    u_file_length_mm: float = 0.0,
) -> FilmLength:
    """New working length: file's length plus the gap on the film less the safety distance.

    Parameters
    ----------
    file_length_mm, u_file_length_mm : float
        Real length, stop to tip, and its standard uncertainty.
    gap : FilmLength
        Tip to radiographic apex; positive short, negative beyond. In real
        millimetres: a gap in pixels goes through :func:`scaled_length` first.
    safety_mm : float
        Taken off the end (:func:`weine_subtraction_mm`).

    Returns
    -------
    FilmLength
        With a warning ``gap-too-large`` when the gap is over 3 mm either way.

    Raises
    ------
    MarksError
        A number is not finite or out of range, or nothing is left.

    References
    ----------
    Ingle, as quoted in teaching decks; the 3 mm are handbook habit (from memory).
    """
    file_length = checked(file_length_mm, name="length of the file", unit="mm", above=0.0)
    u_file = checked(u_file_length_mm, name="uncertainty of the file", unit="mm", at_least=0.0)
    gap_mm = checked(gap.value_mm, name="gap", unit="mm")
    safety = checked(safety_mm, name="safety distance", unit="mm", at_least=0.0)
    value = checked(
        file_length + gap_mm - safety, name="corrected working length", unit="mm", above=0.0
    )
    warnings = gap.warnings
    if abs(gap_mm) > LARGEST_GAP_TO_ADD_MM:
        where = "short of" if gap_mm > 0.0 else "beyond"
        warnings += (
            Warned(
                code="gap-too-large",
                text=f"The tip is {abs(gap_mm):.1f} mm {where} the radiographic apex, more than "
                f"{LARGEST_GAP_TO_ADD_MM:g} mm. Adjust the file and take another film; "
                "do not just add the gap.",
            ),
        )
    return FilmLength(
        value_mm=value,
        u_mm=math.hypot(gap.u_mm, u_file),
        scale_source=gap.scale_source,
        warnings=warnings,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LocatorComparison:
    """Electronic reading beside the film length; never averaged.

    ``difference_mm`` is reading less film length. ``u_mm`` holds the film's
    uncertainty and the reading's tolerance (0.5 mm, taken as a rectangle).
    """

    difference_mm: float
    u_mm: float
    warnings: tuple[Warned, ...]


def compare_with_locator(*, film: FilmLength, locator_mm: float) -> LocatorComparison:
    """Compare an apex locator's reading with the film length.

    Returns
    -------
    LocatorComparison
        With a warning ``locator-and-film-disagree`` when they lie more than 1 mm apart.

    Raises
    ------
    MarksError
        The reading is zero, negative or not finite.
    """
    reading = checked(locator_mm, name="locator reading", unit="mm", above=0.0)
    difference = reading - film.value_mm
    warnings: tuple[Warned, ...] = ()
    if abs(difference) > LOCATOR_DISAGREES_MM:
        warnings = (
            Warned(
                code="locator-and-film-disagree",
                text=f"Locator and film differ by {abs(difference):.1f} mm, more than "
                f"{LOCATOR_DISAGREES_MM:g} mm. Do not average: check the reading again, add a "
                "film shifted 10 to 30 degrees horizontally, then decide.",
            ),
        )
    return LocatorComparison(
        difference_mm=difference,
        u_mm=math.hypot(film.u_mm, LOCATOR_TOLERANCE_MM / math.sqrt(3.0)),
        warnings=warnings,
    )


def magnification(*, source_receptor_mm: float, object_receptor_mm: float) -> float:
    """Magnification of a plane parallel to the receptor: ``SID / (SID - OID)``.

    Raises
    ------
    MarksError
        A distance is not finite, or the object is not between source and receptor.
    """
    sid = checked(source_receptor_mm, name="source to receptor", unit="mm", above=0.0)
    oid = checked(object_receptor_mm, name="object to receptor", unit="mm", at_least=0.0, below=sid)
    return sid / (sid - oid)


def unsharpness_mm(
    *, focal_spot_mm: float, source_receptor_mm: float, object_receptor_mm: float
) -> float:
    """Geometric unsharpness ``f * OID / SOD`` at the receptor, mm.

    Raises
    ------
    MarksError
        A distance is not finite, or the object is not between source and receptor.
    """
    focal = checked(focal_spot_mm, name="focal spot", unit="mm", at_least=0.0)
    sid = checked(source_receptor_mm, name="source to receptor", unit="mm", above=0.0)
    oid = checked(object_receptor_mm, name="object to receptor", unit="mm", at_least=0.0, below=sid)
    return focal * oid / (sid - oid)


def foreshortened_mm(length_mm: float, *, tilt_deg: float) -> float:
    """Image length of a tooth tilted from the receptor plane, beam square to it: ``L cos t``.

    Parallel-beam model. A file in the canal shrinks with the tooth, a scale
    from the detector does not.

    Raises
    ------
    MarksError
        A number is not finite, or the tilt is not below 90 degrees.
    """
    length = checked(length_mm, name="length", unit="mm", at_least=0.0)
    tilt = checked(tilt_deg, name="tilt", unit="degrees", above=-90.0, below=90.0)
    return length * math.cos(math.radians(tilt))


def bisecting_angle_ratio(*, half_angle_deg: float, beam_error_deg: float) -> float:
    """Image length over true length in the bisecting-angle technique.

    ``cos(b - e) / cos(b + e)``: ``b`` is half the angle between tooth and
    receptor, ``e`` how far the beam is off, positive towards square to the
    tooth (the image grows). Parallel-beam model; own derivation.

    Raises
    ------
    MarksError
        A number is not finite, or the beam runs along the receptor.
    """
    b = checked(half_angle_deg, name="half angle", unit="degrees", at_least=0.0, below=90.0)
    e = checked(
        beam_error_deg, name="error of the beam", unit="degrees", above=b - 90.0, below=90.0 - b
    )
    return math.cos(math.radians(b - e)) / math.cos(math.radians(b + e))
