"""Whatever the bytes are: a radiograph or a refusal, no other exception, no warning."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from rxmeasure.errors import RxMeasureError
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph

STARTS = [
    b"",
    b"\x89PNG\r\n\x1a\n",
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x20\0\0\0\x20\x08\0\0\0\0",
    b"\xff\xd8\xff",
    b"II*\0\x08\0\0\0",
    b"MM\0*\0\0\0\x08",
    bytes(128) + b"DICM",
    bytes(128) + b"DICM\x02\0\x10\0UI\x14\x001.2.840.10008.1.2.1\0",
    bytes(128) + b"DICM\x02\0\x10\0UI\x14\x001.2.840.10008.1.2.1\0\x08\0\x60\0CS\x02\0IO",
]

many = settings(
    max_examples=300,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def opens_or_refuses(path, data):
    path.write_bytes(data)
    film: Radiograph | RxMeasureError
    try:
        film = read_radiograph(path)
    except RxMeasureError as refusal:
        film = refusal
    if isinstance(film, RxMeasureError):
        assert film.found
        assert film.needed
        assert film.next_step
    else:
        assert isinstance(film, Radiograph)
        assert np.isfinite(film.pixels).all()
        assert film.value_min <= film.pixels.min()
        assert film.pixels.max() <= film.value_max
        assert film.spacing is None or 0 < film.spacing.row_mm < 1


@many
@given(start=st.sampled_from(STARTS), rest=st.binary(max_size=400))
def test_random_bytes(tmp_path, start, rest):
    opens_or_refuses(tmp_path / "film", start + rest)


changes = st.lists(
    st.tuples(st.integers(0, 10**6), st.one_of(st.integers(0, 255), st.sampled_from([0, 255]))),
    min_size=1,
    max_size=6,
)


def changed(data, where, cut):
    damaged = bytearray(data)
    for at, value in where:
        damaged[at % len(damaged)] = value
    return bytes(damaged if cut is None else damaged[: cut % len(damaged)])


@pytest.fixture(scope="module")
def pictures():
    rows, cols = np.mgrid[:24, :30]
    grey = (3 * rows + 5 * cols).astype(np.uint8)
    made = []
    for kind, options in (
        ("PNG", {}),
        ("JPEG", {}),
        ("TIFF", {}),
        ("TIFF", {"compression": "tiff_lzw"}),
    ):
        buffer = BytesIO()
        Image.fromarray(grey).save(buffer, kind, **options)
        made.append(buffer.getvalue())
    return made


@many
@given(which=st.integers(0, 3), where=changes, cut=st.none() | st.integers(0, 10**6))
def test_damaged_pictures(tmp_path, pictures, which, where, cut):
    opens_or_refuses(tmp_path / "film", changed(pictures[which], where, cut))


@many
@given(data=st.data(), where=changes, cut=st.none() | st.integers(0, 10**6))
def test_damaged_dicom_headers(tmp_path, write_dicom, ramp, data, where, cut):
    whole = data.draw(st.sampled_from(_headers(write_dicom, ramp)))
    # Beyond the preamble, and mostly before the pixels.
    header = len(whole) - 2 * ramp.size
    where = [(132 + at % (header - 132), value) for at, value in where]
    opens_or_refuses(tmp_path / "film", changed(whole, where, cut))


_made: list[bytes] = []


def _headers(write_dicom, ramp):
    if not _made:
        everything = {
            "BitsStored": 12,
            "RescaleSlope": "2",
            "RescaleIntercept": "-100",
            "PresentationLUTShape": "IDENTITY",
            "PixelIntensityRelationship": "LOG",
            "PixelIntensityRelationshipSign": -1,
            "WindowCenter": 2000,
            "WindowWidth": 3000,
            "PixelSpacing": [0.019, 0.019],
            "ImagerPixelSpacing": [0.02, 0.02],
            "PixelSpacingCalibrationType": "FIDUCIAL",
            "PixelSpacingCalibrationDescription": "ball",
            "EstimatedRadiographicMagnificationFactor": "1.05",
            "PatientName": "Sample^Teaching",
            "StudyDate": "20240101",
            "LossyImageCompression": "00",
        }
        _made.append(write_dicom(ramp, **everything).read_bytes())
        _made.append(write_dicom(ramp, syntax="1.2.840.10008.1.2", **everything).read_bytes())
    return _made
