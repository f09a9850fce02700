"""Canal curvature by three named methods. Only the curve in the film's plane is seen.

Schneider 1971, Oral Surg 32:271 (from memory); Weine, Endodontic Therapy (from
memory); Pruett 1997, J Endod 23(2), abstract read. Angles by different methods
differ on the same canal (Gunday 2005, J Endod): they are never mixed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage

from rxmeasure.geometry import cumulative_length, resample, tangents


def angle_between_deg(u: ArrayLike, v: ArrayLike) -> float:
    """Angle between two directions, 0 to 180 degrees."""
    a, b = np.asarray(u, dtype=np.float64), np.asarray(v, dtype=np.float64)
    cross = a[0] * b[1] - a[1] * b[0]
    return float(abs(np.degrees(np.arctan2(cross, a @ b))))


def schneider_deg(axis_start: ArrayLike, departure: ArrayLike, foramen: ArrayLike) -> float:
    """Schneider's angle.

    Between the coronal long axis (``axis_start`` to ``departure``, where the canal
    leaves it) and the line from ``departure`` to the foramen; degrees. Three
    points of any unit. Schneider 1971, Oral Surg 32:271 (from memory).
    """
    a, d, f = (np.asarray(p, dtype=np.float64) for p in (axis_start, departure, foramen))
    return angle_between_deg(d - a, f - d)


def weine_deg(coronal: ArrayLike, apical: ArrayLike) -> float:
    """Weine's angle between the coronal part's and the apical part's direction; degrees."""
    return angle_between_deg(coronal, apical)


def circle_radius(a: ArrayLike, b: ArrayLike, c: ArrayLike) -> float:
    """Radius of the circle through three points; infinity when they are in line."""
    p, q, r = (np.asarray(v, dtype=np.float64) for v in (a, b, c))
    d1, d2, d3 = (float(np.hypot(*v)) for v in (q - p, r - q, p - r))
    e, f = q - p, r - p
    doubled = abs(float(e[0] * f[1] - e[1] * f[0]))
    return float("inf") if doubled == 0.0 else d1 * d2 * d3 / (2.0 * doubled)


def radius_from_chord(chord: float, tangent_chord_deg: float) -> float:
    """Radius of an arc from its chord and the angle between tangent and chord.

    r = c / (2 sin theta). Schafer 2002 (from memory).
    """
    return float(chord / (2.0 * np.sin(np.radians(tangent_chord_deg))))


def schneider_class(angle_deg: float) -> str:
    """Schneider's classes, with the gaps of the original left as gaps (from memory)."""
    if angle_deg <= 5.0:
        return "straight"
    if 10.0 <= angle_deg <= 20.0:
        return "moderate"
    if 25.0 <= angle_deg <= 70.0:
        return "severe"
    return "between classes" if angle_deg < 25.0 else "beyond the classes"


@dataclass(frozen=True, slots=True, kw_only=True)
class BendFit:
    """A line described as straight, then one arc, then straight again; units of the line.

    ``misfit_deg`` is what the description leaves over (RMS of the direction): an
    S-shaped canal leaves much.
    """

    departure_s: float
    arrival_s: float
    turn_deg: float
    radius: float | None
    schneider_deg: float
    weine_deg: float
    misfit_deg: float


def fit_bend(points: ArrayLike, *, step: float = 0.1, foramen: ArrayLike | None = None) -> BendFit:
    """Describe a centre line as straight / arc / straight and read its angles.

    The direction along the line is fitted by a constant, a ramp and a constant
    (least squares over both break points). The turn of the ramp is Pruett's
    angle, its length over its turn the radius; the straight parts give Weine's
    angle; the start of the ramp is where the canal leaves its coronal axis
    (Schneider).

    Parameters
    ----------
    points : array_like, shape (N, 2)
        Centre line from orifice to apex, smooth, any unit.
    step : float
        Resampling step, same unit.
    foramen : array_like, optional
        Where Schneider's second line goes; left out: the last point.
    """
    line = resample(points, step)
    t = tangents(line)
    direction = np.unwrap(np.arctan2(t[:, 1], t[:, 0]))
    direction = ndimage.median_filter(direction, 3, mode="nearest")
    s = cumulative_length(line)
    n = len(s)
    candidates = np.unique(np.linspace(0, n - 1, min(n, 60)).astype(int))
    first, second = np.triu_indices(len(candidates), 1)
    begin, finish = candidates[first], candidates[second]
    ramp = np.clip((s - s[begin, None]) / (s[finish] - s[begin])[:, None], 0.0, 1.0)
    centred = ramp - ramp.mean(axis=1, keepdims=True)
    power = np.maximum((centred**2).sum(axis=1), 1e-12)
    level = direction - direction.mean()
    turns = centred @ level / power
    costs = float(level @ level) - turns**2 * power
    best = int(np.argmin(costs))
    i, j, turn = int(begin[best]), int(finish[best]), float(turns[best])
    cost = max(float(costs[best]), 0.0)
    start = float(direction.mean() - turn * ramp[best].mean())
    end = line[-1] if foramen is None else np.asarray(foramen, dtype=np.float64)
    axis = np.array([np.cos(start), np.sin(start)])
    apical = np.array([np.cos(start + turn), np.sin(start + turn)])
    turn_deg = abs(float(np.degrees(turn)))
    # Two straight parts that meet in a corner have no radius.
    radius = float((s[j] - s[i]) / abs(turn)) if turn_deg > 1.0 and s[j] - s[i] > 4 * step else None
    return BendFit(
        departure_s=float(s[i]),
        arrival_s=float(s[j]),
        turn_deg=turn_deg,
        radius=radius,
        schneider_deg=angle_between_deg(axis, end - line[i]) if i < n - 1 else 0.0,
        weine_deg=weine_deg(axis, apical),
        misfit_deg=float(np.degrees(np.sqrt(cost / n))),
    )
