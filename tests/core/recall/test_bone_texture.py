"""The spectrum of a texture, read off a drawn field."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial.distance import cdist

from rxmeasure.recall.bone_texture import TextureSpectrum

STEP = 0.3


def _field(sigma_mm: float, seed: int = 1, size: int = 120) -> np.ndarray:
    rng = np.random.default_rng(seed)
    field = ndimage.gaussian_filter(rng.standard_normal((size, size)), sigma_mm / STEP, mode="wrap")
    return np.asarray((field - field.mean()) / field.std())


@pytest.mark.parametrize("sigma", [0.3, 0.6])
def test_the_covariance_is_that_of_the_field(sigma: float) -> None:
    # Calculation: white noise smoothed by a Gaussian of width s has exp(-d**2 / 4 s**2).
    where = np.ones((120, 120), dtype=bool)
    spectrum = TextureSpectrum.of(_field(sigma), where, STEP)
    points = np.column_stack([np.zeros(5), np.arange(5) * STEP])
    expected = np.exp(-(cdist(points, points) ** 2) / (4.0 * sigma**2))
    off = ~np.eye(5, dtype=bool)
    assert spectrum.covariance(points)[off] == pytest.approx(expected[off], abs=0.06)


def test_what_is_left_out_does_not_matter() -> None:
    field = _field(0.5)
    where = np.ones(field.shape, dtype=bool)
    where[40:80, 30:60] = False
    other = np.where(where, field, 50.0)
    points = np.array([[0.0, 0.0], [0.3, 0.0], [0.9, 0.6]])
    found = TextureSpectrum.of(other, where, STEP).covariance(points)
    whole = TextureSpectrum.of(field, np.ones_like(where), STEP).covariance(points)
    assert found == pytest.approx(whole, abs=0.05)


def test_a_covariance_can_be_factored() -> None:
    spectrum = TextureSpectrum.of(_field(0.5), np.ones((120, 120), dtype=bool), STEP)
    y, x = np.mgrid[:20, :20] * STEP
    covariance = spectrum.covariance(np.column_stack([y.ravel(), x.ravel()]))
    assert np.linalg.eigvalsh(covariance).min() > 0.0
