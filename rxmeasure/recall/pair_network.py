"""How much the area of a lesion changed, as the trained network sees it on both films at once.

Two outlines, each found on its own film, err with the bone's texture there. One network is shown
the earlier film and the aligned later one together, each as the first in turn: it answers both
outlines and the logarithm of the ratio of areas with its standard deviation. The network of single
films is shown each on the same grid; the two err differently, so that their mean errs less. Both
were trained on phantoms alone by ``.tools/train_lesions``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from skimage.measure import points_in_poly

from rxmeasure.geometry import FloatArray, polygon_area
from rxmeasure.recall.change import Change
from rxmeasure.recall.film_difference import (
    AlignedLesions,
    change_by_difference,
    change_of_log_area,
    on_earlier_film,
)
from rxmeasure.recall.lesion import LesionSource
from rxmeasure.recall.lesion_grid import FARTHEST_MM, GRID, STEP_MM
from rxmeasure.recall.network_view import (
    View,
    answers_in_eight_ways,
    grid_mm,
    in_spreads,
    usual_grey,
    view_of,
)
from rxmeasure.trained_network import trained_network

#: Least overlap (intersection over union) of what the network sees with both outlines (choice).
_LEAST_OVERLAP = 0.5
#: The ratio of the two outlines that the network sees counts one third beside its number; outlines
#: lean to each other, so that their ratio shows this part less of a change (both read off
#: development phantoms).
_OUTLINES_COUNT, _OUTLINES_LEAN = 1.0 / 3.0, 1.5
#: Areas seen on each film alone count this part (read off development phantoms).
_EACH_COUNTS = 0.6
#: Standard deviation of the area's logarithm: this part of what the networks state, this much that
#: they do not know of, and this for each mm by which the films may lie off (read off development
#: phantoms).
_STATED, _COMMON, _PER_MM = 0.7, 0.036, 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Networks:
    """Sessions of onnxruntime."""

    one_film: Any
    both_films: Any

    @classmethod
    def trained(cls) -> _Networks | None:
        """None where one of them is missing."""
        one_film = trained_network("rxmeasure.recall", "lesion.onnx")
        both_films = trained_network("rxmeasure.recall", "lesion_pair.onnx")
        if one_film is None or both_films is None:
            return None
        return cls(one_film=one_film, both_films=both_films)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenChange:
    """Both lesions on the earlier film's grid, and the logarithm of the ratio of their areas.

    ``together``: as both films show it. ``each``: of the areas seen on each film alone. ``u_``: as
    the networks state it.
    """

    shares: FloatArray
    together: float
    u_together: float
    each: float
    u_each: float

    def log_ratio(self, of_outlines: float | None) -> float:
        """With the ratio of the outlines that the program found on the films as they were taken."""
        each = self.each if of_outlines is None else 0.5 * (self.each + of_outlines)
        return (1.0 - _EACH_COUNTS) * self.together + _EACH_COUNTS * each

    def u_log_ratio(self, place_mm: float) -> float:
        """Of films that may lie off by so much."""
        stated = (1.0 - _EACH_COUNTS) * self.u_together, _EACH_COUNTS * self.u_each
        return float(np.linalg.norm([_STATED * np.hypot(*stated), _COMMON, _PER_MM * place_mm]))


def change_on_films(pair: AlignedLesions) -> Change | None:
    """Change of a lesion's area as the network sees it, else from the difference of the films.

    See `change_by_difference`, which stands in where the network cannot look or sees other lesions
    than those outlined.
    """
    return change_as_seen(pair) or change_by_difference(pair)


def change_as_seen(pair: AlignedLesions) -> Change | None:
    """Change of a lesion's area as the network sees it, as `change_by_difference` tells it.

    None where the network cannot look, or sees other lesions than those outlined.
    """
    networks = _Networks.trained()
    if networks is None:
        return None
    outlines = pair.outlines()
    centre = np.asarray(outlines[0].mean(axis=0))
    view = view_of(pair.before.film, pair.plane, centre, pair.root_lines)
    later, shown = on_earlier_film(
        pair.after.film, pair.plane, grid_mm() + centre, STEP_MM, pair.to_first
    )
    later = pair.contrast.apply(later)
    other = View(centre=centre, values=later, on_film=shown, beyond=view.beyond)
    seen = _seen(networks, view, other)
    if seen is None or not _same_lesions(seen, [o - centre for o in outlines]):
        return None
    lesions = pair.before.lesion, pair.after.lesion
    found = all(lesion.source is LesionSource.CLICK for lesion in lesions)
    of_outlines = np.log(polygon_area(outlines[1]) / polygon_area(outlines[0]))
    u = seen.u_log_ratio(pair.u_place_px * pair.plane.col)
    return change_of_log_area(seen.log_ratio(float(of_outlines) if found else None), u)


def _seen(networks: _Networks, first: View, second: View) -> SeenChange | None:
    """Mean of what the networks answer, that of both films with either film as the first."""
    shares: list[FloatArray] = []
    ratios: list[float] = []
    u_ratios: list[float] = []
    areas: list[float] = []
    u_areas: list[float] = []
    orders: tuple[tuple[View, View, float], ...] = ((first, second, 1.0), (second, first, -1.0))
    for one, other, sign in orders:
        usual = usual_grey(one)
        if usual is None:
            return None
        grey = [in_spreads(v, *usual) for v in (one, other)]
        root = one.beyond / FARTHEST_MM
        channels = np.stack([*grey, one.on_film, other.on_film, root])
        maps, numbers = answers_in_eight_ways(networks.both_films, channels)
        shares.append(maps if sign > 0.0 else maps[::-1])
        ratios.append(sign * float(numbers[:, 3].mean()))
        u_ratios.append(float(np.mean(numbers[:, 4] ** 2)))
        maps, numbers = answers_in_eight_ways(
            networks.one_film, np.stack([grey[0], one.on_film, root])
        )
        areas.append(0.5 * (float(numbers[:, 1].mean()) + _log_area(maps[0])))
        u_areas.append(float(np.mean(numbers[:, 2] ** 2)))
    both = np.mean(shares, axis=0)
    of_outlines = _OUTLINES_LEAN * (_log_area(both[1]) - _log_area(both[0]))
    together = (1.0 - _OUTLINES_COUNT) * float(np.mean(ratios)) + _OUTLINES_COUNT * of_outlines
    return SeenChange(
        shares=both,
        together=together,
        u_together=float(np.sqrt(np.mean(u_ratios))),
        each=areas[1] - areas[0],
        u_each=float(np.sqrt(np.sum(u_areas))),
    )


def _log_area(share: FloatArray) -> float:
    """Logarithm of the area in mm2 of what is more likely lesion than not."""
    cells = max(float(np.count_nonzero(share > 0.5)), 1.0)
    return float(np.log(cells * STEP_MM**2))


def _same_lesions(seen: SeenChange, outlines: Sequence[FloatArray]) -> bool:
    places = grid_mm().reshape(-1, 2)
    for share, outline in zip(seen.shares, outlines, strict=True):
        marked = points_in_poly(places, outline).reshape(GRID, GRID)
        found = share > 0.5
        both, either = int(np.sum(marked & found)), int(np.sum(marked | found))
        if both < _LEAST_OVERLAP * max(either, 1):
            return False
    return True
