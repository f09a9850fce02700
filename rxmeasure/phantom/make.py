"""Make a phantom, and keep phantoms in a folder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmeasure.phantom.imaging import render
from rxmeasure.phantom.parameters import PhantomParameters
from rxmeasure.phantom.scene import Scene
from rxmeasure.phantom.truth import PhantomTruth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Phantom:
    """A synthetic radiograph and its truth.

    Attributes
    ----------
    pixels : ndarray of uint16, shape (rows, cols)
        Radiopaque bright unless ``parameters.imaging.inverted``.
    truth : PhantomTruth
    parameters : PhantomParameters
    """

    pixels: NDArray[np.uint16]
    truth: PhantomTruth
    parameters: PhantomParameters


def _noise_seed(parameters: PhantomParameters) -> list[int]:
    exposure = [parameters.exposure] if parameters.exposure else []
    return [parameters.seed, 3, *exposure]


def make_phantom(parameters: PhantomParameters) -> Phantom:
    """Render a synthetic intra-oral radiograph by Beer-Lambert ray sums.

    Equal parameters give equal pixels.

    Raises
    ------
    PhantomError
        When the parameters contradict each other.
    """
    scene = Scene(parameters)
    pixels = render(
        scene.thickness_maps(),
        parameters.imaging,
        shape=parameters.shape,
        supersampling=parameters.supersampling,
        pitch_mm=parameters.pitch_mm,
        mm_per_px=scene.mm_per_px,
        rng=np.random.default_rng(_noise_seed(parameters)),
    )
    return Phantom(pixels=pixels, truth=scene.truth(), parameters=parameters)
