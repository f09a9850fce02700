"""The shape of a lesion: its outline, and the share of its depth that each place has lost.

A cavity takes bone away: all its depth inside, nothing outside, a smooth step of the edge's
width between, and a little more over the middle (a rounded cavity). The outline is a Fourier
series of the logarithm of the radius with a preference for round shapes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from rxmeasure.geometry import FloatArray

#: Highest wave of the outline.
WAVES = 5
#: Places of the parameters: log radius, row, col, waves, log edge width, rounding, and the logit
#: of the share of texture that the lesion takes away.
ROW, COL, FIRST_WAVE = 1, 2, 3
EDGE = FIRST_WAVE + 2 * (WAVES - 1)
DOME = EDGE + 1
QUIET = DOME + 1
COUNT = QUIET + 1
#: Logarithm of radius and edge width (mm), and the rounding: middle and standard deviation.
#: A dome over a ball's part has a rounding of 0.2 to 0.5 (choice).
_RADIUS, _RADIUS_SD = np.log(2.0), 0.8
_EDGE, _EDGE_SD = np.log(0.5), 0.4
_DOME, _DOME_SD = 0.35, 0.15
_QUIET, _QUIET_SD = 0.7, 1.0
#: Standard deviation of the second wave, as a share of the radius; higher ones fall (choice).
_WAVE_SD, _WAVE_FALL = 0.10, 1.5
#: How far the seed lies from the middle: mm, and share of the radius (choice).
_SEED_SD, _SEED_SHARE = 0.3, 0.25
#: The scale of the step: a logistic of this share of the edge's width rises from 12 to 88 %.
_LOGISTIC = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prior:
    """Mean and standard deviation of each parameter."""

    mean: FloatArray
    sd: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loss:
    """At each place: share inside, share of the depth lost, and its slopes by parameter.

    ``slopes`` has the shape (N, QUIET).
    """

    inside: FloatArray
    lost: FloatArray
    slopes: FloatArray


def prior_for(radius: float, seed: FloatArray) -> Prior:
    """What is known before: the seed (from the window's centre) and the preference for round."""
    mean, sd = np.zeros(COUNT), np.empty(COUNT)
    mean[0], sd[0] = _RADIUS, _RADIUS_SD
    mean[ROW : COL + 1], sd[ROW : COL + 1] = seed, _SEED_SD + _SEED_SHARE * radius
    orders = wave_orders()
    sd[FIRST_WAVE:EDGE] = _WAVE_SD * (2.0 / orders) ** _WAVE_FALL
    mean[EDGE], sd[EDGE] = _EDGE, _EDGE_SD
    mean[DOME], sd[DOME] = _DOME, _DOME_SD
    mean[QUIET], sd[QUIET] = _QUIET, _QUIET_SD
    return Prior(mean=mean, sd=sd)


def wave_orders() -> FloatArray:
    """Order of each wave's parameter."""
    return np.repeat(np.arange(2.0, WAVES + 1.0), 2)


def outline_of(parameters: FloatArray, count: int = 180) -> FloatArray:
    """Outline round the window's centre in mm, shape (count, 2)."""
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    radius = np.exp(parameters[0] + _waves(angle) @ parameters[FIRST_WAVE:EDGE])
    away = np.column_stack([np.sin(angle), np.cos(angle)]) * radius[:, None]
    return np.asarray(away + parameters[ROW : COL + 1])


def parameters_of(outline: FloatArray) -> FloatArray:
    """Parameters of a lesion with about that outline, shape (N, 2); the rest as before a fit."""
    middle = outline.mean(axis=0)
    away = outline - middle
    waves = _waves(np.arctan2(away[:, 0], away[:, 1]))
    terms = np.column_stack([np.ones(len(waves)), waves])
    fitted = np.linalg.lstsq(terms, np.log(np.hypot(*away.T)), rcond=None)[0]
    found = prior_for(1.0, middle).mean
    found[0], found[FIRST_WAVE:EDGE] = fitted[0], fitted[1:]
    return found


def loss_of(p: FloatArray, y: FloatArray, x: FloatArray) -> Loss:
    """What a lesion takes away at places."""
    dy, dx = y - p[ROW], x - p[COL]
    distance = np.hypot(dy, dx) + 1e-9
    waves = _waves(np.arctan2(dy, dx))
    amounts = p[FIRST_WAVE:EDGE]
    radius = np.exp(np.clip(p[0] + waves @ amounts, -3.0, 3.5))
    scale = _LOGISTIC * np.exp(p[EDGE])
    inside = expit((radius - distance) / scale)
    steep = inside * (1.0 - inside) / scale
    turned = wave_orders() * np.stack(
        [f for k in range(WAVES - 1) for f in (-waves[..., 2 * k + 1], waves[..., 2 * k])], axis=-1
    )
    by_angle = radius * (turned @ amounts)
    along_row = dy / distance - by_angle * dx / distance**2
    along_col = dx / distance + by_angle * dy / distance**2
    inward = np.column_stack([radius, along_row, along_col, radius[:, None] * waves])
    by_step = np.column_stack([steep[:, None] * inward, -steep * (radius - distance)])
    rounding = 0.5 - np.minimum((distance / radius) ** 2, 1.0)
    dome = 1.0 + p[DOME] * rounding
    return Loss(
        inside=inside,
        lost=inside * dome,
        slopes=np.column_stack([by_step * dome[:, None], inside * rounding]),
    )


def _waves(angle: FloatArray) -> FloatArray:
    return np.stack([f(k * angle) for k in range(2, WAVES + 1) for f in (np.cos, np.sin)], axis=-1)
