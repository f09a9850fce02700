"""The gate for what is in the pixels, where names are often burned in.

The rule believes a file only where it comes from a device and says that nothing is burned in:

- **refuse**: the file says that something is burned in, or that a face can be recognised;
- **release**: it says that nothing is burned in, *and* is an original of a digital intra-oral,
  panoramic or other digital X-ray device;
- **look**: everything else. A person decides on the picture; till then it is held back.

There is no detector of text: one that misses handwriting and lead letters would be believed too
often. A file that says falsely that nothing is burned in is released; the contact sheet shows
those films as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rxmeasure.reading.dicom import StoredImage, value_of

#: From the receptor, not from scanned film or a screen (PS3.4, table B.5-1).
_FROM_A_DEVICE = (
    "1.2.840.10008.5.1.4.1.1.1.1",
    "1.2.840.10008.5.1.4.1.1.1.1.1",
    "1.2.840.10008.5.1.4.1.1.1.3",
    "1.2.840.10008.5.1.4.1.1.1.3.1",
)
_DIGITAL = ("IO", "DX", "PX")


class Decision(StrEnum):
    """What becomes of a film."""

    RELEASE = "release"
    LOOK = "look"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """The decision and its reason, in words that name no patient."""

    decision: Decision
    reason: str


def gate_of_picture() -> Gate:
    """PNG, JPEG and TIFF files say nothing about their pixels."""
    return Gate(decision=Decision.LOOK, reason="a picture file says nothing of burned-in text")


def gate_of_dicom(image: StoredImage) -> Gate:
    """Decide by what a DICOM film says of itself."""
    burned = value_of(image.dataset, "BurnedInAnnotation")
    face = value_of(image.dataset, "RecognizableVisualFeatures")
    kind = value_of(image.dataset, "ImageType")
    if burned not in (None, "NO"):
        return Gate(decision=Decision.REFUSE, reason="Burned In Annotation (0028,0301) is not NO")
    if face not in (None, "NO"):
        return Gate(
            decision=Decision.REFUSE, reason="Recognizable Visual Features (0028,0302) is not NO"
        )
    if burned is None:
        return _look("the file does not say whether text is burned in")
    if not isinstance(kind, list) or kind[:2] != ["ORIGINAL", "PRIMARY"]:
        return _look("not an original picture of a device (Image Type)")
    if image.modality not in _DIGITAL:
        return _look(f"modality {image.modality}: plates and films carry letters")
    if value_of(image.dataset, "SOPClassUID") not in _FROM_A_DEVICE:
        return _look("not of a class that digital X-ray devices write")
    return Gate(
        decision=Decision.RELEASE, reason="a device's original that says nothing is burned in"
    )


def _look(reason: str) -> Gate:
    return Gate(decision=Decision.LOOK, reason=reason)
