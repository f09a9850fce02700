"""The posterior of the fill's end on drawn strips, and the arithmetic of its distribution."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
import pytest
from scipy import ndimage

from rxmeasure.filling.blurred_chord import blurred_chord
from rxmeasure.filling.end_posterior import ROW_MM, EndPosterior, end_posterior
from rxmeasure.filling.strip import CanalStrip

END, WIDTH, BLUR = 10.0, 0.4, 0.07


def strip_with_end(seed: int, texture: float, beyond: tuple[float, float] | None = None) -> Any:
    """A strip of a fill of height 1 that ends flat at ``END``, before a random texture.

    ``beyond``: first and last place of another bright rod in line with it.
    """
    s, t = np.arange(0.0, 16.0, 0.05), np.arange(-2.2, 2.21, 0.03)
    filled = (s <= END).astype(float)
    if beyond is not None:
        filled += (s > beyond[0]) & (s < beyond[1])
    along = ndimage.gaussian_filter1d(filled, BLUR / 0.05)
    rod = blurred_chord(t / (WIDTH / 2.0), BLUR / (WIDTH / 2.0))
    grain = np.random.default_rng(seed).standard_normal((len(s), len(t)))
    grain = ndimage.gaussian_filter(grain, (0.15 / 0.05, 0.15 / 0.03))
    values = along[:, None] * rod + texture * grain / grain.std() + 0.2 * t
    return CanalStrip(
        frame=cast(Any, None),
        line=np.column_stack([s, np.zeros_like(s)]),
        s=s,
        s_apex=11.0,
        t=t,
        values=values,
        seen=s <= END,
        crop=cast(Any, None),
    )


def look(strip: Any, guess: float) -> EndPosterior:
    found = end_posterior(strip, np.full(len(strip.s), WIDTH), BLUR, 0.0, (guess,))
    assert found is not None
    return found


@pytest.mark.parametrize("guess", [END - 0.8, END - 0.1, END + 0.1, END + 0.8])
def test_clear_end_is_found_from_a_rough_guess(guess: float) -> None:
    found = look(strip_with_end(1, 0.02), guess)
    assert abs(found.place - END) < ROW_MM
    assert found.reach(0.85) < 0.25
    assert found.other is None


def test_interval_holds_the_truth_as_often_as_it_says() -> None:
    inside, widths = 0, []
    for seed in range(40):
        found = look(strip_with_end(seed, 0.25), END + 0.1)
        low, high = found.quantiles(np.array([0.025, 0.975]))
        inside += int(low <= END <= high)
        widths.append(high - low)
    assert inside >= 35
    assert np.median(widths) < 3.0


def test_more_texture_means_more_doubt() -> None:
    clear, rough = (
        np.median([look(strip_with_end(seed, texture), END).u for seed in range(9)])
        for texture in (0.02, 0.4)
    )
    assert rough > 1.5 * clear


def test_bright_thing_beyond_a_gap_does_not_pull() -> None:
    found = look(strip_with_end(3, 0.05, beyond=(11.0, 11.6)), END)
    assert abs(found.place - END) < ROW_MM


def test_too_short_a_stretch_is_refused() -> None:
    strip = strip_with_end(1, 0.02)
    assert end_posterior(strip, np.full(len(strip.s), WIDTH), BLUR, 14.5, (15.5,)) is None


def test_normal_keeps_its_two_numbers() -> None:
    p = EndPosterior.normal(3.0, 0.2)
    assert p.place == pytest.approx(3.0, abs=0.01)
    assert p.u == pytest.approx(0.2, rel=0.03)


def test_widening_adds_variances() -> None:
    p = EndPosterior.normal(3.0, 0.3).widened(0.4)
    assert p.place == pytest.approx(3.0, abs=0.01)
    assert p.u == pytest.approx(0.5, rel=0.03)


def test_short_by_leans_coronally_with_the_half_normal_mean() -> None:
    p = EndPosterior.normal(3.0, 0.02).short_by(0.4)
    mean = float((p.s * p.density).sum())
    assert mean == pytest.approx(3.0 - 0.4 * np.sqrt(2.0 / np.pi), abs=0.01)
    assert p.quantiles(np.array([0.999]))[0] < 3.08


def test_short_within_leans_coronally_by_half_of_the_most() -> None:
    p = EndPosterior.normal(3.0, 0.05).short_within(2.0)
    assert float((p.s * p.density).sum()) == pytest.approx(2.0, abs=0.01)
    low, high = p.quantiles(np.array([0.001, 0.999]))
    assert 0.9 < low < high < 3.2


def test_mixture_tells_its_second_place() -> None:
    p = EndPosterior.normal(3.0, 0.05).mixed(EndPosterior.normal(4.5, 0.05), 0.3)
    assert p.place == pytest.approx(3.0, abs=0.01)
    assert p.other == pytest.approx(4.5, abs=0.05)
    assert p.density.sum() == pytest.approx(1.0)
