"""Image files and truth files come back as they were."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from rxmeasure.phantom import (
    PhantomError,
    cached_phantom,
    make_phantom,
    random_parameters,
    truth_from_json,
    truth_to_json,
    with_imaging,
    with_pitch,
    write_phantom,
)
from rxmeasure.reading import read_radiograph


@pytest.fixture(scope="module")
def phantom(premolar, faults):
    return make_phantom(with_pitch(premolar(voids=faults), 0.2))


def test_truth_comes_back(phantom):
    text = truth_to_json(phantom.truth)
    assert truth_from_json(text) == phantom.truth
    assert "not a patient" in text
    assert max(map(len, text.splitlines())) < 20000


@pytest.mark.parametrize(
    ("kind", "suffix", "full", "tolerance"),
    [("png", ".png", 65535, 1e-5), ("tiff", ".tif", 65535, 1e-5), ("jpeg", ".jpg", 255, 0.04)],
)
def test_pictures_keep_the_grey_levels(phantom, tmp_path, kind, suffix, full, tolerance):
    path = write_phantom(phantom, tmp_path, "film", format=kind)
    assert path.name == f"film{suffix}"
    with Image.open(path) as image:
        stored = np.asarray(image).astype(float) / full
    np.testing.assert_allclose(stored, phantom.pixels / 4095.0, atol=max(tolerance, 0.6 / full))
    sidecar = (tmp_path / "film.truth.json").read_text(encoding="utf-8")
    assert truth_from_json(sidecar) == phantom.truth


def test_a_picture_on_its_head_is_read_upright(phantom, tmp_path):
    path = write_phantom(phantom, tmp_path, "film", format="jpeg", orientation=3)
    with Image.open(path) as image:
        assert image.getexif()[0x0112] == 3
        stored = np.asarray(image).astype(float) / 255.0
    np.testing.assert_allclose(stored[::-1, ::-1], phantom.pixels / 4095.0, atol=0.04)
    upright = read_radiograph(path).pixels / 255.0
    np.testing.assert_allclose(upright, phantom.pixels / 4095.0, atol=0.04)


@pytest.mark.parametrize("inverted", [False, True])
def test_dicom_is_an_intra_oral_radiograph(premolar, tmp_path, inverted):
    pydicom = pytest.importorskip("pydicom")
    p = with_imaging(with_pitch(premolar(), 0.2), inverted=inverted)
    phantom = make_phantom(p)
    path = write_phantom(phantom, tmp_path, "film", format="dicom")
    ds = pydicom.dcmread(path)
    # PS3.6: Digital Intra-Oral X-Ray Image Storage - For Presentation.
    assert ds.SOPClassUID == "1.2.840.10008.5.1.4.1.1.1.3"
    assert ds.Modality == "IO"
    assert list(ds.ImagerPixelSpacing) == [0.2, 0.2]
    assert float(ds.EstimatedRadiographicMagnificationFactor) == pytest.approx(1.05)
    assert "PixelSpacing" not in ds
    # PS3.16, context group 4018: tooth 45.
    assert ds.PrimaryAnatomicStructureSequence[0].CodeValue == "8873007"
    np.testing.assert_array_equal(ds.pixel_array, phantom.pixels)
    radiograph = read_radiograph(path)
    assert radiograph.polarity.turned == inverted
    bright = 4095 - phantom.pixels if inverted else phantom.pixels
    np.testing.assert_array_equal(radiograph.pixels, bright)
    assert radiograph.spacing is not None
    assert radiograph.spacing.row_mm == pytest.approx(phantom.truth.mm_per_px, rel=1e-4)


# SNOMED CT codes of PS3.16 context group 4018.
@pytest.mark.parametrize(
    ("number", "code"),
    [("11", "422653006"), ("22", "423185002"), ("36", "866006002"), ("42", "423937004"),
     ("28", "87704003")],
)  # fmt: skip
def test_every_tooth_has_its_code(number, code):
    from rxmeasure.phantom.writing import _tooth_code

    assert _tooth_code(number).value == code


def test_dicom_files_of_one_phantom_are_equal(phantom, tmp_path):
    first = write_phantom(phantom, tmp_path / "a", "film", format="dicom").read_bytes()
    assert write_phantom(phantom, tmp_path / "b", "film", format="dicom").read_bytes() == first


def test_unknown_formats_are_refused(phantom, tmp_path):
    with pytest.raises(PhantomError):
        write_phantom(phantom, tmp_path, "film", format="bmp")
    with pytest.raises(PhantomError):
        write_phantom(phantom, tmp_path, "film", format="jpeg", orientation=5)


def test_the_cache_makes_a_phantom_once(tmp_path):
    p = with_pitch(random_parameters(3), 0.15)
    image, truth = cached_phantom(3, tmp_path, parameters=p)
    written = image.stat().st_mtime_ns
    again, same_truth = cached_phantom(3, tmp_path, parameters=p)
    assert again == image
    assert again.stat().st_mtime_ns == written
    assert same_truth == truth
    other, _ = cached_phantom(3, tmp_path, parameters=replace(p, magnification=1.03))
    assert other != image
    np.testing.assert_allclose(
        read_radiograph(image).pixels / 65535.0, make_phantom(p).pixels / 4095.0, atol=1e-5
    )
