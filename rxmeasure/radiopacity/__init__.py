"""Radiopacity in millimetres of aluminium, from a step wedge on the same film."""

from rxmeasure.radiopacity.curve import AluminiumCurve, Equivalent, calibrate_wedge
from rxmeasure.radiopacity.fill import FillRadiopacity, measure_fill
from rxmeasure.radiopacity.regions import Circle, RegionReading, read_circle
from rxmeasure.radiopacity.specimens import (
    STANDARD_LIMITS,
    Comparison,
    Specimen,
    SpecimenRadiopacity,
    StandardLimit,
    measure_specimen,
)
from rxmeasure.radiopacity.wedge import StepReading, WedgeMarks, WedgeReading, read_wedge

__all__ = [
    "STANDARD_LIMITS",
    "AluminiumCurve",
    "Circle",
    "Comparison",
    "Equivalent",
    "FillRadiopacity",
    "RegionReading",
    "Specimen",
    "SpecimenRadiopacity",
    "StandardLimit",
    "StepReading",
    "WedgeMarks",
    "WedgeReading",
    "calibrate_wedge",
    "measure_fill",
    "measure_specimen",
    "read_circle",
    "read_wedge",
]
