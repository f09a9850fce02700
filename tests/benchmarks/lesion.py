"""How exact are lesions, and which change between two visits is found?

    python tests/benchmarks/lesion.py [--films 60] [--pairs 40] [--first-seed 6000]
        [--cache FOLDER] [--pitch 0.03]

Single films: a lesion of 1.5 to 8 mm at the tip of a random root, one click near its
middle (0.25 of its radius SD per axis), the canals' lines known. Printed by radius: the
area's error (median / 95th percentile), how often the 95 % interval holds the truth, how
often a number is declined. Under it the same of both diameters, over 1.5 mm in radius.

Pairs: a 5 mm lesion on two films a year apart (2 to 6 degrees, another receptor, bone
texture correlated 0.5 to 0.8), once unchanged and once with 15 % less area. Printed for the
outlines alone and for the outlines with both films together, aligned by roots clicked with 0.2 mm
SD: how often the change is called, how often an unchanged lesion is called changed,
how often the interval holds the truth, and how many changes a threshold finds that calls 5 % of
the unchanged. The scale is the true one.
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
from rxmeasure.phantom.truth import PhantomTruth, noisy_clicks
from rxmeasure.phantom.visits import random_visits, scaled_lesion
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.recall.alignment import RootCourse
from rxmeasure.recall.change import Change, ChangeVerdict
from rxmeasure.recall.comparison import lesion_changes
from rxmeasure.recall.film_difference import AlignedLesion, AlignedLesions
from rxmeasure.recall.lesion import LEAST_RADIUS_MM, Lesion, find_lesion
from rxmeasure.recall.pair_network import change_on_films
from rxmeasure.recall.pairs import align_pair
from rxmeasure.recall.size import size_of_outline
from rxmeasure.values import Length

CLICK_SHARE = 0.25
RADIUS_CLASSES = ((0.0, 1.5), (1.5, 2.2), (2.2, 3.0), (3.0, 9.0), (1.5, 9.0))
AREA_CHANGE = -0.15
PAIR_DIAMETER_MM = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One lesion: true radius in mm, share of it off the film, and what was measured.

    ``diameters``: error, and error over its stated one, of the largest and the one across it.
    """

    radius: float
    off_film: float
    error: float | None
    z: float | None
    diameters: tuple[tuple[float, float], ...]
    declined: str
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Relative change of the area found and its least significant change; None: no number.

    ``interval`` of the change, in percent.
    """

    change: float
    found: float | None
    least: float | None
    interval: tuple[float, float] | None
    verdict: str

    @classmethod
    def of(cls, change: float, verdict: ChangeVerdict, area: Change | None) -> Pair:
        """One comparison."""
        return cls(
            change=change,
            found=None if area is None else area.difference / area.before,
            least=None if area is None else area.least_significant / area.before,
            interval=None if area is None else area.percent_interval,
            verdict=str(verdict),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """A lesion found from a rough click, its film, true area, share off the film, seconds."""

    lesion: Lesion
    film: Radiograph
    truth: PhantomTruth
    area_mm2: float
    off_film: float
    seconds: float

    def aligned(self) -> AlignedLesion:
        """For the two films together."""
        return AlignedLesion(film=self.film, calibration=true_scale(self.truth), lesion=self.lesion)


def true_scale(truth: PhantomTruth) -> Calibration:
    """The film's own scale."""
    return Calibration(
        row_mm=truth.mm_per_px, col_mm=truth.mm_per_px, u_rel=1e-6, source="true scale"
    )


def measured(parameters: PhantomParameters, rng: np.random.Generator, cache: Path) -> Measured:
    """Find the lesion of one film."""
    path, truth = cached_phantom(0, cache, parameters=parameters)
    radiograph = read_radiograph(path, invert=truth.inverted)
    lesion = truth.lesions[0]
    outline = np.array(lesion.outline_px)
    radius_px = np.sqrt(lesion.area_mm2 / np.pi) / truth.mm_per_px
    aim = outline.mean(axis=0) + rng.normal(0.0, CLICK_SHARE * radius_px, 2)
    click = np.clip(aim, 0.0, np.array(radiograph.shape) - 1.0)
    inside = np.all((outline >= 0.0) & (outline <= np.array(radiograph.shape) - 1.0), axis=1)
    started = time.perf_counter()
    found = find_lesion(
        radiograph,
        true_scale(truth),
        (float(click[0]), float(click[1])),
        root="root",
        root_lines_px=[canal.centre_line_px for canal in truth.canals],
    )
    return Measured(
        lesion=found,
        film=radiograph,
        truth=truth,
        area_mm2=lesion.area_mm2,
        off_film=1.0 - float(inside.mean()),
        seconds=time.perf_counter() - started,
    )


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
    one = measured(parameters, rng, cache)
    found, area = one.lesion, one.area_mm2
    error = z = None
    diameters: tuple[tuple[float, float], ...] = ()
    if found.size is not None and found.size.area.value_mm2 is not None:
        assert found.size.area.u_mm2 is not None
        error = found.size.area.value_mm2 / area - 1.0
        z = (found.size.area.value_mm2 - area) / found.size.area.u_mm2
        true = size_of_outline(
            one.truth.lesions[0].outline_px, one.film.px_scale, true_scale(one.truth)
        )
        diameters = (
            compared(found.size.largest_diameter, true.largest_diameter),
            compared(found.size.perpendicular_diameter, true.perpendicular_diameter),
        )
    return Found(
        radius=float(np.sqrt(area / np.pi)),
        off_film=one.off_film,
        error=error,
        z=z,
        diameters=diameters,
        declined=found.declined,
        seconds=one.seconds,
    )


def compared(found: Length, true: Length) -> tuple[float, float]:
    """Relative error, and the error over its stated one."""
    assert found.value_mm is not None
    assert found.u_mm is not None
    assert true.value_mm is not None
    return found.value_mm / true.value_mm - 1.0, (found.value_mm - true.value_mm) / found.u_mm


def pair(seed: int, cache: Path, pitch: float) -> list[tuple[Pair, Pair]]:
    """One tooth at two visits, unchanged and smaller: by outlines, and with both films together."""
    shape = (round(36.0 / pitch), round(27.0 / pitch))
    visits = random_visits(
        seed, course="same", diameter_mm=PAIR_DIAMETER_MM, shape=shape, pitch_mm=pitch
    )
    rng = np.random.default_rng([seed, 79])
    first = measured(visits.first, rng, cache)
    pairs = []
    for change in (0.0, AREA_CHANGE):
        smaller = scaled_lesion(visits.first.lesions[0], float(np.sqrt(1.0 + change)))
        second = measured(with_lesions(visits.second, [smaller]), rng, cache)
        lesions = (1, [first.lesion]), (2, [second.lesion])
        (plain,) = lesion_changes(*lesions)
        seen = together(first, second, np.random.default_rng([seed, 80]))
        (both,) = lesion_changes(*lesions, by_difference={} if seen is None else {"root": seen})
        area = plain.changes[0] if plain.changes else None
        pairs.append(
            (
                Pair.of(change, plain.verdict, area),
                Pair.of(change, both.verdict, both.by_difference or area),
            )
        )
    return pairs


def together(first: Measured, second: Measured, rng: np.random.Generator) -> Change | None:
    """Change on both films together, None where they cannot be aligned."""
    if first.lesion.size is None or second.lesion.size is None:
        return None
    lines = [noisy_clicks(canal, rng, count=3) for canal in first.truth.canals]
    found = align_pair(
        first.film,
        second.film,
        roots=[
            RootCourse(name=str(k), line_px=tuple((float(r), float(c)) for r, c in line))
            for k, line in enumerate(lines)
        ],
        changed_px=[first.lesion.outline_px],
        mm_per_px=first.truth.mm_per_px,
    )
    if found.refused or found.contrast is None or found.error_px is None:
        return None
    middle = np.mean(np.asarray(first.lesion.outline_px), axis=0)
    return change_on_films(
        AlignedLesions(
            before=first.aligned(),
            after=second.aligned(),
            to_first=found.map_near(middle),
            contrast=found.contrast,
            root_lines_px=[canal.centre_line_px for canal in first.truth.canals],
            u_place_px=found.error_px,
        )
    )


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
    large = [film for film in whole if film.radius >= LEAST_RADIUS_MM and film.diameters]
    for k, name in enumerate(("largest diameter", "the one across it")):
        errors, z = np.array([film.diameters[k] for film in large]).reshape(-1, 2).T
        if len(large) > 0:
            print(
                f"{name}: {len(large)} lesions, error {100.0 * np.median(np.abs(errors)):.1f} / "
                f"{100.0 * np.percentile(np.abs(errors), 95):.1f} %, interval holds "
                f"{100.0 * np.mean(np.abs(z) < 1.96):.0f} %"
            )
    off = [film for film in films if film.off_film > 0.0]
    print(f"partly off the film: {len(off)}, declined {sum(f.error is None for f in off)}")
    print(f"time: median {np.median([f.seconds for f in films]):.2f} s")


def tell_pairs(name: str, pairs: list[Pair]) -> None:
    """Print what is called at the stated least significant change, and at 5 % false alarms."""
    same = [p for p in pairs if p.change == 0.0]
    less = [p for p in pairs if p.change != 0.0]
    changed = (ChangeVerdict.REDUCED, ChangeVerdict.ENLARGED)
    print(f"\n{name}: {len(same)} teeth")
    for what, group in (("unchanged", same), ("-15 %", less)):
        given = [p for p in group if p.found is not None]
        if not given:
            continue
        called = [p for p in given if p.verdict in changed]
        wrong = [p for p in called if p.change != 0.0 and p.verdict == ChangeVerdict.ENLARGED]
        low, high = np.array([p.interval for p in given]).T
        held = np.mean((low <= 100.0 * given[0].change) & (100.0 * given[0].change <= high))
        found = 100.0 * np.array([p.found for p in given])
        print(
            f"{what:>10}: {len(given)} with numbers, called changed {len(called)} "
            f"({100 * len(called) / len(given):.0f} %), of these the wrong way {len(wrong)}; mean "
            f"{found.mean():.1f} %, SD {found.std():.1f} %; interval holds {100.0 * held:.0f} %; "
            f"least significant change {100 * np.median([p.least for p in given]):.0f} %"
        )
    both = [
        (a.found / a.least, b.found / b.least)
        for a, b in zip(same, less, strict=True)
        if a.found is not None and b.found is not None and a.least and b.least
    ]
    if both:
        unchanged, reduced = np.array(both).T
        limit = float(np.percentile(np.abs(unchanged), 95))
        share = 100.0 * np.mean(-reduced > limit)
        print(f"at 5 % false alarms, a limit set afterwards: found {share:.0f} %")


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
            tell_pairs("outlines alone", [alone for alone, _ in pairs])
            tell_pairs("outlines and both films", [both for _, both in pairs])


if __name__ == "__main__":
    sys.exit(main())
