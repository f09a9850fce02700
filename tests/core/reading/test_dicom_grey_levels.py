"""Grey levels and polarity of DICOM files: laws first, then worked numbers."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.reading import read_radiograph
from rxmeasure.reading.polarity import dicom_polarity

IMPLICIT = "1.2.840.10008.1.2"
DEFLATED = "1.2.840.10008.1.2.1.99"
BIG_ENDIAN = "1.2.840.10008.1.2.2"
RLE = "1.2.840.10008.1.2.5"
JPEG_LS = "1.2.840.10008.1.2.4.80"
JPEG_2000 = "1.2.840.10008.1.2.4.90"


def codes(film):
    return [w.code for w in film.warnings]


def test_pixels_are_the_stored_values_read_only(write_dicom, ramp):
    path = write_dicom(ramp, BitsStored=12)
    film = read_radiograph(path)
    np.testing.assert_array_equal(film.pixels, ramp)
    assert film.pixels.dtype == np.float32
    assert (film.value_min, film.value_max) == (0, 4095)
    assert not film.polarity.turned
    assert film.warnings == ()
    with pytest.raises(ValueError, match="read-only"):
        film.pixels[0, 0] = 1
    source = film.source
    assert source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (source.rows, source.columns, source.bits) == (*ramp.shape, 12)
    assert (source.format, source.modality, source.file_name) == ("DICOM", "IO", path.name)
    assert source.transfer_syntax == "Explicit VR Little Endian (1.2.840.10008.1.2.1)"
    assert source.sop_instance_uid == "1.2.826.0.1.3680043.8.498.1"


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 15, 16])
def test_monochrome1_of_mirrored_data_is_monochrome2(write_dicom, ramp, bits):
    stored = (ramp >> max(0, 12 - bits)).astype(np.uint8 if bits == 8 else np.uint16)
    mirrored = ((2**bits - 1) - stored.astype(int)).astype(stored.dtype)
    two = read_radiograph(write_dicom(stored, BitsStored=bits))
    one = read_radiograph(
        write_dicom(mirrored, BitsStored=bits, PhotometricInterpretation="MONOCHROME1")
    )
    np.testing.assert_array_equal(one.pixels, two.pixels)
    assert one.polarity.turned
    assert "MONOCHROME1" in one.polarity.reason
    assert (one.value_min, one.value_max) == (two.value_min, two.value_max) == (0, 2**bits - 1)


def test_turning_does_not_depend_on_the_picture(write_dicom, ramp):
    """Two recalls of one device: the same stored value stays the same grey level."""
    darker = np.minimum(ramp, 1500)
    kinds = {"BitsStored": 12, "PhotometricInterpretation": "MONOCHROME1"}
    first = read_radiograph(write_dicom(ramp, **kinds)).pixels
    second = read_radiograph(write_dicom(darker, **kinds)).pixels
    same = ramp <= 1500
    np.testing.assert_array_equal(first[same], second[same])
    np.testing.assert_array_equal(first, 4095.0 - ramp)


def test_signed_values(write_dicom, ramp):
    stored = (ramp.astype(np.int16) - 2000).astype(np.int16)
    film = read_radiograph(write_dicom(stored, BitsStored=12))
    np.testing.assert_array_equal(film.pixels, stored)
    assert (film.value_min, film.value_max) == (-2048, 2047)
    turned = read_radiograph(
        write_dicom(stored, BitsStored=12, PhotometricInterpretation="MONOCHROME1")
    )
    np.testing.assert_array_equal(turned.pixels, -1.0 - stored)
    # The unused bits need not repeat the sign (PS3.5 section 8.1.1).
    bare = read_radiograph(write_dicom(stored & 0x0FFF, BitsStored=12, PixelRepresentation=1))
    np.testing.assert_array_equal(bare.pixels, stored)
    assert bare.warnings == ()


def test_the_switch_mirrors_and_says_so(write_dicom, ramp):
    for kind, turned in (("MONOCHROME2", True), ("MONOCHROME1", False)):
        path = write_dicom(ramp, BitsStored=12, PhotometricInterpretation=kind)
        plain, switched = read_radiograph(path), read_radiograph(path, invert=True)
        np.testing.assert_array_equal(switched.pixels, 4095.0 - plain.pixels)
        assert switched.polarity.turned is turned
        assert "switch" in switched.polarity.reason
        assert kind in switched.polarity.reason


def test_rescale_gives_modality_values(write_dicom, ramp):
    # Slope, intercept and unit as in the computed-radiography files of pydicom's test set.
    film = read_radiograph(
        write_dicom(ramp, BitsStored=12, RescaleSlope="0.684", RescaleIntercept="200")
    )
    np.testing.assert_allclose(film.pixels, 0.684 * ramp + 200.0, rtol=1e-6)
    assert (film.value_min, film.value_max) == pytest.approx((200.0, 0.684 * 4095 + 200))
    full = np.where(ramp > 2000, 4095, 0).astype(np.uint16)
    for kind in ("MONOCHROME1", "MONOCHROME2"):
        film = read_radiograph(
            write_dicom(
                full,
                BitsStored=12,
                RescaleSlope="0.6847",
                RescaleIntercept="200.1",
                PhotometricInterpretation=kind,
            )
        )
        assert (film.value_min, film.value_max) == (film.pixels.min(), film.pixels.max())


def test_negative_slope_is_not_a_second_mirror(write_dicom, ramp):
    """Modality values 4095 - v shown as MONOCHROME2 are MONOCHROME1 without rescaling."""
    by_slope = read_radiograph(
        write_dicom(ramp, BitsStored=12, RescaleSlope="-1", RescaleIntercept="4095")
    )
    by_kind = read_radiograph(
        write_dicom(ramp, BitsStored=12, PhotometricInterpretation="MONOCHROME1")
    )
    np.testing.assert_array_equal(by_slope.pixels, by_kind.pixels)
    assert not by_slope.polarity.turned


@pytest.mark.parametrize(
    "attributes",
    [
        {"RescaleSlope": "0", "RescaleIntercept": "5"},
        {"RescaleSlope": "2"},
        {"RescaleSlope": "1e300", "RescaleIntercept": "0"},
        {"raw": {"RescaleSlope": b"nan ", "RescaleIntercept": b"0 "}},
        {"raw": {"RescaleSlope": b"two ", "RescaleIntercept": b"0 "}},
    ],
)
def test_useless_rescale_is_ignored_with_a_warning(write_dicom, ramp, attributes):
    film = read_radiograph(write_dicom(ramp, BitsStored=12, **attributes))
    np.testing.assert_array_equal(film.pixels, ramp)
    assert codes(film) == ["modality-ignored"]


def _lut_item(descriptor, data):
    from pydicom.dataset import Dataset

    item = Dataset()
    item.add_new("LUTDescriptor", "US", descriptor)
    item.ModalityLUTType = "US"
    item.add_new("LUTData", "US", data)
    return item


def test_modality_lut_wins_over_rescale(write_dicom, ramp):
    # PS3.3 C.11.1.1: values below the first mapped one take the first entry, values
    # beyond the last one the last entry.
    item = _lut_item([1000, 500, 16], [3 * k for k in range(1000)])
    attributes = {"BitsStored": 12, "ModalityLUTSequence": [item]}
    film = read_radiograph(write_dicom(ramp, **attributes, RescaleSlope="9", RescaleIntercept="9"))
    np.testing.assert_array_equal(film.pixels, 3.0 * np.clip(ramp.astype(int) - 500, 0, 999))
    assert (film.value_min, film.value_max) == (0, 2997)
    turned = read_radiograph(
        write_dicom(ramp, **attributes, PhotometricInterpretation="MONOCHROME1")
    )
    np.testing.assert_array_equal(turned.pixels, 2997.0 - film.pixels)


def test_broken_modality_lut_is_ignored_with_a_warning(write_dicom, ramp):
    item = _lut_item([4096, 0, 16], [1, 2, 3])
    film = read_radiograph(write_dicom(ramp, BitsStored=12, ModalityLUTSequence=[item]))
    np.testing.assert_array_equal(film.pixels, ramp)
    assert codes(film) == ["modality-ignored"]


@pytest.mark.parametrize(
    ("function", "low", "high"),
    [
        # PS3.3 C.11.2.1.2.1, worked example: centre 2048 and width 4096 map 0 to 4095.
        (None, 0.0, 4095.0),
        ("LINEAR", 0.0, 4095.0),
        # C.11.2.1.3.2: centre - width/2 to centre + width/2.
        ("LINEAR_EXACT", 0.0, 4096.0),
    ],
)
def test_window_is_only_for_the_screen(write_dicom, ramp, function, low, high):
    attributes = {
        "BitsStored": 12,
        "WindowCenter": 2048,
        "WindowWidth": 4096,
        "VOILUTFunction": function,
    }
    film = read_radiograph(write_dicom(ramp, **attributes))
    assert film.window == (low, high)
    np.testing.assert_array_equal(film.pixels, ramp)


def test_window_is_mirrored_with_the_pixels(write_dicom, ramp):
    stored = 4095 - ramp
    attributes = {"BitsStored": 12, "WindowCenter": [1000.5, 3], "WindowWidth": [401, 3]}
    two = read_radiograph(write_dicom(ramp, **attributes))
    assert two.window == (800.0, 1200.0)
    attributes["WindowCenter"] = 4095 - 1000 + 0.5
    one = read_radiograph(
        write_dicom(stored, **attributes, PhotometricInterpretation="MONOCHROME1")
    )
    np.testing.assert_array_equal(one.pixels, two.pixels)
    assert one.window == (800.0, 1200.0)


def test_window_from_a_voi_lut_and_none(write_dicom, ramp):
    item = _lut_item([256, 700, 8], list(range(256)))
    del item.ModalityLUTType
    assert read_radiograph(write_dicom(ramp, BitsStored=12, VOILUTSequence=[item])).window == (
        700.0,
        955.0,
    )
    assert read_radiograph(write_dicom(ramp, BitsStored=12)).window is None
    assert (
        read_radiograph(write_dicom(ramp, BitsStored=12, WindowCenter=100, WindowWidth=0)).window
        is None
    )


def _polarity(**given):
    plain = {
        "photometric": "MONOCHROME2",
        "lut_shape": None,
        "intensity_sign": None,
        "for_processing": False,
        "modality_rises": True,
        "invert": False,
    }
    return dicom_polarity(**{**plain, **given})


@pytest.mark.parametrize(
    ("given", "turned", "reason", "warned"),
    [
        ({}, False, "MONOCHROME2", 0),
        ({"photometric": "MONOCHROME1"}, True, "MONOCHROME1", 0),
        # PS3.3 C.8.11.3: IDENTITY goes with MONOCHROME2, INVERSE with MONOCHROME1.
        ({"lut_shape": "IDENTITY"}, False, "MONOCHROME2", 0),
        ({"photometric": "MONOCHROME1", "lut_shape": "INVERSE"}, True, "MONOCHROME1", 0),
        ({"lut_shape": "INVERSE"}, True, "INVERSE", 1),
        ({"photometric": "MONOCHROME1", "lut_shape": "IDENTITY"}, True, "MONOCHROME1", 1),
        # Sign -1: higher values mean less beam, so radiopaque is bright already.
        ({"intensity_sign": -1}, False, "MONOCHROME2", 0),
        ({"photometric": "MONOCHROME1", "intensity_sign": 1}, True, "MONOCHROME1", 0),
        ({"intensity_sign": 1}, False, "MONOCHROME2", 1),
        ({"photometric": "MONOCHROME1", "intensity_sign": -1}, True, "MONOCHROME1", 1),
        # Raw data for processing: the sign decides.
        ({"intensity_sign": 1, "for_processing": True}, True, "Sign (0028,1041) is +1", 1),
        ({"intensity_sign": -1, "for_processing": True}, False, "Sign (0028,1041) is -1", 0),
        (
            {"photometric": "MONOCHROME1", "intensity_sign": 1, "for_processing": True},
            True,
            "Sign (0028,1041) is +1",
            0,
        ),
        (
            {"photometric": "MONOCHROME1", "intensity_sign": -1, "for_processing": True},
            False,
            "Sign (0028,1041) is -1",
            1,
        ),
        # The sign speaks of stored values: a falling modality table turns it once more.
        (
            {"intensity_sign": 1, "for_processing": True, "modality_rises": False},
            False,
            "Sign (0028,1041) is +1",
            0,
        ),
    ],
)
def test_polarity_table(given, turned, reason, warned):
    polarity, warnings = _polarity(**given)
    assert polarity.turned is turned
    assert reason in polarity.reason
    assert [w.code for w in warnings] == ["polarity-unsure"] * warned


@given(
    photometric=st.sampled_from(["MONOCHROME1", "MONOCHROME2"]),
    lut_shape=st.sampled_from([None, "IDENTITY", "INVERSE"]),
    intensity_sign=st.sampled_from([None, -1, 1]),
    for_processing=st.booleans(),
    modality_rises=st.booleans(),
)
def test_the_switch_always_turns_once_more(**given):
    plain, _ = _polarity(**given)
    switched, _ = _polarity(**given, invert=True)
    assert switched.turned is not plain.turned


def test_raw_linear_data_come_out_bright_where_the_beam_was_stopped(write_dicom, ramp):
    film = read_radiograph(
        write_dicom(
            ramp,
            BitsStored=12,
            PresentationIntentType="FOR PROCESSING",
            PixelIntensityRelationship="LIN",
            PixelIntensityRelationshipSign=1,
        )
    )
    np.testing.assert_array_equal(film.pixels, 4095.0 - ramp)
    assert film.intensity == "linear"


@pytest.mark.parametrize(
    ("intent", "relation", "intensity"),
    [
        ("FOR PROCESSING", "LIN", "linear"),
        ("FOR PROCESSING", "LOG", "log"),
        ("FOR PROCESSING", "DISP", "unknown"),
        ("FOR PROCESSING", None, "unknown"),
        ("FOR PRESENTATION", "LOG", "unknown"),
        (None, "LIN", "unknown"),
    ],
)
def test_intensity_only_for_data_for_processing(write_dicom, ramp, intent, relation, intensity):
    film = read_radiograph(
        write_dicom(
            ramp,
            BitsStored=12,
            PresentationIntentType=intent,
            PixelIntensityRelationship=relation,
        )
    )
    assert film.intensity == intensity


@pytest.mark.parametrize("syntax", [IMPLICIT, DEFLATED, BIG_ENDIAN])
def test_raw_syntaxes_agree(write_dicom, ramp, syntax):
    film = read_radiograph(write_dicom(ramp, BitsStored=12, syntax=syntax))
    np.testing.assert_array_equal(film.pixels, ramp)
    assert syntax in film.source.transfer_syntax


@pytest.mark.parametrize("bits", [8, 12, 16])
@pytest.mark.parametrize("syntax", [RLE, JPEG_LS, JPEG_2000])
def test_lossless_compression_changes_nothing(write_dicom, ramp, syntax, bits):
    stored = (ramp >> 4).astype(np.uint8) if bits == 8 else ramp * (1 if bits == 12 else 16)
    film = read_radiograph(write_dicom(stored, BitsStored=bits, syntax=syntax, compress=True))
    np.testing.assert_array_equal(film.pixels, stored)
    assert not film.source.lossy
    assert film.warnings == ()


def test_odd_number_of_bytes_is_padded(write_dicom, ramp):
    stored = (ramp >> 4).astype(np.uint8)[:39, :55]
    film = read_radiograph(write_dicom(stored, PixelData=stored.tobytes() + b"\0"))
    np.testing.assert_array_equal(film.pixels, stored)
    assert film.warnings == ()


def test_too_much_pixel_data_is_told(write_dicom, ramp):
    film = read_radiograph(write_dicom(ramp, PixelData=ramp.tobytes() + bytes(100)))
    np.testing.assert_array_equal(film.pixels, ramp)
    assert codes(film) == ["pixel-data-oddity"]


def test_bits_beyond_bits_stored_are_cut_and_told(write_dicom, ramp):
    # PS3.5 section 8.1.1: bits beyond Bits Stored mean nothing.
    film = read_radiograph(write_dicom(ramp | 0x8000, BitsStored=12))
    np.testing.assert_array_equal(film.pixels, ramp)
    assert codes(film) == ["unused-bits"]


def _jpeg(stored):
    from io import BytesIO

    from PIL import Image
    from pydicom.encaps import encapsulate

    buffer = BytesIO()
    Image.fromarray(stored).save(buffer, "JPEG", quality=95)
    return encapsulate([buffer.getvalue()])


def test_lossy_pictures_are_told(write_dicom, ramp):
    stored = (ramp >> 4).astype(np.uint8)
    film = read_radiograph(
        write_dicom(
            stored,
            syntax="1.2.840.10008.1.2.4.50",
            PixelData=_jpeg(stored),
            LossyImageCompression="01",
        )
    )
    assert film.source.lossy
    assert codes(film) == ["lossy"]
    assert np.abs(film.pixels - stored).max() < 8
    # Uncompressed again, but the loss is on record (PS3.3 C.7.6.1.1.5).
    assert read_radiograph(write_dicom(stored, LossyImageCompression="01")).source.lossy
    assert not read_radiograph(write_dicom(stored, LossyImageCompression="00")).source.lossy


@pytest.mark.parametrize(("said", "lossy"), [("00", False), ("01", True), (None, True)])
def test_jpeg_2000_that_may_be_lossy(write_dicom, ramp, said, lossy):
    """The general JPEG 2000 syntax counts as lossy unless the file says it is not."""
    import pydicom

    path = write_dicom(
        ramp, BitsStored=12, syntax=JPEG_2000, compress=True, LossyImageCompression=said
    )
    dataset = pydicom.dcmread(path)
    dataset.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.4.91"
    dataset.save_as(path)
    assert read_radiograph(path).source.lossy is lossy


def test_transposed_film_is_the_transposed_radiograph(write_dicom, ramp):
    plain = read_radiograph(write_dicom(ramp, BitsStored=12, ImagerPixelSpacing=[0.03, 0.02]))
    turned = read_radiograph(
        write_dicom(np.ascontiguousarray(ramp.T), BitsStored=12, ImagerPixelSpacing=[0.02, 0.03])
    )
    np.testing.assert_array_equal(turned.pixels, plain.pixels.T)
    assert (turned.spacing.row_mm, turned.spacing.col_mm) == (
        plain.spacing.col_mm,
        plain.spacing.row_mm,
    )
    assert turned.pixel_aspect == pytest.approx(1 / plain.pixel_aspect)


@pytest.mark.parametrize("modality", ["IO", "DX", "CR", "PX", "RG"])
def test_radiograph_modalities(write_dicom, ramp, modality):
    assert read_radiograph(write_dicom(ramp, Modality=modality)).source.modality == modality


def test_empty_modality_is_taken_from_the_class(write_dicom, ramp):
    for empty in ("", None):
        assert read_radiograph(write_dicom(ramp, Modality=empty)).source.modality == "IO"


@pytest.mark.parametrize(
    ("attributes", "day"),
    [
        ({"AcquisitionDate": "20240112", "StudyDate": "20240110"}, "2024-01-12"),
        ({"StudyDate": "20240110"}, "2024-01-10"),
        ({"AcquisitionDate": "", "ContentDate": "20240111"}, "2024-01-11"),
        ({}, ""),
    ],
)
def test_day_of_the_exposure_comes_first(write_dicom, ramp, attributes, day):
    assert read_radiograph(write_dicom(ramp, **attributes)).taken == day


def test_a_day_that_cannot_be_is_none(write_dicom, ramp):
    film = read_radiograph(write_dicom(ramp, raw={"AcquisitionDate": b"20241399"}))
    assert film.taken == ""


def test_patients_are_told_apart_by_a_hash(write_dicom, ramp):
    hashes = [
        read_radiograph(write_dicom(ramp, PatientID=number)).patient_sha256
        for number in ("4711", "4711 ", "4712", "", " ")
    ]
    assert hashes[0] == hashes[1] != hashes[2]
    assert "4711" not in hashes[0]
    assert hashes[3:] == ["", ""]
