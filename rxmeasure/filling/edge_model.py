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
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from rxmeasure.filling.blurred_chord import blurred_chord
from rxmeasure.filling.least_squares import height, levenberg_marquardt, without
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
#: Places at which the model's slope is looked at, and the step of the blurs it is kept for (mm).
_PLACE_STEP = 0.015
_PLACES = np.arange(0.0, RADII[-1] + 0.4, _PLACE_STEP)
_BLUR_KNOT = 0.004
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


def cross_section(
    x: FloatArray, radius: FloatArray, blur: FloatArray | float, film_excess: FloatArray | float
) -> FloatArray:
    """Blurred density of the model at distance ``x`` from the axis; arguments broadcast."""
    core = np.maximum(radius - FILM_MM, 0.01)
    outer = radius * blurred_chord(x / radius, blur / radius)
    inner = core * blurred_chord(x / core, blur / core)
    return np.asarray(outer + film_excess * (outer - inner))


@lru_cache(maxsize=256)
def _slopes(knot: int) -> tuple[FloatArray, FloatArray]:
    """Falling slopes of a rod without film and of what the film adds, shape (radii, places)."""
    plain, filmed = (
        -np.gradient(
            cross_section(_PLACES, RADII[:, None], knot * _BLUR_KNOT, film), _PLACE_STEP, axis=1
        )
        for film in (0.0, 1.0)
    )
    return plain, filmed - plain


def steepest(blur: float, film_excess: float) -> FloatArray:
    """Place of the steepest slope for each of ``RADII``, made increasing."""
    knot, beyond = divmod(blur / _BLUR_KNOT, 1.0)
    parts = zip(_slopes(int(knot)), _slopes(int(knot) + 1), strict=True)
    plain, film = (before + beyond * (after - before) for before, after in parts)
    slope = plain + film_excess * film
    k = np.clip(np.argmax(slope, axis=1), 1, len(_PLACES) - 2)
    n = np.arange(len(RADII))
    a, b, c = slope[n, k - 1], slope[n, k], slope[n, k + 1]
    bow = np.minimum(a - 2 * b + c, -1e-12)
    place = _PLACES[k] + np.clip(0.5 * (a - c) / bow, -0.5, 0.5) * _PLACE_STEP
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
    sections = [
        _section(strip, rows, left[part], right[part], part)
        for part in np.array_split(index, GROUPS)
        if len(part) >= 2
    ]
    half_widths = np.array([h for h, _, _ in sections])
    # Sections of different width in one array: what a shorter one lacks weighs nothing.
    x, data, weight = (
        np.zeros((len(sections), max(len(v) for _, v, _ in sections))) for _ in "123"
    )
    for k, (_, places, section) in enumerate(sections):
        x[k, : len(places)], data[k, : len(places)] = places, section
        weight[k, : len(places)] = 1.0
    background, _ = np.linalg.qr(np.stack([weight, x, x**2], axis=-1))
    data = without(background, data)

    def residuals(parameters: FloatArray) -> FloatArray:
        blur, film = parameters[:, :1, None], parameters[:, 1:, None]
        radius = [
            np.interp(half_widths, steepest(float(np.hypot(b, across)), float(f)), RADII)
            for b, f in parameters
        ]
        shape = weight * cross_section(x, np.array(radius)[..., None], blur, film)
        shape = without(background, shape)
        rest = (data - height(shape, data) * shape).reshape(len(parameters), -1)
        return np.column_stack([rest, FILM_PRIOR * parameters[:, 1]])

    fit = levenberg_marquardt(
        residuals,
        (DEFAULT_BLUR_MM, 0.5),
        low=(BLUR_MM[0], FILM_EXCESS[0]),
        high=(BLUR_MM[1], FILM_EXCESS[1]),
        step=(1e-3, 1e-2),
    )
    return _model(float(fit.parameters[0]), float(fit.parameters[1]), across)


def _section(
    strip: CanalStrip, rows: FloatArray, left: FloatArray, right: FloatArray, part: NDArray[np.int_]
) -> tuple[float, FloatArray, FloatArray]:
    """Half-width, places and averaged cross-section (height 1) of some rows of like width."""
    half = (right - left) / 2.0
    h = float(np.mean(half))
    x = np.arange(-(h + 0.28), h + 0.281, strip.t_step)
    # Each row is stretched by its own width before averaging.
    where = (left + right)[:, None] / 2.0 + x[None, :] * (half / h)[:, None]
    column = (where - strip.t[0]) / strip.t_step
    row = np.broadcast_to(part[:, None], column.shape)
    values = ndimage.map_coordinates(rows, [row, column], order=1, mode="nearest")
    section = np.median(values, axis=0)
    return h, x, section / (float(np.ptp(section)) + 1e-9)


def _model(blur: float, film_excess: float, across: float) -> EdgeModel:
    return EdgeModel(
        blur=blur,
        film_excess=film_excess,
        slope_at=steepest(float(np.hypot(blur, across)), film_excess),
    )
