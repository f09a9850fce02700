"""Real files: every one of them opens as it should, or is refused for the right reason."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom.data
import pytest

from rxmeasure.errors import RxMeasureError
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph

OT = "modality OT"
LIBJPEG = "JPEG Extended 12 bit pixel data that the installed decoders cannot open"

#: Opened: rows, columns, bits, turned, stored minimum and maximum, plane, lossy, warnings.
#: Rows, columns, bits and stored values are those that the collection's own list gives,
#: read with pydicom; refused: what was found.
EXPECTED = {
    "mit_redistributor/RG1_J2KI.dcm": (
        1955, 1841, 15, True, 803, 26512, None, True, ["spacing-ignored", "lossy"],
    ),
    "mit_redistributor/RG3_J2KI.dcm": (1760, 1760, 10, True, 0, 1023, None, True, ["lossy"]),
    "mit_redistributor/RG3_J2KR.dcm": (1760, 1760, 10, True, 0, 1023, None, False, []),
    "mit_redistributor/RG2_JPLY.dcm": LIBJPEG,
    "mit_redistributor/RG2_JPLY_fixed.dcm": LIBJPEG,
    "mit_redistributor/RG2_JLSN.dcm": (
        2140, 1760, 10, False, 0, 897, "unknown", True, ["lossy"],
    ),
    "mit_redistributor/RG2_JLSL.dcm": (2140, 1760, 10, False, 0, 893, "unknown", False, []),
    "mit_redistributor/OT_JPEGLosslessSV1_16_16.dcm": OT,
    "mit_redistributor/OT_JPEGBaseline_08.dcm": OT,
    # 1.2 mm pixels are no dental radiograph.
    "mit_redistributor/highdicom_dx_image.dcm": (
        169, 211, 8, True, 5, 255, None, False, ["spacing-ignored", "spacing-ignored"],
    ),
    "mit_redistributor/pydicom_CR1_6154_mono1_16x16.dcm": (
        16, 16, 12, True, 1994, 2802, "detector", False, [],
    ),
    "mit_redistributor/pydicom_CR2_6247_mono1_16x16.dcm": (
        16, 16, 12, True, 1201, 1868, "detector", False, [],
    ),
    "mit_redistributor/pydicom_CR3_6278_mono1_16x16.dcm": (
        16, 16, 12, True, 2079, 2836, "detector", False, [],
    ),
    "mit_redistributor/pydicom_CR_chrJapMulti.dcm": "without pixel data",
    "mit_redistributor/pydicom_CR_chrKoreanMulti.dcm": "without pixel data",
    "mit_redistributor/pydicom_no_meta.dcm": "not a known picture",
    "mit_redistributor/pydicom_meta_missing_tsyntax.dcm": "how its data are written",
    "mit_redistributor/pydicom_no_meta_group_length.dcm": "not name its modality",
    "mit_redistributor/pydicom_image_deflated.dcm": OT,
    "mit_redistributor/pydicom_SC_rgb_odd_bigendian.dcm": OT,
    "mit_redistributor/pydicom_SC_rgb_jpeg_ybr.dcm": OT,
    "mit_redistributor/truncated_j2k_too_short.dcm": "modality MR",
    "mit_redistributor/OT_voi_lut_sequence.dcm": OT,
    "mit_redistributor/OT_modality_lut_sequence.dcm": OT,
    "mspl/CR_ModalityLUTSequence_mono1_jpegll.dcm": (
        1576, 1976, 10, True, 0, 1023, "detector", False, [],
    ),
    "mspl/MG_OutOfBoundsOverlay.dcm": "modality MG",
}  # fmt: skip


def test_the_table_names_every_shared_dicom(shared_folder):
    folder = shared_folder / "dicom"
    assert {p.relative_to(folder).as_posix() for p in folder.rglob("*.dcm")} == set(EXPECTED)


@pytest.mark.parametrize("name", EXPECTED)
def test_shared_dicom(shared_folder, refused, name):
    path = shared_folder / "dicom" / name
    expected = EXPECTED[name]
    if isinstance(expected, str):
        error = refused(path, expected)
        if expected == LIBJPEG:
            assert "rxmeasure[dicom]" in error.next_step
        return
    rows, columns, bits, turned, low, high, plane, lossy, warned = expected
    film = read_radiograph(path)
    assert film.shape == (film.source.rows, film.source.columns) == (rows, columns)
    assert film.source.bits == bits
    assert film.polarity.turned is turned
    # The modality transform of the three 16 x 16 files; identity elsewhere.
    slope, intercept = (0.684, 200.0) if rows == 16 else (1.0, 0.0)
    ends = sorted(slope * (2**bits - 1 - v if turned else v) + intercept for v in (low, high))
    assert [film.pixels.min(), film.pixels.max()] == pytest.approx(ends, rel=1e-6)
    assert (film.spacing.plane if film.spacing else None) == plane
    assert film.source.lossy is lossy
    assert [w.code for w in film.warnings] == warned
    assert film.value_min <= film.pixels.min()
    assert film.pixels.max() <= film.value_max


def test_jpeg_lossless_goes_through_a_modality_lut_that_changes_nothing(shared_folder):
    film = read_radiograph(shared_folder / "dicom/mspl/CR_ModalityLUTSequence_mono1_jpegll.dcm")
    # Its table maps 0..1023 to 0..1023 in 16 bits: the range is that of the table in use.
    assert (film.value_min, film.value_max) == (0, 1023)
    assert film.spacing.attribute.startswith("Pixel Spacing (0028,0030), equal to Imager")


def test_shared_radiographs_open_as_grey(shared_folder):
    paths = sorted((shared_folder / "radiographs").rglob("*.png"))
    assert len(paths) >= 8
    for path in paths:
        film = read_radiograph(path)
        assert film.pixels.ndim == 2
        assert (film.value_min, film.value_max, film.source.bits) == (0, 255, 8)
        assert film.spacing is None
        assert film.warnings == ()


def test_bitewing_is_the_green_channel(shared_folder):
    """RGB stored grey: any channel is the picture."""
    from PIL import Image

    path = shared_folder / "radiographs/bitewing_mit/bitewing.png"
    with Image.open(path) as image:
        assert image.mode == "RGB"
        green = np.asarray(image)[..., 1]
    film = read_radiograph(path)
    assert film.shape == (1030, 1356)
    np.testing.assert_array_equal(film.pixels, green)


# --- pydicom's own files, as far as they are installed -------------------------------------


def installed_files() -> list[Path]:
    folders = [Path(pydicom.data.__file__).parent]
    try:
        import data_store
    except ImportError:
        pass
    else:
        folders.append(Path(data_store.__file__).parent / "data")
    return sorted(p for folder in folders for p in folder.rglob("*") if p.is_file())


def test_every_file_of_pydicom_opens_or_is_refused():
    opened = set()
    paths = installed_files()
    assert len(paths) > 150
    for path in paths:
        try:
            film = read_radiograph(path)
        except RxMeasureError:
            continue
        assert isinstance(film, Radiograph)
        opened.add(path.name)
    # The only radiographs of the collection: computed radiography of 16 x 16 pixels, and
    # with pydicom-data the two films RG1 and RG3 in every compression.
    assert opened >= {"6154", "6247", "6278"}
    assert all(name in {"6154", "6247", "6278"} or name.startswith("RG") for name in opened)


@pytest.mark.parametrize(
    ("compressed", "plain"),
    [("RG1_J2KR", "RG1_UNCR"), ("RG3_J2KR", "RG3_UNCR"), ("RG1_J2KI", "RG1_UNCI")],
)
def test_compressed_and_plain_copies_of_one_film_agree(compressed, plain):
    pytest.importorskip("data_store")
    paths = {p.stem: p for p in installed_files()}
    a, b = read_radiograph(paths[compressed]), read_radiograph(paths[plain])
    np.testing.assert_array_equal(a.pixels, b.pixels)
    assert a.polarity == b.polarity
    assert a.window == b.window
    # UNCI is the unpacked lossy copy: the loss stays on record.
    assert a.source.lossy is b.source.lossy is compressed.endswith("I")
