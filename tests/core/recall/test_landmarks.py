"""Alignment by marked points."""

from __future__ import annotations

import numpy as np
import pytest

from rxmeasure.recall.contrast import AlignmentError
from rxmeasure.recall.landmarks import align_landmarks
from rxmeasure.recall.plane_map import mapped

POINTS = np.array([[100.0, 80.0], [120.0, 420.0], [600.0, 130.0], [640.0, 500.0], [380.0, 300.0]])
MAPS = {
    "similarity": np.array([[0.9, -0.3, 40.0], [0.3, 0.9, -25.0], [0.0, 0.0, 1.0]]),
    "affine": np.array([[1.1, 0.2, -30.0], [-0.1, 0.95, 12.0], [0.0, 0.0, 1.0]]),
    "projective": np.array([[1.05, 0.1, 8.0], [-0.05, 0.97, 3.0], [2e-4, -1e-4, 1.0]]),
}


@pytest.mark.parametrize("model", list(MAPS))
def test_exact_points_give_the_map(model):
    found = align_landmarks(mapped(MAPS[model], POINTS), POINTS, model=model)
    np.testing.assert_allclose(found.map, MAPS[model], rtol=1e-6, atol=1e-7)
    assert found.left_out_rms_px == pytest.approx(0.0, abs=1e-6)


def test_a_slip_shows_when_its_point_is_left_out():
    """The four others are exact, so they put the fifth where it was: the slip is found whole."""
    first = mapped(MAPS["affine"], POINTS)
    first[2] += (3.0, -4.0)
    found = align_landmarks(first, POINTS, model="affine")
    assert found.left_out_px[2] == pytest.approx(5.0, abs=1e-6)
    assert found.left_out_px.argmax() == 2


def test_no_spare_point_tells_no_error():
    found = align_landmarks(POINTS[[0, 1, 2]], POINTS[[0, 1, 2]] + 5.0, model="affine")
    assert found.left_out_px is None
    assert found.left_out_rms_px is None


@pytest.mark.parametrize(
    ("first", "second", "model", "words"),
    [
        (POINTS[:3], POINTS[:3], "projective", "4 or more"),
        (POINTS[:4], POINTS[:3], "affine", "4 landmarks in the first film and 3"),
        (POINTS, POINTS * (1.0, -1.0), "affine", "mirrored"),
        (POINTS * (1.0, 0.0), POINTS * (1.0, 0.0), "affine", "in a line"),
        (POINTS, POINTS, "spline", "spline"),
    ],
)
def test_what_cannot_be_aligned(first, second, model, words):
    with pytest.raises(AlignmentError, match=words):
        align_landmarks(first, second, model=model)
