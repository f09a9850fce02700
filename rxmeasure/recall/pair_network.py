"""How much the area of a lesion changed, as the trained network sees it on both films at once.

Two outlines, each found on its own film, err with the bone's texture there. The network is shown
the earlier film and the aligned later one together, each as the first in turn: it answers both
outlines and the logarithm of the ratio of areas with its standard deviation. It was trained on
phantoms alone by ``.tools/train_lesions``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from skimage.measure import points_in_poly

from rxmeasure.geometry import FloatArray
from rxmeasure.recall.change import Change
from rxmeasure.recall.film_difference import (
    AlignedLesions,
    change_by_difference,
    change_of_log_area,
    on_earlier_film,
)
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
#: The stated standard deviation times this is the spread of unchanged pairs (read off
#: development phantoms).
_COVERAGE = 1.15
#: Standard deviation of the area's logarithm for each mm by which the films may lie off (read off
#: development phantoms).
_PER_MM = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenChange:
    """Both lesions on the earlier film's grid, and the logarithm of the ratio of their areas."""

    shares: FloatArray
    log_ratio: float
    u_log_ratio: float


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
    network = trained_network("rxmeasure.recall", "lesion_pair.onnx")
    if network is None:
        return None
    outlines = pair.outlines()
    centre = np.asarray(outlines[0].mean(axis=0))
    view = view_of(pair.before.film, pair.plane, centre, pair.root_lines)
    later, shown = on_earlier_film(
        pair.after.film, pair.plane, grid_mm() + centre, STEP_MM, pair.to_first
    )
    later = pair.contrast.apply(later)
    other = View(centre=centre, values=later, on_film=shown, beyond=view.beyond)
    seen = _seen(network, view, other)
    if seen is None or not _same_lesions(seen, [o - centre for o in outlines]):
        return None
    u = float(np.hypot(_COVERAGE * seen.u_log_ratio, _PER_MM * pair.u_place_px * pair.plane.col))
    return change_of_log_area(seen.log_ratio, u)


def _seen(network: Any, first: View, second: View) -> SeenChange | None:
    """Mean of what the network answers with either film as the first."""
    shares, ratios, spreads = [], [], []
    orders: tuple[tuple[View, View, float], ...] = ((first, second, 1.0), (second, first, -1.0))
    for one, other, sign in orders:
        usual = usual_grey(one)
        if usual is None:
            return None
        grey = [in_spreads(v, *usual) for v in (one, other)]
        channels = np.stack([*grey, one.on_film, other.on_film, one.beyond / FARTHEST_MM])
        maps, numbers = answers_in_eight_ways(network, channels)
        shares.append(maps if sign > 0.0 else maps[::-1])
        ratios.append(sign * float(numbers[:, 3].mean()))
        spreads.append(float(np.mean(numbers[:, 4] ** 2)))
    both = np.mean(shares, axis=0)
    areas = np.maximum(np.sum(both > 0.5, axis=(1, 2)), 1)
    of_outlines = _OUTLINES_LEAN * float(np.log(areas[1] / areas[0]))
    log_ratio = (1.0 - _OUTLINES_COUNT) * float(np.mean(ratios)) + _OUTLINES_COUNT * of_outlines
    return SeenChange(
        shares=both,
        log_ratio=log_ratio,
        u_log_ratio=float(np.sqrt(np.mean(spreads))),
    )


def _same_lesions(seen: SeenChange, outlines: Sequence[FloatArray]) -> bool:
    places = grid_mm().reshape(-1, 2)
    for share, outline in zip(seen.shares, outlines, strict=True):
        marked = points_in_poly(places, outline).reshape(GRID, GRID)
        found = share > 0.5
        both, either = int(np.sum(marked & found)), int(np.sum(marked | found))
        if both < _LEAST_OVERLAP * max(either, 1):
            return False
    return True
