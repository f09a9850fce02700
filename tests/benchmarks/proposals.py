"""How many canals are found with no click, how many lines are wrong, and how near is the apex?

    python tests/benchmarks/proposals.py [--films 60] [--first-seed 5000] [--cache FOLDER]
        [--true-scale] [--explicit]

Each film is a random post-operative phantom rendered from its seed. The program sees pixels only
(with ``--true-scale`` also the scale), never the truth. With ``--explicit`` the method without the
network stands beside it.

A canal is *found* when at least 60 % of its fill lies within 0.4 mm of a proposed line, and
*separated* when a proposal of its own covers 60 % of it and lies on it for 60 % of its length. A
proposal with less than half of its length on any fill is *false*. The apex is right within 0.5 mm;
its shares are printed over all separated canals (no apex counts as not right) and over the ones
that have a proposed apex. The fill's end is compared with the end of the core or of the sealer,
whichever is nearer: the film does not always tell them apart. The confidence of an apex is held
against the share that is right.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from scipy.spatial import KDTree

from rxmeasure.calibration.scale import Calibration
from rxmeasure.geometry import FloatArray, resample
from rxmeasure.phantom import cached_phantom
from rxmeasure.phantom.truth import CanalTruth, PhantomTruth
from rxmeasure.proposals import CanalProposal, propose
from rxmeasure.proposals.film_grid import film_grid
from rxmeasure.proposals.learned import seen_canals
from rxmeasure.proposals.network import network_maps
from rxmeasure.radiograph import Radiograph
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


def results_of(seed: int, cache: str, true_scale: bool, explicit: bool) -> list[Row]:
    """(quantity, class, value) of one film by one method."""
    image, truth = cached_phantom(seed, Path(cache))
    radiograph = read_radiograph(image)
    scale = truth.mm_per_px
    known = Calibration(row_mm=scale, col_mm=scale, u_rel=1e-6, source="true scale")
    calibration = known if true_scale else None
    rows = [] if explicit else _seconds_of_steps(radiograph, calibration)
    began = time.process_time()
    found = propose(radiograph, calibration=calibration, explicit=explicit)
    rows.append(("seconds a film", "all", time.process_time() - began))
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


def _seconds_of_steps(radiograph: Radiograph, calibration: Calibration | None) -> list[Row]:
    """Processor time of the grid, the network and what is made of its maps."""
    times = [time.process_time()]
    grid = film_grid(radiograph, calibration)
    times.append(time.process_time())
    maps = network_maps(grid)
    times.append(time.process_time())
    assert maps is not None, "the network cannot run: use --explicit"
    seen_canals(grid, maps)
    times.append(time.process_time())
    steps = ("grid", "network", "canals")
    return [("seconds a film", n, b - a) for n, a, b in zip(steps, times, times[1:], strict=False)]


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
        tenth = f"confidence 0.{min(int(proposal.apex_confidence * 10), 9)}"
        rows.append(("apex right, of proposed", tenth, float(apart < APEX_MM)))
    return rows


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--films", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=5000)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--true-scale", action="store_true")
    parser.add_argument("--explicit", action="store_true", help="the explicit method too")
    arguments = parser.parse_args()
    arguments.cache.mkdir(parents=True, exist_ok=True)
    seeds = range(arguments.first_seed, arguments.first_seed + arguments.films)
    with ProcessPoolExecutor(arguments.workers) as pool:
        tables = [
            _table(
                pool.map(
                    partial(
                        results_of, cache=str(arguments.cache), true_scale=arguments.true_scale,
                        explicit=explicit,
                    ),
                    seeds,
                )
            )
            for explicit in ((False, True) if arguments.explicit else (False,))
        ]  # fmt: skip
    out = sys.stdout.write
    out(f"{arguments.films} films from seed {arguments.first_seed}, no click\n")
    out(f"{'':46s} {'network':40s} {'explicit' if arguments.explicit else ''}\n")
    for quantity, group in sorted({key for table in tables for key in table}):
        texts = [_text(quantity, table.get((quantity, group), [])) for table in tables]
        out(f"{quantity:32s} {group:14s} " + " ".join(f"{t:40s}" for t in texts).rstrip() + "\n")


def _table(films: Iterable[list[Row]]) -> dict[tuple[str, str], list[float]]:
    by: dict[tuple[str, str], list[float]] = defaultdict(list)
    for rows in films:
        for quantity, group, value in rows:
            by[quantity, group].append(value)
            if quantity in ("found", "separated", "fill end mm", "fill start mm"):
                by[quantity, "all"].append(value)
    return by


def _text(quantity: str, values: list[float]) -> str:
    if not values:
        return "-"
    v = np.asarray(values)
    if quantity == "false a film":
        text = f"{v.mean():.2f}"
    elif quantity.endswith((" mm", "a film")):
        text = f"median {np.median(v):.2f}, 95 % {np.percentile(v, 95):.2f}"
    else:
        text = f"{100.0 * v.mean():.0f} %"
    return f"n={len(v):3d} {text}"


if __name__ == "__main__":
    main()
