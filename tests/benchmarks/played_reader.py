"""The reader of the benchmarks: films of random phantoms, and the clicks made on them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from rxmeasure.calibration.known_length import calibrate_known_lengths
from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import RxMeasureError
from rxmeasure.filling.measurement import measure_canal
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.geometry import FloatArray, foot_on_polyline
from rxmeasure.marks import CanalMarks, FilmKind, LengthReference, PointPx, Settings
from rxmeasure.phantom import cached_phantom
from rxmeasure.phantom.truth import CanalTruth, FileTruth, PhantomTruth, noisy_clicks
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph

#: Scatter of a click along each axis.
CLICK_SD_MM = 0.2


def film(seed: int, cache: Path) -> tuple[Radiograph, PhantomTruth]:
    """Film as the program reads it (from its file), and its truth."""
    image, truth = cached_phantom(seed, cache)
    return read_radiograph(image), truth


def true_scale(mm_per_px: float) -> Calibration:
    """A calibration without error, where the scale is not what is asked."""
    return Calibration(row_mm=mm_per_px, col_mm=mm_per_px, u_rel=1e-6, source="true scale")


def measured(
    radiograph: Radiograph, canal: CanalTruth, clicks: FloatArray, kind: FilmKind
) -> CanalMeasurement:
    """What the program measures from clicks along one canal."""
    marks = CanalMarks(name=canal.name, clicks_px=as_points(clicks))
    return measure_canal(radiograph, true_scale(canal.mm_per_px), marks, kind, Settings())


def measured_canals(
    radiograph: Radiograph,
    truth: PhantomTruth,
    rng: np.random.Generator,
    *,
    contents: tuple[str, ...] = ("filled", "cone"),
    clicks_count: int = 3,
) -> Iterator[tuple[CanalTruth, FloatArray, CanalMeasurement | RxMeasureError]]:
    """Each canal of those contents with the clicks on it and what was measured, or why not."""
    for canal in truth.canals:
        if canal.content not in contents:
            continue
        clicks = noisy_clicks(canal, rng, sd_mm=CLICK_SD_MM, count=clicks_count)
        try:
            found = measured(radiograph, canal, clicks, FilmKind(truth.film_kind))
        except RxMeasureError as error:
            yield canal, clicks, error
        else:
            yield canal, clicks, found


def scale_from_ends(
    radiograph: Radiograph, file: FileTruth, scale: float, rng: np.random.Generator
) -> Calibration:
    """The scale from a click on either end of a file."""
    ends = np.asarray(file.axis_px)[[0, -1]] + rng.normal(0.0, CLICK_SD_MM / scale, (2, 2))
    reference = LengthReference(kind="file", points_px=as_points(ends), length_mm=file.length_mm)
    return calibrate_known_lengths(radiograph, (reference,), Settings())


def as_points(points: FloatArray) -> tuple[PointPx, ...]:
    """Points as marks keep them."""
    return tuple((float(r), float(c)) for r, c in points)


def extended(points: np.ndarray, by: float) -> np.ndarray:
    """A line carried on straight at both ends."""
    a = points[0] + (points[0] - points[3]) / np.hypot(*(points[0] - points[3])) * by
    b = points[-1] + (points[-1] - points[-4]) / np.hypot(*(points[-1] - points[-4])) * by
    return np.concatenate([[a], points, [b]])


def overlapped(canal: CanalTruth, truth: PhantomTruth) -> bool:
    """Whether another canal lies over this one, or its fill beside this one's line."""
    return "overlapped" in canal.flags or beside_another(canal, truth)


def beside_another(canal: CanalTruth, truth: PhantomTruth) -> bool:
    """Whether another canal's fill lies on this one's line, within 0.5 mm, up to its apex."""
    line = np.asarray(canal.centre_line_px) * truth.mm_per_px
    own = line[np.asarray(canal.s_mm) >= float(canal.s_fill_start_mm or canal.s_orifice_mm)]
    for other in truth.canals:
        if other.name == canal.name or other.s_core_end_mm is None:
            continue
        s = np.asarray(other.s_mm)
        filled = (s >= float(other.s_fill_start_mm or 0.0)) & (s <= other.s_core_end_mm)
        theirs = np.asarray(other.centre_line_px)[filled][::3] * truth.mm_per_px
        if len(theirs) and min(foot_on_polyline(own, p)[1] for p in theirs) < 0.5:
            return True
    return False
