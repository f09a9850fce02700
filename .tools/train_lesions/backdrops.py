"""What stands round a lesion on two films of a tooth: teeth, jaw, and what else is no marrow.

    python .tools/train_lesions/backdrops.py FOLDER [--first-seed 200000] [--count 1500]
        [--seconds 120] [--processes 16]

One ``.npz`` a tooth, with maps of `SIDE` x `SIDE` points `STEP_MM` apart, the apex of one root in
their middle. Both films are drawn so that the plane of the lesion lies in the same place.
"""

from __future__ import annotations

import argparse
import os
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from scipy.ndimage import zoom

from rxmeasure.errors import RxMeasureError
from rxmeasure.geometry import FloatArray
from rxmeasure.phantom.anatomy import root_curve, smooth_step
from rxmeasure.phantom.beam_view import root_plane, root_points_px
from rxmeasure.phantom.materials import Material, beam
from rxmeasure.phantom.parameters import PhantomParameters
from rxmeasure.phantom.scene import Scene, main_frame
from rxmeasure.phantom.visits import random_visits
from rxmeasure.recall.lesion_window import beyond_roots

SIDE, STEP_MM = 288, 0.1
#: The bone's share in the beam is linear round this much bone and soft tissue (mm).
USUAL_BONE_MM, USUAL_SOFT_MM = 5.0, 18.0
#: Farther outside of a root than this many mm, it does not matter.
FARTHEST_MM = 4.0


class Backdrop(Scene):
    """A scene without marrow: its maps are kept for drawing bone again and again."""

    def _draw_bone(self) -> None:
        p, bone = self.p, self.p.bone
        y, x = self._at_depth(0.0)
        crest = p.tooth.crown.height_mm + bone.crest_below_neck_mm + 0.35 * np.cos(0.8 * x)
        self.ridge = bone.ridge_mm * np.sqrt(smooth_step((y - crest) / 4.0))
        self.gum = 1.05 * bone.ridge_mm * np.sqrt(smooth_step((y - crest + 2.5) / 4.0))


def attenuation(thickness_mm: FloatArray, kv: int) -> FloatArray:
    """Minus the logarithm of what passes."""
    return np.asarray(-np.log(beam(kv).transmission(thickness_mm)))


def of_bone_and_soft(kv: int) -> tuple[float, float, float]:
    """Attenuation of a mm more of bone and of soft tissue where both are as usual, and of both."""
    usual = np.zeros((3, len(Material)))
    usual[:, Material.CORTICAL_BONE], usual[:, Material.SOFT_TISSUE] = USUAL_BONE_MM, USUAL_SOFT_MM
    usual[1, Material.CORTICAL_BONE] += 1.0
    usual[2, Material.SOFT_TISSUE] += 1.0
    plain, bone, soft = attenuation(usual, kv)
    return float(bone - plain), float(soft - plain), float(plain)


def film_maps(p: PhantomParameters) -> dict[str, FloatArray]:
    """Maps of one film: thickness in mm, and the attenuation of what is neither bone nor gum."""
    scene = Backdrop(p)
    maps = scene.thickness_maps()
    shape = p.shape
    stack = np.zeros((*shape, len(Material)), np.float32)
    for material, thickness in maps.items():
        stack[..., int(material)] = thickness
    stack[..., Material.SOFT_TISSUE] += USUAL_SOFT_MM
    stack[..., Material.CORTICAL_BONE] += USUAL_BONE_MM
    usual = np.zeros(len(Material))
    usual[Material.CORTICAL_BONE], usual[Material.SOFT_TISSUE] = USUAL_BONE_MM, USUAL_SOFT_MM
    other = attenuation(stack, p.imaging.tube_kv) - attenuation(usual, p.imaging.tube_kv)
    names = ("teeth", "socket", "lamina")
    found = {name: np.array(scene.canvas[name]) for name in names}
    return {**found, "other": other, "ridge": scene.ridge, "gum": scene.gum}


def beyond_canals(lines: list[FloatArray]) -> FloatArray:
    """Distance in mm outside of what counts as root round canals; negative inside."""
    coarse = SIDE // 3
    at = (np.arange(coarse) * 3.0 + 1.0) * STEP_MM
    points = np.stack(np.meshgrid(at, at, indexing="ij"), axis=-1).reshape(-1, 2)
    grid = beyond_roots(points, lines, most=FARTHEST_MM).reshape(coarse, coarse)
    return np.asarray(zoom(grid, 3, order=1, grid_mode=True, mode="nearest"))


def placed(p: PhantomParameters, root: int, depth_mm: float) -> PhantomParameters:
    """The film with the root's apex, seen in the lesion's plane, in its middle."""
    p = replace(
        p,
        shape=(SIDE, SIDE),
        pitch_mm=STEP_MM,
        magnification=1.0,
        supersampling=1,
        rotation_deg=0.0,
        upper=False,
        mirrored=False,
        shift_mm=(0.0, 0.0),
        lesions=(),
        beam=replace(p.beam, receptor_tilt_deg=(0.0, 0.0)) if p.beam else None,
    )
    axis = root_curve(p.tooth.roots[root], p.tooth.crown.height_mm)
    at = main_frame(p).to_px(axis.at(axis.length)) + depth_mm / STEP_MM * slant(p)
    shift = ((SIDE - 1.0) / 2.0 - at) * STEP_MM
    return replace(p, shift_mm=(float(shift[0]), float(shift[1])))


def slant(p: PhantomParameters) -> FloatArray:
    """Shift for each mm of depth."""
    if p.beam is None:
        return np.zeros(2)
    return np.tan(np.deg2rad([p.beam.vertical_deg, p.beam.horizontal_deg]))


def backdrop(seed: int) -> dict[str, np.ndarray]:
    """Both films of a random tooth."""
    visits = random_visits(seed, course="none")
    rng = np.random.default_rng([seed, 11])
    tooth = visits.first.tooth
    root = int(rng.integers(len(tooth.roots)))
    axis = root_curve(tooth.roots[root], tooth.crown.height_mm)
    apex = axis.at(axis.length)
    depth = root_plane(tooth, root).at(float(apex[0])) + float(rng.uniform(-1.0, 1.0))
    films = [placed(p, root, depth) for p in (visits.first, visits.second)]
    found: dict[str, np.ndarray] = {}
    for p, number in zip(films, ("1", "2"), strict=True):
        for name, values in film_maps(p).items():
            found[name + number] = values.astype(np.float16)
    first = films[0]
    lines = [np.asarray(canal.centre_line_px) * STEP_MM for canal in Backdrop(first).truth().canals]
    seen_apex = root_points_px(main_frame(first), tooth, root, apex, first)
    bone = first.bone
    return {
        **found,
        "beyond": beyond_canals(lines).astype(np.float16),
        "apex": (np.asarray(seen_apex) * STEP_MM).astype(np.float32),
        "direction": np.asarray(axis.tangent(axis.length), np.float32),
        "slant": np.float32(slant(films[1]) - slant(first)),
        "depth": np.float32(depth),
        "bone": np.float32(
            [bone.ridge_mm, bone.cortical_mm, bone.volume_fraction, bone.texture, bone.cheek_mm]
        ),
        "mu": np.float32(of_bone_and_soft(first.imaging.tube_kv)),
    }


def make(seed: int, folder: Path, until: float) -> str:
    """Write one tooth, unless time is up; parameters that contradict each other are left out."""
    if time.time() > until:
        return "late"
    try:
        found = backdrop(seed)
    except (RxMeasureError, ValueError, IndexError) as error:
        return f"left out: {type(error).__name__}: {error}"
    part = folder / f"{seed}.part"
    with part.open("wb") as stream:
        np.savez(stream, **found)
    part.rename(folder / f"{seed}.npz")
    return "made"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first-seed", type=int, default=200_000)
    parser.add_argument("--count", type=int, default=1500)
    parser.add_argument("--seconds", type=float, default=120.0)
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
