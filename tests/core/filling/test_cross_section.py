"""Cross-section of a fill, noise of a pixel, width: against integrals and scikit-image."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, ndimage, stats
from skimage.measure import profile_line

from rxmeasure.filling.blurred_chord import blurred_chord
from rxmeasure.filling.edge_model import FILM_MM, RADII, cross_section, steepest
from rxmeasure.filling.strip import RowBands, canal_strip
from rxmeasure.filling.width import measure_width
from rxmeasure.tracing.canal_trace import trace_line
from rxmeasure.tracing.frame import frame_for

# --- blurred chord --------------------------------------------------------------------------


@pytest.mark.parametrize("blur", [0.05, 0.2, 0.5, 1.2])
def test_blurred_chord_is_the_convolution_integral(blur: float) -> None:
    # Definition: the chord sqrt(1 - u^2) of a rod of radius 1 convolved with a normal density;
    # integrated by scipy.integrate.quad. The table is linear between steps of 0.025 in blur.
    for x in (0.0, 0.4, 0.9, 1.0, 1.1, 1.6, -0.7):
        # u = sin(a), so that the vertical edge of the chord does no harm.
        whole, _ = integrate.quad(
            lambda a, x=x: np.cos(a) ** 2 * stats.norm.pdf(x - np.sin(a), scale=blur),
            -np.pi / 2,
            np.pi / 2,
            points=[np.arcsin(np.clip(x, -0.99, 0.99))],
            limit=200,
        )
        assert blurred_chord([x], blur)[0] == pytest.approx(whole, abs=1e-3)


def test_without_blur_it_is_the_chord() -> None:
    x = np.linspace(-1.3, 1.3, 261)
    inside = np.abs(np.abs(x) - 1.0) > 0.01
    assert_allclose(
        blurred_chord(x, 0.0)[inside], np.sqrt(np.maximum(1 - x**2, 0.0))[inside], atol=2e-3
    )


@pytest.mark.parametrize("blur", [0.0, 0.1, 0.4, 0.8])
def test_blur_keeps_the_area_and_the_symmetry(blur: float) -> None:
    x = np.linspace(-4.0, 4.0, 4001)
    values = blurred_chord(x, blur)
    assert np.trapezoid(values, x) == pytest.approx(np.pi / 2.0, rel=1e-3)  # half a unit circle
    assert_allclose(values, values[::-1], atol=1e-9)
    assert (np.diff(values[x >= 0.0]) <= 1e-12).all()


def test_film_of_the_edge_model_lies_outside_the_core() -> None:
    x = np.linspace(-0.6, 0.6, 241)
    radius = np.asarray(0.4)
    plain = cross_section(x, radius, 0.03, 0.0)
    assert_allclose(plain, 0.4 * blurred_chord(x / 0.4, 0.03 / 0.4))
    denser = cross_section(x, radius, 0.03, 1.0) - plain
    # The excess is the rod less its inside: the film's own thickness along the beam.
    assert_allclose(np.trapezoid(denser, x), np.pi / 2 * (0.4**2 - (0.4 - FILM_MM) ** 2), rtol=2e-3)
    assert np.abs(x[np.argmax(denser)]) > 0.4 - 2 * FILM_MM


@pytest.mark.parametrize(("blur", "film"), [(0.031, 0.0), (0.0637, 0.8), (0.1182, 2.0)])
def test_kept_slopes_give_the_place_that_the_model_itself_gives(blur: float, film: float) -> None:
    x = np.arange(0.0, 2.0, 0.001)
    wide = RADII > 0.2
    slope = np.gradient(cross_section(x, RADII[wide, None], blur, film), 0.001, axis=1)
    smooth = ndimage.gaussian_filter1d(slope, 5.0, axis=1)
    assert_allclose(steepest(blur, film)[wide], x[np.argmin(smooth, axis=1)], atol=0.006)


def test_means_of_bands_are_those_of_their_columns() -> None:
    rng = np.random.default_rng(4)
    values, t = rng.normal(size=(25, 60)), np.linspace(-1.0, 1.0, 60)
    low = rng.uniform(-1.4, 0.9, 25)
    high = low + rng.uniform(0.0, 1.0, 25)
    inside = (t >= low[:, None]) & (t <= high[:, None])
    expected = [row[k].mean() if k.any() else 0.0 for row, k in zip(values, inside, strict=True)]
    assert_allclose(RowBands(values, t).mean(low, high), expected, atol=1e-12)
    assert not inside.any(axis=1).all()


def test_steepest_slope_lies_inside_the_edge_and_nears_it_without_blur() -> None:
    sharp, soft = steepest(0.015, 0.0), steepest(0.08, 0.0)
    wide = RADII > 0.3
    assert (sharp[wide] < RADII[wide]).all()
    assert (soft[wide] < sharp[wide]).all()
    assert (np.diff(soft) > 0.0).all()
    # Slope of the blurred chord by scipy instead of the table.
    for radius, place in zip(RADII[wide], soft[wide], strict=True):
        x = np.arange(-radius - 0.6, radius + 0.6, 0.0005)
        chord = np.sqrt(np.maximum(radius**2 - x**2, 0.0))
        slope = ndimage.gaussian_filter1d(chord, 0.08 / 0.0005, order=1)
        assert place == pytest.approx(x[np.argmin(slope)], abs=0.006)


# --- width ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def measured(make_scene: Callable[..., Any]) -> tuple[Any, Any, Any]:
    scene = make_scene()
    film, clicks = scene.radiograph(), scene.clicks_px()
    trace = trace_line(film, frame_for(film, scene.calibration(), clicks), clicks)
    strip = canal_strip(film, trace)
    return scene, strip, measure_width(strip)


def test_width_is_the_drawn_one(measured: tuple[Any, Any, Any]) -> None:
    scene, strip, width = measured
    s = np.linspace(1.0, scene.fill_end_mm - 1.0, 50)
    error = np.interp(s, strip.s, width.width) - scene.width_mm(s)
    # 0.017 mm is the median found on phantoms (tests/benchmarks/accuracy.py).
    assert np.median(np.abs(error)) < 0.017
    assert np.abs(error).max() < 0.06
    u = np.interp(s, strip.s, width.u_width)
    assert (np.abs(error) < 1.96 * u).mean() > 0.9
    assert width.blur == pytest.approx(scene.blur_mm, abs=0.02)


def test_width_agrees_with_the_slopes_of_a_profile_line(measured: tuple[Any, Any, Any]) -> None:
    # skimage.measure.profile_line across the axis, 8 px wide; its steepest slopes lie inside
    # the edges by what scipy finds on a blurred chord of the drawn radius.
    scene, strip, width = measured
    film, step, smooth = scene.pixels(), 0.005, 0.04
    blur = np.hypot(scene.blur_mm, smooth)
    for s in (2.0, 4.0, 6.0, 8.0, 10.0):
        ends = scene.to_px(scene.at([s, s], [-1.2, 1.2]))
        profile = profile_line(film, ends[0], ends[1], linewidth=8, order=3, mode="nearest")
        x = np.arange(-1.2, 1.2, step)
        fine = np.interp(x, np.linspace(-1.2, 1.2, len(profile)), profile)
        slope = ndimage.gaussian_filter1d(fine, smooth / step, order=1)
        theirs = x[np.argmin(slope)] - x[np.argmax(slope)]

        def between_slopes(diameter: float, blur: float = float(blur)) -> float:
            x = np.arange(-1.2, 1.2, step)
            chord = np.sqrt(np.maximum(diameter**2 / 4 - x**2, 0.0))
            return float(-2 * x[np.argmax(ndimage.gaussian_filter1d(chord, blur / step, order=1))])

        assert theirs == pytest.approx(between_slopes(float(scene.width_mm(s))), abs=0.04)
        ours = float(np.interp(s, strip.s, width.width))
        assert theirs == pytest.approx(between_slopes(ours), abs=0.04)


def test_edges_lie_on_either_side_of_the_axis(measured: tuple[Any, Any, Any]) -> None:
    scene, strip, width = measured
    for s in (2.0, 6.0, 10.0):
        row = strip.index(s)
        for edge, sign in ((width.left[row], -1.0), (width.right[row], 1.0)):
            _, d = scene.coordinates(strip.at(float(strip.s[row]), float(edge)))
            # The strip's t grows to the left of the picture, the scene's d to the right.
            assert -sign * float(d) == pytest.approx(scene.width_mm(s) / 2, abs=0.05)
