"""Films to train on: random phantoms, varied more than sampled ones, with their targets.

    python .tools/train_proposals/films.py FOLDER [--first-seed 100000] [--count 6000]
        [--seconds 360] [--processes 16]

One ``.npz`` a film. Lengths are in pixels of the film, points are (row, col).
"""

from __future__ import annotations

import argparse
import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import KDTree

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import FilmKind
from rxmeasure.phantom.imaging import render
from rxmeasure.phantom.parameters import PhantomParameters, ToothParameters
from rxmeasure.phantom.sampling import _with_canals, random_parameters
from rxmeasure.phantom.scene import Scene

PITCH_MM = 0.05
SHAPES_MM = ((36.0, 27.0), (36.0, 27.0), (40.0, 30.0), (35.0, 26.0))
KINDS = (
    (FilmKind.POSTOPERATIVE, 0.66),
    (FilmKind.MASTER_CONE, 0.08),
    (FilmKind.WORKING_LENGTH, 0.12),
    (FilmKind.PREOPERATIVE, 0.14),
)
#: Points kept for each canal: fill start, fill end, apex. NaN where there is no fill.
MOST_CANALS = 24
#: Distances to a centre line are kept in tenths of a pixel up to this many pixels.
FARTHEST_PX = 25.0


class RecordingScene(Scene):
    """A scene that remembers the canals of the neighbours too, with their frames."""

    def __init__(self, parameters: PhantomParameters) -> None:
        self.drawn: list[tuple[Any, Any]] = []
        super().__init__(parameters)

    def _draw_tooth(self, tooth: ToothParameters, frame: Any) -> list[Any]:
        canals = super()._draw_tooth(tooth, frame)
        self.drawn += [(canal, frame) for canal in canals]
        return canals


def varied_parameters(seed: int) -> PhantomParameters:
    """A random phantom with wider ranges of bone, exposure and grey levels, often out of frame."""
    rng = np.random.default_rng([seed, 9])
    kinds, shares = zip(*KINDS, strict=True)
    kind = kinds[int(rng.choice(len(kinds), p=shares))]
    height, width = SHAPES_MM[int(rng.integers(len(SHAPES_MM)))]
    shape = (round(height / PITCH_MM), round(width / PITCH_MM))
    p = random_parameters(seed, film_kind=kind, shape=shape, pitch_mm=PITCH_MM)
    bone = replace(
        p.bone,
        cortical_mm=float(rng.uniform(0.4, 2.0)),
        volume_fraction=float(rng.uniform(0.15, 0.4)),
        texture=float(rng.uniform(0.6, 2.4)),
        crest_below_neck_mm=float(rng.uniform(0.5, 6.0)),
        ligament_mm=float(rng.uniform(0.1, 0.4)),
        lamina_mm=float(rng.uniform(0.08, 0.4)),
        cheek_mm=float(rng.uniform(4.0, 16.0)),
        lesion_mm=float(rng.uniform(0.8, 4.0)) if rng.random() < 0.2 else 0.0,
    )
    old = p.imaging
    imaging = replace(
        old,
        blur_fwhm_mm=old.blur_fwhm_mm * float(rng.uniform(0.9, 2.2)),
        quanta_per_mm2=old.quanta_per_mm2 / float(np.exp(rng.uniform(0.0, np.log(16.0)))),
        scatter=float(rng.uniform(0.02, 0.35)),
        window=(float(rng.uniform(0.05, 0.7)), float(rng.uniform(1.9, 3.5))),
        gamma=float(rng.uniform(0.5, 1.4)),
        sharpen=0.0 if rng.random() < 0.6 else float(rng.uniform(0.3, 2.5)),
        inverted=False,
    )
    shift = np.array(p.shift_mm) + (rng.normal(0.0, 4.0, 2) if rng.random() < 0.4 else 0.0)
    return replace(
        p,
        tooth=_other_widths(rng, p.tooth),
        neighbours=tuple(_neighbour(rng, t) for t in p.neighbours),
        bone=bone,
        imaging=imaging,
        shift_mm=(float(shift[0]), float(shift[1])),
        wedge_mm=(0.5, 1.0, 2.0, 3.0, 4.0) if rng.random() < 0.05 else (),
    )


def _other_widths(rng: np.random.Generator, tooth: ToothParameters) -> ToothParameters:
    """Root tips and canals wider or narrower than usual."""
    grow = float(rng.uniform(0.75, 1.35))
    roots = tuple(replace(r, tip_half_width_mm=r.tip_half_width_mm * grow) for r in tooth.roots)
    wide = float(rng.uniform(0.6, 1.3)) if rng.random() < 0.4 else 1.0
    canals = tuple(replace(c, max_width_mm=c.max_width_mm * wide) for c in tooth.canals)
    return replace(tooth, roots=roots, canals=canals)


def _neighbour(rng: np.random.Generator, tooth: ToothParameters) -> ToothParameters:
    """A neighbour, filled in two of five films."""
    if rng.random() >= 0.4:
        return tooth
    kind = {1: "premolar", 2: "lower molar", 3: "upper molar"}[len(tooth.roots)]
    coronal = str(rng.choice(("composite", "temporary", "metal")))
    crown = replace(tooth.crown, coronal=coronal)
    whole = replace(tooth, crown=crown, canals=())
    return _with_canals(rng, whole, kind, FilmKind.POSTOPERATIVE)


def film_and_targets(seed: int) -> dict[str, np.ndarray]:
    """Grey levels 0..1 and targets of one film.

    ``first``, ``second``: index + 1 of the fills over a pixel, nearest axis first, 0 for none.
    ``axis``: distance to the nearest fill's axis in tenths of a pixel. ``tooth``: share of the
    pixel on a tooth. ``points``: (canal, start / end / apex, row / col).
    """
    p = varied_parameters(seed)
    scene = RecordingScene(p)
    pixels = render(
        scene.thickness_maps(), p.imaging, shape=p.shape, supersampling=p.supersampling,
        pitch_mm=p.pitch_mm, mm_per_px=scene.mm_per_px, rng=np.random.default_rng([seed, 3]),
    )  # fmt: skip
    k = p.supersampling
    rows, cols = p.shape
    on_tooth = (scene.canvas["teeth"] > 0.3).reshape(rows, k, cols, k).mean(axis=(1, 3))
    points = np.full((MOST_CANALS, 3, 2), np.nan, np.float32)
    near = np.full((2, rows, cols), np.inf, np.float32)
    which = np.zeros((2, rows, cols), np.uint8)
    axis = np.full((rows, cols), FARTHEST_PX, np.float32)
    for n, (canal, frame) in enumerate(scene.drawn[:MOST_CANALS]):
        points[n, 2] = frame.to_px(canal.apex_mm)
        if canal.fill is None:
            continue
        fill = canal.fill
        s = np.arange(fill.s_start, max(fill.s_core, fill.s_sealer), 0.02)
        line = frame.to_px(canal.curve.at(s))
        points[n, 0], points[n, 1] = line[0], line[-1]
        half = np.maximum(fill.half_width(s) / frame.mm_per_px, 0.6)
        low = np.clip(np.floor(line.min(axis=0) - FARTHEST_PX), 0, p.shape).astype(int)
        high = np.clip(np.ceil(line.max(axis=0) + FARTHEST_PX), 0, p.shape).astype(int)
        box = (slice(low[0], high[0]), slice(low[1], high[1]))
        if low[0] >= high[0] or low[1] >= high[1]:
            continue
        grid = np.stack(np.mgrid[box], axis=-1).reshape(-1, 2)
        found = KDTree(line).query(grid, distance_upper_bound=FARTHEST_PX)
        size = (high[0] - low[0], high[1] - low[1])
        away = np.asarray(found[0], np.float32).reshape(size)
        index = np.minimum(np.asarray(found[1]), len(line) - 1).reshape(size)
        axis[box] = np.minimum(axis[box], away)
        own = np.where(away <= half[index], away, np.inf)
        closer = own < near[0][box]
        second = ~closer & (own < near[1][box])
        near[1][box] = np.where(closer, near[0][box], np.where(second, own, near[1][box]))
        which[1][box] = np.where(closer, which[0][box], np.where(second, n + 1, which[1][box]))
        near[0][box] = np.where(closer, own, near[0][box])
        which[0][box] = np.where(closer, n + 1, which[0][box])
    return {
        "grey": np.rint(pixels * (65535.0 / (2**p.imaging.bits - 1))).astype(np.uint16),
        "first": which[0],
        "second": which[1],
        "axis": np.rint(10.0 * np.minimum(axis, FARTHEST_PX)).astype(np.uint8),
        "tooth": np.rint(255.0 * on_tooth).astype(np.uint8),
        "points": points,
        "mm_per_px": np.float32(scene.mm_per_px),
    }


def make(seed: int, folder: Path, until: float) -> str:
    """Write one film, unless time is up; parameters that contradict each other are left out."""
    if time.time() > until:
        return "late"
    try:
        film = film_and_targets(seed)
    except (RxMeasureError, ValueError, IndexError) as error:
        return f"left out: {type(error).__name__}: {error}"
    part = folder / f"{seed}.part"
    with part.open("wb") as stream:
        np.savez(stream, **film)
    part.rename(folder / f"{seed}.npz")
    return "made"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first-seed", type=int, default=100_000)
    parser.add_argument("--count", type=int, default=6000)
    parser.add_argument("--seconds", type=float, default=360.0)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    work = partial(make, folder=options.folder, until=time.time() + options.seconds)
    seeds = range(options.first_seed, options.first_seed + options.count)
    outcomes: dict[str, int] = {}
    with ProcessPoolExecutor(options.processes) as pool:
        for outcome in pool.map(work, seeds, chunksize=4):
            outcomes[outcome] = outcomes.get(outcome, 0) + 1
    print(outcomes)


if __name__ == "__main__":
    main()
