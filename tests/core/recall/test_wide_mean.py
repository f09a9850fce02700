from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from rxmeasure.recall.wide_mean import WideMean


@pytest.mark.parametrize("sd_px", [1.5, 6.0, 11.8])
@pytest.mark.parametrize("shape", [(120, 90), (121, 88)])
def test_it_is_the_mean_of_a_gaussian_window(shape, sd_px):
    image = gaussian_filter(np.random.default_rng(0).normal(size=shape), 2.0)
    inside = np.ones(shape, dtype=bool)
    inside[:40, :30] = False
    window = WideMean(shape=shape, sd_px=sd_px)
    share = np.maximum(window.coarse(inside), 1e-3)
    found = window.fine(window.coarse(image * inside) / share)
    weights, sums = (
        gaussian_filter(x, sd_px, mode="constant") for x in (inside * 1.0, image * inside)
    )
    known = weights > 0.3
    wanted = sums[known] / weights[known]
    assert np.std(found[known] - wanted) < 0.05 * np.std(wanted)
    assert found.shape == shape


def test_an_even_picture_stays_as_it_is():
    window = WideMean(shape=(50, 37), sd_px=6.0)
    ones = np.ones((50, 37))
    means = window.fine(window.coarse(7.0 * ones) / window.coarse(ones))
    np.testing.assert_allclose(means, 7.0, rtol=1e-5)
