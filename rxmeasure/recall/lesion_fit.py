"""The model of a lesion in bone and its fit.

A cavity takes the share ``s`` of its depth out of the bone: 1 inside, 0 outside, a
smooth step of the edge's width between. The grey level falls with it, a little more
over the middle (a rounded cavity), and the bone's texture becomes quieter by the
same share. Both say where the edge is. The outline is a Fourier series of the
logarithm of the radius with a preference for round shapes. Fitted by maximum
likelihood; texture counts as independent from grain to grain, and the covariance
is then that of the score with the texture's own correlation (sandwich).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft
from scipy.special import expit

from rxmeasure.geometry import FloatArray
from rxmeasure.recall.lesion_window import Window, correlation, distances

#: Highest wave of the outline.
WAVES = 5
ROW, COL, FIRST_WAVE = 1, 2, 3
EDGE = FIRST_WAVE + 2 * (WAVES - 1)
COUNT = EDGE + 1
#: Standard deviation of the second wave, as a share of the radius; higher ones fall (choice).
_WAVE_SD, _WAVE_FALL = 0.10, 1.5
#: Logarithm of radius and edge width (mm): middle and standard deviation (choice).
_RADIUS, _RADIUS_SD = np.log(2.0), 0.8
_EDGE, _EDGE_SD = np.log(0.5), 0.5
#: How far the seed lies from the middle: mm, and share of the radius (choice).
_SEED_SD, _SEED_SHARE = 0.5, 0.2
#: A periapical lesion lies at the tip of its root: its middle beyond the apex by this share of the
#: radius, give or take (mm, share of the radius). Common practice without a source.
_BEYOND, _TIP_SD, _TIP_SHARE = 0.45, 0.3, 0.35
#: The rounded middle against the mean depth, and the strength of that preference (choice).
_DOME, _DOME_WEIGHT = 0.3, 0.05
#: Texture energy beyond this multiple of its mean is a strut, not the edge.
_MOST_ENERGY = 6.0
#: The scale of the step: a logistic of this share of the edge's width rises from 12 to 88 %.
_LOGISTIC = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prior:
    """Mean and standard deviation of each parameter, shape (COUNT,)."""

    mean: FloatArray
    sd: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Texture:
    """Bone beside the lesion: standard deviation, grain (mm2), and how much quieter inside."""

    sd: float
    grain: float
    quieter: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LesionFit:
    """A fitted lesion; parameters are log radius, row, col, waves, log edge width.

    ``depth``: grey levels that the lesion lies below the bone. ``left``: texture inside over
    texture outside. ``covariance`` is of the parameters.
    """

    parameters: FloatArray
    depth: float
    left: float
    texture: Texture
    log_likelihood: float
    covariance: FloatArray

    @property
    def radius(self) -> float:
        """Mean radius in mm."""
        return float(np.exp(self.parameters[0]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _State:
    p: FloatArray
    share: FloatArray
    noise: FloatArray
    depth: float
    residual: FloatArray
    slopes: FloatArray
    columns: FloatArray
    linear: FloatArray
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """Where a lesion is expected: the click and, where known, apex and direction of its root."""

    click: FloatArray
    apex: FloatArray | None = None
    outward: FloatArray | None = None


def prior_for(radius: float, place: Place, centre: FloatArray) -> Prior:
    """What is known before: the place (round a window's centre), the preference for round."""
    mean, sd = np.zeros(COUNT), np.empty(COUNT)
    mean[0], sd[0] = _RADIUS, _RADIUS_SD
    middle, spread = _expected_middle(radius, place)
    mean[ROW : COL + 1], sd[ROW : COL + 1] = middle - centre, spread
    for wave in range(2, WAVES + 1):
        first = FIRST_WAVE + 2 * (wave - 2)
        sd[first : first + 2] = _WAVE_SD * (2.0 / wave) ** _WAVE_FALL
    mean[EDGE], sd[EDGE] = _EDGE, _EDGE_SD
    return Prior(mean=mean, sd=sd)


def _expected_middle(radius: float, place: Place) -> tuple[FloatArray, float]:
    """Middle that click and root make likely, and its standard deviation."""
    by_click = (_SEED_SD + _SEED_SHARE * radius) ** -2
    if place.apex is None or place.outward is None:
        return place.click, by_click**-0.5
    by_tip = (_TIP_SD + _TIP_SHARE * radius) ** -2
    beyond = place.apex + _BEYOND * radius * place.outward
    weight = by_click + by_tip
    return (by_click * place.click + by_tip * beyond) / weight, float(weight**-0.5)


def outline_of(parameters: FloatArray, count: int = 180) -> FloatArray:
    """Outline round the window's centre in mm, shape (count, 2)."""
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    radius = np.exp(parameters[0] + _waves(angle) @ parameters[FIRST_WAVE:EDGE])
    away = np.column_stack([np.sin(angle), np.cos(angle)]) * radius[:, None]
    return np.asarray(away + parameters[ROW : COL + 1])


def fit_lesion(
    window: Window,
    start: FloatArray,
    prior: Prior,
    texture: Texture,
    *,
    background_degree: int,
    rounds: int = 3,
    steps: int = 25,
    with_covariance: bool = False,
) -> LesionFit:
    """Fit the lesion to the bone of a window; the texture is learned again in each round."""
    model = _Model(window, background_degree)
    p = start
    for number in range(rounds):
        free = COL + 1 if number == 0 and rounds > 1 and not with_covariance else COUNT
        state = _climb(model, p, prior, texture, free=free, steps=steps)
        p, used = state.p, texture
        texture = _texture_of(state, texture)
    likelihood = -0.5 * (state.cost + 2.0 * len(model.y) * np.log(used.sd) / model.weight(used))
    covariance = (
        _sandwich(window, model, state, prior, used) if with_covariance else np.empty((0, 0))
    )
    return LesionFit(
        parameters=p,
        depth=state.depth,
        left=1.0 - texture.quieter,
        texture=texture,
        log_likelihood=float(likelihood),
        covariance=covariance,
    )


class _Model:
    """Grey levels at places with a smooth background."""

    def __init__(self, window: Window, degree: int) -> None:
        where = window.bone
        y, x = window.y[where], window.x[where]
        self.y, self.x, self.values = y, x, window.values[where]
        terms = [np.ones_like(y), y, x]
        if degree == 2:
            terms += [y * y, x * x, x * y]
        self.background = np.column_stack(terms)
        self.step_area = window.step**2

    def weight(self, texture: Texture) -> float:
        """Places in one grain."""
        return max(texture.grain / self.step_area, 1.0)

    def state(self, p: FloatArray, prior: Prior, texture: Texture) -> _State:
        share, ratio2, slopes = _share(p, self.y, self.x)
        noise = 1.0 - texture.quieter * share
        below = np.column_stack([share, share * (0.5 - ratio2)])
        linear = np.column_stack([self.background, -below]) / noise[:, None]
        count = self.background.shape[1]
        coefficients = _solve_linear(linear, self.values / noise, count)
        residual = (self.values / noise - linear @ coefficients) / texture.sd
        depth = coefficients[count] + coefficients[count + 1] * (0.5 - ratio2)
        columns = slopes * (depth / noise / texture.sd)[:, None]
        cost = (residual @ residual + 2.0 * np.sum(np.log(noise))) / self.weight(texture)
        cost += float(np.sum(((p - prior.mean) / prior.sd) ** 2))
        return _State(
            p=p,
            share=share,
            noise=noise,
            depth=float(coefficients[count]),
            residual=residual,
            slopes=slopes,
            columns=columns,
            linear=linear / texture.sd,
            cost=float(cost),
        )


def _solve_linear(linear: FloatArray, values: FloatArray, background: int) -> FloatArray:
    """Background, depth and dome; a lesion that is brighter than the bone has no depth."""
    normal = linear.T @ linear
    right = linear.T @ values
    tie = np.array([[_DOME**2, -_DOME], [-_DOME, 1.0]])
    normal[background:, background:] += _DOME_WEIGHT * normal[background, background] * tie
    found = np.linalg.solve(normal, right)
    if found[background] > 0.0:
        return np.asarray(found)
    plain = np.linalg.solve(normal[:background, :background], right[:background])
    return np.concatenate([plain, [1e-6, 0.0]])


def _waves(angle: FloatArray) -> FloatArray:
    return np.stack([f(k * angle) for k in range(2, WAVES + 1) for f in (np.cos, np.sin)], axis=-1)


def _share(
    p: FloatArray, y: FloatArray, x: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share of the depth, squared distance over radius, and slopes of the share by parameter."""
    dy, dx = y - p[ROW], x - p[COL]
    distance = np.hypot(dy, dx) + 1e-9
    angle = np.arctan2(dy, dx)
    waves = _waves(angle)
    amounts = p[FIRST_WAVE:EDGE]
    radius = np.exp(np.clip(p[0] + waves @ amounts, -3.0, 3.5))
    scale = _LOGISTIC * np.exp(p[EDGE])
    share = expit((radius - distance) / scale)
    steep = share * (1.0 - share) / scale
    turned = np.repeat(np.arange(2, WAVES + 1), 2) * np.stack(
        [f for k in range(WAVES - 1) for f in (-waves[..., 2 * k + 1], waves[..., 2 * k])], axis=-1
    )
    by_angle = radius * (turned @ amounts)
    along_row = dy / distance - by_angle * dx / distance**2
    along_col = dx / distance + by_angle * dy / distance**2
    inward = np.column_stack([radius, along_row, along_col, radius[:, None] * waves])
    slopes = np.column_stack([steep[:, None] * inward, -steep * (radius - distance)])
    return share, np.minimum((distance / radius) ** 2, 1.0), slopes


def _climb(
    model: _Model, start: FloatArray, prior: Prior, texture: Texture, *, free: int, steps: int
) -> _State:
    """Fisher scoring with Levenberg's damping over the first ``free`` parameters."""
    state = model.state(start, prior, texture)
    damping = 1e-2
    for _ in range(steps):
        information, slope = _score(model, state, prior, texture, free)
        for _ in range(6):
            step = np.linalg.solve(information + damping * np.diag(np.diag(information)), -slope)
            p = state.p.copy()
            p[:free] += np.clip(step[:free], -0.3, 0.3)
            other = model.state(p, prior, texture)
            if other.cost < state.cost - 1e-6:
                break
            damping *= 4.0
        else:
            return state
        done = state.cost - other.cost < 1e-3
        state, damping = other, max(damping / 4.0, 1e-4)
        if done:
            return state
    return state


def _score(
    model: _Model, state: _State, prior: Prior, texture: Texture, free: int
) -> tuple[FloatArray, FloatArray]:
    weight = model.weight(texture)
    jacobian = np.column_stack([state.columns[:, :free], -state.linear])
    quieter = _quieter(state, texture)[:, :free]
    information = jacobian.T @ jacobian / weight
    slope = jacobian.T @ state.residual / weight
    energy = np.minimum(state.residual**2, _MOST_ENERGY)
    information[:free, :free] += 2.0 * quieter.T @ quieter / weight
    slope[:free] += quieter.T @ (1.0 - energy) / weight
    tight = 1.0 / prior.sd[:free] ** 2
    information[np.arange(free), np.arange(free)] += tight
    slope[:free] += tight * (state.p - prior.mean)[:free]
    return information, slope


def _quieter(state: _State, texture: Texture) -> FloatArray:
    """Relative change of the texture's standard deviation by parameter."""
    return np.asarray(-texture.quieter * state.slopes / state.noise[:, None])


def _texture_of(state: _State, old: Texture) -> Texture:
    """Texture outside and inside, from the residuals; few places inside count with the outside."""
    plain = np.abs(state.residual * state.noise * old.sd)
    outside, inside = plain[state.share < 0.1], plain[state.share > 0.9]
    sd = _spread(outside) if len(outside) > 50 else old.sd
    few = 4.0 / (len(inside) + 4.0)
    left = few + (1.0 - few) * (_spread(inside) if len(inside) else sd) / sd
    return Texture(sd=sd, grain=old.grain, quieter=float(1.0 - np.clip(left, 0.15, 1.0)))


def _spread(sizes: FloatArray) -> float:
    """Standard deviation from the median size of residuals."""
    return 1.4826 * float(np.median(sizes)) + 1e-9


def _sandwich(
    window: Window, model: _Model, state: _State, prior: Prior, texture: Texture
) -> FloatArray:
    """Covariance of the parameters from the texture's own correlation."""
    information, _ = _score(model, state, prior, texture, COUNT)
    weight = model.weight(texture)
    jacobian = np.column_stack([state.columns, -state.linear])
    scatter = _correlated(window, jacobian, state.residual) / weight**2
    energy = np.minimum(state.residual**2, _MOST_ENERGY)
    of_energy = _correlated(window, _quieter(state, texture), energy - energy.mean())
    scatter[:COUNT, :COUNT] += of_energy / weight**2
    scatter[np.arange(COUNT), np.arange(COUNT)] += 1.0 / prior.sd**2
    inverse = np.linalg.inv(information)
    return np.asarray((inverse @ scatter @ inverse)[:COUNT, :COUNT])


def _correlated(window: Window, jacobian: FloatArray, noise: FloatArray) -> FloatArray:
    """``J' C J`` with the covariance ``C`` read off the noise itself."""
    where, count = window.bone, window.y.shape[0]

    def on_grid(values: FloatArray) -> FloatArray:
        grid = np.zeros(where.shape)
        grid[where] = values
        return grid

    found = correlation(on_grid(noise), where, window.step, 3.0)
    far = distances(count, window.step)
    kernel = np.interp(far, np.arange(len(found)) * window.step, found, right=0.0)
    power = np.maximum(fft.rfft2(kernel).real, 0.0)
    size = (2 * count, 2 * count)
    spread = [
        fft.irfft2(fft.rfft2(on_grid(column), size) * power, size)[:count, :count][where]
        for column in jacobian.T
    ]
    return np.asarray(jacobian.T @ np.column_stack(spread))
