"""How far the true edge of a fill lies outside the steepest slope of its picture.

Model of a cross-section: a rod (core) whose outermost :data:`FILM_MM` may be
denser or less dense than its inside (the sealer film; a picture that saturates
looks the same), blurred by a Gaussian, over a straight background. Blur and
film are two unknowns of the whole fill; they are fitted by least squares to a
few averaged cross-sections. The steepest slope of this model then gives the
radius for each measured slope position.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage, optimize

from rxmeasure.filling.blurred_chord import blurred_chord
from rxmeasure.filling.strip import CanalStrip
from rxmeasure.geometry import FloatArray

#: Thickness of the outer film of the model (mm): sealer films are some hundredths.
FILM_MM = 0.05
#: Radii at which the model is evaluated (mm).
RADII = np.geomspace(0.06, 1.3, 13)
#: Bounds of blur (mm) and of the film's density over the core's, less one.
BLUR_MM = (0.015, 0.2)
FILM_EXCESS = (-0.9, 3.0)
#: Weight of "no film" against the fit's residuals (share of the section's height): where the
#: cross-sections cannot tell a film from more blur, no film is the simpler description.
FILM_PRIOR = 0.15
#: Number of averaged cross-sections.
GROUPS = 5
#: When there are too few clear rows to fit: a common blur, no film (mm).
DEFAULT_BLUR_MM = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeModel:
    """Fitted edge of one fill; plane units.

    ``slope_at`` are the places of the steepest slope for the radii ``RADII``.
    """

    blur: float
    film_excess: float
    slope_at: FloatArray

    def radius(self, position: ArrayLike) -> FloatArray:
        """True radius from the distance of the steepest slope from the axis."""
        q = np.asarray(position, dtype=np.float64)
        inside = np.interp(q, self.slope_at, RADII)
        return np.asarray(
            np.where(q > self.slope_at[-1], q + RADII[-1] - self.slope_at[-1], inside)
        )


def cross_section(x: FloatArray, radius: FloatArray, blur: float, film_excess: float) -> FloatArray:
    """Blurred density of the model at distance ``x`` from the axis; arguments broadcast."""
    core = np.maximum(radius - FILM_MM, 0.01)
    outer = radius * blurred_chord(x / radius, blur / radius)
    inner = core * blurred_chord(x / core, blur / core)
    return np.asarray(outer + film_excess * (outer - inner))


def steepest(blur: float, film_excess: float) -> FloatArray:
    """Place of the steepest slope for each of ``RADII``, made increasing."""
    step = 0.015
    x = np.arange(0.0, RADII[-1] + 0.4, step)
    shape = cross_section(x[None, :], RADII[:, None], blur, film_excess)
    slope = -np.gradient(shape, step, axis=1)
    k = np.clip(np.argmax(slope, axis=1), 1, len(x) - 2)
    n = np.arange(len(RADII))
    a, b, c = slope[n, k - 1], slope[n, k], slope[n, k + 1]
    bow = np.minimum(a - 2 * b + c, -1e-12)
    place = x[k] + np.clip(0.5 * (a - c) / bow, -0.5, 0.5) * step
    return np.maximum.accumulate(place + 1e-6 * n)


def fit_edge(
    strip: CanalStrip,
    rows: FloatArray,
    left: FloatArray,
    right: FloatArray,
    strength: FloatArray,
    across: float,
) -> EdgeModel:
    """Fit blur and film to the clear rows of one fill.

    Parameters
    ----------
    strip : CanalStrip
    rows : ndarray, shape (N, M)
        Strip smoothed along the canal.
    left, right : ndarray, shape (N,)
        Places of the steepest slopes.
    strength : ndarray, shape (N,)
        Slope strength in noise standard deviations.
    across : float
        Standard deviation of the derivative filter that found the slopes.
    """
    half = (right - left) / 2.0
    clear = strip.seen & (half > 0.07) & (half < 0.9) & (strength > 5.0)
    if clear.sum() < 12:
        return _model(DEFAULT_BLUR_MM, 0.0, across)
    clear &= strength > 0.5 * np.median(strength[clear])
    index = np.flatnonzero(clear)
    index = index[np.argsort(half[index])]
    sections = []
    for part in np.array_split(index, GROUPS):
        if len(part) < 2:
            continue
        h = float(np.mean(half[part]))
        x = np.arange(-(h + 0.28), h + 0.281, strip.t_step)
        # Each row is stretched by its own width before averaging.
        where = (left[part] + right[part])[:, None] / 2.0 + x[None, :] * (half[part] / h)[:, None]
        column = (where - strip.t[0]) / strip.t_step
        row = np.broadcast_to(part[:, None], column.shape)
        values = ndimage.map_coordinates(rows, [row, column], order=1, mode="nearest")
        section = np.median(values, axis=0)
        sections.append((h, x, section / (float(np.ptp(section)) + 1e-9)))

    def residual(p: FloatArray) -> FloatArray:
        blur, film = float(p[0]), float(p[1])
        table = steepest(float(np.hypot(blur, across)), film)
        rest = []
        for h, x, section in sections:
            r = np.interp(h, table, RADII)
            design = np.column_stack(
                [cross_section(x, np.asarray(r), blur, film), np.ones_like(x), x, x**2]
            )
            solution = np.linalg.solve(design.T @ design + 1e-9 * np.eye(4), design.T @ section)
            rest.append(section - design @ solution)
        return np.concatenate([*rest, [FILM_PRIOR * film]])

    result = optimize.least_squares(
        residual,
        (DEFAULT_BLUR_MM, 0.5),
        bounds=([BLUR_MM[0], FILM_EXCESS[0]], [BLUR_MM[1], FILM_EXCESS[1]]),
        x_scale=[0.02, 0.5],
        diff_step=[1e-2, 1e-2],
        max_nfev=8,
    )
    return _model(float(result.x[0]), float(result.x[1]), across)


def _model(blur: float, film_excess: float, across: float) -> EdgeModel:
    return EdgeModel(
        blur=blur,
        film_excess=film_excess,
        slope_at=steepest(float(np.hypot(blur, across)), film_excess),
    )
