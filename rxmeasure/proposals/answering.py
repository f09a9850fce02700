"""From proposals to marks: fills that are marked already, free names, marks nobody confirmed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from rxmeasure.calibration.calibrate import calibrate
from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import MarksError
from rxmeasure.geometry import feet_on_polyline, resample
from rxmeasure.marks import MarksOrigin, PointPx, ReviewMarks
from rxmeasure.proposals.film_grid import film_scale
from rxmeasure.proposals.propose import propose
from rxmeasure.proposals.results import CanalProposal, to_marks
from rxmeasure.radiograph import Radiograph

#: A line through the same fill lies so near (mm; choice: half the width of a wide fill).
NEAR_MM = 0.5
#: A proposal is marked already when so much of its length lies near a line (choice: canals
#: that run into one another share less).
MARKED_SHARE = 0.8

_STEP_MM = 0.2


def lies_on(
    proposal: CanalProposal,
    line_px: Sequence[PointPx],
    radiograph: Radiograph,
    calibration: Calibration | None,
) -> bool:
    """Whether a line of (row, col) points runs through the fill of a proposal."""
    if len(line_px) < 2:
        return False
    scale = film_scale(radiograph, calibration)
    proposed = resample(scale.to_plane(np.asarray(proposal.clicks_px)), _STEP_MM)
    _, distance = feet_on_polyline(scale.to_plane(np.asarray(line_px)), proposed)
    return bool(np.mean(distance <= NEAR_MM) >= MARKED_SHARE)


def free_name(number: int, taken: Iterable[str]) -> str:
    """Name for the canal of a proposal: its number, or the next number that is free.

    Which canal of the tooth it is, only a person can tell.
    """
    names = set(taken)
    while str(number) in names:
        number += 1
    return str(number)


def with_unconfirmed(radiograph: Radiograph, marks: ReviewMarks) -> ReviewMarks:
    """Marks of a film without canals, with all that is proposed as canals nobody confirmed.

    Raises
    ------
    MarksError
        The canals on such a film are not filled, or none is found.
    CalibrationError
        A known length is wrong.
    """
    if not marks.film_kind.filled:
        raise MarksError(
            found=f"a {marks.film_kind} film without a marked canal.",
            needed="a post-operative or recall film, for only filled canals are proposed.",
            next_step="Click the canals, or correct the film kind.",
        )
    found = propose(radiograph, calibration=calibrate(radiograph, marks)).canals
    if not found:
        raise MarksError(
            found="no filled canal that can be proposed.",
            needed="clicks along at least one canal.",
            next_step="Click the canals; 'rxmeasure propose' says what was left out, and why.",
        )
    canals = tuple(
        to_marks(proposal, free_name(k, ()), origin=MarksOrigin.NOT_CONFIRMED)
        for k, proposal in enumerate(found, 1)
    )
    return replace(marks, canals=canals)
