"""From thickness maps to grey levels: Beer-Lambert, blur, scatter, noise, response."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, zoom

from rxmeasure.geometry import FloatArray
from rxmeasure.phantom.curves import Float32
from rxmeasure.phantom.materials import Beam, Material, beam
from rxmeasure.phantom.parameters import ImagingParameters, PhantomError

#: Standard deviation of a Gaussian over its full width at half maximum.
SD_PER_FWHM = 1.0 / (2.0 * np.sqrt(2.0 * np.log(2.0)))


def detected_signal(
    maps: dict[Material, Float32], shape: tuple[int, int], supersampling: int, tube: Beam
) -> FloatArray:
    """Signal of each pixel without blur or noise, 1 without any object; shape (rows, cols)."""
    k = supersampling
    materials = list(maps)
    mu = tube.attenuation_per_mm[[int(m) for m in materials]].astype(np.float32)
    weights = tube.weights.astype(np.float32)
    signal = np.empty(shape)
    strip = 64
    for top in range(0, shape[0], strip):
        rows = min(strip, shape[0] - top)
        part = slice(top * k, (top + rows) * k)
        present = [n for n, m in enumerate(materials) if maps[m][part].any()] or [0]
        stack = np.stack([maps[materials[n]][part].ravel() for n in present], axis=1)
        passed = np.exp(-(stack @ mu[present])) @ weights
        passed = passed.reshape(rows, k, shape[1], k)
        signal[top : top + rows] = passed.mean(axis=(1, 3))
    return signal


def _broad_veil(signal: FloatArray, sd_px: float) -> FloatArray:
    step = max(1, int(sd_px / 8.0))
    small = signal[::step, ::step]
    veil = gaussian_filter(small, sd_px / step, mode="nearest")
    factors = [n / m for n, m in zip(signal.shape, small.shape, strict=True)]
    return np.asarray(zoom(veil, factors, order=1, grid_mode=True, mode="nearest"))


def expose(
    signal: FloatArray,
    imaging: ImagingParameters,
    *,
    pitch_mm: float,
    mm_per_px: float,
    rng: np.random.Generator,
) -> FloatArray:
    """Detected signal with scatter, focal and detector blur, quantum and electronic noise."""
    sd_px = imaging.blur_fwhm_mm * SD_PER_FWHM / mm_per_px
    focal, detector = 0.5 * sd_px, np.sqrt(0.75) * sd_px
    veil = _broad_veil(signal, 5.0 / mm_per_px)
    mean = (1.0 - imaging.scatter) * gaussian_filter(signal, focal, mode="nearest")
    mean += imaging.scatter * veil
    quanta = imaging.quanta_per_mm2 * pitch_mm**2
    caught = rng.poisson(np.maximum(mean, 0.0) * quanta) / quanta
    # The scintillator spreads light mostly closely, a little widely (choice: 10 % at 3 times).
    blurred = 0.9 * gaussian_filter(caught, detector, mode="nearest")
    blurred += 0.1 * gaussian_filter(caught, 3.0 * detector, mode="nearest")
    return np.asarray(blurred + rng.normal(0.0, imaging.electronic_noise, signal.shape))


def grey_levels(signal: FloatArray, imaging: ImagingParameters) -> NDArray[np.uint16]:
    """Stored grey levels, radiopaque bright unless inverted."""
    low, high = imaging.window
    if imaging.response == "log":
        attenuation = -np.log(np.maximum(signal, 1e-4))
        grey = 0.06 + 0.86 * (attenuation - low) / (high - low)
    elif imaging.response == "linear":
        dark, bright = np.exp(-low), np.exp(-high)
        grey = 0.06 + 0.86 * (dark - signal) / (dark - bright)
    else:
        raise PhantomError(
            found=f"a detector response '{imaging.response}'.",
            needed="'log' or 'linear'.",
            next_step="Correct the parameters.",
        )
    grey = np.clip(grey, 0.0, 1.0) ** (1.0 / imaging.gamma)
    if imaging.sharpen > 0.0:
        grey = np.clip(grey + imaging.sharpen * (grey - gaussian_filter(grey, 2.0)), 0.0, 1.0)
    if imaging.inverted:
        grey = 1.0 - grey
    return np.asarray(np.rint(grey * (2**imaging.bits - 1)), dtype=np.uint16)


def film_edge(
    shape: tuple[int, int], rng: np.random.Generator, mm_per_px: float
) -> NDArray[np.bool_]:
    """Where the receptor holds a picture: a rectangle with round corners, slightly askew."""
    rows, cols = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    turn = np.deg2rad(rng.uniform(-0.8, 0.8))
    r, c = rows - (shape[0] - 1) / 2, cols - (shape[1] - 1) / 2
    u = np.abs(r * np.cos(turn) + c * np.sin(turn))
    v = np.abs(c * np.cos(turn) - r * np.sin(turn))
    margin = rng.uniform(0.1, 0.5) / mm_per_px
    corner = rng.uniform(1.5, 3.0) / mm_per_px
    du = np.maximum(u - (shape[0] / 2 - margin - corner), 0.0)
    dv = np.maximum(v - (shape[1] / 2 - margin - corner), 0.0)
    return np.asarray(np.hypot(du, dv) < corner)


def render(
    maps: dict[Material, Float32],
    imaging: ImagingParameters,
    *,
    shape: tuple[int, int],
    supersampling: int,
    pitch_mm: float,
    mm_per_px: float,
    rng: np.random.Generator,
) -> NDArray[np.uint16]:
    """Grey levels of a film from its thickness maps."""
    signal = detected_signal(maps, shape, supersampling, beam(imaging.tube_kv))
    signal = expose(signal, imaging, pitch_mm=pitch_mm, mm_per_px=mm_per_px, rng=rng)
    pixels = grey_levels(signal, imaging)
    if imaging.edge != "none":
        outside = (imaging.edge == "white") != imaging.inverted
        pixels[~film_edge(shape, rng, mm_per_px)] = (2**imaging.bits - 1) * outside
    return pixels
