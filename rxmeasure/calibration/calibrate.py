"""The scale of a film from whatever the person and the file give."""

from __future__ import annotations

from dataclasses import replace

from rxmeasure.calibration.detector_spacing import calibration_from_spacing
from rxmeasure.calibration.known_length import calibrate_known_lengths
from rxmeasure.calibration.scale import Calibration
from rxmeasure.marks import ReviewMarks
from rxmeasure.radiograph import Radiograph
from rxmeasure.values import Warned

#: Detector spacing and file scale further apart than this are reported (relative).
SPACING_DISAGREES = 0.05


def calibrate(radiograph: Radiograph, marks: ReviewMarks) -> Calibration | None:
    """Scale of the film, or None when nothing gives one.

    References of known length come first; the file's own spacing is used without
    them, and is compared with them when both are there.
    """
    spacing = calibration_from_spacing(radiograph, marks.settings)
    if not marks.references:
        return spacing if marks.use_detector_spacing else None
    known = calibrate_known_lengths(radiograph, marks.references, marks.settings)
    if spacing is None:
        return known
    ratio = spacing.col_mm / known.col_mm
    if abs(ratio - 1.0) <= SPACING_DISAGREES:
        return known
    warning = Warned(
        code="detector-and-file-disagree",
        text=f"The picture's own spacing is {100 * (ratio - 1.0):+.1f} % off the scale of the "
        "known length. Magnification explains +3 to +8 %; more speaks for a wrong length, a "
        "resized picture or a tilted object.",
    )
    return replace(known, warnings=(*known.warnings, warning))
