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
from rxmeasure.phantom.truth import CanalTruth, LesionTruth, PhantomTruth, noisy_clicks
from rxmeasure.phantom.visits import (
    Visits,
    apex_map,
    point_maps,
    random_lesion,
    random_visits,
    scaled_lesion,
    with_lesions,
)
from rxmeasure.phantom.writing import (
    cached_phantom,
    truth_from_json,
    truth_to_json,
    write_phantom,
)

__all__ = [
    "CanalTruth",
    "LesionTruth",
    "Phantom",
    "PhantomError",
    "PhantomParameters",
    "PhantomTruth",
    "Visits",
    "apex_map",
    "cached_phantom",
    "make_phantom",
    "noisy_clicks",
    "point_maps",
    "random_lesion",
    "random_parameters",
    "random_visits",
    "scaled_lesion",
    "truth_from_json",
    "truth_to_json",
    "with_imaging",
    "with_lesions",
    "with_pitch",
    "write_phantom",
]
