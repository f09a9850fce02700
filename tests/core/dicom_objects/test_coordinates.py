"""Half a pixel between the program's points and DICOM's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.dicom_objects.coordinates import from_dicom, stretch_of, to_dicom

SHAPE = (700, 520)
INSIDE = st.lists(
    st.tuples(st.floats(-0.5, SHAPE[0] - 0.5), st.floats(-0.5, SHAPE[1] - 0.5)), min_size=1
)


def test_corners_and_first_pixel() -> None:
    # PS3.3, C.18.6: 0\\0 is the outer corner of the first pixel, Columns\\Rows that of the last.
    assert to_dicom([(-0.5, -0.5)], SHAPE).tolist() == [[0.0, 0.0]]
    assert to_dicom([(0.0, 0.0)], SHAPE).tolist() == [[0.5, 0.5]]
    assert to_dicom([(699.5, 519.5)], SHAPE).tolist() == [[520.0, 700.0]]
    assert to_dicom([(10.0, 20.0)], SHAPE).tolist() == [[20.5, 10.5]]


@given(INSIDE)
def test_there_and_back(points: list[tuple[float, float]]) -> None:
    assert np.allclose(from_dicom(to_dicom(points, SHAPE)), points, rtol=0, atol=1e-9)


@given(INSIDE)
def test_mirroring_the_picture_mirrors_at_its_edges(points: list[tuple[float, float]]) -> None:
    mirrored = [(row, SHAPE[1] - 1 - col) for row, col in points]
    here, there = to_dicom(points, SHAPE), to_dicom(mirrored, SHAPE)
    assert np.allclose(there[:, 0], SHAPE[1] - here[:, 0])
    assert np.array_equal(there[:, 1], here[:, 1])


@given(INSIDE, st.integers(2, 5))
def test_enlarging_the_picture_enlarges_from_its_corner(
    points: list[tuple[float, float]], by: int
) -> None:
    # Each pixel becomes by x by pixels; the centre of the first one is moved.
    larger = [(by * row + (by - 1) / 2, by * col + (by - 1) / 2) for row, col in points]
    there = to_dicom(larger, (by * SHAPE[0], by * SHAPE[1]))
    assert np.allclose(there, by * to_dicom(points, SHAPE))


def test_points_beyond_the_picture_are_put_on_its_edge() -> None:
    assert to_dicom([(-40.0, 5.0), (9999.0, 9999.0)], SHAPE).tolist() == [
        [5.5, 0.0],
        [520.0, 700.0],
    ]


@pytest.mark.parametrize("swap", [False, True])
def test_a_stretch_runs_along_the_line_from_the_first_point(swap: bool) -> None:
    line = [(0.0, 0.0), (0.0, 10.0), (10.0, 10.0)]
    ends = [(1.0, 4.0), (6.0, 9.0)]
    part = stretch_of(line, *(reversed(ends) if swap else ends))
    wanted = [(0.0, 4.0), (0.0, 10.0), (6.0, 10.0)]
    assert np.allclose(part, wanted[::-1] if swap else wanted)
