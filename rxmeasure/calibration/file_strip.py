"""The picture along a file, straightened: what its two ends are looked for on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmeasure.geometry import FloatArray, normals
from rxmeasure.tracing.straighten import PictureCrop

#: Step along the file (mm).
STEP_MM = 0.03


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileStrip:
    """The picture along a file: rows every `STEP_MM` from beyond its coronal end to past its tip.

    ``s``: place of each row along the line; 0 at the line's coronal end.
    """

    crop: PictureCrop
    line: FloatArray
    s: FloatArray
    length: float

    def pixels(self, offsets: FloatArray, rows: NDArray[np.intp] | None = None) -> FloatArray:
        """Grey levels, shape (rows, offsets); ``offsets`` for all rows or for each."""
        chosen = slice(None) if rows is None else rows
        across = normals(self.line)[chosen, None, :]
        points = self.line[chosen, None, :] + np.atleast_2d(offsets)[..., None] * across
        return self.crop.sample(points, order=1)
