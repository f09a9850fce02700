"""How exact is it? Absolute errors on random phantoms with rough clicks.

    python tests/benchmarks/accuracy.py [--films 60] [--first-seed 5000] [--cache FOLDER]

Each film is a random phantom (1200 x 900, 0.03 mm pixels, 12 bit unless told
otherwise) that is rendered from its seed. Clicks carry Gaussian noise of
0.2 mm SD per axis. The measuring code sees pixels, clicks and the scale, never
the truth. Everything is printed as median / 95th percentile of the absolute
error. Overlapped canals, hourglass shapes and voids at either end of the fill
are printed apart. A table of what is wanted and what is reached comes last.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from played_reader import (
    CLICK_SD_MM,
    extended,
    film,
    measured,
    measured_canals,
    overlapped,
    scale_from_ends,
)

from rxmeasure.calibration.file_finding import find_file
from rxmeasure.calibration.known_length import calibrate_known_lengths
from rxmeasure.errors import RxMeasureError
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.marks import FilmKind, LengthReference, Settings
from rxmeasure.phantom.truth import CanalTruth, FileTruth, noisy_clicks
from rxmeasure.radiograph import Radiograph

FILE_CLICK_OFF_MM = 0.5
END_ZONE_MM = 0.4
BIG_BUBBLE_MM = 0.28


def errors_of(seed: int, cache: str, clicks_count: int) -> list[tuple[str, float, str]]:
    """(quantity, signed error, group) of one film."""
    radiograph, truth = film(seed, Path(cache))
    rng = np.random.default_rng([seed, 77])
    found: list[tuple[str, float, str]] = []
    scale = truth.mm_per_px
    kind = FilmKind(truth.film_kind)
    for canal, clicks, seen in measured_canals(radiograph, truth, rng, clicks_count=clicks_count):
        if isinstance(seen, RxMeasureError):
            found.append((f"refused: {type(seen).__name__}", 1.0, "all"))
            continue
        group = "plain"
        if "hourglass" in canal.flags or "stripped" in canal.flags:
            group = "hourglass"
        if "post" in canal.flags:
            group = "with a post"
        if overlapped(canal, truth):
            group = "overlapped"
        found.extend(canal_errors(canal, clicks, seen, scale, group))
        found.extend(from_cusp(radiograph, canal, kind, rng, group))
    for file in truth.files:
        known = scale_from_ends(radiograph, file, scale, rng)
        group = f"{file.kind} in a canal" if file.canal else f"{file.kind} beside the tooth"
        found.append(("scale_percent", 100.0 * (known.col_mm / scale - 1.0), group))
        found.append(("scale_z", np.log(known.col_mm / scale) / known.u_rel, group))
        if file.kind == "file":
            found.extend(scale_from_one_click(radiograph, file, scale, rng, group))
    return found


def scale_from_one_click(
    radiograph: Radiograph,
    file: FileTruth,
    scale: float,
    rng: np.random.Generator,
    group: str,
) -> list[tuple[str, float, str]]:
    """Error of the scale from one click somewhere on the file, up to 0.5 mm off."""
    axis = np.asarray(file.axis_px)
    turn = rng.uniform(0.0, 2.0 * np.pi)
    off = rng.uniform(0.0, FILE_CLICK_OFF_MM) / scale * np.array([np.cos(turn), np.sin(turn)])
    try:
        seen = find_file(
            radiograph, [axis[rng.integers(len(axis))] + off], length_mm=file.length_mm
        )
    except RxMeasureError:
        return [("refused: one click on a file", 1.0, group)]
    reference = LengthReference(
        kind="file",
        points_px=seen.path_px,
        length_mm=file.length_mm,
        length_u_mm=0.0,
        ends_u_px=(seen.u_stop_px, seen.u_tip_px),
    )
    known = calibrate_known_lengths(radiograph, (reference,), Settings())
    error = known.col_mm / scale - 1.0
    return [
        ("refused: one click on a file", 0.0, group),
        ("scale_one_click_percent", 100.0 * error, group),
        ("scale_one_click_z", float(np.log1p(error) / known.u_rel), group),
    ]


def from_cusp(
    radiograph: Radiograph,
    canal: CanalTruth,
    kind: FilmKind,
    rng: np.random.Generator,
    group: str,
) -> list[tuple[str, float, str]]:
    """Error of the length from a click on the coronal reference, where no canal is seen."""
    clicks = noisy_clicks(canal, rng, sd_mm=CLICK_SD_MM, count=3, start="reference")
    try:
        found = measured(radiograph, canal, clicks, kind)
    except RxMeasureError:
        return [("cusp_refused", 1.0, group)]
    line = extended(np.asarray(canal.centre_line_px) * canal.mm_per_px, 3.0)
    first, _ = foot_on_polyline(line, clicks[0] * canal.mm_per_px)
    last, _ = foot_on_polyline(line, clicks[-1] * canal.mm_per_px)
    error = found.canal_length.mm() - (last - first)
    u = float(found.canal_length.u_mm or 1.0)
    return [("length_from_cusp_mm", error, group), ("length_from_cusp_z", error / u, group)]


def canal_errors(
    canal: CanalTruth,
    clicks: np.ndarray,
    measured: CanalMeasurement,
    scale: float,
    group: str,
) -> list[tuple[str, float, str]]:
    """Errors of one canal."""
    found: list[tuple[str, float, str]] = []
    line = extended(np.asarray(canal.centre_line_px) * scale, 3.0)
    first, _ = foot_on_polyline(line, clicks[0] * scale)
    last, _ = foot_on_polyline(line, clicks[-1] * scale)
    found.append(("length_mm", measured.canal_length.mm() - (last - first), group))
    seen = np.asarray(measured.centre_line.points_px) * scale
    if canal.s_core_end_mm is not None:
        on_fill = [
            d
            for s, d in (foot_on_polyline(line, p) for p in seen)
            if 3.0 + float(canal.s_fill_start_mm or 0) < s < 3.0 + canal.s_core_end_mm
        ]
        if on_fill:
            found.append(("centre_rms_mm", float(np.sqrt(np.mean(np.square(on_fill)))), group))
    if canal.content not in ("filled", "cone"):
        return found
    if measured.core_end is None:
        found.append(("fill_missed", 1.0, group))
        return found
    found.append(("fill_missed", 0.0, group))
    core_s, _ = foot_on_polyline(line, np.asarray(measured.core_end.point_px) * scale)
    core_error = core_s - 3.0 - float(canal.s_core_end_mm or 0.0)
    found.append(("core_end_mm", core_error, group))
    if measured.core_end.u_px > 0:
        found.append(("core_end_z", core_error / (measured.core_end.u_px * scale), group))
    # The end of the visible fill: core or sealer, whichever reaches farther.
    fill_end = measured.fill_end or measured.core_end
    end_s, _ = foot_on_polyline(line, np.asarray(fill_end.point_px) * scale)
    true_end = max(float(canal.s_core_end_mm or 0.0), float(canal.s_sealer_end_mm or 0.0))
    end_error = end_s - 3.0 - true_end
    flagged = any(w.code == "fill-end-unsure" for w in measured.warnings)
    found.append(("fill_end_mm", end_error, group))
    found.append(("fill_end_flagged", float(flagged), group))
    if not flagged:
        found.append(("fill_end_unflagged_mm", end_error, group))
    if fill_end.u_px > 0:
        found.append(("fill_end_z", end_error / (fill_end.u_px * scale), group))
    s_true = np.asarray(canal.profile_s_mm)
    widths = np.asarray(canal.width_fill_mm)
    for p in measured.profile:
        middle = (np.asarray(p.left_edge_px) + np.asarray(p.right_edge_px)) / 2 * scale
        s, _ = foot_on_polyline(line, middle)
        s -= 3.0
        if s_true[0] + 0.3 < s < s_true[-1] - 0.3 and p.width_mm is not None:
            error = p.width_mm - float(np.interp(s, s_true, widths))
            found.append(
                ("width_mm", error, f"{group}, at a wall void" if gap_at(canal, s) else group)
            )
    if measured.taper is not None:
        to_end = np.asarray(canal.profile_to_end_mm)
        zone = (to_end >= 1.0) & (to_end <= 8.0) & (to_end <= to_end.max() - 1.0)
        if zone.sum() > 10:
            slope = float(np.polyfit(to_end[zone], widths[zone], 1)[0])
            found.append(("taper_mm_per_mm", measured.taper.taper - slope, group))
    found.extend(void_errors(canal, measured, scale, group))
    found.extend(puff_errors(canal, measured, group))
    return found


def gap_at(canal: CanalTruth, s_mm: float) -> bool:
    """Whether a void at the wall takes some of the fill's width there: the truth has the whole."""
    end = float(canal.s_core_end_mm or 0.0)
    return any(
        void.kind == "lateral" and abs(s_mm - end + void.to_core_end_mm) < void.length_mm / 2 + 0.1
        for void in canal.voids
    )


def void_errors(
    canal: CanalTruth, measured: CanalMeasurement, scale: float, group: str
) -> list[tuple[str, float, str]]:
    """Voids found and missed, false ones, and the error of their area."""
    if canal.content != "filled":
        return []
    found: list[tuple[str, float, str]] = []
    length = float(canal.fill_length_mm or 0.0)
    matched: set[int] = set()
    for void in canal.voids:
        centre = np.asarray(void.centre_px) * scale
        hit = None
        for k, gap in enumerate(measured.gaps):
            distance = float(np.hypot(*(np.asarray(gap.centre_px) * scale - centre)))
            if distance < 0.3 + 0.5 * max(void.length_mm, void.width_mm):
                hit = k if hit is None else hit
                matched.add(k)
        at_end = (
            void.to_core_end_mm - void.length_mm / 2 < END_ZONE_MM
            or void.to_core_end_mm + void.length_mm / 2 > length - END_ZONE_MM
        )
        label = f"{group}, at an end" if at_end else group
        if max(void.length_mm, void.width_mm) < Settings().void_min_mm:
            label = f"{group}, under the floor"
        found.append((f"void_found {void.kind}", float(hit is not None), label))
        found.append(("void_found any", float(hit is not None), label))
        if void.kind == "bubble" and void.length_mm >= BIG_BUBBLE_MM:
            found.append(
                (f"void_found bubble >= {BIG_BUBBLE_MM} mm", float(hit is not None), label)
            )
        if hit is not None and measured.gaps[hit].area.value_mm2 is not None:
            area = measured.gaps[hit].area.value_mm2
            found.append(("void_area_percent", 100.0 * (area / void.area_mm2 - 1.0), label))
    found.append(("void_false_per_canal", float(len(measured.gaps) - len(matched)), group))
    return found


def puff_errors(
    canal: CanalTruth, measured: CanalMeasurement, group: str
) -> list[tuple[str, float, str]]:
    """Puff found, its area, and false puffs."""
    if canal.content != "filled":
        return []
    area = measured.puff.area.value_mm2 if measured.puff is not None else None
    if not canal.puffs:
        return [("puff_false_per_canal", float(area is not None), group)]
    largest = max(canal.puffs, key=lambda p: p.area_mm2)
    found = [(f"puff_found {largest.place}", float(area is not None), group)]
    if area is not None:
        found.append(("puff_area_percent", 100.0 * (area / largest.area_mm2 - 1.0), group))
    return found


RATES = ("void_found", "puff_found", "fill_missed", "fill_end_flagged", "refused")
COUNTS = ("void_false", "puff_false")


def table(rows: list[tuple[str, float, str]]) -> dict[str, dict[str, Any]]:
    """Summaries by quantity and group."""
    by: dict[tuple[str, str], list[float]] = defaultdict(list)
    for quantity, value, group in rows:
        by[(quantity, group)].append(value)
        if group not in ("plain",) and quantity.startswith("length"):
            by[(quantity, "all")].append(value)
    summary: dict[str, dict[str, Any]] = {}
    for (quantity, group), values in sorted(by.items()):
        v = np.asarray(values)
        if quantity.startswith(RATES):
            text = f"{100 * v.mean():6.1f} %"
        elif quantity.startswith(COUNTS):
            text = f"{v.mean():6.3f} per canal"
        elif quantity.endswith("_z"):
            text = f"|z| < 1.96 in {100 * (np.abs(v) < 1.96).mean():.1f} %"
        else:
            a = np.abs(v)
            text = f"{np.median(a):8.4f} / {np.percentile(a, 95):8.4f}   (bias {np.median(v):+.4f})"
        summary.setdefault(quantity, {})[group] = {"text": text, "n": len(v)}
    return summary


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a quantity has to reach (floor) and should reach (goal), one number a statistic.

    ``statistic``: "median / 95 %" or one of these of the absolute error, "share" in per cent
    or "a canal", the mean. A share should be high, everything else low.
    """

    name: str
    quantity: str
    statistic: str
    floor: tuple[float, ...]
    goal: tuple[float, ...]
    group: str = "plain"

    def reached(self, values: np.ndarray) -> tuple[float, ...]:
        """The statistic of the signed errors, or of the ones and zeros."""
        if self.statistic == "share":
            return (100.0 * float(values.mean()),)
        if self.statistic == "a canal":
            return (float(values.mean()),)
        away = np.abs(values)
        both = {"median": float(np.median(away)), "95 %": float(np.percentile(away, 95))}
        return tuple(both[name] for name in self.statistic.split(" / "))

    def met(self, reached: tuple[float, ...], wanted: tuple[float, ...]) -> bool:
        """Whether every number is as good as wanted."""
        sign = -1.0 if self.statistic == "share" else 1.0
        return all(sign * r <= sign * w for r, w in zip(reached, wanted, strict=True))


BOTH = "median / 95 %"
WANTED = (
    Wanted(
        name="length, mm",
        quantity="length_mm",
        statistic=BOTH,
        floor=(0.013, 0.071),
        goal=(0.010, 0.04),
    ),
    Wanted(
        name="width, mm",
        quantity="width_mm",
        statistic=BOTH,
        floor=(0.023, 0.046),
        goal=(0.010, 0.025),
    ),
    Wanted(
        name="taper, mm/mm",
        quantity="taper_mm_per_mm",
        statistic=BOTH,
        floor=(0.0014, 0.0047),
        goal=(0.0008, 0.002),
    ),
    Wanted(
        name="end of the fill, mm",
        quantity="fill_end_mm",
        statistic=BOTH,
        floor=(0.067, 0.44),
        goal=(0.03, 0.10),
    ),
    Wanted(
        name="voids found, %",
        quantity="void_found any",
        statistic="share",
        floor=(75.0,),
        goal=(92.0,),
    ),
    Wanted(
        name="false voids a canal",
        quantity="void_false_per_canal",
        statistic="a canal",
        floor=(0.15,),
        goal=(0.05,),
    ),
    Wanted(
        name=f"bubbles >= {BIG_BUBBLE_MM} mm found, %",
        quantity=f"void_found bubble >= {BIG_BUBBLE_MM} mm",
        statistic="share",
        floor=(95.0,),
        goal=(95.0,),
    ),
    Wanted(
        name="area of a void, %",
        quantity="void_area_percent",
        statistic="median",
        floor=(40.0,),
        goal=(15.0,),
    ),
    Wanted(
        name="area of a puff, %",
        quantity="puff_area_percent",
        statistic="median",
        floor=(25.0,),
        goal=(10.0,),
    ),
    Wanted(
        name="centre line of overlapped canals, RMS, mm",
        quantity="centre_rms_mm",
        statistic="95 %",
        floor=(0.19,),
        goal=(0.05,),
        group="overlapped",
    ),
)


def wanted_table(rows: list[tuple[str, float, str]]) -> list[str]:
    """Lines: quantity, floor, goal, reached, number of values, and what is missed."""
    heads = " ".join(f"{head:>15s}" for head in ("floor", "goal", "reached"))
    lines = [f"{'quantity':42s} {'statistic':13s} {heads} {'n':>6s}"]
    for wanted in WANTED:
        values = np.array([v for q, v, g in rows if (q, g) == (wanted.quantity, wanted.group)])
        cells = [wanted.floor, wanted.goal]
        mark = "none seen"
        if len(values):
            reached = wanted.reached(values)
            cells.append(reached)
            mark = "" if wanted.met(reached, wanted.goal) else "goal missed"
            mark = mark if wanted.met(reached, wanted.floor) else "FLOOR MISSED"
        texts = [" / ".join(f"{v:.4g}" for v in cell) for cell in cells] + [""]
        line = f"{wanted.name:42s} {wanted.statistic:13s} "
        line += " ".join(f"{text:>15s}" for text in texts[:3])
        lines.append(f"{line} {len(values):6d}  {mark}".rstrip())
    return lines


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--films", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=5000)
    parser.add_argument("--clicks", type=int, default=3)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    arguments.cache.mkdir(parents=True, exist_ok=True)
    seeds = range(arguments.first_seed, arguments.first_seed + arguments.films)
    rows: list[tuple[str, float, str]] = []
    with ProcessPoolExecutor(arguments.workers) as pool:
        for part in pool.map(
            errors_of,
            seeds,
            [str(arguments.cache)] * len(seeds),
            [arguments.clicks] * len(seeds),
        ):
            rows.extend(part)
    out = sys.stdout.write
    out(
        f"{arguments.films} phantoms from seed {arguments.first_seed}, {arguments.clicks} clicks "
        f"a canal, click noise {CLICK_SD_MM} mm SD per axis; median / 95th percentile\n"
    )
    for quantity, groups in table(rows).items():
        for group, cell in groups.items():
            out(f"{quantity:28s} {group:22s} n={cell['n']:5d}  {cell['text']}\n")
    out("\nWanted and reached; canals apart, no hourglass, voids away from the ends\n")
    out("\n".join(wanted_table(rows)) + "\n")


if __name__ == "__main__":
    main()
