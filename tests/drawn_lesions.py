"""A lesion on two drawn films: a cavity in bone whose grain both share in part."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from drawn_visits import film_of
from numpy.typing import NDArray
from scipy import ndimage

from rxmeasure.calibration.scale import Calibration
from rxmeasure.recall.contrast import ContrastCurve
from rxmeasure.recall.film_difference import AlignedLesion, AlignedLesions
from rxmeasure.recall.lesion import outlined_lesion

MM = 0.06
SHAPE = (240, 230)
CENTRE = (121.3, 113.6)
AXES_MM = (2.6, 2.3)
#: Share of the diameter that leaves 85 % of the area.
SMALLER = float(np.sqrt(0.85))
SAME_GREY = ContrastCurve(second=(0.0, 4095.0), first=(0.0, 4095.0))


def bone(seed: int) -> NDArray[np.float64]:
    field = np.random.default_rng(seed).standard_normal(SHAPE)
    field = ndimage.gaussian_filter(field, 0.25 / MM, mode="wrap")
    return np.asarray(field / field.std())


def drawn_cavity(
    visit: int, *, share: float = 1.0, seed: int = 3, depth: float = 3.0
) -> NDArray[np.float64]:
    """A cavity in bone, ``depth`` of its SD deep; visits share part of the texture (0.65)."""
    r, c = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    y, x = (r - CENTRE[0]) * MM, (c - CENTRE[1]) * MM
    ratio = np.hypot(y / AXES_MM[0], x / AXES_MM[1]) / share
    wall = 0.5 * (1.0 - np.tanh((ratio - 1.0) * np.mean(AXES_MM) / 0.25))
    texture = np.sqrt(0.65) * bone(seed) + np.sqrt(0.35) * bone(1000 * visit + seed)
    below = depth * wall * (1.0 - 0.35 * np.minimum(ratio, 1.0) ** 2)
    return np.asarray(2000.0 + 150.0 * ((1.0 - 0.6 * wall) * texture - below))


def drawn_edge(share: float = 1.0, *, off_mm: float = 0.0, seed: int = 0) -> NDArray[np.float64]:
    """The edge, or one that lies off by a smooth wave of that standard deviation."""
    t = np.linspace(0.0, 2.0 * np.pi, 120, endpoint=False)
    rng = np.random.default_rng(seed)
    waves = sum(
        rng.normal() * np.cos(k * t) + rng.normal() * np.sin(k * t) for k in range(1, 5)
    ) / np.sqrt(4.0)
    radius = share + off_mm * waves / np.mean(AXES_MM)
    away = np.column_stack([np.sin(t) * AXES_MM[0], np.cos(t) * AXES_MM[1]]) * radius[:, None]
    return np.asarray(CENTRE + away / MM)


def side_of(
    pixels: NDArray[np.float64],
    outline_px: NDArray[np.float64],
    *,
    row_mm: float = MM,
    col_mm: float = MM,
    scaled: bool = True,
) -> AlignedLesion:
    film = film_of(pixels, aspect=row_mm / col_mm)
    scale = Calibration(row_mm=row_mm, col_mm=col_mm, u_rel=1e-6, source="drawn")
    calibration = scale if scaled else None
    lesion = outlined_lesion(film, calibration, outline_px, root="M")
    return AlignedLesion(film=film, calibration=calibration, lesion=lesion)


def on_one_grid(first: AlignedLesion, second: AlignedLesion, **changes: Any) -> AlignedLesions:
    """Two films whose pixels are the same places; ``changes`` are of the pair."""
    pair = AlignedLesions(before=first, after=second, to_first=np.eye(3), contrast=SAME_GREY)
    return replace(pair, **changes)
