"""Random fields: trabecular bone, uneven soft tissue, uneven sealer films."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import fft
from scipy.ndimage import map_coordinates

from rxmeasure.geometry import FloatArray
from rxmeasure.phantom.parameters import TissueParameters


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
    struts = np.zeros(shape)
    for wavelength, weight in ((1.1, 0.4), (1.7, 0.8), (2.4, 1.0), (3.4, 1.0), (4.8, 0.8)):
        for _ in range(2):
            field = band_noise(
                shape,
                pixel_mm,
                wavelength,
                rng,
                bandwidth=0.45,
                stretch=rng.uniform(1.0, 1.8),
                direction_rad=rng.uniform(0.0, np.pi),
            )
            # Struts are about 0.2 to 0.4 mm wide, so thinner against a longer wave.
            sheet = np.exp(-((field / (0.65 / np.sqrt(wavelength))) ** 2))
            sheet *= 0.6 + 0.4 * band_noise(shape, pixel_mm, 3.0, rng)
            struts += weight * (sheet - sheet.mean()) / sheet.std()
    struts /= struts.std()
    cloud = band_noise(shape, pixel_mm, 1.6, rng, bandwidth=0.5)
    slow = band_noise(shape, pixel_mm, 6.0, rng, bandwidth=0.6)
    fine = band_noise(shape, pixel_mm, 0.35, rng, bandwidth=0.5)
    return np.asarray(1.0 + 0.30 * struts + 0.12 * cloud + 0.14 * slow + 0.04 * fine)


#: Part of the jaw round the main tooth that holds tissue: (y, x) in mm of its corners and the
#: sampling. Larger than a size 2 receptor in any place; beyond it the rim goes on.
_TISSUE_FROM_MM, _TISSUE_TO_MM, _TISSUE_STEP_MM = (-14.0, -26.0), (38.0, 26.0), 0.08


@lru_cache(maxsize=6)
def _tissue(seed: int, layer: int, visit: int) -> FloatArray:
    shape = tuple(
        round((b - a) / _TISSUE_STEP_MM)
        for a, b in zip(_TISSUE_FROM_MM, _TISSUE_TO_MM, strict=True)
    )
    rng = np.random.default_rng([seed, 4, layer, visit])
    field = trabecular_texture((shape[0], shape[1]), _TISSUE_STEP_MM, rng) - 1.0
    field.setflags(write=False)
    return field


def tissue_layer(
    tissue: TissueParameters, layer: int, y_mm: FloatArray, x_mm: FloatArray
) -> FloatArray:
    """Texture of one layer of the jaw at points of the tooth's frame; mean 0."""
    common = tissue.correlation
    # Number 0 is what the visits share.
    field = np.sqrt(common) * _tissue(tissue.seed, layer, 0)
    field += np.sqrt(1.0 - common) * _tissue(tissue.seed, layer, 1 + tissue.visit)
    place = [
        (v - start) / _TISSUE_STEP_MM
        for v, start in zip((y_mm, x_mm), _TISSUE_FROM_MM, strict=True)
    ]
    return np.asarray(map_coordinates(field, place, order=1, mode="nearest"))


def smooth_noise(
    s_mm: FloatArray, wavelengths_mm: tuple[float, float], rng: np.random.Generator
) -> FloatArray:
    """Smooth random function of arc distance with values from 0 to 1."""
    value = np.zeros_like(s_mm)
    for _ in range(7):
        wavelength = np.exp(rng.uniform(*np.log(wavelengths_mm)))
        value += rng.uniform(0.5, 1.0) * np.sin(2 * np.pi * s_mm / wavelength + rng.uniform(0, 6.3))
    return np.asarray(0.5 + 0.5 * np.tanh(value / 1.6))
