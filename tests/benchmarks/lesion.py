"""How exact are lesions, and which change between two visits is found?

    python tests/benchmarks/lesion.py [--films 60] [--pairs 40] [--first-seed 6000]
        [--cache FOLDER] [--pitch 0.03]

Single films: a lesion of 1.5 to 8 mm at the tip of a random root, one click near its
middle (0.25 of its radius SD per axis), the canals' lines known. Printed by radius: the
area's error (median / 95th percentile), how often the 95 % interval holds the truth, how
often a number is declined.

Pairs: a 5 mm lesion on two films a year apart (2 to 6 degrees, another receptor, bone
texture correlated 0.5 to 0.8), once unchanged and once with 15 % less area. Printed: how
often the change is called, how often an unchanged lesion is called changed, and how many
changes a threshold finds that calls 5 % of the unchanged. The scale is the true one.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from rxmeasure.calibration.scale import Calibration
from rxmeasure.marks import FilmKind
from rxmeasure.phantom import cached_phantom, random_lesion, random_parameters, with_lesions
from rxmeasure.phantom.parameters import PhantomParameters
from rxmeasure.phantom.visits import random_visits, scaled_lesion
from rxmeasure.reading import read_radiograph
from rxmeasure.recall.change import ChangeVerdict
from rxmeasure.recall.comparison import lesion_changes
from rxmeasure.recall.lesion import Lesion, find_lesion

CLICK_SHARE = 0.25
RADIUS_CLASSES = ((0.0, 1.5), (1.5, 2.2), (2.2, 3.0), (3.0, 9.0), (1.5, 9.0))
AREA_CHANGE = -0.15
PAIR_DIAMETER_MM = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One lesion: true radius in mm, share of it off the film, and what was measured."""

    radius: float
    off_film: float
    error: float | None
    z: float | None
    declined: str
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Relative change of the area found and its least significant change; None: no number."""

    change: float
    found: float | None
    least: float | None
    verdict: str


def measured(
    parameters: PhantomParameters, rng: np.random.Generator, cache: Path
) -> tuple[Lesion, float, float, float]:
    """Lesion found from a rough click, true area, share off the film, seconds."""
    path, truth = cached_phantom(0, cache, parameters=parameters)
    radiograph = read_radiograph(path, invert=truth.inverted)
    lesion = truth.lesions[0]
    outline = np.array(lesion.outline_px)
    radius_px = np.sqrt(lesion.area_mm2 / np.pi) / truth.mm_per_px
    aim = outline.mean(axis=0) + rng.normal(0.0, CLICK_SHARE * radius_px, 2)
    click = np.clip(aim, 0.0, np.array(radiograph.shape) - 1.0)
    inside = np.all((outline >= 0.0) & (outline <= np.array(radiograph.shape) - 1.0), axis=1)
    scale = truth.mm_per_px
    started = time.perf_counter()
    found = find_lesion(
        radiograph,
        Calibration(row_mm=scale, col_mm=scale, u_rel=1e-6, source="true scale"),
        (float(click[0]), float(click[1])),
        root="root",
        root_lines_px=[canal.centre_line_px for canal in truth.canals],
    )
    seconds = time.perf_counter() - started
    return found, lesion.area_mm2, 1.0 - float(inside.mean()), seconds


def single(seed: int, cache: Path, pitch: float) -> Found:
    """One film with one lesion."""
    parameters = random_parameters(
        seed,
        film_kind=FilmKind.RECALL,
        reference_file=False,
        shape=(round(36.0 / pitch), round(27.0 / pitch)),
        pitch_mm=pitch,
    )
    rng = np.random.default_rng([seed, 78])
    root = int(rng.integers(len(parameters.tooth.roots)))
    parameters = with_lesions(parameters, [random_lesion(seed, parameters, root=root)])
    found, area, off, seconds = measured(parameters, rng, cache)
    error = z = None
    if found.size is not None and found.size.area.value_mm2 is not None:
        assert found.size.area.u_mm2 is not None
        error = found.size.area.value_mm2 / area - 1.0
        z = (found.size.area.value_mm2 - area) / found.size.area.u_mm2
    return Found(
        radius=float(np.sqrt(area / np.pi)),
        off_film=off,
        error=error,
        z=z,
        declined=found.declined,
        seconds=seconds,
    )


def pair(seed: int, cache: Path, pitch: float) -> list[Pair]:
    """One tooth at two visits: once unchanged, once with a smaller lesion."""
    shape = (round(36.0 / pitch), round(27.0 / pitch))
    visits = random_visits(
        seed, course="same", diameter_mm=PAIR_DIAMETER_MM, shape=shape, pitch_mm=pitch
    )
    rng = np.random.default_rng([seed, 79])
    first = measured(visits.first, rng, cache)[0]
    pairs = []
    for change in (0.0, AREA_CHANGE):
        smaller = scaled_lesion(visits.first.lesions[0], float(np.sqrt(1.0 + change)))
        second = measured(with_lesions(visits.second, [smaller]), rng, cache)[0]
        (found,) = lesion_changes((1, [first]), (2, [second]))
        area = found.changes[0] if found.changes else None
        pairs.append(
            Pair(
                change=change,
                found=None if area is None else area.difference / area.before,
                least=None if area is None else area.least_significant / area.before,
                verdict=str(found.verdict),
            )
        )
    return pairs


def tell_singles(films: list[Found]) -> None:
    """Print errors, coverage and declined by radius; off the film apart."""
    print("true radius   films  declined   error median / 95 %    bias   interval holds")
    whole = [film for film in films if film.off_film == 0.0]
    for low, high in RADIUS_CLASSES:
        group = [film for film in whole if low <= film.radius < high]
        given = [film for film in group if film.error is not None]
        line = f"{low:4.1f} to {high:3.1f} mm {len(group):6d} {len(group) - len(given):8d}"
        if given:
            errors = 100.0 * np.array([film.error for film in given])
            z = np.abs([film.z for film in given])
            line += (
                f"   {np.median(np.abs(errors)):8.1f} / {np.percentile(np.abs(errors), 95):.1f} %"
                f" {np.median(errors):8.1f} % {100.0 * np.mean(z < 1.96):10.0f} %"
            )
        print(line)
    off = [film for film in films if film.off_film > 0.0]
    print(f"partly off the film: {len(off)}, declined {sum(f.error is None for f in off)}")
    print(f"time: median {np.median([f.seconds for f in films]):.2f} s")


def tell_pairs(pairs: list[Pair]) -> None:
    """Print what is called at the stated least significant change, and at 5 % false alarms."""
    same = [p for p in pairs if p.change == 0.0]
    less = [p for p in pairs if p.change != 0.0]
    changed = (ChangeVerdict.REDUCED, ChangeVerdict.ENLARGED)
    false = [p for p in same if p.verdict in changed]
    right = [p for p in less if p.verdict == ChangeVerdict.REDUCED]
    both = [
        (a.found, b.found, b.least)
        for a, b in zip(same, less, strict=True)
        if a.found is not None and b.found is not None and b.least is not None
    ]
    print(f"pairs {len(same)}, with numbers {len(both)}")
    given = max(len(both), 1)
    print(
        f"called changed though unchanged {len(false)} ({100 * len(false) / given:.0f} %), "
        f"called reduced of -15 % {len(right)} ({100 * len(right) / given:.0f} %)"
    )
    if not both:
        return
    unchanged, reduced, least = np.array(both).T
    limit = float(np.percentile(np.abs(unchanged), 95))
    for name, values in (("unchanged", unchanged), ("-15 %", reduced)):
        print(f"{name}: mean {100 * values.mean():.1f} %, SD {100 * values.std():.1f} %")
    print(f"least significant change, median {100 * np.median(least):.0f} %")
    print(f"at 5 % false alarms: found {100.0 * np.mean(-reduced > limit):.0f} %")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--films", type=int, default=60)
    parser.add_argument("--pairs", type=int, default=40)
    parser.add_argument("--first-seed", type=int, default=6000)
    parser.add_argument("--pitch", type=float, default=0.03, help="pixel of the films in mm")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cache", type=Path)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        cache = arguments.cache or Path(folder)
        seeds = range(arguments.first_seed, arguments.first_seed + arguments.films)
        with ProcessPoolExecutor(arguments.workers) as pool:
            films = list(pool.map(partial(single, cache=cache, pitch=arguments.pitch), seeds))
            if films:
                tell_singles(films)
            seeds = range(arguments.first_seed, arguments.first_seed + arguments.pairs)
            every = pool.map(partial(pair, cache=cache, pitch=arguments.pitch), seeds)
            pairs = [one for found in every for one in found]
        if pairs:
            tell_pairs(pairs)


if __name__ == "__main__":
    sys.exit(main())
