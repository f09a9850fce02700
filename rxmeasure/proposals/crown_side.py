"""On which side of a film the crowns are.

Bone is grey; crowns and restorations are bright and the air round them is dark. Where the
extremes lie and the direction of the clear lines together tell the way from apices to crowns.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from rxmeasure.geometry import FloatArray
from rxmeasure.proposals.cross_sections import cross_sections
from rxmeasure.proposals.film_grid import FilmGrid

#: Weight of the lines' own widening beside the side of the extremes.
WIDENING_WEIGHT = 0.05
#: Rim that is left out (mm).
RIM_MM = 0.7
#: Lines that tell the direction: contrast (heights of the texture) and length (mm).
CLEAR = (2.0, 4.0)


def crown_way(grid: FilmGrid, lines: list[tuple[FloatArray, float]]) -> FloatArray:
    """Unit vector from apices to crowns.

    Parameters
    ----------
    grid : FilmGrid
    lines : list of (line, contrast)
        Smooth lines of grid points with their contrast in heights of the texture.
    """
    extremes = _side_of_extremes(grid)
    squared, tapering = 0.0 + 0.0j, np.zeros(2)
    for line, contrast in lines:
        chord = line[-1] - line[0]
        length = float(np.hypot(*chord))
        if contrast < CLEAR[0] or length * grid.step < CLEAR[1]:
            continue
        weight = contrast * length
        squared += weight * (complex(*chord) / length) ** 2
        tapering += weight * _widening(grid, line) * chord / length
    if squared == 0.0:
        size = float(np.hypot(*extremes))
        return extremes / size if size > 0.0 else np.array([-1.0, 0.0])
    root = np.sqrt(squared)
    axis = np.array([root.real, root.imag]) / abs(root)
    vote = float(extremes @ axis)
    if np.any(tapering):
        vote += WIDENING_WEIGHT * float(tapering @ axis) / float(np.abs(squared))
    return np.asarray(axis if vote >= 0.0 else -axis)


def _side_of_extremes(grid: FilmGrid) -> FloatArray:
    """From the picture's middle to where grey is far from the median; shares of its size."""
    inside = ndimage.binary_erosion(grid.inside, iterations=max(1, round(RIM_MM / grid.step)))
    if not inside.any():
        return np.zeros(2)
    extreme = np.where(inside, np.abs(grid.grey - np.median(grid.grey[inside])), 0.0)
    rows, cols = np.indices(extreme.shape)
    where = np.array([(extreme * rows).sum(), (extreme * cols).sum()])
    where /= max(float(extreme.sum()), 1e-9)
    return np.asarray((where - np.argwhere(inside).mean(axis=0)) / np.sqrt(inside.sum()))


def _widening(grid: FilmGrid, line: FloatArray) -> float:
    """How much wider and denser the last third of a line is than its first: -1 to 1."""
    sections = cross_sections(grid, line)
    third = max(1, len(line) // 3)
    mass = np.clip(sections.height, 0.0, None) * sections.width
    first, last = float(mass[:third].mean()), float(mass[-third:].mean())
    return (last - first) / max(last + first, 1e-6)
