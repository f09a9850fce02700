"""From one click to the whole image of a file: a bright line that bends little.

No scale is known yet, so everything is counted in pixels and in the line's own
width. From the clearest ridges near the click the line is followed step by step
in both directions: each step goes straight on, finds the ridge in the
cross-section there, and bends by no more than a file would. The line ends
where its contrast falls away for good.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rxmeasure.geometry import FloatArray, cumulative_length, foot_on_polyline
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.path_finding import ridge_measure

#: How far a click may lie from the file, as a share of the picture's longer side: 0.6 mm on a
#: film of 31 mm (choice).
CLICK_REACH_SHARE = 1.0 / 52.0
#: Scales of the ridge in pixels: a size 10 tip on coarse pixels to a shaft on fine ones.
SIGMAS_PX = (1.4, 2.0, 2.8, 4.0, 5.7, 8.0)
#: Ridges near the click that are tried.
MOST_SEEDS = 4
#: Response against the clearest ridge beside the line from which the line stands out.
STANDS_OUT = 1.25
#: The line is given up when its evidence (summed logarithm of that ratio, at most 1 a step)
#: has fallen by this; it ends where the evidence was largest.
GIVE_UP_EVIDENCE = 12.0
#: Contrast from which a line beside the followed one is a rival, against the followed one's.
RIVAL_CONTRAST = 0.5
#: A crossing line is seen on either side, this many steps about the crossing, in at least so
#: many of them, and runs as straight as this correlation says (choice).
CROSSING_STEPS, LEAST_CROSSING_STEPS, CROSSING_STRAIGHT = 28, 6, 0.97
#: A line joins another when it is seen in so many steps, and comes nearer than so many sigma
#: (choice; it cannot be seen apart below 3.5).
LEAST_JOINING_STEPS, JOINED_SIGMA = 10, 5.0
#: Cosine of the turn by which no file bends in one direction from a click: 75 degrees (choice).
LARGEST_TURN_COSINE = 0.26
#: Over how many steps (each one sigma) the line's direction is taken.
DIRECTION_OVER_STEPS = 24

_OFFSETS: FloatArray = np.arange(-32.0, 32.1, 0.75)
#: Second derivative across the line at each scale, scale-normalised, bright ridges positive.
_RIDGE_FILTERS: FloatArray = np.stack(
    [
        -((s / 0.75) ** 2)
        * ndimage.gaussian_filter1d(
            np.eye(len(_OFFSETS)), s / 0.75, axis=0, order=2, mode="nearest"
        )
        for s in SIGMAS_PX
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FollowedLine:
    """A bright line as it was followed.

    Attributes
    ----------
    points : ndarray, shape (N, 2)
        In column pitches (see `Radiograph.px_scale`), from one end to the other.
    response : ndarray, shape (N,)
        Grey levels by which the ridge stands out.
    sigma_px : ndarray, shape (N,)
        Scale of the ridge: about 0.3 of its width.
    rival_px : ndarray, shape (N,)
        Side offset of another line of half the contrast or more that lies close by; 0 for none.
    """

    points: FloatArray
    response: FloatArray
    sigma_px: FloatArray
    rival_px: FloatArray

    @property
    def length_px(self) -> float:
        """Length in column pitches."""
        return float(cumulative_length(self.points)[-1])

    def turned(self) -> FollowedLine:
        """The same from its other end."""
        return FollowedLine(
            points=self.points[::-1],
            response=self.response[::-1],
            sigma_px=self.sigma_px[::-1],
            rival_px=-self.rival_px[::-1],
        )

    def joined(self, other: FollowedLine) -> FollowedLine:
        """Itself and a line that goes on from where it ends."""
        return FollowedLine(
            points=np.concatenate([self.points, other.points[1:]]),
            response=np.concatenate([self.response, other.response[1:]]),
            sigma_px=np.concatenate([self.sigma_px, other.sigma_px[1:]]),
            rival_px=np.concatenate([self.rival_px, other.rival_px[1:]]),
        )

    def passes(self, point: FloatArray, within_px: float) -> bool:
        """Whether the line passes a point."""
        return bool(np.hypot(*(self.points - point).T).min() <= within_px)

    def crossed_at(self, point: FloatArray, within_px: float) -> bool:
        """Whether another line passes straight from one side to the other near a point."""
        arc = cumulative_length(self.points)
        place = foot_on_polyline(self.points, point)[0]
        for k in np.flatnonzero(np.abs(arc - place) <= within_px):
            first = max(0, int(k) - CROSSING_STEPS)
            window = np.arange(first, min(len(arc), int(k) + CROSSING_STEPS))
            there = window[self.rival_px[window] != 0.0]
            before = int((there < k).sum())
            if min(before, len(there) - before) < LEAST_CROSSING_STEPS:
                continue
            offsets = self.rival_px[there]
            straight = abs(float(np.corrcoef(arc[there], offsets)[0, 1])) >= CROSSING_STRAIGHT
            if straight and offsets[0] * offsets[-1] < 0.0:
                return True
        return False

    def joined_between(self, first_px: float, last_px: float) -> bool:
        """Whether another line runs straight into it between two places along it."""
        arc = cumulative_length(self.points)
        side = np.where((arc > first_px) & (arc < last_px), np.sign(self.rival_px), 0.0)
        cuts = np.flatnonzero(np.diff(side)) + 1
        for run in np.split(np.arange(len(arc)), cuts):
            if side[run[0]] == 0.0 or len(run) < LEAST_JOINING_STEPS:
                continue
            apart = np.abs(self.rival_px[run])
            touches = min(apart[0], apart[-1]) < JOINED_SIGMA * self.sigma_px[run].mean()
            if touches and abs(np.corrcoef(arc[run], apart)[0, 1]) >= CROSSING_STRAIGHT:
                return True
        return False

    @property
    def clearness(self) -> float:
        """Length times contrast: what a file has more of than a trabecula."""
        return float(self.length_px * np.median(self.response))


class LineFollower:
    """Follows bright lines in one picture.

    Parameters
    ----------
    radiograph : Radiograph
    """

    def __init__(self, radiograph: Radiograph) -> None:
        self._pixels = radiograph.pixels
        self._pitch = np.array([radiograph.px_scale.row, radiograph.px_scale.col])
        self._extent = (np.array(radiograph.shape) - 1.0) * self._pitch
        self.reach_px = max(radiograph.shape) * CLICK_REACH_SHARE

    def lines_near(self, click: FloatArray) -> Iterator[FollowedLine]:
        """Each line that passes near a click (in column pitches), the clearest ridge first."""
        followed: list[FollowedLine] = []
        for start, direction, sigma in self._seeds(click):
            if any(line.passes(start, 3.0 * sigma) for line in followed):
                continue
            back = self._follow(start, -direction, sigma)
            line = back.turned().joined(self._follow(start, direction, sigma))
            if len(line.points) > 3:
                followed.append(line)
                yield line

    def _sample(self, points: FloatArray) -> FloatArray:
        return np.asarray(
            ndimage.map_coordinates(
                self._pixels, np.moveaxis(points / self._pitch, -1, 0), order=1, mode="nearest",
                output=np.float64,
            )
        )  # fmt: skip

    def _seeds(self, click: FloatArray) -> Iterator[tuple[FloatArray, FloatArray, float]]:
        """Clearest ridges within reach of a click: place, direction, scale."""
        half = int(self.reach_px + 4 * SIGMAS_PX[-1])
        axis = np.arange(-half, half + 1, dtype=np.float64)
        grid = click + np.stack(np.meshgrid(axis, axis, indexing="ij"), axis=-1)
        patch = self._sample(grid)
        stack = np.stack([ridge_measure(patch, (s,)) for s in SIGMAS_PX])
        best = stack.max(axis=0)
        near = np.hypot(*(grid - click).transpose(2, 0, 1)) <= self.reach_px
        inside = ((grid >= 0.0) & (grid <= self._extent)).all(axis=-1)
        best[~(near & inside)] = 0.0
        for _ in range(MOST_SEEDS):
            i, j = np.unravel_index(int(np.argmax(best)), best.shape)
            if best[i, j] <= 0.0:
                return
            sigma = SIGMAS_PX[int(np.argmax(stack[:, i, j]))]
            yield grid[i, j], self._direction(patch, i, j, sigma), sigma
            best[np.hypot(axis[:, None] - axis[i], axis[None, :] - axis[j]) < 4.0 * sigma] = 0.0

    @staticmethod
    def _direction(patch: FloatArray, i: np.intp, j: np.intp, sigma: float) -> FloatArray:
        """Direction along the ridge: that of the least curvature."""
        rr, cc, rc = (
            ndimage.gaussian_filter(patch, sigma, order=order, mode="nearest")[i, j]
            for order in ((2, 0), (0, 2), (1, 1))
        )
        _, vectors = np.linalg.eigh(np.array([[rr, rc], [rc, cc]]))
        return np.asarray(vectors[:, 1])

    def _cross_section(
        self, point: FloatArray, direction: FloatArray, sigma: float
    ) -> tuple[FloatArray, NDArray[np.intp]]:
        """Strongest response over the scales at each of `_OFFSETS`, and that scale's number."""
        across = np.array([direction[1], -direction[0]])
        along = np.linspace(-1.5, 1.5, 7) * sigma
        points = point + along[:, None, None] * direction + _OFFSETS[:, None] * across
        profile = self._sample(points).mean(axis=0)
        near = [k for k, s in enumerate(SIGMAS_PX) if 0.5 * sigma <= s <= 1.6 * sigma]
        responses = _RIDGE_FILTERS[near] @ profile
        return responses.max(axis=0), np.asarray(near)[responses.argmax(axis=0)]

    def _follow(self, start: FloatArray, direction: FloatArray, sigma: float) -> FollowedLine:
        """The line from a start in one direction, as far as it stands out."""
        points, responses, sigmas, rivals, evidence = [start], [0.0], [sigma], [0.0], [0.0]
        point = start
        begun = direction
        total = best = 0.0
        while best - total < GIVE_UP_EVIDENCE and float(direction @ begun) > LARGEST_TURN_COSINE:
            response, scale = self._cross_section(point, direction, sigma)
            free = np.abs(_OFFSETS) <= (1.8 if len(points) < 3 else 1.0) * sigma
            weight = np.exp(-0.5 * (_OFFSETS / (1.2 * sigma)) ** 2)
            k = int(np.argmax(np.where(free, response * weight, -np.inf)))
            beside = np.abs(_OFFSETS - _OFFSETS[k]) > 3.5 * sigma
            beside_at = int(np.argmax(np.where(beside, response, -np.inf)))
            rival = max(float(response[beside_at]), 1e-9)
            ratio = max(float(response[k]), 1e-9) / rival
            total += float(np.clip(np.log(ratio / STANDS_OUT), -1.0, 1.0))
            best = max(best, total)
            if ratio > 1.0:
                across = np.array([direction[1], -direction[0]])
                point = point + _OFFSETS[k] * across
                sigma = float(sigma**0.8 * SIGMAS_PX[scale[k]] ** 0.2)
                direction = _heading(np.array([*points[1:], point]), sigma, direction)
            points.append(point)
            responses.append(float(response[k]))
            sigmas.append(sigma)
            strong = rival >= RIVAL_CONTRAST * float(response[k])
            rivals.append(float(_OFFSETS[beside_at] - _OFFSETS[k]) if strong else 0.0)
            evidence.append(total)
            point = point + max(1.5, sigma) * direction
            if (point < 0.0).any() or (point > self._extent).any():
                break
        end = max(2, int(np.argmax(evidence)) + 1)
        return FollowedLine(
            points=np.array(points[1:end]),
            response=np.array(responses[1:end]),
            sigma_px=np.array(sigmas[1:end]),
            rival_px=np.array(rivals[1:end]),
        )


def _heading(points: FloatArray, sigma: float, direction: FloatArray) -> FloatArray:
    """Direction of the last stretch of the line, by a straight fit that favours its end."""
    recent = points[-DIRECTION_OVER_STEPS:]
    distance = cumulative_length(recent[::-1])[::-1]
    if len(recent) < 3 or distance[0] < 4.0 * sigma:
        return direction
    weight = np.exp(-2.0 * distance / (DIRECTION_OVER_STEPS * sigma))
    row, col = (recent - weight @ recent / weight.sum()).T
    angle = 0.5 * np.arctan2(2.0 * (weight @ (row * col)), weight @ (row**2 - col**2))
    along = np.array([np.cos(angle), np.sin(angle)])
    return np.asarray(along * np.sign(along @ (recent[-1] - recent[0])))
