"""The film of a review, with the grey levels the way they were when it was reviewed."""

from __future__ import annotations

from pathlib import Path

from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.review import Review


def read_as_reviewed(image: Path, review: Review) -> Radiograph:
    """Read the image, turned by the user's switch where the review was made so.

    Raises
    ------
    ImageReadError
        The image cannot be opened as a radiograph.
    """
    radiograph = read_radiograph(image)
    if radiograph.polarity.reason != review.polarity_reason:
        turned = read_radiograph(image, invert=True)
        if turned.polarity.reason == review.polarity_reason:
            return turned
    return radiograph
