"""The writer: the review of the film under a layer, whole or refused."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from napari.components import ViewerModel
from napari.layers import Image, Layer, Points, Vectors
from npe2 import PluginManifest
from rxmeasure_napari.layer_edge import KEY, radiograph_layer
from rxmeasure_napari.measuring import compute
from rxmeasure_napari.review_state import OpenFilm, Work, film_by_id, new_marks
from rxmeasure_napari.writer import write_review

from rxmeasure.canal_memory import CanalMemory
from rxmeasure.errors import MarksError, WriteError
from rxmeasure.marks import FilmKind, ReviewMarks
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import load_review, read_marks

FOLDER = Path(__file__).resolve().parents[2] / "sample_images"
NAME = "adequate_premolar"


def open_film(marks: ReviewMarks) -> OpenFilm:
    path = FOLDER / f"{NAME}.png"
    return OpenFilm(path, read_radiograph(path), Work(marks=marks))


def measure(film: OpenFilm) -> None:
    film.take_computed(
        compute(film.radiograph, film.marks, film.revision, CanalMemory(), lambda step: None)
    )


def image_of(film: OpenFilm) -> Image:
    return Layer.create(
        *radiograph_layer(film.radiograph, film.path, inverted=False, film_id=film.id)
    )


@pytest.fixture(scope="module")
def measured() -> OpenFilm:
    film = open_film(read_marks(FOLDER / f"{NAME}.marks.toml"))
    measure(film)
    return film


@pytest.fixture
def viewer(npe2pm: Any) -> ViewerModel:
    npe2pm.register(PluginManifest.from_distribution("rxmeasure"))
    npe2pm.register(PluginManifest.from_distribution("napari"))
    return ViewerModel()


def test_saving_the_layers_of_a_film_writes_its_review(
    viewer: ViewerModel, measured: OpenFilm, tmp_path: Path
) -> None:
    viewer.add_layer(image_of(measured))
    viewer.add_layer(
        Vectors(np.zeros((1, 2, 2)), metadata={KEY: {"role": "lines", "film": measured.id}})
    )
    viewer.add_layer(
        Points(np.zeros((1, 2)), metadata={KEY: {"role": "points", "film": measured.id}})
    )
    target = tmp_path / "film.rxreview.json"
    assert viewer.layers.save(str(target)) == [str(target)]
    assert load_review(target) == measured.review


def test_the_radiograph_alone_is_enough(
    viewer: ViewerModel, measured: OpenFilm, tmp_path: Path
) -> None:
    viewer.add_layer(image_of(measured))
    target = tmp_path / "film.png.rxreview.json"
    assert viewer.layers.save(str(target), plugin="rxmeasure") == [str(target)]
    assert load_review(target) == measured.review


def test_an_ordinary_picture_is_left_to_other_writers(
    viewer: ViewerModel, measured: OpenFilm, tmp_path: Path
) -> None:
    viewer.add_layer(image_of(measured))
    (written,) = viewer.layers.save(str(tmp_path / "film.tif"))
    np.testing.assert_array_equal(read_radiograph(written).pixels, measured.radiograph.pixels)


def test_layers_of_others_have_no_review(tmp_path: Path) -> None:
    layer = Image(np.zeros((4, 4))).as_layer_data_tuple()
    with pytest.raises(MarksError, match="no radiograph"):
        write_review(str(tmp_path / "film.rxreview.json"), [layer])
    assert list(tmp_path.iterdir()) == []


def test_a_film_that_nobody_reviews_has_none(tmp_path: Path) -> None:
    path = FOLDER / f"{NAME}.png"
    layer = radiograph_layer(read_radiograph(path), path, inverted=False)
    with pytest.raises(MarksError, match="not under review"):
        write_review(str(tmp_path / "film.rxreview.json"), [layer])


def test_marks_without_a_canal_make_none(tmp_path: Path) -> None:
    film = open_film(new_marks(FilmKind.POSTOPERATIVE))
    measure(film)
    with pytest.raises(MarksError, match="no canal"):
        write_review(str(tmp_path / "film.rxreview.json"), [image_of(film).as_layer_data_tuple()])


def test_results_of_older_marks_are_not_written(tmp_path: Path) -> None:
    film = open_film(read_marks(FOLDER / f"{NAME}.marks.toml"))
    with pytest.raises(MarksError, match="measuring of the last edit"):
        write_review(str(tmp_path / "film.rxreview.json"), [image_of(film).as_layer_data_tuple()])


def test_a_place_that_takes_no_file_is_refused(measured: OpenFilm, tmp_path: Path) -> None:
    with pytest.raises(WriteError):
        write_review(
            str(tmp_path / "none" / "film.rxreview.json"),
            [image_of(measured).as_layer_data_tuple()],
        )


def test_a_film_is_found_by_its_id_as_long_as_it_is_open() -> None:
    film = open_film(new_marks(FilmKind.RECALL))
    film_id = film.id
    assert film_by_id(film_id) is film
    del film
    gc.collect()
    assert film_by_id(film_id) is None
