"""Gaussian means over windows of many pixels, worked out on a coarser grid, for speed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter


@dataclass(frozen=True, slots=True, kw_only=True)
class WideMean:
    """A Gaussian window of standard deviation ``sd_px`` on pictures of ``shape``.

    Pictures count as 0 beyond their border: divide by the mean of the weights.
    """

    shape: tuple[int, ...]
    sd_px: float

    @property
    def step(self) -> int:
        """Side of a coarse pixel, px: half a standard deviation, where a Gaussian hardly bends."""
        return max(1, int(self.sd_px / 2.0))

    def coarse(self, image: NDArray[np.generic]) -> NDArray[np.float32]:
        """The means of a picture, one for each coarse pixel."""
        step = self.step
        padded = np.pad(image, [(0, -n % step) for n in self.shape]).astype(np.float32)
        blocks = padded[::step]
        for first in range(1, step):
            blocks = blocks + padded[first::step]
        means = sum(blocks[:, first::step] for first in range(step)) / np.float32(step**2)
        # Blocks and the way back to pixels smooth too: a box and a triangle.
        variance = self.sd_px**2 - (step**2 - 1.0) / 12.0 - (step**2 - 1.0) / 6.0
        return np.asarray(
            gaussian_filter(means, np.sqrt(variance) / step, mode="constant"), dtype=np.float32
        )

    def fine(self, coarse: NDArray[np.floating[Any]]) -> NDArray[np.float32]:
        """What lies on the coarse grid, for each pixel."""
        rows, cols = ((np.arange(n, dtype=np.float64) + 0.5) / self.step - 0.5 for n in self.shape)
        return np.asarray(between(between(coarse, rows).T, cols).T, dtype=np.float32)


def between(image: NDArray[np.floating[Any]], rows: NDArray[np.float64]) -> NDArray[np.float32]:
    """Rows of a picture between its rows."""
    last = image.shape[0] - 1
    low = np.clip(rows.astype(int), 0, max(last - 1, 0))
    share = np.clip(rows - low, 0.0, 1.0).astype(np.float32)[:, None]
    return np.asarray(image[low] * (1.0 - share) + image[np.minimum(low + 1, last)] * share)
