"""Scale from the pixel pitch that came with the image."""

from __future__ import annotations

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import CalibrationError
from rxmeasure.marks import Settings
from rxmeasure.radiograph import Radiograph
from rxmeasure.values import Warned

#: Usual intra-oral geometry (source to detector, tooth to detector): 400 mm long cone,
#: tooth 10 to 30 mm before the detector (common practice, no source).
LONG_CONE_MM = 400.0
TOOTH_TO_DETECTOR_MM = (10.0, 30.0)

#: Relative standard uncertainty of a scale that someone else got from an object of
#: known size (choice: what two clicks on a file reach, 1.4 %).
FIDUCIAL_U_REL = 0.014


def magnification(*, source_detector_mm: float, object_detector_mm: float) -> float:
    """How much larger an object shows than it is: SID / (SID - OID).

    Parameters
    ----------
    source_detector_mm : float
        Source to detector (SID).
    object_detector_mm : float
        Object to detector (OID), smaller than SID.

    Raises
    ------
    CalibrationError
        When the object does not lie between source and detector.

    Source: similar triangles; the same ratio SID/SOD as DICOM (0018,1114), PS3.3 C.8.7.5.
    """
    if not 0.0 <= object_detector_mm < source_detector_mm:
        raise CalibrationError(
            found=f"an object {object_detector_mm} mm from the detector, "
            f"with the source at {source_detector_mm} mm.",
            needed="an object between detector and source.",
            next_step="Correct the distances.",
        )
    return source_detector_mm / (source_detector_mm - object_detector_mm)


def calibration_from_spacing(radiograph: Radiograph, settings: Settings) -> Calibration | None:
    """Turn the file's own pixel spacing into a scale.

    A patient-plane spacing is taken as it is. A detector-plane pitch is the scale too,
    but a tooth lies before the detector and shows larger than it is, so every length is
    read too long by the magnification; the warning says by how much that usually is.

    Parameters
    ----------
    radiograph : Radiograph
    settings : Settings
        ``magnification_u_rel`` is the relative standard uncertainty of every scale
        except one calibrated with an object of known size (FIDUCIAL).

    Returns
    -------
    Calibration or None
        None when the file gives no spacing. ``source`` names the attribute. Warning
        codes: ``detector-plane``, ``spacing-plane-unknown``, ``estimated-magnification``.

    Source: DICOM PS3.3 section 10.7.1 (what each spacing means).
    """
    spacing = radiograph.spacing
    if spacing is None:
        return None
    near, far = (
        magnification(source_detector_mm=LONG_CONE_MM, object_detector_mm=d)
        for d in TOOTH_TO_DETECTOR_MM
    )
    too_long = (
        f"a tooth {TOOTH_TO_DETECTOR_MM[0]:.0f} to {TOOTH_TO_DETECTOR_MM[1]:.0f} mm before the "
        f"detector shows {near:.3f} to {far:.3f} times its size (source at {LONG_CONE_MM:.0f} mm)"
    )
    u_rel = settings.magnification_u_rel
    source = f"{spacing.attribute}, {spacing.plane} plane"
    warnings: tuple[Warned, ...] = ()
    if spacing.plane == "detector":
        warnings = (
            Warned(
                code="detector-plane",
                text=f"The scale is the pitch at the detector: {too_long}, "
                "and lengths read too long by as much. A file of known length corrects this.",
            ),
        )
    elif spacing.plane == "unknown":
        warnings = (
            Warned(
                code="spacing-plane-unknown",
                text="The file does not tell whether its pixel spacing was corrected. If it is "
                f"the pitch at the detector, {too_long}, and lengths read too long by as much. "
                "A file of known length settles this.",
            ),
        )
    elif spacing.plane == "patient":
        kind = spacing.calibration_type or "no calibration type given"
        source = f"{source} ({kind})"
        if spacing.calibration_description:
            source += f": {spacing.calibration_description}"
        if spacing.calibration_type == "FIDUCIAL":
            u_rel = FIDUCIAL_U_REL
    else:
        source = f"{spacing.attribute} of {spacing.magnification_factor:g}"
        warnings = (
            Warned(
                code="estimated-magnification",
                text="The scale was corrected by a magnification that the device estimated, "
                "not measured on this film.",
            ),
        )
    return Calibration(
        row_mm=spacing.row_mm,
        col_mm=spacing.col_mm,
        u_rel=u_rel,
        source=source,
        warnings=warnings,
    )
