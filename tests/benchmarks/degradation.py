"""What breaks first? Errors on films that were spoiled after they were taken.

    python tests/benchmarks/degradation.py [--films 6] [--first-seed 5000] [--out FOLDER]

Random phantoms are rendered as for ``accuracy.py``; then the picture is spoiled (grey scale,
filters, compression, resampling) while clicks and truth move with it. The measuring is the
same as ever and is not told. Of the same canals of the same run, undegraded and degraded, the
absolute errors of length, visible end and width of the fill are compared: a table of median and
95th percentile, beside them by how much the end moved, and a figure (SVG and PNG) of both over
those of the undegraded films. Canals that another fill touches or that are narrowed, stripped
or posted are left out.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from accuracy import canal_errors
from numpy.typing import NDArray
from played_reader import CLICK_SD_MM, as_points, film, overlapped, true_scale
from scipy import ndimage

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import RxMeasureError
from rxmeasure.filling.measurement import measure_canal
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.marks import CanalMarks, FilmKind, Settings
from rxmeasure.phantom import random_parameters
from rxmeasure.phantom.imaging import SD_PER_FWHM
from rxmeasure.phantom.truth import CanalTruth, noisy_clicks
from rxmeasure.radiograph import Radiograph

Floats = NDArray[np.float64]

QUANTITIES = {
    "length_mm": "canal length",
    "fill_end_mm": "visible end of fill",
    "width_mm": "width of fill",
}
#: By how much the end of the same fill lies elsewhere than on the undegraded film.
MOVED = "end_moved_mm"
#: Unsharp mask: standard deviation of what is taken off (choice, a usual viewer's).
UNSHARP_MM = 0.06
BASE_PITCH_MM = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A film between 0 and 1 with its pixel size and what moved its points.

    A point ``p`` of the film as taken lies at ``matrix @ p + offset`` now.
    """

    pixels: Floats
    mm_per_px: float
    matrix: Floats
    offset: Floats

    def moved(self, points_px: Any) -> Floats:
        return np.asarray(points_px, dtype=np.float64) @ self.matrix.T + self.offset


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """What a degradation may know of the film: its blur, and random numbers."""

    blur_fwhm_mm: float
    rng: np.random.Generator


Spoil = Callable[[Picture, Film, Any], Picture]
#: A way of measuring one canal: picture, scale, clicks, film kind. Others are added here.
Measure = Callable[[Radiograph, Calibration, Floats, FilmKind], CanalMeasurement]


def with_clicks(
    radiograph: Radiograph, calibration: Calibration, clicks: Floats, kind: FilmKind
) -> CanalMeasurement:
    """Measure from rough clicks along the canal."""
    marks = CanalMarks(name="single", clicks_px=as_points(clicks))
    return measure_canal(radiograph, calibration, marks, kind, Settings())


MEASURERS: dict[str, Measure] = {"clicks": with_clicks}


# --- degradations ---------------------------------------------------------------------------


def gamma(p: Picture, _: Film, strength: float) -> Picture:
    return replace(p, pixels=p.pixels ** (1.0 / strength))


def edge_enhancement(p: Picture, _: Film, strength: float) -> Picture:
    smooth = ndimage.gaussian_filter(p.pixels, UNSHARP_MM / p.mm_per_px)
    return replace(p, pixels=(p.pixels + strength * (p.pixels - smooth)).clip(0.0, 1.0))


def fewer_bits(p: Picture, _: Film, bits: int) -> Picture:
    full = 2**bits - 1
    return replace(p, pixels=np.rint(p.pixels * full) / full)


def jpeg(p: Picture, _: Film, quality: int) -> Picture:
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(np.rint(p.pixels * 255.0).astype(np.uint8)).save(
        buffer, format="jpeg", quality=quality
    )
    return replace(p, pixels=np.asarray(Image.open(buffer), dtype=np.float64) / 255.0)


def inverted(p: Picture, _: Film, __: str) -> Picture:
    """Metal dark, and the reader does not turn it back."""
    return replace(p, pixels=1.0 - p.pixels)


def blur(p: Picture, known: Film, times: float) -> Picture:
    """Blur of the film as taken, widened ``times``; smooths the noise too."""
    sd_mm = known.blur_fwhm_mm * SD_PER_FWHM * np.sqrt(times**2 - 1.0)
    return replace(p, pixels=ndimage.gaussian_filter(p.pixels, sd_mm / p.mm_per_px))


def noise(p: Picture, known: Film, times: float) -> Picture:
    """White noise added to what the film has, so that its level becomes ``times`` as high."""
    grain = p.pixels[1:, 1:] - p.pixels[:-1, 1:] - p.pixels[1:, :-1] + p.pixels[:-1, :-1]
    level = float(np.median(np.abs(grain))) / 0.6745 / 2.0
    added = known.rng.normal(0.0, level * np.sqrt(times**2 - 1.0), p.pixels.shape)
    return replace(p, pixels=(p.pixels + added).clip(0.0, 1.0))


def pixel_size(p: Picture, _: Film, pitch_mm: float) -> Picture:
    """Other pixels: averaged when larger, interpolated when smaller."""
    times = pitch_mm / BASE_PITCH_MM
    shape = tuple(int(n / times) for n in p.pixels.shape)
    source = p.pixels
    if times > 1.0:
        # About as wide as the mean over the larger pixel.
        source = ndimage.gaussian_filter(source, np.sqrt((times**2 - 1.0) / 12.0))
    pixels = ndimage.affine_transform(
        source, np.full(2, times), offset=0.5 * times - 0.5, output_shape=shape, mode="nearest"
    )
    return Picture(
        pixels=pixels.clip(0.0, 1.0),
        mm_per_px=p.mm_per_px * times,
        matrix=p.matrix / times,
        offset=(p.offset + 0.5) / times - 0.5,
    )


def rotation(p: Picture, _: Film, angle_deg: float) -> Picture:
    """The whole picture turned about its middle; black corners fill the larger frame."""
    a = np.deg2rad(angle_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    old = (np.array(p.pixels.shape) - 1.0) / 2.0
    shape = np.ceil(np.abs(turn) @ p.pixels.shape - 1e-9).astype(int)
    new = (shape - 1.0) / 2.0
    pixels = ndimage.affine_transform(
        p.pixels, turn.T, offset=old - turn.T @ new, output_shape=tuple(shape), cval=0.0
    )
    return replace(
        p,
        pixels=pixels.clip(0.0, 1.0),
        matrix=turn @ p.matrix,
        offset=turn @ (p.offset - old) + new,
    )


def mirrored(p: Picture, _: Film, __: str) -> Picture:
    flip = np.diag([1.0, -1.0])
    last = np.array([0.0, p.pixels.shape[1] - 1.0])
    return replace(
        p, pixels=p.pixels[:, ::-1], matrix=flip @ p.matrix, offset=flip @ p.offset + last
    )


DEGRADATIONS: dict[str, tuple[Spoil, tuple[Any, ...]]] = {
    "gamma": (gamma, (0.5, 0.7, 1.4, 2.0)),
    "edge enhancement": (edge_enhancement, (0.5, 1.0, 2.0)),
    "bits": (fewer_bits, (10, 8, 6)),
    "JPEG quality": (jpeg, (95, 85, 70, 50)),
    "inverted": (inverted, ("unnoticed",)),
    "blur, times": (blur, (1.25, 1.5, 2.0)),
    "noise, times": (noise, (1.5, 2.0, 3.0)),
    "pixel, mm": (pixel_size, (0.015, 0.02, 0.045, 0.06)),
    "rotated, degrees": (rotation, (10.0, 45.0, 90.0, 137.0)),
    "mirrored": (mirrored, ("yes",)),
}
UNDEGRADED = ("undegraded", "")


# --- measuring ------------------------------------------------------------------------------

Row = tuple[str, str, str, str, float]


def rows_of(seed: int, cache: str) -> list[Row]:
    """(measurer, degradation, strength, quantity, signed error) of one film."""
    radiograph, truth = film(seed, Path(cache))
    low, high = radiograph.value_min, radiograph.value_max
    taken = Picture(
        pixels=(radiograph.pixels.astype(np.float64) - low) / (high - low),
        mm_per_px=truth.mm_per_px,
        matrix=np.eye(2),
        offset=np.zeros(2),
    )
    rng = np.random.default_rng([seed, 77])
    plain = [
        (c, noisy_clicks(c, rng, sd_mm=CLICK_SD_MM, count=3))
        for c in truth.canals
        if c.content == "filled"
        and not set(c.flags) & {"hourglass", "stripped", "post"}
        and not overlapped(c, truth)
    ]
    kind = FilmKind(truth.film_kind)
    known = Film(
        blur_fwhm_mm=random_parameters(seed).imaging.blur_fwhm_mm,
        rng=np.random.default_rng([seed, 78]),
    )
    rows: list[Row] = []
    ends: dict[tuple[str, str], float | None] = {}
    for degradation, strength, picture in pictures(taken, known):
        spoiled = radiograph_of(picture, radiograph)
        for name, measurer in MEASURERS.items():
            for canal, clicks in plain:
                found = errors_of(picture, spoiled, canal, clicks, kind, measurer)
                end = dict(found).get("fill_end_mm")
                as_taken = ends.setdefault((name, canal.name), end)
                if end is not None and as_taken is not None:
                    found.append((MOVED, end - as_taken))
                rows.extend((name, degradation, strength, *value) for value in found)
    return rows


def pictures(taken: Picture, known: Film) -> Iterator[tuple[str, str, Picture]]:
    """The film as taken, then each degradation at each strength."""
    yield (*UNDEGRADED, taken)
    for name, (spoil, strengths) in DEGRADATIONS.items():
        for strength in strengths:
            text = strength if isinstance(strength, str) else f"{strength:g}"
            yield name, text, spoil(taken, known, strength)


def radiograph_of(picture: Picture, taken: Radiograph) -> Radiograph:
    low, high = taken.value_min, taken.value_max
    pixels = (low + (high - low) * picture.pixels).astype(np.float32)
    pixels.setflags(write=False)
    rows, columns = pixels.shape
    return replace(taken, pixels=pixels, source=replace(taken.source, rows=rows, columns=columns))


def moved_truth(picture: Picture, canal: CanalTruth) -> CanalTruth:
    """Truth of a canal in the degraded picture."""

    def moved(points: Any) -> tuple[Any, ...]:
        return tuple((float(r), float(c)) for r, c in picture.moved(points))

    return replace(
        canal,
        mm_per_px=picture.mm_per_px,
        centre_line_px=moved(canal.centre_line_px),
        voids=tuple(replace(v, centre_px=moved([v.centre_px])[0]) for v in canal.voids),
    )


def errors_of(
    picture: Picture,
    radiograph: Radiograph,
    canal: CanalTruth,
    clicks: Floats,
    kind: FilmKind,
    measurer: Measure,
) -> list[tuple[str, float]]:
    """Errors of one canal; ``lost`` is 1 for a fill that was not found or refused."""
    scale = picture.mm_per_px
    there = picture.moved(clicks)
    try:
        measured = measurer(radiograph, true_scale(scale), there, kind)
    except RxMeasureError:
        return [("lost", 1.0)]
    found = canal_errors(moved_truth(picture, canal), there, measured, scale, "plain")
    kept = [(quantity, error) for quantity, error, _ in found if quantity in QUANTITIES]
    return [*kept, ("lost", float(measured.core_end is None))]


# --- table and figure -----------------------------------------------------------------------

Summary = dict[tuple[str, str, str, str], tuple[float, float]]


def summaries(rows: list[Row]) -> tuple[Summary, dict[tuple[str, str, str], float]]:
    """(median, 95th percentile) of absolute errors, and the share of lost fills."""
    by: dict[tuple[str, str, str, str], list[float]] = defaultdict(list)
    for *key, error in rows:
        by[tuple(key)].append(abs(error))  # type: ignore[index]
    errors = {
        k: (float(np.median(v)), float(np.percentile(v, 95)))
        for k, v in by.items()
        if k[3] != "lost"
    }
    return errors, {k[:3]: float(np.mean(v)) for k, v in by.items() if k[3] == "lost"}


def table_lines(errors: Summary, lost: dict[tuple[str, str, str], float]) -> list[str]:
    columns = {**QUANTITIES, MOVED: "that end moved by"}
    head = "  ".join(f"{text:>19s}" for text in columns.values())
    lines = [f"{'measured by':12s} {'degradation':18s} {'':9s}  {head}  lost"]
    for measurer, degradation, strength in lost:
        cells = []
        for quantity in columns:
            found = errors.get((measurer, degradation, strength, quantity))
            cells.append("-" if found is None else f"{found[0]:.3f} / {found[1]:.3f}")
        text = "  ".join(f"{cell:>19s}" for cell in cells)
        share = 100.0 * lost[(measurer, degradation, strength)]
        lines.append(f"{measurer:12s} {degradation:18s} {strength:9s}  {text}  {share:3.0f} %")
    return lines


def draw(
    errors: Summary, lost: dict[tuple[str, str, str], float], measurer: str, out: Path, about: str
) -> None:
    """A panel for each degradation: errors over those of the undegraded films."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    from rxmeasure.report.plots import PLOT_STYLE

    colour = dict(zip(QUANTITIES, ("#0072b2", "#d55e00", "#009e73"), strict=True))
    with rc_context(PLOT_STYLE):
        figure = Figure(figsize=(11.0, 5.6), layout="constrained")
        panels = figure.subplots(2, 5, sharey=True)
        for axes, (name, (_, strengths)) in zip(panels.flat, DEGRADATIONS.items(), strict=True):
            texts = [s if isinstance(s, str) else f"{s:g}" for s in strengths]
            x = np.arange(len(texts))
            for shift, quantity in zip((-0.08, 0.0, 0.08), QUANTITIES, strict=True):
                base = errors[(measurer, *UNDEGRADED, quantity)]
                found = [errors.get((measurer, name, t, quantity), (np.nan, np.nan)) for t in texts]
                ratio = np.array(found) / base
                for k, (line, mark) in enumerate((("-", "o"), ("--", "^"))):
                    axes.plot(
                        x + shift, ratio[:, k], line, marker=mark, ms=4, color=colour[quantity],
                        mfc=colour[quantity] if k == 0 else "white",
                        label=f"{QUANTITIES[quantity]}, {('median', '95th percentile')[k]}",
                    )  # fmt: skip
            for place, text in zip(x, texts, strict=True):
                share = lost.get((measurer, name, text), 0.0)
                if share > 0.0:
                    axes.annotate(
                        f"{100 * share:.0f} %\nlost", (place, 0.99), ha="center", va="top",
                        xycoords=("data", "axes fraction"), fontsize=6.5,
                    )  # fmt: skip
            axes.axhline(1.0, color="#1b1f24", linewidth=0.6)
            axes.set_yscale("log", base=2)
            axes.set_yticks([0.5, 1, 2, 4, 8, 16, 32], ["½", "1", "2", "4", "8", "16", "32"])
            axes.set_xticks(x, texts)
            axes.set_xlim(-0.5, len(texts) - 0.5)
            axes.set_title(name, fontsize=8.5)
            axes.grid(color="#d9dde2", linewidth=0.4)
        for axes in panels[:, 0]:
            axes.set_ylabel("error, times that of the undegraded films")
        handles, labels = panels.flat[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=3)
        figure.suptitle(about, fontsize=8.5)
        out.mkdir(parents=True, exist_ok=True)
        for ending in ("svg", "png"):
            figure.savefig(out / f"degradation-{measurer}.{ending}", dpi=130)


def main() -> None:
    """Run, print and draw."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--films", type=int, default=6)
    parser.add_argument("--first-seed", type=int, default=5000)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "rx-degradation")
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    arguments.cache.mkdir(parents=True, exist_ok=True)
    seeds = range(arguments.first_seed, arguments.first_seed + arguments.films)
    rows: list[Row] = []
    with ProcessPoolExecutor(arguments.workers) as pool:
        for part in pool.map(rows_of, seeds, [str(arguments.cache)] * len(seeds)):
            rows.extend(part)
    errors, lost = summaries(rows)
    for measurer in MEASURERS:
        canals = sum(r[:4] == (measurer, *UNDEGRADED, "lost") for r in rows)
        if not canals:
            sys.exit("These films show no filled canal apart from others; take more films.")
        about = (
            f"{arguments.films} films from seed {arguments.first_seed}, {canals} plain canals, "
            f"measured by {measurer}; absolute error, median / 95th percentile in mm"
        )
        sys.stdout.write(about + "\n")
        draw(errors, lost, measurer, arguments.out, about)
    sys.stdout.write("\n".join(table_lines(errors, lost)) + "\n")
    sys.stdout.write(f"Figures in {arguments.out}\n")


if __name__ == "__main__":
    main()
