"""Which voids are found, at how many false ones? Random phantoms with rough clicks.

    python tests/benchmarks/voids.py [--films 60] [--first-seed 5000] [--cache FOLDER]

Films, clicks and matching are those of ``accuracy.py``. Counted are voids from the floor
of size on that keep 0.4 mm away from either end of the fill; overlapped canals are printed
apart. The free-response table gives, for thresholds on the confidence, the share found
against the false ones per canal.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from accuracy import END_ZONE_MM
from played_reader import film, measured_canals, overlapped

from rxmeasure.errors import RxMeasureError
from rxmeasure.filling import density_gaps
from rxmeasure.marks import Settings
from rxmeasure.phantom.truth import CanalTruth

#: Bubbles from this size on are also counted apart (mm).
CLEAR_BUBBLE_MM = 0.28
#: Strength from which candidates enter the free-response table: below that of the program.
LEAST_STRENGTH = 0.2
FALSE_PER_CANAL = (0.02, 0.05, 0.1, 0.15, 0.3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Void:
    """A true void: its kind, size, and the confidence and area error of what hit it."""

    kind: str
    size_mm: float
    confidence: float | None
    area_percent: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Canal:
    """One canal: its voids that count, and the confidence of its false alarms."""

    overlapped: bool
    voids: tuple[Void, ...]
    false_alarms: tuple[float, ...]


def canals_of(seed: int, cache: str, least_strength: float | None) -> list[Canal]:
    """Measure the filled canals of one film."""
    if least_strength is not None:
        density_gaps.LEAST_STRENGTH = least_strength
    radiograph, truth = film(seed, Path(cache))
    rng = np.random.default_rng([seed, 77])
    found = []
    for canal, _, seen in measured_canals(radiograph, truth, rng, contents=("filled",)):
        if isinstance(seen, RxMeasureError):
            continue
        found.append(_matched(canal, seen.gaps, truth.mm_per_px, overlapped(canal, truth)))
    return found


def _matched(canal: CanalTruth, gaps: tuple, scale: float, overlapped: bool) -> Canal:
    hit: set[int] = set()
    voids = []
    for void in canal.voids:
        centre = np.asarray(void.centre_px) * scale
        size = max(void.length_mm, void.width_mm)
        near = [
            k
            for k, gap in enumerate(gaps)
            if np.hypot(*(np.asarray(gap.centre_px) * scale - centre)) < 0.3 + 0.5 * size
        ]
        hit.update(near)
        first, last = (void.to_core_end_mm + k * void.length_mm / 2.0 for k in (-1.0, 1.0))
        at_end = first < END_ZONE_MM or last > float(canal.fill_length_mm or 0.0) - END_ZONE_MM
        if at_end or size < Settings().void_min_mm:
            continue
        best = max((gaps[k] for k in near), key=lambda g: g.confidence, default=None)
        area = None if best is None else 100.0 * (best.area.value_mm2 / void.area_mm2 - 1.0)
        voids.append(
            Void(
                kind=void.kind,
                size_mm=size,
                confidence=None if best is None else best.confidence,
                area_percent=area,
            )
        )
    alarms = tuple(gap.confidence for k, gap in enumerate(gaps) if k not in hit)
    return Canal(overlapped=overlapped, voids=tuple(voids), false_alarms=alarms)


def kinds(voids: list[Void]) -> dict[str, list[Void]]:
    """Voids by kind, and all."""
    by: dict[str, list[Void]] = defaultdict(list)
    for void in voids:
        by["any"].append(void)
        by[void.kind].append(void)
        if void.kind == "bubble" and void.size_mm >= CLEAR_BUBBLE_MM:
            by[f"bubble >= {CLEAR_BUBBLE_MM} mm"].append(void)
    return dict(sorted(by.items()))


def found_table(canals: list[Canal]) -> list[str]:
    """Share found and area error by kind, and false alarms per canal."""
    lines = []
    for kind, voids in kinds([v for c in canals for v in c.voids]).items():
        share = 100.0 * np.mean([v.confidence is not None for v in voids])
        areas = np.abs([v.area_percent for v in voids if v.area_percent is not None])
        area = (
            f"area error {np.median(areas):5.1f} / {np.percentile(areas, 95):5.1f} %"
            if len(areas)
            else ""
        )
        lines.append(f"{kind:18s} n={len(voids):4d}  found {share:5.1f} %  {area}")
    false = np.mean([len(c.false_alarms) for c in canals])
    lines.append(f"{'false per canal':18s} n={len(canals):4d}  {false:.3f}")
    return lines


def free_response(canals: list[Canal]) -> list[str]:
    """Share found by kind where so many false alarms per canal are let through."""
    alarms = np.sort([a for c in canals for a in c.false_alarms])[::-1]
    lines = []
    for rate in FALSE_PER_CANAL:
        allowed = int(rate * len(canals))
        threshold = float(alarms[allowed]) if allowed < len(alarms) else 0.0
        cells = []
        for kind, voids in kinds([v for c in canals for v in c.voids]).items():
            hits = [v.confidence is not None and v.confidence > threshold for v in voids]
            cells.append(f"{kind} {100.0 * np.mean(hits):.0f} %")
        lines.append(f"<= {rate:.2f} false, confidence > {threshold:.3f}: " + ", ".join(cells))
    return lines


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--films", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=5000)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    arguments.cache.mkdir(parents=True, exist_ok=True)
    seeds = range(arguments.first_seed, arguments.first_seed + arguments.films)
    measured: dict[str, list[Canal]] = {}
    with ProcessPoolExecutor(arguments.workers) as pool:
        for name, least in (("as used", None), ("free response", LEAST_STRENGTH)):
            count = len(seeds)
            parts = pool.map(canals_of, seeds, [str(arguments.cache)] * count, [least] * count)
            measured[name] = [canal for part in parts for canal in part]
    out = sys.stdout.write
    out(
        f"{arguments.films} phantoms from seed {arguments.first_seed}; "
        "area error: median / 95th percentile\n"
    )
    for title, over_another in (("canals apart", False), ("overlapped canals", True)):
        out(f"\n{title}\n")
        for name, table in (("as used", found_table), ("free response", free_response)):
            canals = [c for c in measured[name] if c.overlapped == over_another]
            if canals:
                out("\n".join(table(canals)) + "\n")


if __name__ == "__main__":
    main()
