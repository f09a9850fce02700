"""The subtraction picture: what is blue, what is orange, what is left white."""

from __future__ import annotations

import numpy as np
import pytest

from rxmeasure.report.subtraction import DENSER, LESS_DENSE, SAME, coloured


def test_colours_of_the_scale() -> None:
    difference = np.array([[-20.0, -10.0, 0.0, 10.0, 20.0, np.nan]])
    found = coloured(difference, 10.0)[0]
    assert tuple(found[0]) == tuple(found[1]) == LESS_DENSE
    assert tuple(found[2]) == SAME
    assert tuple(found[3]) == tuple(found[4]) == DENSER
    assert tuple(found[5]) == (255, 255, 255)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
def test_half_a_difference_is_half_the_colour(share: float) -> None:
    found = coloured(np.array([[share * 8.0, -share * 8.0]]), 8.0)[0].astype(float)
    for colour, end in zip(found, (DENSER, LESS_DENSE), strict=True):
        expected = np.array(SAME) + share * (np.array(end) - np.array(SAME))
        assert np.abs(colour - expected).max() <= 0.5


def test_the_ends_differ_in_what_colour_blind_readers_see() -> None:
    # Protanopes and deuteranopes keep blue against yellow: the blue channel has to part them.
    assert DENSER[2] - LESS_DENSE[2] > 120
    luma = [0.2126 * r + 0.7152 * g + 0.0722 * b for r, g, b in (DENSER, SAME, LESS_DENSE)]
    assert luma[1] - max(luma[0], luma[2]) > 60
