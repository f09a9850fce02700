"""Same patient and key, same name and shift; intervals and pixels stay; other key, other names."""

from __future__ import annotations

import struct
import zlib
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom
import pytest
from dicom_films import DICOM, SAMPLES, said_by
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from pydicom import config
from pydicom.datadict import tag_for_keyword
from pydicom.dataelem import DataElement

from rxmeasure.deidentify.copies import copy_of
from rxmeasure.deidentify.key import Key
from rxmeasure.errors import DeidentificationError
from rxmeasure.reading.radiograph_file import radiograph_of

KEY, OTHER = Key(secret=b"one"), Key(secret=b"two")
days = st.dates(date(1950, 1, 1), date(2100, 1, 1))


def film(**attributes):
    image = pydicom.dcmread(SAMPLES / DICOM)
    for keyword, value in attributes.items():
        if str(keyword).endswith("Date"):
            # Written as it is, valid or not.
            tag = tag_for_keyword(keyword)
            image[tag] = DataElement(tag, "DA", value, validation_mode=config.IGNORE)
        else:
            setattr(image, keyword, value)
    stream = BytesIO()
    image.save_as(stream)
    return stream.getvalue()


def header(data, key=KEY):
    return pydicom.dcmread(BytesIO(copy_of(data, key).data))


@given(patient=st.text(max_size=30), a=days, b=days)
def test_one_shift_of_one_day_to_ten_years_for_each_patient(patient, a, b):
    moved_a, moved_b = KEY.shifted(a, patient), KEY.shifted(b, f" {patient} ")
    assert moved_b - moved_a == b - a
    assert timedelta(days=1) <= a - moved_a <= timedelta(days=3650)


def test_no_date_before_the_calendar():
    assert KEY.shifted(date(1, 1, 1), "x") is None


@given(a=st.text(max_size=30), b=st.text(max_size=30))
def test_names_tell_patients_and_keys_apart(a, b):
    assert (KEY.patient(a) == KEY.patient(b)) is (a.strip() == b.strip())
    assert KEY.patient(a) != OTHER.patient(a)
    assert KEY.uid(a) != OTHER.uid(a)
    assert pydicom.uid.UID(KEY.uid(a)).is_valid


def test_the_record_store_names_patients_alike_under_the_same_key():
    pytest.importorskip("sqlalchemy")
    from rxmeasure.store import Pseudonyms

    assert Pseudonyms(Path("key"), b"one").keyed(" case 7 ") == KEY.patient("case 7")


def test_visits_of_a_patient_stay_together_and_apart_in_time():
    first = header(film(PatientID="7", StudyDate="20200229", StudyInstanceUID="1.2.3"))
    recall = header(film(PatientID="7 ", StudyDate="2021.03.01", StudyInstanceUID="1.2.4"))
    assert first.PatientID == recall.PatientID
    between = date.fromisoformat(recall.StudyDate) - date.fromisoformat(first.StudyDate)
    assert between == date(2021, 3, 1) - date(2020, 2, 29)
    assert first.StudyInstanceUID != recall.StudyInstanceUID
    again = header(film(PatientID="7", StudyDate="20200301", StudyInstanceUID="1.2.3"))
    assert again.StudyInstanceUID == first.StudyInstanceUID
    other = header(film(PatientID="8", StudyDate="20200229", StudyInstanceUID="1.2.5"))
    assert other.PatientID != first.PatientID


def test_another_key_gives_other_names_and_the_same_key_the_same_bytes():
    data = film()
    assert copy_of(data, KEY) == copy_of(data, KEY)
    one, two = header(data), header(data, OTHER)
    for keyword in ("PatientID", "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID"):
        assert one[keyword].value != two[keyword].value != pydicom.dcmread(BytesIO(data))[keyword]
    assert copy_of(data, KEY).name != copy_of(data, OTHER).name


def test_without_patient_id_the_study_is_the_patient():
    copies = [copy_of(film(PatientID="", PatientName="", StudyInstanceUID=u), KEY)
              for u in ("1.2.3", "1.2.4")]  # fmt: skip
    assert copies[0].patient != copies[1].patient
    assert "intervals to films of other studies" in copies[0].notes[0]


def test_a_date_that_is_none_is_dropped_and_told():
    copy = copy_of(film(AcquisitionDate="20231341"), KEY)
    assert copy.notes == ("AcquisitionDate is no date and was dropped",)
    assert "AcquisitionDate" not in pydicom.dcmread(BytesIO(copy.data))


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"PhotometricInterpretation": "MONOCHROME1", "PresentationLUTShape": "INVERSE"},
        {"RescaleSlope": "0.684", "RescaleIntercept": "-200.123456789"},
        {"PixelSpacing": ["0.01904761904762", "0.01904761904762"], "ImagerPixelSpacing": None},
        {"LossyImageCompression": "01", "LossyImageCompressionRatio": "12.5"},
    ],
)
def test_the_copy_is_the_same_picture(change):
    data = film(**change)
    before = radiograph_of(data, file_name="")
    after = radiograph_of(copy_of(data, KEY).data, file_name="")
    np.testing.assert_array_equal(before.pixels, after.pixels)
    assert before.window == after.window
    assert before.polarity == after.polarity
    assert (before.value_min, before.value_max) == (after.value_min, after.value_max)
    assert before.warnings == after.warnings


@pytest.mark.parametrize("mode", ["L", "RGB", "LA", "RGBA", "P", "I;16"])
@pytest.mark.parametrize("kind", ["PNG", "TIFF", "JPEG"])
def test_pictures_of_every_kind_stay_the_same(kind, mode):
    rows, cols = np.mgrid[:40, :56]
    grey = Image.fromarray((3 * rows + 2 * cols).astype(np.uint8))
    image = Image.fromarray((900 * rows + 7 * cols).astype(np.uint16)) if mode == "I;16" else (
        grey.convert(mode))  # fmt: skip
    stream = BytesIO()
    try:
        image.save(stream, kind)
    except OSError:
        pytest.skip(f"{kind} has no {mode}")
    before = radiograph_of(stream.getvalue(), file_name="")
    after = radiograph_of(copy_of(stream.getvalue(), KEY).data, file_name="")
    np.testing.assert_array_equal(before.pixels, after.pixels)
    assert before.warnings == after.warnings


def test_interlaced_png_stays_the_same(interlaced):
    before = radiograph_of(interlaced, file_name="")
    after = radiograph_of(copy_of(interlaced + b"more", KEY).data, file_name="")
    np.testing.assert_array_equal(before.pixels, after.pixels)


@pytest.fixture
def interlaced():
    """Adam7 by hand: passes one after the other, each with filter type 0."""
    grey = np.arange(23 * 17, dtype=np.uint32).reshape(23, 17) % 251
    parts = [grey[r::rs, c::cs].astype(np.uint8) for c, cs, r, rs in (
        (0, 8, 0, 8), (4, 8, 0, 8), (0, 4, 4, 8), (2, 4, 0, 4),
        (0, 2, 2, 4), (1, 2, 0, 2), (0, 1, 1, 2))]  # fmt: skip
    lines = b"".join(b"\0" + line.tobytes() for part in parts for line in part if part.size)
    header = struct.pack(">IIBBBBB", 17, 23, 8, 0, 0, 0, 1)

    def chunk(name, body):
        check = struct.pack(">I", zlib.crc32(name + body))
        return struct.pack(">I", len(body)) + name + body + check

    body = chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(lines)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def test_classes_that_are_not_known_are_refused():
    with pytest.raises(DeidentificationError) as refusal:
        copy_of(film(SOPClassUID="1.2.840.10008.5.1.4.1.1.1.2"), KEY)
    assert "Digital Mammography" in refusal.value.found


def test_a_checker_finds_no_fault_in_a_copy(tmp_path):
    (tmp_path / "copy.dcm").write_bytes(copy_of(film(), KEY).data)
    assert "Error" not in said_by("dciodvfy", tmp_path / "copy.dcm").stderr
