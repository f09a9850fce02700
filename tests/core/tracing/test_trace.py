"""Centre lines from rough clicks, on films drawn from a formula."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from rxmeasure.errors import MarksError
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.canal_trace import best_track, trace_line, unsteadiness
from rxmeasure.tracing.frame import frame_for
from rxmeasure.tracing.straighten import PictureCrop, straighten


def _trace(scene: Any, clicks: Any, film: Radiograph | None = None) -> Any:
    film = film or scene.radiograph()
    return trace_line(film, frame_for(film, scene.calibration(), clicks), clicks)


@pytest.fixture(scope="module")
def scene(make_scene: Callable[..., Any]) -> Any:
    return make_scene()


@pytest.fixture(scope="module")
def picture(scene: Any) -> Radiograph:
    return scene.radiograph()


# --- truth ----------------------------------------------------------------------------------


def test_the_line_lies_on_the_axis_and_has_its_length(scene: Any, picture: Radiograph) -> None:
    trace = _trace(scene, scene.clicks_px(), picture)
    s, d = scene.coordinates(trace.points)
    on_fill = s < scene.fill_end_mm - 0.2
    # 0.012 mm is the median found on phantoms (tests/benchmarks/accuracy.py).
    assert np.sqrt(np.mean(d[on_fill] ** 2)) < 0.015
    assert np.abs(d[on_fill]).max() < 0.05
    assert trace.length == pytest.approx(scene.apex_mm, abs=0.04)
    assert (np.diff(trace.s) > 0.0).all()
    assert_allclose(np.diff(trace.s), trace.s[1], rtol=0.02)
    assert_allclose(trace.s[-1], trace.length)
    # The stated accuracy of the axis is not better than what it reaches by much.
    assert 0.5 * np.sqrt(np.mean(d[on_fill] ** 2)) < trace.centre_u < 0.1


def test_clicks_beside_the_fill_change_nothing_on_it(scene: Any, picture: Radiograph) -> None:
    exact = _trace(scene, scene.clicks_px(), picture)
    clicks = scene.to_px(scene.at([0.0, 7.5, 15.0], [0.2, -0.25, 0.15]))
    beside = _trace(scene, clicks, picture)
    s, d = scene.coordinates(beside.points)
    on_fill = (s > 0.5) & (s < scene.fill_end_mm - 0.5)
    assert np.abs(d[on_fill]).max() < 0.03
    assert beside.length == pytest.approx(exact.length, abs=0.05)


@pytest.mark.parametrize("places", [(0.0, 15.0), (0.0, 7.0, 15.0), (0.0, 3.0, 8.0, 12.0, 15.0)])
def test_the_number_of_clicks_does_not_matter(
    scene: Any, picture: Radiograph, places: tuple[float, ...]
) -> None:
    trace = _trace(scene, scene.clicks_px(*places), picture)
    assert trace.length == pytest.approx(scene.apex_mm, abs=0.04)


def test_clicks_from_apex_to_crown_give_the_same_line(scene: Any, picture: Radiograph) -> None:
    there = _trace(scene, scene.clicks_px(), picture)
    back = _trace(scene, scene.clicks_px()[::-1], picture)
    s_there, _ = scene.coordinates(there.points)
    s_back, d_back = scene.coordinates(back.points)
    assert s_back[0] == pytest.approx(s_there[-1], abs=0.05)
    assert back.length == pytest.approx(there.length, abs=0.03)
    assert np.abs(d_back[s_back < scene.fill_end_mm - 0.5]).max() < 0.03


def test_the_fill_is_seen_to_its_end_and_not_beyond(scene: Any, picture: Radiograph) -> None:
    trace = _trace(scene, scene.clicks_px(), picture)
    assert trace.seen[trace.s < scene.fill_end_mm - 0.8].all()
    assert not trace.seen[trace.s > scene.fill_end_mm + 0.4].any()
    assert trace.confidence == pytest.approx(scene.fill_end_mm / scene.apex_mm, abs=0.06)


def test_a_dark_canal_is_followed_too(make_scene: Callable[..., Any]) -> None:
    empty = make_scene(
        fill_grey=0.0, canal_grey=500.0, tip_mm=0.3, taper=0.02, fill_end_mm=15.0, root_grey=100.0
    )
    film, clicks = empty.radiograph(), empty.clicks_px()
    frame = frame_for(film, empty.calibration(), clicks)
    trace = trace_line(film, frame, clicks, bright=False)
    s, d = empty.coordinates(trace.points)
    inside = (s > 0.5) & (s < 14.0)
    assert np.sqrt(np.mean(d[inside] ** 2)) < 0.03
    assert trace.length == pytest.approx(empty.apex_mm, abs=0.06)


# --- laws -----------------------------------------------------------------------------------


@pytest.mark.parametrize("by", [2.0, 0.5])
def test_rows_of_another_pitch_give_the_same_line(
    make_scene: Callable[..., Any], scene: Any, picture: Radiograph, by: float
) -> None:
    other = make_scene(pitch_mm=(0.03 * by, 0.03))
    a = _trace(scene, scene.clicks_px(), picture)
    b = _trace(other, other.clicks_px())
    assert b.length == pytest.approx(a.length, abs=0.02)
    s, d = scene.coordinates(b.points)
    assert np.abs(d[s < scene.fill_end_mm - 0.2]).max() < 0.04


def _transposed(points: np.ndarray) -> np.ndarray:
    return points[:, ::-1]


def _upside_down(points: np.ndarray) -> np.ndarray:
    return np.column_stack([666.0 - points[:, 0], points[:, 1]])


def _left_right(points: np.ndarray) -> np.ndarray:
    return np.column_stack([points[:, 0], 332.0 - points[:, 1]])


@pytest.mark.parametrize(
    ("turned", "turn"),
    [
        (np.transpose, _transposed),
        (np.flipud, _upside_down),
        (np.fliplr, _left_right),
    ],
)
def test_a_mirrored_or_transposed_picture_gives_the_mirrored_line(
    scene: Any,
    picture: Radiograph,
    make_radiograph: Callable[..., Radiograph],
    turned: Callable[[np.ndarray], np.ndarray],
    turn: Callable[[np.ndarray], np.ndarray],
) -> None:
    assert picture.shape == (667, 333)
    clicks = np.array(scene.clicks_px())
    frame = frame_for(picture, scene.calibration(), clicks)
    straight = trace_line(picture, frame, clicks)
    film, marks = make_radiograph(turned(picture.pixels)), turn(clicks)
    other = trace_line(film, frame_for(film, scene.calibration(), marks), marks)
    assert other.length == pytest.approx(straight.length, abs=0.003)
    line = frame.to_px(straight.points)
    away = np.array([foot_on_polyline(line, p)[1] for p in turn(frame.to_px(other.points))])
    # The grid of the rough path falls otherwise: a tenth of a pixel on the fill, less than one
    # where nothing is seen.
    assert away[other.s < scene.fill_end_mm - 0.3].max() < 0.1
    assert away.max() < 1.0


def test_grey_scale_does_not_matter(
    scene: Any, picture: Radiograph, make_radiograph: Callable[..., Radiograph]
) -> None:
    a = _trace(scene, scene.clicks_px(), picture)
    b = _trace(scene, scene.clicks_px(), make_radiograph(2.5 * picture.pixels + 400.0))
    assert b.length == pytest.approx(a.length, abs=0.002)
    assert_allclose(b.points, a.points, atol=0.005)


# --- parts ----------------------------------------------------------------------------------


def test_best_track_is_the_best_of_all() -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        score = rng.normal(0.0, 3.0, (5, 4))
        found = best_track(score, max_step=2)

        def worth(columns: Any, score: np.ndarray = score) -> float:
            steps = np.abs(np.diff(columns))
            if steps.max() > 2:
                return -np.inf
            return float(score[np.arange(5), list(columns)].sum() - 1.5 * (steps**2).sum())

        best = max(itertools.product(range(4), repeat=5), key=worth)
        assert worth(found) == pytest.approx(worth(best))


def test_tracks_in_one_pass_are_those_found_apart() -> None:
    score = np.random.default_rng(7).normal(0.0, 3.0, (30, 2, 9))
    both = best_track(score, max_step=1)
    assert_array_equal(both[:, 0], best_track(score[:, 0], max_step=1))
    assert_array_equal(both[:, 1], best_track(score[:, 1], max_step=1))
    assert (both[:, 0] != both[:, 1]).any()


def test_unsteadiness_of_noise_is_its_standard_deviation() -> None:
    rng = np.random.default_rng(6)
    noise = rng.normal(0.0, 4.0, (400, 60))
    # Structure that stays the same along the line does not count.
    assert unsteadiness(noise + np.linspace(0, 900, 60)[None, :], 5) == pytest.approx(4.0, rel=0.03)


def test_straightening_reads_the_picture_along_the_normals(
    make_radiograph: Callable[..., Radiograph],
) -> None:
    r, c = np.mgrid[0:120, 0:100].astype(float)
    film = make_radiograph(7.0 * r - 3.0 * c + 500.0)  # cubic splines keep a plane exactly
    line = np.column_stack([np.linspace(20, 90, 50), np.linspace(40, 60, 50)])
    frame = frame_for(film, None, [(20.0, 40.0), (90.0, 60.0)], span_mm=float(np.hypot(70, 20)))
    crop = PictureCrop(film, frame, line, 15.0)
    offsets = np.arange(-10.0, 10.5, 2.5)
    values = straighten(crop, line, offsets)
    t = np.array([70.0, 20.0]) / np.hypot(70.0, 20.0)
    where = line[:, None] + offsets[None, :, None] * np.array([t[1], -t[0]])
    assert_allclose(values, 7.0 * where[..., 0] - 3.0 * where[..., 1] + 500.0, atol=0.02)
    # Walking down the picture, positive offsets lie to the left of it.
    assert where[0, -1, 1] < where[0, 0, 1]


# --- refusals -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("clicks", "word"),
    [
        ([(100.0, 150.0)], "shape"),
        ([(100.0, 150.0), (100.0, 150.0)], "apart"),
        ([(100.0, 150.0), (103.0, 152.0)], "apart"),
        ([(100.0, 150.0), (5000.0, 150.0)], "outside the picture"),
        ([(-2.0, 150.0), (400.0, 150.0)], "outside the picture"),
        ([(100.0, 150.0), (float("nan"), 150.0)], "not finite"),
        ([(100.0, 150.0), (130.0, 150.0)], "1.5 mm"),
    ],
)
def test_clicks_that_make_no_line_are_refused(
    scene: Any, picture: Radiograph, clicks: list[tuple[float, float]], word: str
) -> None:
    with pytest.raises(MarksError, match=word) as caught:
        _trace(scene, clicks, picture)
    for text in (caught.value.found, caught.value.needed, caught.value.next_step):
        assert text.endswith(".")
