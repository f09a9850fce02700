"""The reader: pixels exact, scale and unit, polarity, and refusals that say what to do."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from napari.components import ViewerModel
from napari.layers import Image, Layer
from npe2 import PluginManifest
from rxmeasure_napari.layer_edge import (
    FILM_GAP,
    film_of_layer,
    offer_whole_range,
    radiograph_layer,
)
from rxmeasure_napari.reader import get_reader, read_films

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import ImageChangedError, ImageReadError, ReviewFileError
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks, review_path, save_review
from rxmeasure.review import Review, review_film

FOLDER = Path(__file__).resolve().parents[2] / "sample_images"
IMAGES = sorted(p for p in FOLDER.iterdir() if p.suffix not in (".toml", ".json"))
DEPTH = {".png": "uint16", ".tif": "uint16", ".jpg": "uint8", ".dcm": "uint16"}


@pytest.fixture
def viewer(npe2pm: Any) -> ViewerModel:
    npe2pm.register(PluginManifest.from_distribution("rxmeasure"))
    return ViewerModel()


@pytest.fixture
def opened(viewer: ViewerModel) -> Callable[[Path], Image]:
    def one(path: Path) -> Image:
        (layer,) = viewer.open(path, plugin="rxmeasure")
        return layer

    return one


@pytest.fixture
def ramp() -> np.ndarray:
    """12-bit values without any symmetry."""
    rows, cols = np.mgrid[:40, :56]
    return np.asarray(100 + 61 * rows + 23 * cols + (rows * cols) % 7, dtype=np.uint16)


@pytest.fixture
def write_dicom(tmp_path: Path) -> Callable[..., Path]:
    """Write a 12-bit intra-oral image; keywords are DICOM keywords."""
    from pydicom import dcmwrite
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import DigitalIntraOralXRayImageStorageForPresentation, ExplicitVRLittleEndian

    def write(stored: np.ndarray, *, name: str = "film.dcm", **attributes: Any) -> Path:
        dataset = Dataset()
        dataset.file_meta = FileMetaDataset()
        dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        usual = {
            "SOPClassUID": DigitalIntraOralXRayImageStorageForPresentation,
            "SOPInstanceUID": "1.2.826.0.1.3680043.8.498.1",
            "Modality": "IO",
            "PresentationIntentType": "FOR PRESENTATION",
            "SamplesPerPixel": 1,
            "PhotometricInterpretation": "MONOCHROME2",
            "Rows": stored.shape[0],
            "Columns": stored.shape[1],
            "BitsAllocated": 16,
            "BitsStored": 12,
            "HighBit": 11,
            "PixelRepresentation": 0,
            "PixelData": stored.astype("<u2").tobytes(),
        }
        for keyword, value in (usual | attributes).items():
            setattr(dataset, keyword, value)
        dataset["PixelData"].VR = "OW"
        dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID
        dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
        path = tmp_path / name
        dcmwrite(path, dataset, enforce_file_format=True)
        return path

    return write


@pytest.fixture(scope="module")
def review() -> Review:
    image = FOLDER / "adequate_premolar.png"
    return review_film(read_radiograph(image), read_marks(FOLDER / "adequate_premolar.marks.toml"))


@pytest.fixture
def reviewed(review: Review, tmp_path: Path) -> Path:
    """A review file with its image beside it."""
    image = Path(shutil.copy(FOLDER / review.image.file_name, tmp_path))
    save_review(review, review_path(image))
    return review_path(image)


@pytest.mark.parametrize("path", IMAGES, ids=lambda p: p.name)
def test_a_sample_film_comes_as_it_is_measured(
    opened: Callable[[Path], Image], viewer: ViewerModel, path: Path
) -> None:
    layer, film = opened(path), read_radiograph(path)
    assert layer.data.dtype == DEPTH[path.suffix]
    np.testing.assert_array_equal(layer.data, film.pixels)
    assert layer.name == path.name
    assert layer.colormap.name == "gray"
    assert layer.interpolation2d == "linear"
    if film.spacing is not None:
        assert tuple(layer.scale) == (film.spacing.row_mm, film.spacing.col_mm)
        assert [str(u) for u in viewer.layers.units] == ["millimeter"] * 2
    else:
        assert tuple(layer.scale) == (film.pixel_aspect, 1.0)
        assert [str(u) for u in viewer.layers.units] == ["pixel"] * 2
    facts = film_of_layer(layer)
    assert facts is not None
    assert facts["role"] == "radiograph"
    assert facts["path"] == str(path)
    assert facts["inverted"] is False
    assert facts["film"] == ""


def test_rows_and_columns_keep_their_own_pitch(
    opened: Callable[[Path], Image], write_dicom: Callable[..., Path], ramp: np.ndarray
) -> None:
    layer = opened(write_dicom(ramp, ImagerPixelSpacing=[0.04, 0.02]))
    assert tuple(layer.scale) == (0.04, 0.02)
    assert str(layer.units[0]) == "millimeter"


def test_monochrome1_comes_radiopaque_bright_and_exact(
    opened: Callable[[Path], Image], write_dicom: Callable[..., Path], ramp: np.ndarray
) -> None:
    layer = opened(write_dicom(ramp, PhotometricInterpretation="MONOCHROME1"))
    assert layer.data.dtype == np.uint16
    np.testing.assert_array_equal(layer.data, 4095 - ramp)


def test_sixteen_bit_values_are_kept_to_the_last(opened: Callable[[Path], Image], tmp_path: Path):
    from PIL import Image as Picture

    stored = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    path = tmp_path / "all.tif"
    Picture.fromarray(stored).save(path)
    np.testing.assert_array_equal(opened(path).data, stored)


def test_values_that_are_not_whole_stay_floating(
    opened: Callable[[Path], Image], write_dicom: Callable[..., Path], ramp: np.ndarray
) -> None:
    path = write_dicom(ramp, RescaleSlope="0.25", RescaleIntercept="-100", RescaleType="US")
    layer = opened(path)
    assert layer.data.dtype == np.float32
    np.testing.assert_allclose(layer.data, ramp * 0.25 - 100.0)


def test_the_window_of_the_file_is_shown_and_the_slider_runs_over_all(
    opened: Callable[[Path], Image], write_dicom: Callable[..., Path], ramp: np.ndarray
) -> None:
    path = write_dicom(ramp, WindowCenter=1500, WindowWidth=1001)
    layer = opened(path)
    offer_whole_range(layer)
    assert tuple(layer.contrast_limits) == read_radiograph(path).window
    assert layer.contrast_limits[0] > 0
    assert tuple(layer.contrast_limits_range) == (0.0, 4095.0)


def test_a_calibration_goes_before_the_spacing_of_the_file() -> None:
    path = FOLDER / "short_incisor.dcm"
    scale = Calibration(row_mm=0.031, col_mm=0.03, u_rel=0.01, source="a file")
    _, options, kind = radiograph_layer(
        read_radiograph(path), path, inverted=False, calibration=scale, translate=(0.0, 4.0)
    )
    layer = Layer.create(np.zeros((2, 2)), options, kind)
    assert tuple(layer.scale) == (0.031, 0.03)
    assert tuple(layer.translate) == (0.0, 4.0)


def test_several_films_lie_side_by_side() -> None:
    path = FOLDER / "short_incisor.dcm"
    films = read_films([str(path), str(path), str(path)])
    spacing = read_radiograph(path).spacing
    assert spacing is not None
    step = films[0][0].shape[1] * spacing.col_mm * (1.0 + FILM_GAP)
    assert [f[1]["translate"] for f in films] == [
        (0.0, 0.0),
        (0.0, pytest.approx(step)),
        (0.0, pytest.approx(2 * step)),
    ]


def test_films_with_and_without_a_scale_share_one_unit() -> None:
    films = read_films([FOLDER / "short_incisor.dcm", FOLDER / "adequate_premolar.png"])
    layers = [Layer.create(*film) for film in films]
    assert {str(u) for layer in layers for u in layer.units} == {"pixel"}
    assert layers[1].translate[1] > layers[0].data.shape[1]


def test_a_review_file_opens_its_image_in_its_scale(
    opened: Callable[[Path], Image], viewer: ViewerModel, reviewed: Path, review: Review
) -> None:
    layer = opened(reviewed)
    assert layer.name == "adequate_premolar.png"
    assert review.calibration is not None
    assert tuple(layer.scale) == (review.calibration.row_mm, review.calibration.col_mm)
    assert [str(u) for u in viewer.layers.units] == ["millimeter"] * 2
    facts = film_of_layer(layer)
    assert facts is not None
    assert facts["review"] == str(reviewed)
    assert facts["path"] == str(reviewed.parent / layer.name)


def test_a_review_of_turned_grey_levels_opens_them_turned(tmp_path: Path) -> None:
    image = Path(shutil.copy(FOLDER / "adequate_premolar.png", tmp_path))
    turned = read_radiograph(image, invert=True)
    marks = read_marks(FOLDER / "adequate_premolar.marks.toml")
    review = review_film(turned, replace(marks, canals=marks.canals[:1], references=()))
    save_review(review, review_path(image))
    ((pixels, options, _),) = read_films(review_path(image))
    np.testing.assert_array_equal(pixels, turned.pixels)
    assert options["metadata"]["rxmeasure"]["inverted"] is True


def test_a_review_without_its_image_says_which_is_missing(reviewed: Path) -> None:
    (reviewed.parent / "adequate_premolar.png").unlink()
    with pytest.raises(ReviewFileError, match=r"adequate_premolar\.png is not beside"):
        read_films(reviewed)


def test_a_review_names_no_image_outside_its_folder(review: Review, tmp_path: Path) -> None:
    shutil.copy(FOLDER / "adequate_premolar.png", tmp_path)
    folder = tmp_path / "reviews"
    folder.mkdir()
    stray = replace(review, image=replace(review.image, file_name="../adequate_premolar.png"))
    save_review(stray, folder / "film.rxreview.json")
    with pytest.raises(ReviewFileError):
        read_films(folder / "film.rxreview.json")


def test_a_changed_image_is_refused_through_its_review(reviewed: Path) -> None:
    shutil.copy(FOLDER / "voids_canine.png", reviewed.parent / "adequate_premolar.png")
    with pytest.raises(ImageChangedError):
        read_films(reviewed)


def test_content_decides_what_is_read(tmp_path: Path, write_dicom: Callable[..., Path], ramp: Any):
    assert get_reader(str(write_dicom(ramp, name="IM000001"))) is read_films
    text = tmp_path / "film.png"
    text.write_text("no picture", encoding="utf-8")
    assert get_reader(str(text)) is None
    assert get_reader([str(FOLDER / "voids_canine.png"), str(text)]) is None
    assert get_reader([]) is None


def test_what_napari_shows_of_a_refusal_says_what_to_do(viewer: ViewerModel, tmp_path: Path):
    damaged = tmp_path / "film.png"
    damaged.write_bytes((FOLDER / "voids_canine.png").read_bytes()[:2000])
    with pytest.raises(ImageReadError, match=r"Found: .+ Needed: .+ Next: .+"):
        viewer.open(damaged, plugin="rxmeasure")
    assert len(viewer.layers) == 0


def test_a_path_to_nothing_is_explained(tmp_path: Path) -> None:
    read = get_reader(str(tmp_path / "gone.png"))
    assert read is not None
    with pytest.raises(ImageReadError, match="no file"):
        read(str(tmp_path / "gone.png"))


def test_layers_of_others_are_not_taken_for_ours() -> None:
    assert film_of_layer(Image(np.zeros((4, 4)), name="radiograph")) is None
    assert film_of_layer(Image(np.zeros((4, 4)), metadata={"rxmeasure": "something"})) is None
