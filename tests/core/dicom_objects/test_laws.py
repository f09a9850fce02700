"""A film that is mirrored or enlarged says the same millimetres, at mirrored or enlarged places."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_films import PICTURE, SAMPLES, marks_of, review_of
from PIL import Image

from rxmeasure.dicom_objects.report_reading import ReadReport, read_report
from rxmeasure.dicom_objects.writing import DicomObject
from rxmeasure.marks import Landmark, PointPx, ReviewMarks
from rxmeasure.reading import read_radiograph
from rxmeasure.review import review_film

Move = Callable[[PointPx], PointPx]


def moved(marks: ReviewMarks, move: Move) -> ReviewMarks:
    def landmark(mark: Landmark) -> Landmark:
        return mark if mark.point_px is None else replace(mark, point_px=move(mark.point_px))

    canals = tuple(
        replace(
            canal,
            clicks_px=tuple(map(move, canal.clicks_px)),
            **{
                name: landmark(getattr(canal, name))
                for name in ("coronal_reference", "orifice", "radiographic_apex", "core_end",
                             "sealer_end", "post_end")
            },
        )
        for canal in marks.canals
    )  # fmt: skip
    references = tuple(
        replace(reference, points_px=tuple(map(move, reference.points_px)))
        for reference in marks.references
    )
    return replace(marks, canals=canals, references=references)


def report_on(write: Any, folder: Path, pixels: np.ndarray, move: Move) -> ReadReport:
    path = folder / "moved.png"
    Image.fromarray(pixels).save(path)
    review = review_film(read_radiograph(path), moved(marks_of(PICTURE), move))
    return read_report(write(image=path, review=review)[DicomObject.REPORT])


def values(report: ReadReport) -> dict[str, tuple[float, str, np.ndarray]]:
    return {
        m.concept.value: (m.value, m.unit, np.asarray(m.lines[0].points_px) + 0.5)
        for m in report.groups[0].measurements
        if m.lines and m.value is not None
    }


@pytest.fixture
def as_it_is(write: Callable[..., Any]) -> dict[str, tuple[float, str, np.ndarray]]:
    return values(read_report(write()[DicomObject.REPORT]))


def test_mirrored(write: Callable[..., Any], tmp_path: Path, as_it_is: Any) -> None:
    pixels = np.asarray(Image.open(SAMPLES / PICTURE))
    columns = pixels.shape[1]
    mirrored = values(
        report_on(write, tmp_path, pixels[:, ::-1], lambda p: (p[0], columns - 1 - p[1]))
    )
    assert set(mirrored) == set(as_it_is) >= {"121211", "fill_to_apex_core_mm"}
    for name, (value, unit, points) in mirrored.items():
        before, unit_before, points_before = as_it_is[name]
        assert unit == unit_before == "mm"
        assert value == pytest.approx(before, abs=0.02)
        there = np.abs([0.0, columns] - points_before[[0, -1]])
        # Half a pixel that is wrong in one of them would show as a whole one.
        assert points[[0, -1]] == pytest.approx(there, abs=0.5)


def test_enlarged(write: Callable[..., Any], tmp_path: Path, as_it_is: Any) -> None:
    pixels = np.asarray(Image.open(SAMPLES / PICTURE))
    larger = values(
        report_on(
            write, tmp_path, np.kron(pixels, np.ones((2, 2), pixels.dtype)),
            lambda p: (2 * p[0] + 0.5, 2 * p[1] + 0.5),
        )
    )  # fmt: skip
    scale = review_of(PICTURE).calibration
    assert scale is not None
    for name in ("121211", "fill_to_apex_core_mm"):
        (value, unit, points), (before, _, points_before) = larger[name], as_it_is[name]
        assert unit == "mm"
        assert value == pytest.approx(before, abs=0.1)
        assert points[-1] == pytest.approx(2 * points_before[-1], abs=2 * 0.1 / scale.row_mm)
