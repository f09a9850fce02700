"""The shapes that voids have, fitted to what is missing from a fill.

A bubble is a sphere: it takes away as much depth as it is wide. A joint is a thin slab
across the whole section, a wall gap the part of the section outside a line along one
wall; both take away the whole depth. So size and depth are not free of each other,
which tells voids from bone: a broad faint band over a fill is none of them. Each
shape is compared through the picture's blur, so that its area needs no threshold.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from rxmeasure.filling.expected_density import ACROSS, ACROSS_STEP, FillDensity
from rxmeasure.filling.least_squares import levenberg_marquardt
from rxmeasure.geometry import FloatArray

#: Density that a void through the whole section takes away, in units of the fill's density
#: over its background: fluid or air is also less dense than the dentine beside the fill
#: (calculation with the attenuation of dentine, gutta-percha and water at 60-70 kV: 1.17 to
#: 1.22 on a logarithmic grey scale, somewhat more on others).
WHOLE = 1.25
#: Density of a bubble per share of the fill's width: less than `WHOLE` where a canal is
#: deeper than wide (up to twice); its logarithm's standard deviation.
BUBBLE = 0.8
BUBBLE_LOG_SD = 0.25
#: Strength of that knowledge against the picture's noise, which is alike over some pixels.
PRIOR_WEIGHT = 3.0
#: Weight against a bubble that reaches out of the fill (per half-width).
OUTSIDE_WEIGHT = 100.0
#: How far the fit may move a bubble from the peak that was found (mm).
MOVE_MM = 0.1
#: Steps by which the fit reads its slopes: place along and across (mm), logarithms of radius
#: and density; and how often it looks.
BUBBLE_STEP = (0.005, 0.005, 0.02, 0.02)
BUBBLE_STEPS = 8
#: Distance from a bubble's rim at which its depth is compared (mm).
BESIDE_MM = 0.12
#: Part of the section that the joint is read in (half-widths).
JOINT_PART = 0.8
#: Reach of a joint along the canal (mm), and share of its peak at which its reading ends.
JOINT_REACH_MM = 0.55
JOINT_RIM = 0.1
#: A wall gap is read from its wall to so far beyond the middle (half-widths), and ends where
#: its width falls under this share of its largest.
WALL_PART = -0.35
WALL_RIM = 0.2
#: Smoothing of a wall gap's width along the canal (mm).
WALL_ALONG_MM = 0.06


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedVoid:
    """One shape fitted to a place; plane units. ``outline`` is open, in (s, t).

    Attributes
    ----------
    kind : str
        ``"internal"``, ``"joint"`` or ``"wall"``.
    side : int
        -1 left, 1 right wall, else 0.
    explained : float
        Share of what is missing there that the shape explains, in units of the noise.
    fitness : float
        How well depth and size go together, 1 for a void as it should be; of a wall gap, how
        far its two readings agree.
    """

    kind: str
    side: int
    s: float
    t: float
    length: float
    width: float
    area: float
    explained: float
    fitness: float
    outline: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Noise:
    """Robust noise of the missing share: of single places, and of whole rows."""

    place: float
    row: float


@cache
def _spheres() -> tuple[FloatArray, float, float]:
    """Blurred projections of a sphere of radius 1 from its middle outwards.

    Returns the profiles, shape (blurs, radii), and the steps of blur and radius (radii).
    """
    step, reach, fine = 1.0 / 12.0, 60, 4
    x = np.arange(-reach, reach + 1) * step
    inside = (np.arange(fine) - (fine - 1) / 2.0) / fine * step
    depth = np.mean(
        [
            np.sqrt(np.clip(1.0 - (x[:, None] + a) ** 2 - (x[None, :] + b) ** 2, 0.0, None))
            for a in inside
            for b in inside
        ],
        axis=0,
    )
    blur_step = 0.1
    profiles = [
        ndimage.gaussian_filter(depth, k * blur_step / step, mode="constant")[reach, reach:]
        for k in range(16)
    ]
    return np.array(profiles), blur_step, step


def blurred_sphere(rho: FloatArray, blur: float) -> FloatArray:
    """Depth of a blurred sphere of radius 1 (half its thickness) at distance ``rho``."""
    profiles, blur_step, step = _spheres()
    row = min(blur / blur_step, len(profiles) - 1.0)
    low = min(int(row), len(profiles) - 2)
    profile = profiles[low] + (row - low) * (profiles[low + 1] - profiles[low])
    return np.asarray(np.interp(rho, np.arange(len(profile)) * step, profile, right=0.0))


class Window:
    """Part of a fill round one place, with the noise taken into account.

    What a whole row lacks and what single places of it lack have noise of their own:
    texture of bone runs across a fill.
    """

    def __init__(self, fill: FillDensity, share: FloatArray, rows: slice, noise: Noise) -> None:
        self.share = share[rows]
        self.shape = (fill.template / fill.expected[:, None])[rows]
        self._squares = np.sum(self.shape**2, axis=1)
        self._noise = noise
        self.seen = self.whitened(self.share)

    def whitened(self, values: FloatArray) -> FloatArray:
        """Values, shape (..., R, M), in units of their noise, shape (..., R * M + R).

        The rest of each place comes first, then the level of each row.
        """
        level = np.sum(values * self.shape, axis=-1) / self._squares
        weight = np.sqrt(self._squares.mean())
        rest = (values - level[..., None] * self.shape) / self._noise.place
        noise = np.hypot(self._noise.row * weight, self._noise.place)
        flat = rest.reshape(*level.shape[:-1], -1)
        return np.concatenate([flat, level * weight / noise], axis=-1)

    def explained(self, model: FloatArray) -> float:
        """Share of the whitened squares that ``model`` takes away."""
        left = self.seen - self.whitened(model)
        return 1.0 - float(left @ left) / float(self.seen @ self.seen)


def fit_bubble(
    fill: FillDensity, share: FloatArray, peak: tuple[int, int], noise: Noise
) -> FittedVoid:
    """A sphere fitted about a peak."""
    i, j = peak
    half, centre = fill.half, fill.centre
    reach = int((0.35 + 0.5 * half[i]) / fill.step) + 1
    rows = slice(max(i - reach, 0), min(i + reach + 1, len(fill.s)))
    window = Window(fill, share, rows, noise)
    along = fill.s[rows, None] - fill.s[i]
    across = ACROSS[None, :] * half[rows, None]
    t0 = float(ACROSS[j] * half[i])
    log_density = np.log(BUBBLE)

    def model(p: FloatArray) -> FloatArray:
        radius = np.exp(p[2])
        rho = np.hypot(along - p[0], across - p[1]) / radius
        return np.asarray(np.exp(p[3]) * radius / half[i] * blurred_sphere(rho, fill.blur / radius))

    def residuals(parameters: FloatArray) -> FloatArray:
        ds, t, log_radius, log_found = parameters.T
        outside = np.abs(t) + np.exp(log_radius) - 1.05 * half[i]
        known = [
            PRIOR_WEIGHT * (log_found - log_density) / BUBBLE_LOG_SD,
            OUTSIDE_WEIGHT * np.maximum(outside, 0.0) / half[i],
            ds / MOVE_MM,
            (t - t0) / MOVE_MM,
        ]
        models = np.array([model(p) for p in parameters])
        left = window.seen - window.whitened(models)
        return np.concatenate([left, np.column_stack(known)], axis=1)

    start = np.array([0.0, t0, np.log(0.5 * min(0.3, 2.0 * half[i])), log_density])
    reach_of = np.array([5.0 * MOVE_MM, 5.0 * MOVE_MM, 2.5, 2.5])
    fit = levenberg_marquardt(
        residuals,
        tuple(start),
        low=tuple(start - reach_of),
        high=tuple(start + reach_of),
        step=BUBBLE_STEP,
        max_steps=BUBBLE_STEPS,
    )
    ds, t, log_radius, log_found = (float(v) for v in fit.parameters)
    radius, s = float(np.exp(log_radius)), float(fill.s[i]) + ds
    t += float(np.interp(s, fill.s, centre))
    found = (radius, float(np.exp(log_found)))
    turn = np.linspace(0.0, 2.0 * np.pi, 33)[:-1]
    return FittedVoid(
        kind="internal",
        side=0,
        s=s,
        t=t,
        length=2.0 * radius,
        width=2.0 * radius,
        area=float(np.pi * radius**2),
        explained=window.explained(model(fit.parameters)),
        fitness=float(np.exp(-abs(log_found - log_density))) * _depth(fill, share, s, t, found),
        outline=np.column_stack([s + radius * np.cos(turn), t + radius * np.sin(turn)]),
    )


def _depth(
    fill: FillDensity, share: FloatArray, s: float, t: float, found: tuple[float, float]
) -> float:
    """Depth seen in a bubble's middle over the one fitted (0 to 1), against the rows beside it.

    The fit leaves what whole rows lack aside; a bubble shows against its neighbours all the same.
    """
    radius, density = found
    i = int(np.argmin(np.abs(fill.s - s)))
    j = int(np.argmin(np.abs(ACROSS - (t - fill.centre[i]) / fill.half[i])))
    columns = slice(max(j - 1, 0), j + 2)
    away = np.abs(fill.s - fill.s[i]) / fill.step
    near = max(round((radius + BESIDE_MM) / fill.step), 2)
    middle = share[away < 1.5, columns].mean()
    beside = share[(away >= near) & (away <= near + 2.5), columns].mean()
    rho = np.zeros(1)
    expected = density * radius / fill.half[i] * blurred_sphere(rho, fill.blur / radius)[0]
    return float(np.clip((middle - beside) / expected, 0.0, 1.0))


def fit_joint(fill: FillDensity, share: FloatArray, row: int) -> FittedVoid | None:
    """A slab across the section; its thickness from how much is missing in all."""
    reach = int(JOINT_REACH_MM / fill.step)
    first = max(row - reach, 0)
    rows = slice(first, min(row + reach + 1, len(fill.s)))
    s, half = fill.s[rows], float(fill.half[row])
    shape = (fill.template / fill.expected[:, None])[rows]
    part = np.abs(ACROSS) < JOINT_PART
    lack, shape = share[rows][:, part], shape[:, part]
    level = np.sum(lack * shape, axis=1) / np.sum(shape**2, axis=1)
    base = float(np.median(np.concatenate([level[:4], level[-4:]])))
    level, lack = level - base, lack - base * shape
    peak = float(ndimage.gaussian_filter1d(level, 0.8)[row - first])
    if peak <= 0.0:
        return None
    inside = _run(level, row - first, JOINT_RIM * peak)
    whole = max(WHOLE, float(level[inside].max()))
    length = float(level[inside].sum()) * fill.step / whole
    middle = float(level[inside] @ s[inside] / level[inside].sum())
    # Depth that a slab of this thickness would show through the blur.
    blur = np.hypot(fill.blur, 0.8 * fill.step)
    full = whole * float(special.erf(length / (2.0 * np.sqrt(2.0) * blur)))
    columns = lack[inside].sum(axis=0) / shape[inside].sum(axis=0)
    thirds = [float(np.mean(c)) for c in np.array_split(columns, 3)]
    even = float(np.clip(min(thirds) / max(*thirds, 1e-9), 0.0, 1.0))
    positive = np.clip(lack[inside], 0.0, None)
    courses = (positive * s[inside, None]).sum(axis=0) / (positive.sum(axis=0) + 1e-9)
    slope = float(np.polyfit(ACROSS[part], courses, 1)[0])
    centre = float(fill.centre[row])
    edges = np.linspace(-1.0, 1.0, 9)
    upper = np.column_stack([middle + slope * edges - length / 2.0, centre + edges * half])
    lower = np.column_stack([middle + slope * edges + length / 2.0, centre + edges * half])
    return FittedVoid(
        kind="joint",
        side=0,
        s=middle,
        t=centre,
        length=length,
        width=2.0 * half,
        area=length * 2.0 * half,
        explained=even,
        fitness=peak / max(full, 1e-9),
        outline=np.concatenate([upper, lower[::-1]]),
    )


def fit_wall_gap(
    fill: FillDensity, share: FloatArray, peak: tuple[int, int], noise: Noise
) -> FittedVoid | None:
    """The part of the section outside a line along one wall.

    Its width in each row is read twice: from how much is missing on that side, and from how
    far the seen edge lies inside the expected one.
    """
    side = 1 if ACROSS[peak[1]] > 0.0 else -1
    half = fill.half
    smooth = WALL_ALONG_MM / fill.step
    lacking = ndimage.gaussian_filter1d(_lacking_width(share, side) * half, smooth)
    near = slice(max(peak[0] - 4, 0), peak[0] + 5)
    row = near.start + int(np.argmax(lacking[near]))
    if lacking[row] <= 0.0:
        return None
    inside = _run(lacking, row, max(WALL_RIM * lacking[row], 0.015))
    seen = (fill.width.right if side > 0 else fill.width.left)[fill.rows]
    expected = fill.right if side > 0 else fill.left
    dent = ndimage.gaussian_filter1d(side * (expected - seen), smooth)[inside]
    rows = slice(max(inside.start - 8, 0), min(inside.stop + 8, len(fill.s)))
    only = np.zeros_like(lacking)
    only[inside] = lacking[inside]
    line = 1.0 - (only / half)[rows, None]
    mask = np.clip((side * ACROSS[None, :] - line) / ACROSS_STEP + 0.5, 0.0, 1.0)
    chord = np.sqrt(np.clip(1.0 - ACROSS**2, 0.0, None))
    model = ndimage.gaussian_filter(
        WHOLE * mask * chord[None, :],
        (fill.blur / fill.step, fill.blur / (half[row] * ACROSS_STEP)),
        mode="nearest",
    )
    width = np.maximum(lacking[inside], np.clip(dent, 0.0, 1.5 * lacking[row]))
    s, area = fill.s[inside], float(width.sum()) * fill.step
    inner = expected[inside] - side * width
    middle = float(width @ s / width.sum())
    at = int(np.searchsorted(s, middle).clip(0, len(s) - 1))
    return FittedVoid(
        kind="wall",
        side=side,
        s=middle,
        t=float((expected[inside][at] + inner[at]) / 2.0),
        length=len(s) * fill.step,
        width=float(width.max()),
        area=area,
        explained=Window(fill, share, rows, noise).explained(model),
        fitness=float(np.clip(dent, 0.0, None).sum() / lacking[inside].sum()),
        outline=np.concatenate(
            [
                np.column_stack([s, expected[inside]]),
                np.column_stack([s, inner])[::-1],
            ]
        ),
    )


def wall_rows(fill: FillDensity, void: FittedVoid) -> NDArray[np.bool_]:
    """Rows in which an edge is that of a wall gap: shape (N, 2), left and right."""
    rows = np.zeros((len(fill.s), 2), dtype=bool)
    reach = void.length / 2.0 + 0.15
    middle = (void.outline[:, 0].min() + void.outline[:, 0].max()) / 2.0
    rows[np.abs(fill.s - middle) < reach, 0 if void.side < 0 else 1] = True
    return rows


def _lacking_width(share: FloatArray, side: int) -> FloatArray:
    """Width (half-widths) that is gone from one wall in each row, from the density it took."""
    part = side * ACROSS > WALL_PART
    missing = share[:, part].sum(axis=1) * ACROSS_STEP / WHOLE
    width = np.linspace(0.0, 1.35, 28)
    x = 1.0 - width
    segment = 0.5 * (np.arccos(np.clip(x, -1.0, 1.0)) - x * np.sqrt(np.clip(1.0 - x * x, 0, None)))
    return np.asarray(np.interp(missing, segment, width))


def _run(values: FloatArray, at: int, level: float) -> slice:
    """Stretch about ``at`` in which ``values`` stay above ``level``."""
    low = high = at
    while low > 0 and values[low - 1] > level:
        low -= 1
    while high < len(values) - 1 and values[high + 1] > level:
        high += 1
    return slice(low, high + 1)
