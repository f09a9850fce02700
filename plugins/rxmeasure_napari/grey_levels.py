"""Windows of the grey levels for the eye, by what one wants to see. No Qt, no napari.

They change what the screen shows and nothing that is measured.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from rxmeasure.radiograph import Radiograph

#: More pixels than this are thinned out: a window for the eye needs no more.
_SAMPLE = 400_000


class GreyPreset(StrEnum):
    """What one wants to see."""

    WHOLE = "whole range"
    TEETH = "teeth and bone"
    FILL = "inside the fill"


#: Low and high percentile of the film (choice, for the eye only). Metal and fill are the
#: brightest few percent of a film; teeth and bone lie below, the bare film lowest.
_PERCENTILES: dict[GreyPreset, tuple[float, float]] = {
    GreyPreset.WHOLE: (0.0, 100.0),
    GreyPreset.TEETH: (2.0, 97.0),
    GreyPreset.FILL: (80.0, 99.8),
}


def window_for(radiograph: Radiograph, preset: GreyPreset | str) -> tuple[float, float]:
    """Lowest and highest grey level to show.

    Parameters
    ----------
    radiograph : Radiograph
    preset : GreyPreset or str

    Returns
    -------
    tuple of float
        (low, high) in values of ``radiograph.pixels``, low below high. A film
        without any contrast gets its whole possible range.

    Raises
    ------
    ValueError
        There is no such preset.
    """
    chosen = GreyPreset(preset)
    pixels = radiograph.pixels
    if chosen is not GreyPreset.WHOLE:
        step = max(1, int(np.sqrt(pixels.size / _SAMPLE)))
        pixels = pixels[::step, ::step]
    low, high = (float(v) for v in np.percentile(pixels, _PERCENTILES[chosen]))
    if not high > low:
        low, high = float(radiograph.pixels.min()), float(radiograph.pixels.max())
    if not high > low:
        low, high = radiograph.value_min, radiograph.value_max
    return low, high
