"""Synthetic intra-oral radiographs with exact truth, for tests and accuracy figures.

Never imported by measuring code.
"""

from rxmeasure.phantom.make import Phantom, make_phantom
from rxmeasure.phantom.parameters import (
    PhantomError,
    PhantomParameters,
    with_imaging,
    with_pitch,
)
from rxmeasure.phantom.sampling import random_parameters
from rxmeasure.phantom.specimen import (
    SpecimenFilm,
    SpecimenParameters,
    SpecimenTruth,
    make_specimen_film,
    random_specimen,
)
from rxmeasure.phantom.truth import CanalTruth, PhantomTruth, noisy_clicks
from rxmeasure.phantom.writing import (
    cached_phantom,
    truth_from_json,
    truth_to_json,
    write_phantom,
)

__all__ = [
    "CanalTruth",
    "Phantom",
    "PhantomError",
    "PhantomParameters",
    "PhantomTruth",
    "SpecimenFilm",
    "SpecimenParameters",
    "SpecimenTruth",
    "cached_phantom",
    "make_phantom",
    "make_specimen_film",
    "noisy_clicks",
    "random_parameters",
    "random_specimen",
    "truth_from_json",
    "truth_to_json",
    "with_imaging",
    "with_pitch",
    "write_phantom",
]
