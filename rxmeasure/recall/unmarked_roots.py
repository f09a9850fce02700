"""Roots of a film: those of its marked canals, else of the fills that the program proposes."""

from __future__ import annotations

from collections.abc import Sequence

from rxmeasure.calibration.scale import Calibration
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.alignment import RootCourse


def roots_of(
    canals: Sequence[CanalMeasurement], film: Radiograph, calibration: Calibration | None
) -> tuple[RootCourse, ...]:
    """Roots of the marked canals; without any, those that the program proposes."""
    marked = tuple(
        RootCourse(name=canal.name, line_px=tuple(canal.centre_line.points_px)) for canal in canals
    )
    return marked or proposed_roots(film, calibration)


def proposed_roots(film: Radiograph, calibration: Calibration | None) -> tuple[RootCourse, ...]:
    """Roots with a filled canal and an apex that the program proposes, all of the film's teeth.

    Parameters
    ----------
    film : Radiograph
    calibration : Calibration or None
        Without one, usual film and pixel sizes are assumed.
    """
    from rxmeasure.proposals import propose  # loads a network, which few comparisons need

    canals = propose(film, calibration=calibration).canals
    return tuple(
        RootCourse(name=f"proposed {number}", line_px=canal.clicks_px, proposed=True)
        for number, canal in enumerate(canals, 1)
        if canal.apex_px is not None
    )
