"""From a few rough clicks to a smooth sub-pixel centre line.

Model: the canal, fill or file is a bright (or dark) line whose axis is smooth
on the scale of :data:`KNOT_GAP_MM`. Steps: cheapest ridge path on a coarse
grid; the picture is straightened along it; the ridge is followed across the
straightened rows as the best smooth track (dynamic programming), located to a
fraction of a pixel; a spline is fitted with each row weighted by
how clearly the ridge stands out of the noise there. Twice. Length is always
read from that spline, never from steps or clicks.

Where no ridge is seen (beyond a short fill, through a restoration) the spline
goes on stiffly towards the click.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from scipy.interpolate import BSpline

from rxmeasure.errors import MarksError
from rxmeasure.geometry import (
    FloatArray,
    cumulative_length,
    feet_on_polyline,
    normals,
    resample,
)
from rxmeasure.one_thread import one_thread
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.frame import MeasuringFrame
from rxmeasure.tracing.path_finding import SNAP_MM, rough_path
from rxmeasure.tracing.straighten import PictureCrop, straighten

#: Step of the centre line and of the width profile (mm).
LINE_STEP_MM = 0.1
#: Distance between spline knots (mm): a curve of 2 mm radius still fits.
KNOT_GAP_MM = 1.1
#: How far the refined line may leave the rough one, first and second pass (mm).
SEARCH_MM = (0.8, 0.4)
#: Lateral scales of the ridge (mm).
LATERAL_SIGMAS_MM = (0.12, 0.22, 0.36)
#: Smoothing along the line before the ridge is located (mm).
ALONG_SIGMA_MM = 0.25
#: How fast the curvature of a canal may change: variance of the curvature (1/mm) per mm.
#: It decides how stiffly the line goes on where nothing is seen (one standard deviation
#: sideways after 1, 2 and 3.5 mm: 0.003, 0.02 and 0.07 mm).
CURVATURE_WALK = 0.0002
#: A click's own accuracy as an anchor of the line's ends (mm); see Settings.click_sd_mm.
ANCHOR_SD_MM = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineTrace:
    """A centre line in the plane of its frame.

    Attributes
    ----------
    frame : MeasuringFrame
    points : ndarray, shape (N, 2)
        Plane points every 0.1 mm from the foot of the first to the foot of the last click.
    s : ndarray, shape (N,)
        Arc distance of each point, plane units.
    strength : ndarray, shape (N,)
        How far the ridge stands out of the noise (noise standard deviations).
    seen : ndarray of bool, shape (N,)
        The stretch on which the fill, file or canal is seen; small gaps bridged.
    confidence : float
        Share of the line on which the ridge is seen, 0..1.
    centre_u : float
        Standard uncertainty of the line's place across itself where the ridge
        is seen, plane units.
    """

    frame: MeasuringFrame
    points: FloatArray
    s: FloatArray
    strength: FloatArray
    seen: NDArray[np.bool_]
    confidence: float
    centre_u: float

    @property
    def length(self) -> float:
        """Arc length, plane units."""
        return float(self.s[-1])


#: Weight of a click between the first and the last as a point of the line: that of one
#: measurement with ANCHOR_SD_MM against a clear row's 0.03 mm (see `_fit`).
CLICK_WEIGHT = (0.03 / ANCHOR_SD_MM) ** 2 * (2.0 * ALONG_SIGMA_MM / LINE_STEP_MM)
#: Gaps of a bright line shorter than this do not end it (mm).
BRIDGE_MM = 1.2
#: A ridge counts as seen from this many noise standard deviations.
SEEN_SD = 6.0
SEEN_SHARE = 0.3


@one_thread
def trace_line(
    radiograph: Radiograph,
    frame: MeasuringFrame,
    clicks_px: ArrayLike,
    *,
    bright: bool = True,
) -> LineTrace:
    """Trace a fill, file, cone (bright) or an empty canal (dark) through rough clicks.

    Parameters
    ----------
    radiograph : Radiograph
    frame : MeasuringFrame
    clicks_px : array_like, shape (N, 2)
        (row, col) pixel clicks, coronal first; see :func:`frame_for` for the checks.
    bright : bool

    Returns
    -------
    LineTrace

    Raises
    ------
    MarksError
        When the line between the clicks is too short to follow (under 1.5 mm, or
        assumed so).
    """
    clicks = frame.to_plane(clicks_px)
    if float(np.hypot(*(clicks[-1] - clicks[0]))) < 1.5:
        raise MarksError(
            found="clicks that span less than 1.5 mm.",
            needed="clicks from the coronal reference to the apex.",
            next_step="Click the coronal end first and the apex last, or check the scale.",
        )
    path = rough_path(radiograph, frame, clicks, bright=bright)
    line = _fit(path, np.ones(len(path)), clicks)
    crop = PictureCrop(radiograph, frame, np.concatenate([line, clicks]), 2.0)
    strength = np.zeros(len(line))
    centre_u = ANCHOR_SD_MM
    for reach in SEARCH_MM:
        offsets, strength = _follow(crop, line, frame, reach, bright)
        run = _seen_run(strength)
        weights = np.where(run, np.clip(strength / SEEN_SD, 0.0, 3.0) ** 2, 0.0)
        moved = line + offsets[:, None] * normals(line)
        previous = line
        line = _fit(moved, np.maximum(weights, 1e-6), clicks)
        seen = run if run.any() else strength > SEEN_SD
        if seen.sum() > 5:
            _, residual = feet_on_polyline(line, moved[seen][::3])
            centre_u = float(np.sqrt(np.mean(residual**2)))
        strength = np.interp(
            np.linspace(0, 1, len(line)), np.linspace(0, 1, len(previous)), strength
        )
    line, strength = _between_feet(line, strength, clicks)
    run = _seen_run(strength)
    return LineTrace(
        frame=frame,
        points=line,
        s=cumulative_length(line),
        strength=strength,
        seen=run,
        confidence=float(run.mean()),
        centre_u=centre_u,
    )


def hold_to_clicks(trace: LineTrace, clicks_px: ArrayLike, from_s: float) -> LineTrace:
    """The same line, with nothing but the clicks to go by coronal of ``from_s``.

    Between a cusp and the orifice there is no canal to follow: enamel, a chamber wall or a
    restoration would draw the line aside and make it longer.

    Parameters
    ----------
    trace : LineTrace
    clicks_px : array_like, shape (N, 2)
        The clicks of the trace.
    from_s : float
        Arc distance from which the traced line is kept; beyond its end, only the clicks count.
    """
    clicks = trace.frame.to_plane(clicks_px)
    kept = trace.s >= from_s
    feet, _ = feet_on_polyline(trace.points, clicks)
    loose = [c for c, s in zip(clicks, feet, strict=True) if s < from_s - SNAP_MM or not kept.any()]
    if len(loose) == 0:
        return trace
    corners = np.array([*loose, trace.points[kept][0]] if kept.any() else loose)
    way = resample(corners, LINE_STEP_MM)
    weights = np.full(len(way), 1e-6)
    for corner in loose[1:]:
        # A click in between holds the line as the first and the last one do.
        weights[int(np.argmin(np.hypot(*(way - corner).T)))] = CLICK_WEIGHT
    strength = np.concatenate([np.zeros(len(way)), trace.strength[kept]])
    known = np.where(trace.seen[kept], np.clip(trace.strength[kept] / SEEN_SD, 0.0, 3.0) ** 2, 1e-6)
    line = _fit(np.concatenate([way, trace.points[kept]]), np.concatenate([weights, known]), clicks)
    strength = np.interp(np.linspace(0, 1, len(line)), np.linspace(0, 1, len(strength)), strength)
    line, strength = _between_feet(line, strength, clicks)
    run = _seen_run(strength) if kept.any() else np.zeros(len(line), dtype=bool)
    return replace(
        trace,
        points=line,
        s=cumulative_length(line),
        strength=strength,
        seen=run,
        confidence=float(run.mean()),
    )


def seen_from(strength: FloatArray) -> float:
    """Strength from which a ridge counts as the line that was clicked.

    Clear of the noise, and not much fainter than the clearer part of the same
    line: past the end of a dense fill the root still answers a little.
    """
    return max(SEEN_SD, SEEN_SHARE * float(np.percentile(strength, 75.0)))


def _seen_run(strength: FloatArray) -> NDArray[np.bool_]:
    """The longest stretch on which the ridge is seen, small gaps (voids, joints) bridged.

    A bright patch apart from it (a sealer puff at the apex of a short fill) is left out.
    """
    seen = strength > seen_from(strength)
    gap = round(BRIDGE_MM / LINE_STEP_MM)
    closed = ndimage.binary_closing(np.pad(seen, gap), structure=np.ones(gap, dtype=bool))
    labels, count = ndimage.label(closed[gap:-gap])
    if count == 0:
        return np.zeros(len(strength), dtype=bool)
    sizes = ndimage.sum_labels(seen, labels, np.arange(1, count + 1))
    return np.asarray(labels == 1 + int(np.argmax(sizes)))


def _fit(points: FloatArray, weights: FloatArray, clicks: FloatArray) -> FloatArray:
    """Weighted stiff cubic spline through ordered points, resampled.

    The first and the last click hold the ends as one measurement each; where nothing is
    seen the curvature goes on as it was, as far as :data:`CURVATURE_WALK` allows.
    """
    s = cumulative_length(points)
    keep = np.concatenate(([True], np.diff(s) > 1e-9))
    points, weights, s = points[keep], weights[keep], s[keep]
    pieces = max(2, round(s[-1] / KNOT_GAP_MM))
    knot_gap = s[-1] / pieces
    knots = knot_gap * np.arange(-3, pieces + 4)
    identity = np.eye(pieces + 3)
    splines = BSpline(knots, identity, 3)
    basis = splines(np.minimum(s, pieces * knot_gap))
    ends = splines(np.array([0.0, pieces * knot_gap]))
    spacing = s[-1] / max(len(s) - 1, 1)
    # One row stands for `spacing` mm; rows within ALONG_SIGMA_MM share their noise.
    row_weight = weights * min(1.0, spacing / (2 * ALONG_SIGMA_MM)) / 0.03**2
    end_weight = 1.0 / ANCHOR_SD_MM**2
    bend_change = np.diff(identity, 3, axis=0)
    normal_matrix = (
        basis.T @ (row_weight[:, None] * basis)
        + end_weight * ends.T @ ends
        + bend_change.T @ bend_change / (CURVATURE_WALK * knot_gap**5)
    )
    right = basis.T @ (row_weight[:, None] * points) + end_weight * ends.T @ clicks[[0, -1]]
    coefficients = np.linalg.solve(normal_matrix, right)
    dense = np.linspace(0.0, pieces * knot_gap, max(16, 4 * int(s[-1] / LINE_STEP_MM)))
    curve = BSpline(knots, coefficients, 3)(dense)
    return resample(curve, LINE_STEP_MM)


def _follow(
    crop: PictureCrop, line: FloatArray, frame: MeasuringFrame, reach: float, bright: bool
) -> tuple[FloatArray, FloatArray]:
    """Offset of the ridge from the line in each row, and its strength in noise SD."""
    step = max(0.03, 0.8 * frame.scale.mean)
    half = int(np.ceil((reach + 1.0) / step))
    offsets = np.arange(-half, half + 1, dtype=np.float64) * step
    rows = straighten(crop, line, offsets, order=1)
    if not bright:
        rows = -rows
    rows = ndimage.gaussian_filter1d(rows, ALONG_SIGMA_MM / LINE_STEP_MM, axis=0, mode="nearest")
    response = np.full(rows.shape, -np.inf)
    for sigma in LATERAL_SIGMAS_MM:
        width = sigma / step
        curvature = ndimage.gaussian_filter1d(rows, width, axis=1, order=2, mode="nearest")
        curvature *= -(width**2)
        np.maximum(response, curvature, out=response)
    inside = np.abs(offsets) <= reach
    noise = unsteadiness(response, round(2.5 * ALONG_SIGMA_MM / LINE_STEP_MM))
    track = response[:, inside] / noise
    # Clear ridges count for 25 or so, whatever the noise, so that the best track still bends.
    unit = max(1.0, float(np.percentile(track.max(axis=1), 75.0)) / 25.0)
    columns = best_track(np.clip(track / unit, 0.0, 60.0), max_step=2)
    k = np.arange(len(line))
    peak = track[k, columns]
    left = track[k, np.maximum(columns - 1, 0)]
    right = track[k, np.minimum(columns + 1, track.shape[1] - 1)]
    bow = left - 2 * peak + right
    shift = np.where(bow < 0, 0.5 * (left - right) / np.where(bow < 0, bow, -1.0), 0.0)
    found = offsets[inside][columns] + np.clip(shift, -0.5, 0.5) * step
    return found, np.maximum(peak, 0.0)


def unsteadiness(response: FloatArray, lag: int) -> float:
    """Standard deviation of what a filter answers by chance.

    From robust differences along the line (first axis) over ``lag`` rows: a fill, a
    root's edge or a neighbour stays the same over that distance, noise and
    trabecular texture do not.
    """
    lag = min(lag, len(response) - 1)
    difference = np.abs(response[lag:] - response[:-lag])
    return float(np.median(difference) / 0.6745 / np.sqrt(2.0)) + 1e-9


def best_track(score: FloatArray, *, max_step: int) -> NDArray[np.int_]:
    """Column per row that maximises the summed score with small sideways steps (Viterbi).

    Parameters
    ----------
    score : ndarray, shape (N, M) or (N, K, M)
        K tracks are followed apart, in one pass.
    max_step : int
        Largest step sideways from row to row.

    Returns
    -------
    ndarray of int, shape (N,) or (N, K)
    """
    m = score.shape[-1]
    total = np.full((*score.shape[:-1], m + 2 * max_step), -np.inf)
    sums = total[..., max_step : max_step + m]
    sums[0] = score[0]
    # reached[k, ..., i, j]: the best sum up to row k at column j + i - max_step.
    reached = np.lib.stride_tricks.sliding_window_view(total, m, axis=-1)
    penalty = 1.5 * np.arange(-max_step, max_step + 1)[:, None] ** 2
    net = np.empty(reached.shape[1:])
    for before, after, own in zip(reached[:-1], sums[1:], score[1:], strict=True):
        np.subtract(before, penalty, out=net)
        np.maximum.reduce(net, axis=-2, out=after)
        after += own
    best = sums[:-1].copy()
    step = np.zeros(best.shape, dtype=np.int8)
    for i in sorted(range(2 * max_step + 1), key=lambda i: (abs(i - max_step), -i)):
        net_sums = reached[:-1, ..., i, :] - penalty[i]
        np.copyto(step, i - max_step, where=net_sums > best)
        np.maximum(best, net_sums, out=best)
    if score.ndim == 2:
        return _walk_back(step, sums[-1])
    return np.stack([_walk_back(step[:, k], sums[-1, k]) for k in range(score.shape[1])], axis=1)


def _walk_back(step: NDArray[np.int8], last: FloatArray) -> NDArray[np.int_]:
    """Columns of the track that ends at the largest sum of the last row."""
    column = int(np.argmax(last))
    track = [column]
    for row in reversed(step.tolist()):
        column += row[column]
        track.append(column)
    return np.array(track[::-1])


def _between_feet(
    line: FloatArray, strength: FloatArray, clicks: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Cut or extend the line to the feet of the first and the last click."""
    s = cumulative_length(line)
    extended = np.concatenate(
        [
            [line[0] - 1.5 * (line[1] - line[0]) / (s[1] - s[0])],
            line,
            [line[-1] + 1.5 * (line[-1] - line[-2]) / (s[-1] - s[-2])],
        ]
    )
    se = cumulative_length(extended)
    (first, last), _ = feet_on_polyline(extended, clicks[[0, -1]])
    count = max(8, round((last - first) / LINE_STEP_MM) + 1)
    wanted = np.linspace(first, last, count)
    points = np.column_stack([np.interp(wanted, se, extended[:, k]) for k in (0, 1)])
    along = np.interp(wanted - se[1], s, strength, left=0.0, right=0.0)
    return points, along
