"""How fast is it, and against what? One canal on a film of 1200 x 900 pixels.

    python tests/benchmarks/speed.py [--repeats 9] [--films 8] [--first-seed 9000] [--cache FOLDER]

The naive baseline is what a reader of scikit-image would write first: the ridge filter
`skimage.filters.sato` with its own scales (1, 3, 5, 7 and 9 px) on the whole picture,
`skimage.graph.route_through_array` through the clicks on the inverse of it, the length of that
path in pixels, and a loop in plain Python that walks each row from the path to half of its
height on either side. It gets the same picture, clicks and scale as the program. The same with
the filter at the program's two scales only is printed too: it is faster, and the filter then
fits the widths of fillings.

Times: both run in turn in one process, ``--repeats`` times after one warm-up each; medians
of the wall clock are printed, and their ratios, which mean more than the times on a machine
that does other work. Tracing is clicks to centre line; the whole is clicks to verdicts
(`measure_canal` and the default rules) against tracing and the width loop, which knows neither
ends nor taper nor voids. The shares of each step come from further runs of the program in turn
with these, with a clock round each step: for clicks from the orifice and for clicks from the
coronal reference, where the line is drawn again coronal of the fill and its rows are looked at
twice (the number of calls stands beside each step). The whole is also timed on every film.

Errors: of both against the truth of ``--films`` random phantoms (one canal each, filled, not
overlapped; portrait films), clicks 0.2 mm off per axis.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from rxmeasure.calibration.scale import Calibration
from rxmeasure.criteria import verdict as verdict_module
from rxmeasure.criteria.criterion import default_rule_set_ids, pick_rule_sets
from rxmeasure.filling import density_gaps, extrusion, fill_end, measurement, width
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.marks import CanalMarks, FilmKind, Settings
from rxmeasure.phantom import cached_phantom, noisy_clicks
from rxmeasure.phantom.truth import CanalTruth, PhantomTruth
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.tracing import canal_trace
from rxmeasure.tracing.frame import frame_for
from rxmeasure.tracing.path_finding import RIDGE_SIGMAS_MM

CLICK_SD_MM = 0.2
#: Farthest a half-maximum is looked for from the path (mm).
REACH_MM = 1.5


@dataclass(frozen=True, kw_only=True, eq=False)
class Case:
    """One canal of one phantom, clicked."""

    film: Radiograph
    truth: PhantomTruth
    canal: CanalTruth
    clicks_px: tuple[tuple[float, float], ...]
    clicks_from_cusp_px: tuple[tuple[float, float], ...]

    @property
    def pitch(self) -> float:
        """Millimetres per pixel."""
        return self.truth.mm_per_px

    @property
    def calibration(self) -> Calibration:
        """The true scale."""
        return Calibration(row_mm=self.pitch, col_mm=self.pitch, u_rel=0.01, source="true scale")

    @property
    def marks(self) -> CanalMarks:
        """What the person gives."""
        return CanalMarks(name=self.canal.name, clicks_px=self.clicks_px)


def cases(first_seed: int, count: int, cache: Path) -> list[Case]:
    """The first ``count`` portrait films that hold a filled canal apart from the others."""
    found: list[Case] = []
    seed = first_seed
    while len(found) < count:
        image, truth = cached_phantom(seed, cache)
        film = read_radiograph(image)
        plain = [c for c in truth.canals if c.content == "filled" and not c.flags]
        if plain and film.shape == (1200, 900):
            rng = np.random.default_rng([seed, 77])
            points, from_cusp = (
                tuple(
                    (float(r), float(c))
                    for r, c in noisy_clicks(plain[0], rng, sd_mm=CLICK_SD_MM, count=3, start=start)
                )
                for start in ("orifice", "reference")
            )
            found.append(
                Case(
                    film=film,
                    truth=truth,
                    canal=plain[0],
                    clicks_px=points,
                    clicks_from_cusp_px=from_cusp,
                )
            )
        seed += 1
    return found


# --- the two ways ---------------------------------------------------------------------------


def trace(case: Case) -> canal_trace.LineTrace:
    """Clicks to centre line, by the program."""
    frame = frame_for(case.film, case.calibration, case.clicks_px)
    return canal_trace.trace_line(case.film, frame, case.clicks_px)


def review(case: Case, rule_sets: list[Any]) -> measurement.CanalMeasurement:
    """Clicks to verdicts, by the program."""
    found = measurement.measure_canal(
        case.film, case.calibration, case.marks, FilmKind.POSTOPERATIVE, Settings()
    )
    for rule_set in rule_sets:
        verdict_module.judge_canal(found.name, found.measures, rule_set)
    return found


def own_scales(case: Case) -> list[float]:
    """Scales of the program's ridge measure, in pixels."""
    return [sigma / case.pitch for sigma in RIDGE_SIGMAS_MM]


def naive_trace(case: Case, scales: list[float] | None = None) -> np.ndarray:
    """Path of pixels, shape (N, 2): ridge filter on the whole picture, cheapest path."""
    from skimage.filters import sato
    from skimage.graph import route_through_array

    given = {} if scales is None else {"sigmas": scales}
    ridge = sato(case.film.pixels, black_ridges=False, **given)
    cost = 1.0 / (0.05 + ridge / ridge.max())
    nodes = [tuple(round(v) for v in point) for point in case.clicks_px]
    path = []
    for start, end in zip(nodes[:-1], nodes[1:], strict=True):
        piece, _ = route_through_array(cost, start, end, fully_connected=True, geometric=True)
        path.extend(piece)
    return np.asarray(path, dtype=float)


def naive_widths(case: Case, path: np.ndarray) -> list[tuple[float, float, float]]:
    """(row, col, width in px) of each row of the path, by half maximum along that row."""
    pixels = case.film.pixels
    reach = int(REACH_MM / case.pitch)
    chord = path[-1] - path[0]
    upright = abs(chord[0]) / float(np.hypot(*chord))
    found: list[tuple[float, float, float]] = []
    seen: set[int] = set()
    for r, c in path.astype(int):
        if r in seen:
            continue
        seen.add(r)
        row = pixels[r]
        low, high = max(0, c - reach), min(len(row) - 1, c + reach)
        top = max(float(v) for v in row[max(low, c - 5) : min(high, c + 5) + 1])
        base = min(float(v) for v in row[low : high + 1])
        half = (top + base) / 2.0
        left = c
        while left > low and row[left] > half:
            left -= 1
        right = c
        while right < high and row[right] > half:
            right += 1
        found.append((float(r), (left + right) / 2.0, (right - left) * upright))
    return found


# --- errors ---------------------------------------------------------------------------------


def true_line(case: Case) -> np.ndarray:
    """True centre line in mm, 3 mm longer at both ends."""
    line = np.asarray(case.canal.centre_line_px) * case.pitch
    first, last = line[0] - line[3], line[-1] - line[-4]
    first, last = 3.0 * first / np.hypot(*first), 3.0 * last / np.hypot(*last)
    return np.concatenate([[line[0] + first], line, [line[-1] + last]])


def length_error(case: Case, length_mm: float) -> float:
    """Against the true line between the feet of the first and the last click."""
    line = true_line(case)
    a, b = (foot_on_polyline(line, np.asarray(case.clicks_px[k]) * case.pitch)[0] for k in (0, -1))
    return length_mm - (b - a)


def width_error(case: Case, places: list[tuple[float, float, float]]) -> list[float]:
    """Errors in mm of (row, col, width in px), inside the fill."""
    line = true_line(case)
    s_true = np.asarray(case.canal.profile_s_mm)
    widths = np.asarray(case.canal.width_fill_mm)
    errors = []
    for r, c, width_px in places:
        s = foot_on_polyline(line, np.array([r, c]) * case.pitch)[0] - 3.0
        if s_true[0] + 0.5 < s < s_true[-1] - 0.5:
            errors.append(width_px * case.pitch - float(np.interp(s, s_true, widths)))
    return errors


def errors(case: Case) -> dict[str, float]:
    """Absolute errors of both ways on one film: of the length, and in the median of the width."""
    found = review(case, [])
    ours = [
        (
            (p.left_edge_px[0] + p.right_edge_px[0]) / 2.0,
            (p.left_edge_px[1] + p.right_edge_px[1]) / 2.0,
            p.width_px,
        )
        for p in found.profile
    ]
    result = {
        "length, program": abs(length_error(case, found.canal_length.mm())),
        "width, program": float(np.median(np.abs(width_error(case, ours)))),
    }
    for name, scales in (("naive", None), ("naive, two scales", own_scales(case))):
        path = naive_trace(case, scales)
        steps = float(np.hypot(*np.diff(path, axis=0).T).sum())
        widths = width_error(case, naive_widths(case, path))
        result[f"length, {name}"] = abs(length_error(case, steps * case.pitch))
        result[f"width, {name}"] = float(np.median(np.abs(widths)))
    return result


# --- times ----------------------------------------------------------------------------------

#: Steps of the whole measurement: (module that calls it, name there, word).
STEPS: tuple[tuple[Any, str, str], ...] = (
    (measurement, "trace_line", "trace"),
    (canal_trace, "rough_path", "  rough path in it"),
    (measurement, "hold_to_clicks", "coronal part drawn again"),
    (measurement, "canal_strip", "straightened picture"),
    (measurement, "measure_width", "width"),
    (width, "fit_edge", "  edge model in it"),
    (measurement, "find_rows", "rows of the fill"),
    (measurement, "find_extent", "ends"),
    (fill_end, "levenberg_marquardt", "  rounded tip in it"),
    (measurement, "fit_taper", "taper"),
    (density_gaps, "describe_density", "density"),
    (density_gaps, "find_gaps", "voids"),
    (density_gaps, "smallest_visible", "smallest visible void"),
    (extrusion, "find_puff", "puff"),
    (measurement, "collect_measures", "named measures"),
    (verdict_module, "judge_canal", "verdicts"),
)
PARTS = ("  rough path in it", "  edge model in it", "  rounded tip in it")


@contextmanager
def clocks(seconds: dict[str, float], calls: dict[str, int]) -> Iterator[None]:
    """Add up the time spent in each of `STEPS`, and count its calls."""
    kept = [(module, name, getattr(module, name)) for module, name, _ in STEPS]

    def timed(function: Callable[..., Any], word: str) -> Callable[..., Any]:
        def run(*args: Any, **kwargs: Any) -> Any:
            start = time.perf_counter()
            try:
                return function(*args, **kwargs)
            finally:
                seconds[word] += time.perf_counter() - start
                calls[word] += 1

        return run

    for module, name, word in STEPS:
        setattr(module, name, timed(getattr(module, name), word))
    try:
        yield
    finally:
        for module, name, function in kept:
            setattr(module, name, function)


def clock(run: Callable[[], Any]) -> float:
    """Wall-clock seconds of one run."""
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


@dataclass(frozen=True, kw_only=True)
class Shares:
    """Median seconds of the whole and of each step of it, and how often each is called."""

    everything: float
    seconds: dict[str, float]
    calls: dict[str, int]


def times(case: Case, repeats: int) -> tuple[dict[str, float], dict[str, Shares]]:
    """Median seconds of each way, and the shares of each step by where the clicks start."""
    rule_sets = list(pick_rule_sets(default_rule_set_ids(FilmKind.POSTOPERATIVE)))

    def naive(scales: list[float] | None) -> None:
        naive_widths(case, naive_trace(case, scales))

    two = own_scales(case)
    ways: dict[str, Callable[[], Any]] = {
        "tracing, program": lambda: trace(case),
        "tracing, naive": lambda: naive_trace(case),
        "tracing, naive, two scales": lambda: naive_trace(case, two),
        "whole, program": lambda: review(case, rule_sets),
        "whole, naive": lambda: naive(None),
        "whole, naive, two scales": lambda: naive(two),
    }
    for run in ways.values():
        run()
    starts = {
        "orifice": case,
        "coronal reference": replace(case, clicks_px=case.clicks_from_cusp_px),
    }
    review(starts["coronal reference"], rule_sets)
    taken: dict[str, list[float]] = defaultdict(list)
    wholes: dict[str, list[float]] = defaultdict(list)
    steps: dict[str, list[dict[str, float]]] = defaultdict(list)
    calls: dict[str, dict[str, int]] = {}
    for _ in range(repeats):
        for name, run in ways.items():
            taken[name].append(clock(run))
        for start, clicked in starts.items():
            seconds: dict[str, float] = {word: 0.0 for *_, word in STEPS}
            calls[start] = {word: 0 for *_, word in STEPS}
            with clocks(seconds, calls[start]):
                wholes[start].append(clock(lambda case=clicked: review(case, rule_sets)))
            steps[start].append(seconds)
    return (
        {name: float(np.median(v)) for name, v in taken.items()},
        {
            start: Shares(
                everything=float(np.median(wholes[start])),
                seconds={
                    word: float(np.median([s[word] for s in steps[start]])) for *_, word in STEPS
                },
                calls=calls[start],
            )
            for start in starts
        },
    )


def print_shares(start: str, shares: Shares) -> None:
    """Table of the steps."""
    whole = shares.everything
    rest = whole - sum(v for word, v in shares.seconds.items() if word not in PARTS)
    print(f"Share of each step, clicks from the {start}: {1e3 * whole:.1f} ms with the clocks")
    for word, value in (*shares.seconds.items(), ("all the rest", rest)):
        calls = shares.calls.get(word, 1)
        print(f"  {word:26s} x{calls:<3d} {1e3 * value:7.1f} ms  {100 * value / whole:5.1f} %")


def whole_times(found: list[Case], repeats: int) -> list[float]:
    """Median seconds of the whole on each film."""
    rule_sets = list(pick_rule_sets(default_rule_set_ids(FilmKind.POSTOPERATIVE)))
    for case in found:
        review(case, rule_sets)
    return [
        float(np.median([clock(lambda case=case: review(case, rule_sets)) for _ in range(repeats)]))
        for case in found
    ]


def main() -> None:
    """Run and print."""
    assert __doc__ is not None
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=9)
    parser.add_argument("--films", type=int, default=8)
    parser.add_argument("--first-seed", type=int, default=9000)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    arguments = parser.parse_args()
    arguments.cache.mkdir(parents=True, exist_ok=True)
    found = cases(arguments.first_seed, arguments.films, arguments.cache)
    case = found[0]
    rows, cols = case.film.shape
    taken, steps = times(case, arguments.repeats)
    print(
        f"One canal of {case.canal.length_mm:.1f} mm on {rows} x {cols} pixels, "
        f"medians of {arguments.repeats} runs in turn"
    )
    for what in ("tracing", "whole"):
        ours = taken[f"{what}, program"]
        print(f"  {what:8s} program {1e3 * ours:29.1f} ms")
        for other in ("naive", "naive, two scales"):
            theirs = taken[f"{what}, {other}"]
            print(f"  {what:8s} {other:24s} {1e3 * theirs:12.1f} ms   ratio {theirs / ours:6.1f}")
    each = whole_times(found, arguments.repeats)
    print(
        f"  whole    program, each of {len(found)} films: median {1e3 * np.median(each):.1f}, "
        f"largest {1e3 * max(each):.1f} ms"
    )
    for start, shares in steps.items():
        print_shares(start, shares)
    rows_of = [errors(c) for c in found]
    print(
        f"Absolute errors on {len(found)} phantoms, clicks {CLICK_SD_MM} mm off per axis; "
        "median / largest"
    )
    for what in rows_of[0]:
        values = [r[what] for r in rows_of]
        print(f"  {what:26s} {np.median(values):7.4f} / {np.max(values):7.4f} mm")


if __name__ == "__main__":
    main()
