"""Do the stated uncertainties hold? Shares of truths inside the stated intervals.

    python tests/benchmarks/coverage.py [--films 60] [--first-seed 5000] [--cache FOLDER]

The films and clicks are those of accuracy.py. For each quantity the share of truths inside
the 50, 80 and 95 % interval is printed with its own 95 % interval (Wilson 1927,
doi:10.1080/01621459.1927.10502953). The distance from the fill's end to the apex takes its
intervals from its draws, all else from value and standard uncertainty. Each canal or file counts
once a quantity, for neighbouring rows of one fill are no separate trials.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from played_reader import extended, film, measured_canals, overlapped, scale_from_ends
from scipy import special

from rxmeasure.errors import RxMeasureError
from rxmeasure.filling.results import CanalMeasurement, FillEnd
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.phantom.truth import CanalTruth

LEVELS = (0.5, 0.8, 0.95)

#: Quantity, group, place of the truth in the stated distribution (0 to 1).
Place = tuple[str, str, float]


def places_of(seed: int, cache: str) -> list[Place]:
    """Where the truths of one film lie in the stated distributions."""
    radiograph, truth = film(seed, Path(cache))
    rng = np.random.default_rng([seed, 77])
    scale = truth.mm_per_px
    found: list[Place] = []
    for canal, _, seen in measured_canals(radiograph, truth, rng):
        if isinstance(seen, RxMeasureError):
            continue
        group = "overlapped" if overlapped(canal, truth) else "alone"
        found += [(name, group, place) for name, place in _canal(canal, seen, scale)]
    for file in truth.files:
        known = scale_from_ends(radiograph, file, scale, rng)
        found.append(("scale", "alone", _normal(float(np.log(known.col_mm / scale)), known.u_rel)))
    return found


def _canal(canal: CanalTruth, measured: CanalMeasurement, scale: float) -> list[tuple[str, float]]:
    length = measured.canal_length
    true_length = canal.s_apex_mm - canal.s_orifice_mm
    found = [("length", _normal(length.mm() - true_length, length.u_mm))]
    if measured.fill_end is None or canal.s_core_end_mm is None:
        return found
    line = extended(np.asarray(canal.centre_line_px) * scale, 3.0)
    visible = max(canal.s_core_end_mm, canal.s_sealer_end_mm or -np.inf)
    for name, end, true_s in (
        ("visible end", measured.fill_end, visible),
        ("core's end", measured.core_end, canal.s_core_end_mm),
    ):
        assert isinstance(end, FillEnd)
        s, _ = foot_on_polyline(line, np.asarray(end.point_px) * scale)
        found.append((name, _normal(s - 3.0 - true_s, end.u_px * scale)))
    for value in measured.measures:
        if value.name == "fill_to_apex_core_mm" and value.draws:
            below = float((np.asarray(value.draws) < (canal.fill_to_apex_core_mm or 0.0)).mean())
            found.append(("fill to apex", below))
    s_true, widths = np.asarray(canal.profile_s_mm), np.asarray(canal.width_fill_mm)
    rows = [p for p in measured.profile if p.width_mm is not None]
    if rows:
        row = rows[len(rows) // 2]
        middle = (np.asarray(row.left_edge_px) + np.asarray(row.right_edge_px)) / 2.0 * scale
        s = foot_on_polyline(line, middle)[0] - 3.0
        if s_true[0] + 0.3 < s < s_true[-1] - 0.3:
            error = float(row.width_mm or 0.0) - float(np.interp(s, s_true, widths))
            found.append(("width", _normal(error, row.u_width_mm)))
    to_end = np.asarray(canal.profile_to_end_mm)
    zone = (to_end >= 1.0) & (to_end <= 8.0) & (to_end <= to_end.max() - 1.0)
    if measured.taper is not None and zone.sum() > 10:
        slope = float(np.polyfit(to_end[zone], widths[zone], 1)[0])
        found.append(("taper", _normal(measured.taper.taper - slope, measured.taper.u_taper)))
    return found


def _normal(error: float, u: float | None) -> float:
    return float(special.ndtr(-error / max(u or 0.0, 1e-9)))


def wilson(hits: int, trials: int) -> tuple[float, float]:
    """95 % interval of a share."""
    z2 = 1.96**2
    middle = (hits + z2 / 2.0) / (trials + z2)
    half = 1.96 / (trials + z2) * np.sqrt(hits * (trials - hits) / trials + z2 / 4.0)
    return middle - float(half), middle + float(half)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--films", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=5000)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    arguments.cache.mkdir(parents=True, exist_ok=True)
    seeds = range(arguments.first_seed, arguments.first_seed + arguments.films)
    by: dict[tuple[str, str], list[float]] = defaultdict(list)
    with ProcessPoolExecutor(arguments.workers) as pool:
        for part in pool.map(places_of, seeds, [str(arguments.cache)] * len(seeds)):
            for quantity, group, place in part:
                by[quantity, group].append(place)
    sys.stdout.write(
        f"{arguments.films} phantoms from seed {arguments.first_seed}; share of truths inside the "
        "stated interval, per cent (95 % interval of that share)\n"
    )
    for (quantity, group), places in sorted(by.items()):
        away = np.abs(np.asarray(places) - 0.5)
        cells = []
        for level in LEVELS:
            hits = int((away <= level / 2.0).sum())
            low, high = wilson(hits, len(places))
            cells.append(
                f"{100 * level:.0f} %: {100 * hits / len(places):5.1f} "
                f"({100 * low:.0f}-{100 * high:.0f})"
            )
        sys.stdout.write(f"{quantity:14s} {group:11s} n={len(places):4d}  {'   '.join(cells)}\n")


if __name__ == "__main__":
    main()
