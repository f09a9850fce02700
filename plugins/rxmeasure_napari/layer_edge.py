"""Between core objects and napari's layers: tuples are built and read back here only. No Qt.

Layers of ours are known by `KEY` in their metadata, never by their name.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rxmeasure.calibration.scale import Calibration
from rxmeasure.radiograph import Radiograph
from rxmeasure.report.picture import eye_window

#: Key of what we keep in a layer's metadata.
KEY = "rxmeasure"
#: Free space between films that lie side by side, as a share of the film's width.
FILM_GAP = 0.05

#: Data, options, type of a layer, as napari's readers give them.
LayerData = tuple[Any, dict[str, Any], str]


def radiograph_layer(
    radiograph: Radiograph,
    path: str | Path,
    *,
    inverted: bool,
    film_id: str = "",
    calibration: Calibration | None = None,
    translate: tuple[float, float] = (0.0, 0.0),
    review: str | Path | None = None,
) -> LayerData:
    """Layer of a radiograph, radiopaque bright.

    Parameters
    ----------
    radiograph : Radiograph
    path : path
        Its image file.
    inverted : bool
        The user's switch with which the file was read.
    film_id : str
        `OpenFilm.id`; empty for a film that no review has taken up.
    calibration : Calibration, optional
        Scale of the film; else the file's own spacing, else pixels.
    translate : tuple of float
        (row, col) offset in the layer's unit.
    review : path, optional
        The review file through which the film was opened.

    Returns
    -------
    LayerData
        Shape (rows, cols); uint8 or uint16 when that holds every value exactly,
        else float32.
    """
    scale, unit = pitch_of(radiograph, calibration)
    facts: dict[str, Any] = {
        "role": "radiograph",
        "path": str(path),
        "inverted": inverted,
        "film": film_id,
        "range": (radiograph.value_min, radiograph.value_max),
    }
    if review is not None:
        facts["review"] = str(review)
    options = {
        "name": Path(path).name,
        "scale": scale,
        "units": (unit, unit),
        "translate": translate,
        "contrast_limits": eye_window(radiograph),
        "colormap": "gray",
        "interpolation2d": "linear",
        "rgb": False,
        "metadata": {KEY: facts},
    }
    return _exact(radiograph), options, "image"


def pitch_of(
    radiograph: Radiograph, calibration: Calibration | None = None
) -> tuple[tuple[float, float], str]:
    """Row and column pitch and their unit, ``"mm"`` or ``"pixel"`` (column pitches)."""
    known = calibration or radiograph.spacing
    if known is None:
        return (radiograph.pixel_aspect, 1.0), "pixel"
    return (known.row_mm, known.col_mm), "mm"


def film_of_layer(layer: Any) -> dict[str, Any] | None:
    """What `radiograph_layer` and the drawing layers noted about a layer; None if not ours.

    ``"role"`` is ``"radiograph"``, ``"lines"`` or ``"points"``; ``"film"`` names the film.
    """
    return facts_in(layer.metadata)


def facts_in(metadata: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Like `film_of_layer`, from the metadata of a layer or of a layer tuple."""
    facts = (metadata or {}).get(KEY)
    return facts if isinstance(facts, dict) and "role" in facts else None


def offer_whole_range(layer: Any) -> None:
    """Let the contrast slider of a radiograph's layer run over all grey levels it could have.

    napari takes the first contrast limits for the range, and a layer tuple has no
    place for another.
    """
    facts = film_of_layer(layer) or {}
    if "range" in facts:
        low, high = layer.contrast_limits
        least, most = facts["range"]
        layer.contrast_limits_range = (min(low, least), max(high, most))


def _exact(radiograph: Radiograph) -> NDArray[Any]:
    """The pixels in the unsigned type of the stored bits if that changes none of them."""
    pixels = radiograph.pixels
    bits = 8 if radiograph.source.bits <= 8 else 16
    if pixels.min() >= 0 and pixels.max() < 2**bits:
        whole = pixels.astype(f"uint{bits}")
        if np.array_equal(whole, pixels):
            return whole
    return pixels
