"""The model of a lesion in bone and its fit, on one film or on two aligned films at once.

Where a lesion has taken the share ``s`` of its depth out of the bone, the grey level falls
with ``s`` and the bone's texture becomes quieter by the same share. Grey level less background
and lesion, over that quietness, is a random field of known spectrum (Gaussian, correlated over
millimetres); the fit maximises its likelihood. On two films the fields are partly the same:
their sum and their difference are independent, each with a spectrum of its own, and the second
lesion is the first with its size, place and shape a little changed.

The covariance is that of the score, summed over blocks of bone, between two inverse
informations (sandwich; White 1982, doi:10.2307/1912526), so it holds for texture whose local
strength varies more than a Gaussian field's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.special import expit

from rxmeasure.geometry import FloatArray
from rxmeasure.recall.bone_texture import TextureSpectrum
from rxmeasure.recall.lesion_shape import (
    COL,
    COUNT,
    DOME,
    EDGE,
    FIRST_WAVE,
    QUIET,
    ROW,
    Prior,
    loss_of,
)
from rxmeasure.recall.lesion_window import Window

#: Texture never becomes quieter than this share: bone before and behind the lesion (choice).
_LEAST_NOISE = 0.05
#: Share inside below which a place counts as bone beside the lesion (choice).
_BESIDE = 0.03
#: Side of the blocks over which the score is summed, mm: the grain of the score (read off
#: development pairs).
_BLOCK_MM = 0.7
#: How far a lesion may change between two films: log radius, place (mm), waves as a share of
#: their own spread, log edge width, rounding (choice).
_RADIUS_CHANGE, _PLACE_CHANGE, _WAVE_CHANGE, _EDGE_CHANGE, _DOME_CHANGE = 0.4, 0.25, 0.3, 0.15, 0.08
#: Fits whose log radii differ by no more are one (choice).
_SAME_RADIUS = 0.03
#: Fall of the cost at which a fit has arrived (choice: far below what one outline costs more).
_DONE = 0.01
#: Longest step of a parameter.
_LONGEST_STEP = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoneField:
    """Grey levels of one or two films at the same places of bone, and what their texture is like.

    Attributes
    ----------
    y, x : ndarray, shape (N,)
        Places from the window's centre, mm.
    values : tuple of ndarray, shape (N,)
        Grey levels, one for each film.
    sd : tuple of float
        Standard deviation of each film's texture beside the lesion.
    factors : tuple of ndarray, shape (N, N)
        Cholesky factors of the covariances of the independent fields.
    mixing : ndarray, shape (fields, films)
        The independent fields from those of the films.
    background : ndarray, shape (N, K)
        Terms of the smooth background.
    """

    y: FloatArray
    x: FloatArray
    values: tuple[FloatArray, ...]
    sd: tuple[float, ...]
    factors: tuple[FloatArray, ...]
    mixing: FloatArray
    background: FloatArray

    def white(self, film: int, columns: FloatArray) -> FloatArray:
        """Columns of one film as independent numbers, shape (fields * N, K)."""
        return np.concatenate(
            [
                solve_triangular(factor, columns * share, lower=True, check_finite=False)
                for factor, share in zip(self.factors, self.mixing[:, film], strict=True)
            ]
        )

    def back(self, white: FloatArray) -> list[FloatArray]:
        """Independent numbers divided by the factors once more, for each film."""
        parts = [
            solve_triangular(factor, part, lower=True, trans="T", check_finite=False)
            for factor, part in zip(self.factors, np.split(white, len(self.factors)), strict=True)
        ]
        return [np.asarray(column @ parts) for column in self.mixing.T]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LesionFit:
    """A fitted lesion.

    Attributes
    ----------
    parameters : ndarray
        Of the lesion; of two films, then what the second adds.
    covariance : ndarray
        Of the parameters; empty unless asked for.
    contrast : tuple of float
        Depth below the bone in standard deviations of its texture, one for each film.
    cost : float
        Minus twice the log likelihood and prior, but for a constant.
    dispersion : float
        How much more the radius scatters than the likelihood says.
    """

    parameters: FloatArray
    covariance: FloatArray
    contrast: tuple[float, ...]
    cost: float
    dispersion: float = 1.0

    def of_film(self, film: int) -> FloatArray:
        """The lesion's parameters on one film."""
        return np.asarray(film_maps(len(self.contrast))[film] @ self.parameters)

    @property
    def left(self) -> float:
        """Texture inside over texture outside, on the first film."""
        return 1.0 - float(expit(self.parameters[QUIET]))

    @property
    def radius(self) -> float:
        """Mean radius on the first film, mm."""
        return float(np.exp(self.parameters[0]))


def texture_beside(
    window: Window, lesion: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_], float]:
    """Texture over its standard deviation, where the window shows bone beside a lesion, and that.

    ``lesion``: parameters from the window's centre.
    """
    inside = loss_of(lesion, window.y.ravel(), window.x.ravel()).inside.reshape(window.y.shape)
    beside = window.bone & (inside < _BESIDE)
    terms = background_terms(window.y[beside], window.x[beside], degree=2)
    values = window.values[beside]
    rest = values - terms @ np.linalg.lstsq(terms, values, rcond=None)[0]
    sd = float(np.std(rest)) or 1.0
    field = np.zeros(window.y.shape)
    field[beside] = rest / sd
    return field, beside, sd


def single_field(window: Window, spectrum: TextureSpectrum, sd: float, *, degree: int) -> BoneField:
    """The bone of one film."""
    y, x = window.y[window.bone], window.x[window.bone]
    covariance = spectrum.covariance(np.column_stack([y, x]))
    return BoneField(
        y=y,
        x=x,
        values=(window.values[window.bone],),
        sd=(sd,),
        factors=(_factor(covariance),),
        mixing=np.ones((1, 1)),
        background=background_terms(y, x, degree=degree),
    )


def paired_field(
    windows: tuple[Window, Window],
    textures: tuple[FloatArray, FloatArray],
    beside: NDArray[np.bool_],
    sd: tuple[float, float],
) -> BoneField:
    """The bone of two aligned films where both show it.

    ``textures`` and ``beside``: of wider windows with the same step, from `texture_beside`.
    """
    first, second = windows
    bone = first.bone & second.bone
    y, x = first.y[bone], first.x[bone]
    points = np.column_stack([y, x])
    mixing = np.sqrt(0.5) * np.array([[1.0, 1.0], [1.0, -1.0]])
    factors = []
    for row in mixing:
        field = row[0] * textures[0] + row[1] * textures[1]
        power = float(np.mean(field[beside] ** 2))
        spectrum = TextureSpectrum.of(field / np.sqrt(power), beside, first.step)
        factors.append(_factor(power * spectrum.covariance(points)))
    return BoneField(
        y=y,
        x=x,
        values=(first.values[bone], second.values[bone]),
        sd=sd,
        factors=tuple(factors),
        mixing=mixing,
        background=background_terms(y, x, degree=1),
    )


def background_terms(y: FloatArray, x: FloatArray, *, degree: int) -> FloatArray:
    """Terms of a smooth background: a plane or a quadratic."""
    terms = [np.ones_like(y), y, x]
    if degree == 2:
        terms += [y * y, x * x, x * y]
    return np.column_stack(terms)


def paired_prior(prior: Prior) -> Prior:
    """What is known before of a lesion on two films."""
    mean, sd = np.zeros(COUNT), np.empty(COUNT)
    sd[0], sd[ROW : COL + 1] = _RADIUS_CHANGE, _PLACE_CHANGE
    sd[FIRST_WAVE:EDGE] = _WAVE_CHANGE * prior.sd[FIRST_WAVE:EDGE]
    sd[EDGE], sd[DOME] = _EDGE_CHANGE, _DOME_CHANGE
    mean[QUIET], sd[QUIET] = prior.mean[QUIET], prior.sd[QUIET]
    return Prior(mean=np.append(prior.mean, mean), sd=np.append(prior.sd, sd))


def paired_start(first: FloatArray, second: FloatArray) -> FloatArray:
    """Start for two films from the lesion on each."""
    added = second - first
    added[QUIET] = second[QUIET]
    return np.append(first, added)


def levelled(field: BoneField, lesion: FloatArray) -> BoneField:
    """The field with covariances of the strength that it shows beside a lesion."""
    state = _state(field, lesion, Prior(mean=lesion, sd=np.ones(len(lesion))))
    beside = state.films[0].inside < _BESIDE
    powers = [np.mean(w[beside] ** 2) for w in np.split(state.white, len(field.factors))]
    factors = [f * np.sqrt(p) for f, p in zip(field.factors, powers, strict=True)]
    return replace(field, factors=tuple(factors))


def fit_lesion(
    field: BoneField, start: FloatArray, prior: Prior, *, steps: int = 30, covariance: bool = True
) -> LesionFit:
    """Fisher scoring with Levenberg's damping from a start."""
    state = _state(field, start, prior)
    count, damping = len(start), 1e-2
    for _ in range(steps):
        information, slope = _score(field, state, prior)
        for _ in range(7):
            tight = information + damping * np.diag(np.diag(information))
            step = np.linalg.solve(tight, -slope)[:count]
            p = state.p + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
            other = _state(field, p, prior)
            if other.cost < state.cost - 1e-6:
                break
            damping *= 4.0
        else:
            break
        done = state.cost - other.cost < _DONE
        state, damping = other, max(damping / 4.0, 1e-4)
        if done:
            break
    found = LesionFit(
        parameters=state.p,
        covariance=np.empty((0, 0)),
        contrast=tuple(film.depth for film in state.films),
        cost=state.cost,
    )
    return _with_covariance(found, field, state, prior) if covariance else found


def fit_from(field: BoneField, starts: Sequence[FloatArray], prior: Prior) -> tuple[LesionFit, ...]:
    """Fits from several starts that came to different radii, the likeliest first."""
    modes: list[LesionFit] = []
    for fit in sorted((fit_lesion(field, s, prior) for s in starts), key=lambda fit: fit.cost):
        if all(_differ(fit, other) for other in modes):
            modes.append(fit)
    return tuple(modes)


def _differ(one: LesionFit, other: LesionFit) -> bool:
    count = len(one.contrast)
    return any(abs(one.of_film(k)[0] - other.of_film(k)[0]) > _SAME_RADIUS for k in range(count))


def draws_of(modes: Sequence[LesionFit], count: int, seed: int) -> list[FloatArray]:
    """Lesions drawn from what is known, for each film; shape (about ``count``, COUNT).

    A mode that is less likely than the first gets fewer draws.
    """
    rng = np.random.default_rng(seed)
    best = modes[0]
    behind = np.array([fit.cost - best.cost for fit in modes])
    weights = np.exp(-0.5 * behind / max(best.dispersion, 1.0))
    drawn = np.concatenate(
        [
            rng.multivariate_normal(fit.parameters, fit.covariance, number, method="eigh")
            for fit, number in zip(
                modes, np.rint(count * weights / weights.sum()).astype(int), strict=True
            )
        ]
    )
    return [np.asarray(drawn @ to_film.T) for to_film in film_maps(len(best.contrast))]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _FilmState:
    """One film: share inside, depth, texture over its deviation, and slopes by parameter.

    ``lowered`` and ``quieter`` are slopes of the texture and of the logarithm of its deviation,
    shape (N, COUNT); ``linear`` those by background and depth.
    """

    inside: FloatArray
    depth: float
    texture: FloatArray
    lowered: FloatArray
    quieter: FloatArray
    linear: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _State:
    """``linear`` and ``white``: independent numbers, of all films."""

    p: FloatArray
    films: tuple[_FilmState, ...]
    linear: FloatArray
    white: FloatArray
    cost: float


def _state(field: BoneField, p: FloatArray, prior: Prior) -> _State:
    films = range(len(field.values))
    losses = [loss_of(to_film @ p, field.y, field.x) for to_film in film_maps(len(films))]
    quiet = [float(expit((to_film @ p)[QUIET])) for to_film in film_maps(len(films))]
    noise = [
        np.maximum(1.0 - q * loss.lost, _LEAST_NOISE) for q, loss in zip(quiet, losses, strict=True)
    ]
    linear = [
        np.column_stack([field.background, -loss.lost]) / (n * sd)[:, None]
        for loss, n, sd in zip(losses, noise, field.sd, strict=True)
    ]
    values = [v / (n * sd) for v, n, sd in zip(field.values, noise, field.sd, strict=True)]
    both = [field.white(k, np.column_stack([linear[k], values[k]])) for k in films]
    columns = np.hstack([b[:, :-1] for b in both])
    observed = np.sum([b[:, -1] for b in both], axis=0)
    coefficients = np.linalg.solve(columns.T @ columns, columns.T @ observed)
    coefficients = coefficients.reshape(len(films), -1)
    coefficients[:, -1] = np.maximum(coefficients[:, -1], 1e-6)
    white = observed - columns @ coefficients.ravel()
    states = []
    for k in films:
        depth, loss, n = float(coefficients[k, -1]), losses[k], noise[k]
        by_logit = (1.0 - quiet[k]) * loss.lost
        slopes = np.column_stack([loss.slopes, by_logit])
        lowered = depth * loss.slopes / (n * field.sd[k])[:, None]
        states.append(
            _FilmState(
                inside=loss.inside,
                depth=depth / field.sd[k],
                texture=values[k] - linear[k] @ coefficients[k],
                lowered=np.column_stack([lowered, np.zeros(len(n))]),
                quieter=-quiet[k] * slopes / n[:, None],
                linear=linear[k],
            )
        )
    cost = float(white @ white + 2.0 * np.sum(np.log(noise)))
    cost += float(np.sum(((p - prior.mean) / prior.sd) ** 2))
    return _State(p=p, films=tuple(states), linear=columns, white=white, cost=cost)


def film_maps(films: int) -> list[FloatArray]:
    """Each film's lesion from all parameters, shape (COUNT, films * COUNT)."""
    if films == 1:
        return [np.eye(COUNT)]
    kept = np.eye(COUNT)
    kept[QUIET, QUIET] = 0.0
    return [np.eye(COUNT, 2 * COUNT), np.hstack([kept, np.eye(COUNT)])]


def _score(field: BoneField, state: _State, prior: Prior) -> tuple[FloatArray, FloatArray]:
    """Information and slope of half the cost, by parameters, then backgrounds and depths."""
    count = len(state.p)
    lowered = np.sum(
        [
            field.white(k, film.lowered[:, :QUIET]) @ to_film[:QUIET]
            for k, (film, to_film) in enumerate(
                zip(state.films, film_maps(len(state.films)), strict=True)
            )
        ],
        axis=0,
    )
    jacobian = np.hstack([lowered, -state.linear])
    information = jacobian.T @ jacobian
    for film, to_film in zip(state.films, film_maps(len(state.films)), strict=True):
        quieter = film.quieter @ to_film
        information[:count, :count] += 2.0 * quieter.T @ quieter
    slope = _scores(field, state).sum(axis=0)
    tight = 1.0 / prior.sd**2
    information[np.arange(count), np.arange(count)] += tight
    slope[:count] += tight * (state.p - prior.mean)
    return information, slope


def _scores(field: BoneField, state: _State) -> FloatArray:
    """What each place adds to the slope, shape (N, parameters, backgrounds and depths)."""
    pulls = field.back(state.white)
    by_parameter = np.zeros((len(field.y), len(state.p)))
    for film, pull, to_film in zip(state.films, pulls, film_maps(len(state.films)), strict=True):
        energy = film.texture * pull
        own = film.lowered * pull[:, None] + film.quieter * (1.0 - energy)[:, None]
        by_parameter = by_parameter + own @ to_film
    by_linear = [
        -film.linear * pull[:, None] for film, pull in zip(state.films, pulls, strict=True)
    ]
    return np.hstack([by_parameter, *by_linear])


def _with_covariance(fit: LesionFit, field: BoneField, state: _State, prior: Prior) -> LesionFit:
    count = len(state.p)
    blocks = np.floor(np.column_stack([field.y, field.x]) / _BLOCK_MM).astype(int)
    _, block = np.unique(blocks, axis=0, return_inverse=True)
    scores = _scores(field, state)
    summed = np.zeros((int(block.max()) + 1, scores.shape[1]))
    np.add.at(summed, block.ravel(), scores)
    scatter = summed.T @ summed
    scatter[np.arange(count), np.arange(count)] += 1.0 / prior.sd**2
    inverse = np.linalg.inv(_score(field, state, prior)[0])
    covariance = np.asarray((inverse @ scatter @ inverse)[:count, :count])
    return replace(fit, covariance=covariance, dispersion=float(covariance[0, 0] / inverse[0, 0]))


def _factor(covariance: FloatArray) -> FloatArray:
    return np.asarray(cholesky(covariance, lower=True, check_finite=False, overwrite_a=True))
