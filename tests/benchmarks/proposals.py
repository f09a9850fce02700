"""How many canals are found with no click, how many lines are wrong, and how near is the apex?

    python tests/benchmarks/proposals.py [--films 60] [--first-seed 5000] [--cache FOLDER]
        [--true-scale]

Each film is a random post-operative phantom rendered from its seed. The program sees pixels only
(with ``--true-scale`` also the scale), never the truth.

A canal is *found* when at least 60 % of its fill lies within 0.4 mm of a proposed line, and
*separated* when a proposal of its own covers 60 % of it and lies on it for 60 % of its length. A
proposal with less than half of its length on any fill is *false*. The apex is right within 0.5 mm;
its shares are printed over all separated canals (no apex counts as not right) and over the ones
that have a proposed apex. The fill's end is compared with the end of the core or of the sealer,
whichever is nearer: the film does not always tell them apart.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from scipy.spatial import KDTree

from rxmeasure.calibration.scale import Calibration
from rxmeasure.geometry import FloatArray, resample
from rxmeasure.phantom import cached_phantom
from rxmeasure.phantom.truth import CanalTruth, PhantomTruth
from rxmeasure.proposals import CanalProposal, propose
from rxmeasure.reading import read_radiograph

ON_LINE_MM = 0.4
SHARE = 0.6
APEX_MM = 0.5
GROSS_MM = 1.0

Row = tuple[str, str, float]


def fill_line_mm(canal: CanalTruth) -> FloatArray:
    """Points along the visible fill."""
    s = np.asarray(canal.s_mm)
    end = max(float(canal.s_core_end_mm or 0.0), float(canal.s_sealer_end_mm or 0.0))
    on = (s >= float(canal.s_fill_start_mm or 0.0)) & (s <= end)
    return np.asarray(canal.centre_line_px)[on] * canal.mm_per_px


def proposed_line_mm(proposal: CanalProposal, scale: float) -> FloatArray:
    """Points along the proposed fill."""
    points = [*proposal.clicks_px[:-1], proposal.fill_end_px]
    return resample(np.asarray(points) * scale, 0.1)


def shape_class(canal: CanalTruth, truth: PhantomTruth) -> str:
    """What makes a canal hard: overlap, a post, roots over one another, a strong bend."""
    if "overlapped" in canal.flags:
        return "overlapped"
    if "post" in canal.flags:
        return "with a post"
    if truth.tooth[0] in "12" and truth.tooth[1] in "678":
        return "three roots"
    return "curved" if canal.schneider_deg > 20.0 else "plain"


def results_of(seed: int, cache: str, true_scale: bool) -> list[Row]:
    """(quantity, class, value) of one film."""
    image, truth = cached_phantom(seed, Path(cache))
    radiograph = read_radiograph(image)
    scale = truth.mm_per_px
    known = Calibration(row_mm=scale, col_mm=scale, u_rel=1e-6, source="true scale")
    began = time.process_time()
    found = propose(radiograph, calibration=known if true_scale else None)
    rows: list[Row] = [("seconds a film", "all", time.process_time() - began)]
    canals = [c for c in truth.canals if c.s_core_end_mm is not None]
    fills = [fill_line_mm(c) for c in canals]
    lines = [proposed_line_mm(p, scale) for p in found.canals]
    on_any = [max((_on(line, fill) for fill in fills), default=0.0) for line in lines]
    rows.append(("false a film", "all", float(sum(share < 0.5 for share in on_any))))
    free = set(range(len(lines)))
    for canal, fill in zip(canals, fills, strict=True):
        group = shape_class(canal, truth)
        covered = max((_on(fill, line) for line in lines), default=0.0)
        rows.append(("found", group, float(covered >= SHARE)))
        own = [
            (_on(fill, lines[k]) * _on(lines[k], fill), k)
            for k in free
            if min(_on(fill, lines[k]), _on(lines[k], fill)) >= SHARE
        ]
        rows.append(("separated", group, float(bool(own))))
        if own:
            k = max(own)[1]
            free.discard(k)
            rows += _ends(found.canals[k], canal, truth, group)
    return rows


def _on(points: FloatArray, line: FloatArray) -> float:
    return float((KDTree(line).query(points)[0] < ON_LINE_MM).mean())


def _apart_mm(a: tuple[float, float], b: tuple[float, float], scale: float) -> float:
    return float(np.hypot(a[0] - b[0], a[1] - b[1])) * scale


def _ends(proposal: CanalProposal, canal: CanalTruth, truth: PhantomTruth, group: str) -> list[Row]:
    scale = truth.mm_per_px
    ends = [e for e in (canal.core_end_px, canal.sealer_end_px) if e is not None]
    end = min(_apart_mm(proposal.fill_end_px, e, scale) for e in ends)
    start = _apart_mm(proposal.fill_start_px, canal.fill_start_px or (0.0, 0.0), scale)
    rows: list[Row] = [("fill end mm", group, end), ("fill start mm", group, start)]
    three = truth.tooth[0] in "12" and truth.tooth[1] in "678"
    roots = "3 roots" if three else "1-2 roots"
    given = proposal.apex_px is not None
    apart = _apart_mm(proposal.apex_px or (0.0, 0.0), canal.radiographic_apex_px, scale)
    rows.append(("apex proposed", roots, float(given)))
    rows.append(("apex right, of all", roots, float(given and apart < APEX_MM)))
    if given:
        rows.append(("apex right, of proposed", roots, float(apart < APEX_MM)))
        rows.append(("apex off by > 1 mm, of proposed", roots, float(apart > GROSS_MM)))
    return rows


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--films", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=5000)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--true-scale", action="store_true")
    arguments = parser.parse_args()
    arguments.cache.mkdir(parents=True, exist_ok=True)
    seeds = range(arguments.first_seed, arguments.first_seed + arguments.films)
    by: dict[tuple[str, str], list[float]] = defaultdict(list)
    with ProcessPoolExecutor(arguments.workers) as pool:
        n = len(seeds)
        for part in pool.map(
            results_of, seeds, [str(arguments.cache)] * n, [arguments.true_scale] * n
        ):
            for quantity, group, value in part:
                by[quantity, group].append(value)
                if quantity in ("found", "separated", "fill end mm", "fill start mm"):
                    by[quantity, "all"].append(value)
    out = sys.stdout.write
    out(f"{arguments.films} films from seed {arguments.first_seed}, no click\n")
    for (quantity, group), values in sorted(by.items()):
        v = np.asarray(values)
        if quantity.endswith((" mm", "a film")) and quantity != "false a film":
            text = f"median {np.median(v):.2f}, 95th percentile {np.percentile(v, 95):.2f}"
        elif quantity == "false a film":
            text = f"{v.mean():.2f}"
        else:
            text = f"{100.0 * v.mean():.0f} %"
        out(f"{quantity:32s} {group:12s} n={len(v):4d}  {text}\n")


if __name__ == "__main__":
    main()
