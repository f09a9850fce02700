"""The napari layers of two visits laid over each other: the later film, and the difference. No Qt.

Both lie on the grid of the earlier film and are drawn, never read back.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from napari.layers import Image
from napari.utils.colormaps import Colormap

from rxmeasure.recall.pairs import Registered
from rxmeasure_napari.film_layers import FilmLayers, FilmPlace
from rxmeasure_napari.layer_edge import KEY
from rxmeasure_napari.series_state import SeriesFront, View

#: Less dense later, no difference, denser later: vermilion and sky blue of Okabe and Ito's
#: palette on a dark ground, for a dim room.
LESS_DENSE, SAME, DENSER = "#ff8f5a", "#30343c", "#56b4e9"


class PairLayers:
    """Layers of a pair in one viewer."""

    def __init__(self, viewer: Any) -> None:
        self._viewer = viewer
        self.moved: Image | None = None
        self.difference: Image | None = None
        self._shown: Registered | None = None
        self._first_col = -1

    def owns(self, layer: object) -> bool:
        """Whether a layer is one of these."""
        return layer is not None and layer in (self.moved, self.difference)

    def show(self, seen: Registered, earlier: FilmLayers, front: SeriesFront) -> None:
        """Show the pair as the reader wishes; layers the user took away are made again."""
        if seen is not self._shown or not self._both_there():
            self._make(seen, earlier)
        assert self.moved is not None
        assert self.difference is not None
        self._uncover(seen, earlier, front)
        self.moved.contrast_limits = earlier.image.contrast_limits
        self.moved.visible = front.view is View.SWIPE or (
            front.view is View.BLINK and front.later_up
        )
        self.difference.visible = front.view is View.SUBTRACTION
        earlier.image.visible = front.view is not View.SUBTRACTION

    def blink(self, later_up: bool) -> None:
        """Show the later film, or the earlier one beneath it."""
        if self.moved is not None:
            self.moved.visible = later_up

    def remove(self) -> None:
        """Take the layers out of the viewer."""
        own = (self.moved, self.difference)
        self.moved = self.difference = self._shown = None
        for layer in own:
            if layer is not None and layer in self._viewer.layers:
                self._viewer.layers.remove(layer)

    def _both_there(self) -> bool:
        there = self._viewer.layers
        return self.moved in there and self.difference in there

    def _make(self, seen: Registered, earlier: FilmLayers) -> None:
        self.remove()
        low = float(earlier.image.contrast_limits[0])
        self.moved = Image(
            np.nan_to_num(seen.moved, nan=low),
            name="later visit on the earlier one",
            colormap="gray",
            contrast_limits=earlier.image.contrast_limits,
            **_fields(earlier, "later"),
        )
        self.difference = Image(
            seen.difference,
            name="later less earlier visit",
            colormap=Colormap([LESS_DENSE, SAME, DENSER], name="rx_difference"),
            contrast_limits=(-seen.end, seen.end),
            **_fields(earlier, "difference"),
        )
        self._shown, self._first_col = seen, 0
        active = self._viewer.layers.selection.active
        above = self._viewer.layers.index(earlier.image) + 1
        for layer in (self.moved, self.difference):
            layer.editable = False
            self._viewer.layers.insert(above, layer)
        self._viewer.layers.selection.active = active if active in self._viewer.layers else None

    def _uncover(self, seen: Registered, earlier: FilmLayers, front: SeriesFront) -> None:
        """Leave the earlier film free on the left of the divider."""
        assert self.moved is not None
        cols = seen.moved.shape[1]
        first = round(front.divider * cols) if front.view is View.SWIPE else 0
        first = min(max(first, 0), cols - 1)
        place = earlier.place
        if first != self._first_col:
            low = float(earlier.image.contrast_limits[0])
            self.moved.data = np.nan_to_num(seen.moved[:, first:], nan=low)
            self._first_col = first
        self.moved.translate = (place.offset[0], place.offset[1] + first * place.scale[1])


def _fields(earlier: FilmLayers, role: str) -> dict[str, Any]:
    place: FilmPlace = earlier.place
    return {
        "scale": place.scale,
        "units": (place.unit, place.unit),
        "translate": place.offset,
        "interpolation2d": "linear",
        "rgb": False,
        "visible": False,
        "metadata": {KEY: {"role": role, "film": earlier.film.id}},
    }
