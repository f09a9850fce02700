"""Radiopacity of flat specimens, held against the limits of the standards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from rxmeasure.criteria.results import Outcome
from rxmeasure.errors import MarksError
from rxmeasure.radiograph import Radiograph
from rxmeasure.radiopacity.curve import AluminiumCurve, Equivalent
from rxmeasure.radiopacity.regions import Circle, RegionReading, read_circle

#: Thickness of the standards' disc (Reszka et al.; 10.15386/cjmed-714: 10 mm x 1 mm).
DISC_MM = 1.0
#: How far a disc may be off that and still be compared (choice).
DISC_TOLERANCE_MM = 0.1
#: Standard uncertainties from the limit within which an outcome is borderline.
_BORDER_SD = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardLimit:
    """Least radiopacity that a standard asks of a 1 mm thick disc."""

    id: str
    standard: str
    material: str
    at_least_mm_al: float
    source: str
    source_status: str


STANDARD_LIMITS: tuple[StandardLimit, ...] = (
    StandardLimit(
        id="sealer",
        standard="ISO 6876:2012",
        material="root canal sealing materials",
        at_least_mm_al=3.0,
        source="ISO 6876:2012 as cited by doi:10.15386/cjmed-714",
        source_status="read",
    ),
    StandardLimit(
        id="point",
        standard="ISO 6877",
        material="obturating points",
        at_least_mm_al=6.0,
        source="ISO 6877",
        source_status="from memory",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """A flat disc on the film. ``thickness_mm`` is measured by the reader."""

    name: str
    circle: Circle
    thickness_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A specimen against one limit. ``why`` says why not, or what makes it borderline."""

    limit: StandardLimit
    outcome: Outcome
    probability_met: float | None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenRadiopacity:
    """Radiopacity of one specimen, of its own thickness."""

    specimen: Specimen
    region: RegionReading
    equivalent: Equivalent
    comparisons: tuple[Comparison, ...]


def measure_specimen(
    radiograph: Radiograph,
    curve: AluminiumCurve,
    specimen: Specimen,
    limits: tuple[StandardLimit, ...] = STANDARD_LIMITS,
) -> SpecimenRadiopacity:
    """Radiopacity of a disc in mm of aluminium, and whether it reaches the limits.

    Raises
    ------
    MarksError
        Circle or thickness is wrong.
    CalibrationError
        The disc is saturated or outside the wedge's steps.
    """
    if not (np.isfinite(specimen.thickness_mm) and specimen.thickness_mm > 0.0):
        raise MarksError(
            found=f"a specimen {specimen.thickness_mm:g} mm thick.",
            needed="a thickness above zero.",
            next_step="Measure the specimen and enter its thickness.",
        )
    region = read_circle(radiograph, specimen.circle)
    equivalent = curve.equivalent(region, f"the specimen '{specimen.name}'")
    return SpecimenRadiopacity(
        specimen=specimen,
        region=region,
        equivalent=equivalent,
        comparisons=tuple(_compare(equivalent, specimen.thickness_mm, limit) for limit in limits),
    )


def _compare(equivalent: Equivalent, thickness_mm: float, limit: StandardLimit) -> Comparison:
    if abs(thickness_mm - DISC_MM) > DISC_TOLERANCE_MM:
        return Comparison(
            limit=limit,
            outcome=Outcome.CANNOT_BE_JUDGED,
            probability_met=None,
            why=f"The limit is stated for a disc {DISC_MM:g} mm thick; this one is "
            f"{thickness_mm:g} mm, and mm of aluminium do not grow in proportion.",
        )
    away = (equivalent.value_mm_al - limit.at_least_mm_al) / equivalent.u_mm_al
    if abs(away) < _BORDER_SD:
        outcome, why = Outcome.BORDERLINE, "Nearer to the limit than the uncertainty tells."
    else:
        outcome, why = (Outcome.MET if away > 0.0 else Outcome.NOT_MET), ""
    return Comparison(limit=limit, outcome=outcome, probability_met=float(norm.cdf(away)), why=why)
