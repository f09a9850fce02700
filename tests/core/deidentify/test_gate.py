"""What is released by the file's own word, what waits for a person, what never leaves."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pydicom
import pytest
from dicom_films import DICOM, SAMPLES

from rxmeasure.deidentify.copies import copy_of
from rxmeasure.deidentify.gate import Decision
from rxmeasure.deidentify.key import Key


def decision(**attributes):
    image = pydicom.dcmread(SAMPLES / DICOM)
    for keyword, value in attributes.items():
        setattr(image, keyword, value)
    stream = BytesIO()
    image.save_as(stream)
    return copy_of(stream.getvalue(), Key(secret=b"gate")).gate.decision


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ({}, Decision.RELEASE),
        ({"Modality": "PX"}, Decision.RELEASE),
        ({"BurnedInAnnotation": "YES"}, Decision.REFUSE),
        ({"BurnedInAnnotation": "MAYBE"}, Decision.REFUSE),
        ({"BurnedInAnnotation": ["NO", "YES"]}, Decision.REFUSE),
        ({"RecognizableVisualFeatures": "YES"}, Decision.REFUSE),
        ({"BurnedInAnnotation": None}, Decision.LOOK),
        ({"BurnedInAnnotation": ""}, Decision.LOOK),
        ({"ImageType": ["DERIVED", "PRIMARY"]}, Decision.LOOK),
        ({"ImageType": ["ORIGINAL", "SECONDARY"]}, Decision.LOOK),
        ({"ImageType": None}, Decision.LOOK),
        ({"Modality": "CR"}, Decision.LOOK),
        ({"Modality": "RG"}, Decision.LOOK),
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.7"}, Decision.LOOK),
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.1"}, Decision.LOOK),
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.7", "BurnedInAnnotation": "YES"},
         Decision.REFUSE),
    ],
)  # fmt: skip
def test_gate(said, expected):
    assert decision(**said) is expected


def test_the_sheet_shows_letters_hidden_in_the_dark():
    """Two grey levels above a black ground show on the picture with raised contrast."""
    from PIL import Image

    from rxmeasure.deidentify.contact_sheet import sheet_entry
    from rxmeasure.reading.radiograph_file import radiograph_of

    grey = np.zeros((400, 300), np.uint8)
    grey[200:] = 180
    grey[50:62, 40:44] = 2
    stream = BytesIO()
    Image.fromarray(grey).save(stream, "PNG")
    entry = sheet_entry("x", Decision.LOOK, "", radiograph_of(stream.getvalue(), file_name=""))
    raised = np.asarray(Image.open(BytesIO(entry.raised))).astype(int)
    assert raised[55, 42] - raised[55, 20] > 20
