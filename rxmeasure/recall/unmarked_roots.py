"""Roots of a film on which no canal is marked: those of the fills that the program proposes."""

from __future__ import annotations

from rxmeasure.calibration.scale import Calibration
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.alignment import RootCourse


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
