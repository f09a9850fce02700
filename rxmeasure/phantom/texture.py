"""Random fields: trabecular bone, uneven soft tissue, uneven sealer films."""

from __future__ import annotations

import numpy as np
from scipy import fft

from rxmeasure.geometry import FloatArray


def band_noise(
    shape: tuple[int, int],
    pixel_mm: float,
    wavelength_mm: float,
    rng: np.random.Generator,
    *,
    bandwidth: float = 0.35,
    stretch: float = 1.0,
    direction_rad: float = 0.0,
) -> FloatArray:
    """Gaussian field of unit variance with power near one wavelength.

    ``bandwidth`` is the standard deviation of the logarithm of the spatial
    frequency; ``stretch`` lengthens the grain along ``direction_rad``.
    """
    fr = fft.fftfreq(shape[0], pixel_mm)[:, None]
    fc = fft.rfftfreq(shape[1], pixel_mm)[None, :]
    c, s = np.cos(direction_rad), np.sin(direction_rad)
    f = np.hypot((fr * c + fc * s) * stretch, fc * c - fr * s) * wavelength_mm
    gain = np.exp(-0.5 * (np.log(np.maximum(f, 1e-9)) / bandwidth) ** 2).astype(np.float32)
    white = fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    field = fft.irfft2(white * gain, s=shape)
    return np.asarray(field / field.std())


def trabecular_texture(
    shape: tuple[int, int], pixel_mm: float, rng: np.random.Generator
) -> FloatArray:
    """Projected trabecular bone, mean 1: a net of bright struts round dark marrow spaces.

    Several sheets of struts, each the crest lines of a band-limited field (where the field
    crosses zero), add up along the beam; spaces are 0.4 to 2 mm wide.
    """
    total = np.zeros(shape)
    for wavelength, weight in ((0.9, 0.5), (1.4, 1.0), (1.9, 1.0), (2.8, 0.9)):
        for _ in range(2):
            field = band_noise(
                shape,
                pixel_mm,
                wavelength,
                rng,
                stretch=rng.uniform(1.0, 1.8),
                direction_rad=rng.uniform(0.0, np.pi),
            )
            strut = np.exp(-((field / 0.33) ** 2))
            total += weight * (strut - strut.mean()) / strut.std()
    total /= total.std()
    slow = band_noise(shape, pixel_mm, 6.0, rng, bandwidth=0.6)
    fine = band_noise(shape, pixel_mm, 0.3, rng, bandwidth=0.5)
    return np.asarray(1.0 + 0.26 * total + 0.10 * slow + 0.03 * fine)


def smooth_noise(
    s_mm: FloatArray, wavelengths_mm: tuple[float, float], rng: np.random.Generator
) -> FloatArray:
    """Smooth random function of arc distance with values from 0 to 1."""
    value = np.zeros_like(s_mm)
    for _ in range(7):
        wavelength = np.exp(rng.uniform(*np.log(wavelengths_mm)))
        value += rng.uniform(0.5, 1.0) * np.sin(2 * np.pi * s_mm / wavelength + rng.uniform(0, 6.3))
    return np.asarray(0.5 + 0.5 * np.tanh(value / 1.6))
