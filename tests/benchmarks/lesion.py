"""How exact are lesions, and which change between two visits is found?

    python tests/benchmarks/lesion.py [--films 60] [--pairs 60] [--first-seed 6000]
        [--cache FOLDER] [--pitch 0.03]

Single films: a lesion of 1.5 to 8 mm at the tip of a random root, one click near its
middle (0.25 of its radius SD per axis), the canals' lines known. Printed by radius: the
area's error (median / 95th percentile), how often the 95 % interval holds the truth, how
often a number is declined.

Pairs: a 5 mm lesion on two films a year apart (2 to 6 degrees, another receptor, bone
texture correlated 0.5 to 0.8), once unchanged and once with 15 % less area. Printed: how
often the change is called, how often an unchanged lesion is called changed, and how many
changes a threshold finds that calls 5 % of the unchanged. The scale is the true one. Pairs
with a lesion that leaves a picture stand apart.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from accuracy import BOTH, Wanted, wanted_table
from played_reader import true_scale

from rxmeasure.marks import FilmKind
from rxmeasure.phantom import cached_phantom, random_lesion, random_parameters, with_lesions
from rxmeasure.phantom.parameters import PhantomParameters
from rxmeasure.phantom.visits import random_visits, scaled_lesion
from rxmeasure.reading import read_radiograph
from rxmeasure.recall.alignment import RootCourse
from rxmeasure.recall.change import Z_95, Change, ChangeVerdict
from rxmeasure.recall.comparison import lesion_changes
from rxmeasure.recall.lesion import Lesion, find_lesion
from rxmeasure.recall.paired_lesion import VisitFilm
from rxmeasure.recall.together import SeenVisit, bring_together

CLICK_SHARE = 0.25
RADIUS_CLASSES = ((0.0, 1.5), (1.5, 2.2), (2.2, 3.0), (3.0, 9.0), (1.5, 9.0))
LARGE_RADIUS_MM = 1.5
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
    """Logarithm of the ratio of the areas: true, found and its standard uncertainty.

    ``off_film``: share of a lesion that lies outside its picture.
    """

    change: float
    off_film: float
    found: float | None
    u: float | None
    together: bool
    verdict: ChangeVerdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A lesion found from a rough click on a film, and its truth."""

    visit: SeenVisit
    area_mm2: float
    off_film: float
    seconds: float

    @property
    def lesion(self) -> Lesion:
        """The one lesion."""
        return self.visit.lesions[0]


def measured(
    parameters: PhantomParameters, rng: np.random.Generator, cache: Path, *, number: int = 1
) -> Measured:
    """One film with one lesion, as a visit of that number."""
    path, truth = cached_phantom(0, cache, parameters=parameters)
    radiograph = read_radiograph(path, invert=truth.inverted)
    lesion = truth.lesions[0]
    outline = np.array(lesion.outline_px)
    radius_px = np.sqrt(lesion.area_mm2 / np.pi) / truth.mm_per_px
    aim = outline.mean(axis=0) + rng.normal(0.0, CLICK_SHARE * radius_px, 2)
    click = np.clip(aim, 0.0, np.array(radiograph.shape) - 1.0)
    inside = np.all((outline >= 0.0) & (outline <= np.array(radiograph.shape) - 1.0), axis=1)
    scale = true_scale(truth.mm_per_px)
    lines = [canal.centre_line_px for canal in truth.canals]
    started = time.perf_counter()
    found = find_lesion(
        radiograph, scale, (float(click[0]), float(click[1])), root="root", root_lines_px=lines
    )
    seconds = time.perf_counter() - started
    roots = [RootCourse(name=c.name, line_px=c.centre_line_px) for c in truth.canals]
    film = VisitFilm(radiograph=radiograph, calibration=scale, root_lines_px=lines)
    return Measured(
        visit=SeenVisit(number=number, film=film, roots=roots, lesions=(found,)),
        area_mm2=lesion.area_mm2,
        off_film=1.0 - float(inside.mean()),
        seconds=seconds,
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
    error = z = None
    if one.lesion.size is not None and one.lesion.size.area.value_mm2 is not None:
        assert one.lesion.size.area.u_mm2 is not None
        error = one.lesion.size.area.value_mm2 / one.area_mm2 - 1.0
        z = (one.lesion.size.area.value_mm2 - one.area_mm2) / one.lesion.size.area.u_mm2
    return Found(
        radius=float(np.sqrt(one.area_mm2 / np.pi)),
        off_film=one.off_film,
        error=error,
        z=z,
        declined=one.lesion.declined,
        seconds=one.seconds,
    )


def pair(seed: int, cache: Path, pitch: float) -> list[Pair]:
    """One tooth at two visits: once unchanged, once with a smaller lesion."""
    shape = (round(36.0 / pitch), round(27.0 / pitch))
    visits = random_visits(
        seed, course="same", diameter_mm=PAIR_DIAMETER_MM, shape=shape, pitch_mm=pitch
    )
    rng = np.random.default_rng([seed, 79])
    first = measured(visits.first, rng, cache)
    pairs = []
    for change in (0.0, AREA_CHANGE):
        smaller = scaled_lesion(visits.first.lesions[0], float(np.sqrt(1.0 + change)))
        second = measured(with_lesions(visits.second, [smaller]), rng, cache, number=2)
        together = bring_together(first.visit, second.visit)
        (found,) = lesion_changes(
            (1, first.visit.lesions),
            (2, second.visit.lesions),
            paired=together.paired,
            apart_because=together.refused,
        )
        area = found.changes[0] if found.changes else None
        pairs.append(
            Pair(
                change=change,
                off_film=max(first.off_film, second.off_film),
                found=None if area is None else float(np.log(area.after / area.before)),
                u=None if area is None else spread_of(area),
                together=bool(together.paired),
                verdict=found.verdict,
            )
        )
    return pairs


def spread_of(area: Change) -> float:
    """Standard uncertainty of the logarithm of the ratio."""
    assert area.percent_interval is not None
    low, high = area.percent_interval
    return float(np.log((1.0 + high / 100.0) / (1.0 + low / 100.0)) / (2.0 * Z_95))


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
    for name, group in (
        ("lesion in both pictures", [p for p in pairs if p.off_film == 0.0]),
        ("lesion partly off a picture", [p for p in pairs if p.off_film > 0.0]),
    ):
        given = [p for p in group if p.found is not None and p.u is not None]
        print(
            f"{name}: comparisons {len(group)}, with numbers {len(given)}, "
            f"fitted together {sum(p.together for p in group)}"
        )
        for change in (0.0, AREA_CHANGE):
            tell_change(change, [p for p in group if p.change == change])
    given = [p for p in pairs if p.found is not None and p.off_film == 0.0]
    same = [abs(p.found) for p in given if p.change == 0.0 and p.found is not None]
    less = [p.found for p in given if p.change != 0.0 and p.found is not None]
    if same and less:
        limit = float(np.percentile(same, 95))
        print(f"at 5 % false alarms: found {100.0 * np.mean(-np.array(less) > limit):.0f} %")


def tell_change(change: float, pairs: list[Pair]) -> None:
    """Print the verdicts and errors of one true change."""
    counts = Counter(str(p.verdict) for p in pairs)
    print(
        f"  true change {100.0 * change:.0f} %: " + ", ".join(f"{v} {n}" for v, n in counts.items())
    )
    errors = np.array([(p.found - np.log1p(change), p.u) for p in pairs if p.found is not None])
    if len(errors):
        z = errors[:, 0] / errors[:, 1]
        print(
            f"    error {100.0 * errors[:, 0].mean():+.1f} % mean, "
            f"SD {100.0 * errors[:, 0].std():.1f} %, "
            f"stated {100.0 * np.median(errors[:, 1]):.1f} % median, "
            f"interval holds {100.0 * np.mean(np.abs(z) < Z_95):.0f} %"
        )


WANTED = (
    Wanted(
        name="area of a lesion, radius >= 1.5 mm, %",
        quantity="area",
        statistic=BOTH,
        floor=(4.2, 38.0),
        goal=(3.0, 12.0),
    ),
    Wanted(
        name="interval of a smaller lesion holds, %",
        quantity="small held",
        statistic="share",
        floor=(95.0,),
        goal=(95.0,),
    ),
    Wanted(
        name="smaller lesions wrong by half, %",
        quantity="small wrong",
        statistic="rate",
        floor=(0.0,),
        goal=(0.0,),
    ),
    Wanted(
        name="change of -15 % found, of given, %",
        quantity="found of given",
        statistic="share",
        floor=(85.0,),
        goal=(95.0,),
    ),
    Wanted(
        name="change of -15 % found, of all, %",
        quantity="found",
        statistic="share",
        floor=(85.0,),
        goal=(95.0,),
    ),
    Wanted(
        name="unchanged called changed, of given, %",
        quantity="false alarm",
        statistic="rate",
        floor=(5.0,),
        goal=(5.0,),
    ),
)
CHANGED = (ChangeVerdict.REDUCED, ChangeVerdict.ENLARGED)


def rows_of(films: list[Found], pairs: list[Pair]) -> list[tuple[str, float, str]]:
    """Values of what is wanted; lesions in the picture."""
    rows: list[tuple[str, float, str]] = []
    for film in films:
        if film.error is None or film.z is None or film.off_film > 0.0:
            continue
        if film.radius >= LARGE_RADIUS_MM:
            rows.append(("area", 100.0 * film.error, "plain"))
        else:
            rows.append(("small held", float(abs(film.z) < Z_95), "plain"))
            rows.append(("small wrong", float(abs(film.error) > 0.5), "plain"))
    for one in pairs:
        if one.off_film > 0.0:
            continue
        given = one.found is not None
        if one.change != 0.0:
            hit = float(one.verdict is ChangeVerdict.REDUCED)
            rows += [("found", hit, "plain")] + [("found of given", hit, "plain")] * given
        elif given:
            rows.append(("false alarm", float(one.verdict in CHANGED), "plain"))
    return rows


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--films", type=int, default=60)
    parser.add_argument("--pairs", type=int, default=60)
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
        print("\n".join(wanted_table(rows_of(films, pairs), WANTED)))


if __name__ == "__main__":
    sys.exit(main())
