"""The straightened picture of one canal: the frame in which a fill is measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rxmeasure.geometry import FloatArray, cumulative_length, foot_on_polyline
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.canal_trace import LINE_STEP_MM, LineTrace
from rxmeasure.tracing.frame import MeasuringFrame
from rxmeasure.tracing.straighten import PictureCrop, straighten

#: How far beyond the apex and before the coronal click the strip reaches (mm).
BEYOND_MM = 4.0
BEFORE_MM = 0.5
#: Half-width of the strip (mm): the widest fill, its wall and the root beside it.
HALF_WIDTH_MM = 2.2
#: How much more of the picture is kept beside the strip (mm): a redrawn line lies in it too.
CROP_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CanalStrip:
    """Picture straightened along an extended centre line.

    Attributes
    ----------
    frame : MeasuringFrame
    line : ndarray, shape (N, 2)
        Plane points of the extended line.
    s : ndarray, shape (N,)
        Arc distance from the foot of the first click (negative before it).
    s_apex : float
        Arc distance of the foot of the last click.
    t : ndarray, shape (M,)
        Distance across the line, plane units; positive towards the line's normal.
    values : ndarray, shape (N, M)
        Grey levels.
    seen : ndarray of bool, shape (N,)
        Rows in which the trace saw its line.
    crop : PictureCrop
    """

    frame: MeasuringFrame
    line: FloatArray
    s: FloatArray
    s_apex: float
    t: FloatArray
    values: FloatArray
    seen: NDArray[np.bool_]
    crop: PictureCrop

    @property
    def s_step(self) -> float:
        """Step along the line, plane units."""
        return float(self.s[1] - self.s[0])

    @property
    def t_step(self) -> float:
        """Step across the line, plane units."""
        return float(self.t[1] - self.t[0])

    def index(self, s: float) -> int:
        """Row nearest to arc distance ``s``."""
        return int(np.clip(round((s - self.s[0]) / self.s_step), 0, len(self.s) - 1))

    def at(self, s: ArrayLike, t: ArrayLike = 0.0) -> FloatArray:
        """Plane points at arc distances ``s`` and distances ``t`` across.

        Parameters
        ----------
        s, t : array_like
            Broadcast against each other.

        Returns
        -------
        ndarray, shape (..., 2)
        """
        s, t = np.broadcast_arrays(np.asarray(s, dtype=np.float64), t)
        point = np.stack([np.interp(s, self.s, self.line[:, k]) for k in (0, 1)], axis=-1)
        last = len(self.s) - 1
        k = np.clip(np.round((s - self.s[0]) / self.s_step), 0, last).astype(int)
        tangent = self.line[np.minimum(k + 2, last)] - self.line[np.maximum(k - 2, 0)]
        tangent /= np.hypot(tangent[..., 0], tangent[..., 1])[..., None]
        normal = np.stack([tangent[..., 1], -tangent[..., 0]], axis=-1)
        beyond = s - np.clip(s, self.s[0], self.s[-1])  # straight on past either end
        return np.asarray(point + beyond[..., None] * tangent + t[..., None] * normal)

    def foot(self, point: FloatArray) -> float:
        """Arc distance of the place nearest to a plane point.

        A point past an end of the line counts with its straight distance from that end.
        """
        s, distance = foot_on_polyline(self.line, point)
        whole = float(self.s[-1] - self.s[0])
        if s <= 0.0:
            s = -distance
        elif s >= whole * (1.0 - 1e-12):
            s = whole + distance
        return s + float(self.s[0])


class RowBands:
    """Means over stretches of each row of a straightened picture.

    Parameters
    ----------
    values : ndarray, shape (N, M)
    t : ndarray, shape (M,)
        Places of the columns, growing.
    """

    def __init__(self, values: FloatArray, t: FloatArray) -> None:
        self._sums = np.pad(np.cumsum(values, axis=1), ((0, 0), (1, 0)))
        self._t = t

    def mean(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Mean of the columns from ``low`` to ``high``, shape (N,); 0 where there are none."""
        first = np.searchsorted(self._t, low)
        stop = np.maximum(np.searchsorted(self._t, high, side="right"), first)
        k = np.arange(len(self._sums))
        total = self._sums[k, stop] - self._sums[k, first]
        return np.asarray(total / np.maximum(stop - first, 1))


def canal_strip(
    radiograph: Radiograph, trace: LineTrace, crop: PictureCrop | None = None
) -> CanalStrip:
    """Straighten the picture along a trace, extended beyond both its ends.

    ``crop``: that of an earlier strip of the same picture and frame, used where it reaches.
    """
    frame = trace.frame
    step = LINE_STEP_MM / 2.0
    fine = np.linspace(0.0, trace.length, max(2, round(trace.length / step) + 1))
    inner = np.column_stack([np.interp(fine, trace.s, trace.points[:, k]) for k in (0, 1)])
    step = trace.length / (len(fine) - 1)
    before = np.arange(int(BEFORE_MM / step), 0, -1)[:, None] * step
    after = np.arange(1, int(BEYOND_MM / step) + 1)[:, None] * step
    start = inner[0] - _direction(inner[: int(1.0 / step)], step) * before
    end = inner[-1] + _direction(inner[-int(1.0 / step) :], step) * after
    line = np.concatenate([start, inner, end])
    line, lead = _inside(line, radiograph, frame, len(start), len(start) + len(inner))
    s = cumulative_length(line)
    s -= s[lead]
    t_step = max(0.03, 0.9 * frame.scale.mean)
    half = int(HALF_WIDTH_MM / t_step)
    t = np.arange(-half, half + 1, dtype=np.float64) * t_step
    if crop is None or not crop.covers(line, HALF_WIDTH_MM):
        crop = PictureCrop(radiograph, frame, line, HALF_WIDTH_MM + CROP_MM)
    values = straighten(crop, line, t)
    return CanalStrip(
        frame=frame,
        line=line,
        s=s,
        s_apex=trace.length,
        t=t,
        values=values,
        seen=np.interp(s, trace.s, trace.seen, left=0.0, right=0.0) > 0.5,
        crop=crop,
    )


def _direction(points: FloatArray, step: float) -> FloatArray:
    """Unit direction of a short, nearly straight piece of line."""
    chord = points[-1] - points[0]
    return np.asarray(chord / np.hypot(*chord))


def _inside(
    line: FloatArray, radiograph: Radiograph, frame: MeasuringFrame, first: int, last: int
) -> tuple[FloatArray, int]:
    """The line without the parts of its two extensions that leave the picture.

    Returns the line and the row at which the clicked part begins.
    """
    px = frame.to_px(line)
    rows, cols = radiograph.shape
    out = np.asarray((px < 0.0) | (px > np.array([rows - 1.0, cols - 1.0]))).any(axis=1)
    out = np.asarray(out, dtype=bool)
    begin, stop = 0, len(line)
    if out[:first].any():
        begin = first - int(np.argmax(out[:first][::-1]))
    if out[last:].any():
        stop = last + int(np.argmax(out[last:]))
    return line[begin:stop], first - begin
