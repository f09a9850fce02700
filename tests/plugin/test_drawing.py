"""What is drawn on a film, and where it lies in the viewer; no window."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from napari.components import ViewerModel
from rxmeasure_napari import layer_style as style
from rxmeasure_napari import measuring
from rxmeasure_napari.drawing import DrawnPoint, InFront, dashed, draw_film, runs
from rxmeasure_napari.film_layers import FilmLayers, FilmPlace, label_places, line_vectors
from rxmeasure_napari.layer_edge import film_of_layer
from rxmeasure_napari.review_state import OpenFilm, Work, handles_of

from rxmeasure.canal_memory import CanalMemory
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks
from rxmeasure.report.numbers import Numbers

FILM = Path(__file__).resolve().parents[2] / "sample_images" / "voids_canine.png"
NUMBERS = Numbers()
PLACES = st.builds(
    FilmPlace,
    scale=st.tuples(st.floats(0.005, 3.0), st.floats(0.005, 3.0)),
    unit=st.sampled_from(["mm", "pixel"]),
    offset=st.tuples(st.floats(-500, 500), st.floats(-500, 500)),
)


@pytest.fixture(scope="module")
def film() -> OpenFilm:
    """A film that is measured: a scale, one canal, voids."""
    made = OpenFilm(
        FILM, read_radiograph(FILM), Work(marks=read_marks(FILM.with_suffix(".marks.toml")))
    )
    made.take_computed(
        measuring.compute(made.radiograph, made.marks, made.revision, CanalMemory(), lambda _: None)
    )
    assert made.review is not None
    return made


@pytest.fixture(scope="module")
def layers(film: OpenFilm) -> FilmLayers:
    layers = FilmLayers(ViewerModel(), film)
    layers.draw(draw_film(film, InFront(canal="single"), NUMBERS), 1.0)
    return layers


# Where it lies.


@given(place=PLACES)
def test_every_layer_has_scale_unit_and_offset_of_the_film(
    layers: FilmLayers, place: FilmPlace
) -> None:
    layers.put(place)
    assert len(layers.layers()) == 3
    unit = {"mm": "millimeter", "pixel": "pixel"}[place.unit]
    for layer in layers.layers():
        assert tuple(layer.scale) == pytest.approx(place.scale)
        assert [str(u) for u in layer.units] == [unit, unit]
        assert tuple(layer.translate) == pytest.approx(place.offset)
        assert not layer.editable or layer is layers.image


@given(place=PLACES, point=st.tuples(st.floats(-50, 2000), st.floats(-50, 2000)))
def test_to_world_is_the_inverse_of_to_px_and_napari_agrees(
    layers: FilmLayers, place: FilmPlace, point: tuple[float, float]
) -> None:
    layers.put(place)
    world = layers.to_world(point)
    assert layers.to_px(world) == pytest.approx(point, abs=1e-6)
    assert layers.to_px((7.0, *world)) == pytest.approx(point, abs=1e-6)
    assert tuple(layers.image.world_to_data(world)) == pytest.approx(point, abs=1e-6)


def test_the_film_ends_at_the_edges_of_its_pixels(layers: FilmLayers) -> None:
    rows, cols = layers.film.radiograph.shape
    for inside in ((-0.5, -0.5), (rows - 0.5, cols - 0.5)):
        assert layers.contains(inside)
    for outside in ((-0.6, 0.0), (0.0, -0.6), (rows - 0.4, 0.0), (0.0, cols - 0.4)):
        assert not layers.contains(outside)


def test_layers_know_their_film_and_another_dock_finds_them(film: OpenFilm) -> None:
    viewer = ViewerModel()
    first = FilmLayers(viewer, film)
    first.draw(draw_film(film, InFront(), NUMBERS), 1.0)
    for layer, role in zip(first.layers(), ("radiograph", "lines", "points"), strict=True):
        assert {"film": film.id, "role": role}.items() <= (film_of_layer(layer) or {}).items()
    second = FilmLayers(viewer, film)
    second.draw(draw_film(film, InFront(canal="single"), NUMBERS), 1.0)
    assert second.layers() == first.layers()
    assert len(viewer.layers) == 3
    second.remove()
    assert len(viewer.layers) == 0


# What is drawn.


def test_marks_are_drawn_where_they_are(film: OpenFilm) -> None:
    drawing = draw_film(film, InFront(canal="single"), NUMBERS)
    symbols = [p for p in drawing.points if p.symbol is not None]
    assert {p.point_px for p in symbols} == {h.point_px for h in handles_of(film.marks)}
    measured = film.measured("single")
    assert measured is not None
    centre = [s for s in drawing.strokes if s.style is style.CENTRE]
    np.testing.assert_array_equal(centre[0].points_px, measured.centre_line.points_px)
    voids = [s for s in drawing.strokes if s.style is style.VOID]
    assert len(voids) == len(measured.gaps) > 0
    texts = [p.text for p in drawing.points]
    for number in range(1, len(measured.gaps) + 1):
        assert texts.count(str(number)) == 1


def test_the_film_behind_shows_no_point_of_another_canal_as_chosen(film: OpenFilm) -> None:
    handle = next(h for h in handles_of(film.marks, "single") if h.kind == "click")
    for front, count in ((InFront(canal="single", handle=handle), 1), (InFront(), 0)):
        drawing = draw_film(film, front, NUMBERS)
        assert sum(p.chosen for p in drawing.points) == count


def test_without_a_scale_no_millimetre_is_written() -> None:
    marks = replace(read_marks(FILM.with_suffix(".marks.toml")), references=())
    film = OpenFilm(FILM, read_radiograph(FILM), Work(marks=marks))
    film.take_computed(
        measuring.compute(film.radiograph, film.marks, film.revision, CanalMemory(), lambda _: None)
    )
    assert film.review is not None
    words = [p.text for p in draw_film(film, InFront(canal="single"), NUMBERS).points if p.text]
    assert any(" px" in text for text in words)
    assert not any("mm" in text for text in words)


# Dashes and runs.

POLYLINES = st.lists(
    st.tuples(st.integers(0, 200), st.integers(0, 200)), min_size=2, max_size=6, unique=True
).map(lambda points: np.array(points, dtype=np.float64))


def length_of(points: Any) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


@given(points=POLYLINES, dash=st.floats(2.0, 12.0), gap=st.floats(2.0, 12.0))
def test_dashes_lie_on_the_line_and_leave_the_gaps(points: Any, dash: float, gap: float) -> None:
    parts = dashed(points, dash, gap)
    step = max(min(dash, gap) / 2.0, 0.25)
    for part in parts:
        for point in part:
            assert foot_on_polyline(points, point)[1] < 0.5 * step + 1e-6
        assert length_of(part) <= dash + 2.0 * step
    total = length_of(points)
    if total > 10.0 * (dash + gap):
        drawn = sum(length_of(part) for part in parts) / total
        assert abs(drawn - dash / (dash + gap)) < 0.35


def test_no_dash_is_the_line_itself() -> None:
    line = np.array([[0.0, 0.0], [3.0, 4.0]])
    (part,) = dashed(line, 0.0, 5.0)
    assert part is line


@given(st.lists(st.booleans(), min_size=1, max_size=30))
def test_runs_are_whole_and_equal_within(flags: list[bool]) -> None:
    found = runs(flags)
    assert [k for a, b in found for k in range(a, b)] == list(range(len(flags)))
    for a, b in found:
        assert len(set(flags[a:b])) == 1
    for (_, b), (a, _) in zip(found, found[1:], strict=False):
        assert flags[b - 1] != flags[a]


@pytest.mark.parametrize("unit", [0.2, 1.0, 3.0])
def test_vectors_keep_to_the_lines_as_near_as_the_eye_can_tell(film: OpenFilm, unit: float) -> None:
    strokes = draw_film(film, InFront(canal="single"), NUMBERS).strokes
    plain = [s for s in strokes if not s.style.dash_px]
    assert len(plain) > 3
    for stroke in plain:
        vectors, colours = line_vectors([stroke], unit)
        assert len(vectors) == len(colours)
        drawn = np.vstack([vectors[:, 0], vectors[-1:].sum(axis=1)])
        np.testing.assert_allclose(vectors[1:, 0], vectors[:-1].sum(axis=1))
        np.testing.assert_allclose(drawn[[0, -1]], stroke.points_px[[0, -1]])
        for point in stroke.points_px:
            assert foot_on_polyline(drawn, point)[1] <= 0.5 * unit


@given(
    st.lists(
        st.tuples(st.floats(0, 60), st.floats(0, 60), st.integers(1, 12)), min_size=1, max_size=6
    ),
    st.floats(0.2, 3.0),
)
def test_labels_do_not_lie_on_each_other(
    labels: list[tuple[float, float, int]], unit: float
) -> None:
    points = [DrawnPoint(point_px=(r, c), text="x" * n) for r, c, n in labels]
    placed = label_places(points, unit)
    assert [p for p, _ in placed] == points
    for k, (one, (row, col)) in enumerate(placed):
        for other, (at_row, at_col) in placed[:k]:
            apart_rows = abs(row - at_row) >= 18.0 * unit - 1e-6
            wide = 3.6 * (len(one.text) + len(other.text)) * unit
            assert apart_rows or abs(col - at_col) >= wide - 1e-6
