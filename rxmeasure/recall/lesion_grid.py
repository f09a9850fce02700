"""The grid of the lesion networks, shared with their training."""

from __future__ import annotations

#: Points on a side and their distance in mm.
GRID, STEP_MM = 128, 0.15
#: Bone within this of the middle says what grey level is usual (mm).
NEAR_MM = 7.0
#: Grey levels count in spreads of the bone up to here, beyond it by their logarithm: the excess
#: ``e`` as ``LOG_UNIT * log(1 + e / LOG_UNIT)``.
LINEAR_TO, LOG_UNIT = 6.0, 2.0
#: Distances from what is left out round canals beyond this do not matter (mm).
FARTHEST_MM = 3.0
