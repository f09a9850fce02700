"""A file of known length found from one rough click: tip, apical face of the stop, axis.

The file is followed from the click (`file_following`), the picture is straightened
along it, and both ends are located there (`file_stop`, `file_tip`). No scale is known yet: the
file's stated length, or that of a usual file, says how many millimetres the line spans,
which decides filter widths only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.signal import savgol_filter

from rxmeasure.calibration.file_following import FollowedLine, LineFollower
from rxmeasure.calibration.file_stop import StopFit, find_stop
from rxmeasure.calibration.file_strip import STEP_MM, FileStrip
from rxmeasure.calibration.file_tip import TipFit, contrast_end, find_tip
from rxmeasure.errors import CalibrationError
from rxmeasure.geometry import (
    FloatArray,
    PixelScale,
    as_points,
    foot_on_polyline,
    polyline_length,
    resample,
)
from rxmeasure.marks import PointPx
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.frame import MeasuringFrame, check_inside
from rxmeasure.tracing.straighten import PictureCrop
from rxmeasure.values import Warned

#: Stop to tip of a file whose length was not given: chooses filter widths, is never reported.
USUAL_LENGTH_MM = 20.0
#: Scales that are tried, as multiples of the one by which the whole line were the file: what
#: is seen of it coronal of the stop, or followed past its tip, makes the true one larger.
SCALE_TRIES = (1.0, 1.15, 1.35, 1.6)
#: A try loses this much clearness of its stop for each unit of the logarithm by which its scale
#: contradicts the ends found on it (choice).
MISMATCH_COST = 3.0
#: How far the picture is looked at beyond the end of the followed line (mm).
BEYOND_MM = 4.5
#: The ends are looked for again until their scale changes by less than this share.
SETTLED_SHARE, SETTLING_ROUNDS = 0.06, 4
#: A tip less clear than this (contrast over what the fit leaves) is none; below the second it
#: is called faint (read off random phantoms).
TIP_SEEN, TIP_CLEAR = 3.0, 8.0
#: The stop's clearness at which it is right in half of the films, and over which that changes
#: (read off random phantoms).
STOP_HALF, STOP_SPREAD = 0.75, 0.15
#: Standard uncertainty of a tip's place that the fit does not know of (mm; read off random
#: phantoms).
TIP_U_FLOOR_MM = 0.04
#: Once a file is found, lines less clear than this share of the clearest one are left alone.
RIVAL_SHARE = 0.3
#: An end this near to the picture's border may be none (mm; choice).
BORDER_MM = 0.3
#: Crossings this near to the click (in its reaches) make it unclear what was meant (choice).
CROSSING_REACH = 3.0
#: A click this far beyond the tip contradicts it (mm; clicks may be 0.5 mm off).
PAST_TIP_MM = 0.6
#: Ends nearer than this belong to one file (mm; choice).
SAME_END_MM = 0.5
#: Odds of the tip's place below which it is in doubt, and below which it counts as not seen
#: (choice).
TIP_SURE, TIP_ODDS = 0.98, 0.2
#: With another line along this much of its last 6 mm it is not clear whose the tip is (mm; read
#: off random phantoms).
RIVAL_MM = 1.5
#: Two files count as equally near a click up to this difference, as a share of the reach.
NEARER_SHARE = 0.25
#: A stop whose edges bulge by this much (mm) is seen under about 14 degrees (calculation for
#: a disc 2.8 mm wide): the file then shows 3 % short.
TILTED_BOW_MM = 0.085
#: Distance between the points of the path (mm).
PATH_STEP_MM = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundFile:
    """A file found on the picture.

    Attributes
    ----------
    path_px : tuple of PointPx
        Axis from the stop's apical face to the tip, a point about every 3 mm.
    stop_px, tip_px : PointPx
        Its ends.
    u_stop_px, u_tip_px : float
        Standard uncertainty of each along the file, in column pitches.
    confidence : float
        0..1; what lowers it is in ``reasons``.
    reasons : tuple of Warned
        Codes: ``another-file``, ``stop-edge-hidden``, ``stop-unsure``, ``stop-tilted``,
        ``tip-faint``.
    """

    path_px: tuple[PointPx, ...]
    stop_px: PointPx
    tip_px: PointPx
    u_stop_px: float
    u_tip_px: float
    confidence: float
    reasons: tuple[Warned, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ends:
    strip: FileStrip
    frame: MeasuringFrame
    tip: TipFit
    stop: StopFit
    joined: bool


def snap_file(
    radiograph: Radiograph, points_px: ArrayLike, *, length_mm: float | None = None
) -> FoundFile | None:
    """Like `find_file`, but None where that refuses."""
    try:
        return find_file(radiograph, points_px, length_mm=length_mm)
    except CalibrationError:
        return None


def find_file(
    radiograph: Radiograph, points_px: ArrayLike, *, length_mm: float | None = None
) -> FoundFile:
    """Find tip, stop and axis of a file from one or more rough clicks on it.

    Parameters
    ----------
    radiograph : Radiograph
    points_px : array_like, shape (N, 2)
        (row, col) clicks anywhere on the file or its stop, about 0.5 mm off at most.
    length_mm : float, optional
        Length from stop to tip, where it is known.

    Raises
    ------
    CalibrationError
        No file there, one end not seen, or several files equally near.
    MarksError
        Clicks that are no points, or lie outside the picture.
    """
    clicks = as_points(points_px, at_least=1, what="clicks on the file")
    check_inside(radiograph, clicks)
    flat = radiograph.px_scale.to_plane(clicks)
    follower = LineFollower(radiograph)
    lines = [
        line
        for line in follower.lines_near(flat[0])
        if all(line.passes(click, 1.5 * follower.reach_px) for click in flat[1:])
    ]
    if not lines:
        raise _refusal("no bright line near the click.", "Click on the file again.")
    found: list[tuple[float, _Ends]] = []
    reasons: list[str] = []
    lines.sort(key=lambda line: line.clearness, reverse=True)
    for line in lines:
        if line.clearness < RIVAL_SHARE * lines[0].clearness and found:
            break
        ends = _ends_of(radiograph, line, length_mm or USUAL_LENGTH_MM)
        if isinstance(ends, str):
            reasons.append(ends)
            continue
        if any(_past_tip(ends, click) for click in clicks):
            reasons.append("a file whose tip seems to lie short of the click.")
            continue
        if line.crossed_at(flat[0], CROSSING_REACH * follower.reach_px):
            raise _two_files()
        away = foot_on_polyline(line.points, flat[0])[1]
        twins = [k for k, (_, other) in enumerate(found) if _same(ends, other)]
        if not twins:
            found.append((away, ends))
        elif ends.tip.clearness > found[twins[0]][1].tip.clearness:
            found[twins[0]] = (away, ends)
    if not found:
        raise _refusal(reasons[0], "Click the edge of the stop and the tip yourself.")
    found.sort(key=lambda item: item[0])
    if len(found) > 1 and found[1][0] - found[0][0] < NEARER_SHARE * follower.reach_px:
        raise _two_files()
    return _result(found[0][1])


def _refusal(found: str, next_step: str) -> CalibrationError:
    return CalibrationError(
        found=found,
        needed="a file whose tip and stop both show, apart from other files at the click.",
        next_step=next_step,
    )


def _two_files() -> CalibrationError:
    return _refusal(
        "two files equally near the click.", "Click where the file lies apart from others."
    )


def _past_tip(ends: _Ends, click_px: FloatArray) -> bool:
    """Whether a click lies clearly beyond the tip that was found: then that is not the tip."""
    place = foot_on_polyline(ends.strip.line, ends.frame.to_plane(click_px[None])[0])[0]
    return bool(place + ends.strip.s[0] > ends.tip.s + PAST_TIP_MM)


def _same(a: _Ends, b: _Ends) -> bool:
    """Whether two lines lead to the same tip or to the same stop: then they are one file."""
    pitch = np.array([a.frame.scale.row, a.frame.scale.col])
    for of_a, of_b in ((a.tip.s, b.tip.s), (a.stop.s, b.stop.s)):
        apart = a.frame.to_px(_point(a, of_a)) - b.frame.to_px(_point(b, of_b))
        if float(np.hypot(*(apart * pitch))) < SAME_END_MM:
            return True
    return False


def _ends_of(radiograph: Radiograph, line: FollowedLine, length_mm: float) -> _Ends | str:
    """Tip and stop on a followed line, or why they are not found."""
    if line.length_px < 60.0:
        return "a bright line too short for a file."
    line = _stop_first(line)
    thin_px = float(np.percentile(line.sigma_px, 20.0))
    whole = length_mm / line.length_px
    tries: list[tuple[float, float]] = []
    for mm_per_px in (factor * whole for factor in SCALE_TRIES):
        strip, _ = _strip(radiograph, line, mm_per_px)
        end = contrast_end(strip, thin_px * mm_per_px)
        stop = None if end is None else find_stop(strip, end)
        if end is not None and stop is not None and end - stop.s > 0.3 * length_mm:
            mismatch = abs(np.log(length_mm / (end - stop.s)))
            tries.append((stop.clearness - MISMATCH_COST * mismatch, mm_per_px))
    if not tries:
        return "a bright line across which no stop shows."
    ends = _settled(radiograph, line, max(tries)[1], length_mm)
    if ends is None or ends.tip.clearness < TIP_SEEN:
        return "a file whose tip or stop does not stand out of what lies behind it."
    if ends.tip.sure < TIP_ODDS:
        return "a file whose tip cannot be told from what lies beside or beyond it."
    if _at_border(radiograph, ends):
        return "a file that runs out of the picture."
    if ends.tip.rival_mm > RIVAL_MM:
        return "a file with another line along its tip."
    return ends


def _at_border(radiograph: Radiograph, ends: _Ends) -> bool:
    """Whether an end lies so near the border that the file may go on beyond it."""
    margin = ends.frame.px(BORDER_MM)
    points = radiograph.px_scale.to_plane(
        ends.frame.to_px(np.array([_point(ends, ends.stop.s), _point(ends, ends.tip.s)]))
    )
    last = radiograph.px_scale.to_plane(np.array([radiograph.shape], dtype=np.float64) - 1.0)
    return bool((points < margin).any() or (points > last - margin).any())


def _stop_first(line: FollowedLine) -> FollowedLine:
    """The line from its wider end, the shaft's, to its narrower one."""
    middle = slice(len(line.points) // 6, -(len(line.points) // 6) or None)
    width = line.sigma_px[middle]
    slope = np.polyfit(np.arange(len(width)), np.log(width), 1)[0]
    return line.turned() if slope > 0.0 else line


def _settled(
    radiograph: Radiograph, line: FollowedLine, mm_per_px: float, length_mm: float
) -> _Ends | None:
    """Both ends on a scale that agrees with them."""
    thin_px = float(np.percentile(line.sigma_px, 20.0))
    for _ in range(SETTLING_ROUNDS):
        strip, frame = _strip(radiograph, line, mm_per_px)
        rough = contrast_end(strip, thin_px * mm_per_px)
        tip = None if rough is None else find_tip(strip, rough)
        stop = None if tip is None else find_stop(strip, tip.s)
        if tip is None or stop is None or tip.s - stop.s < 0.3 * length_mm:
            return None
        change = length_mm / (tip.s - stop.s)
        if abs(change - 1.0) < SETTLED_SHARE:
            joined = line.joined_between(frame.px(stop.s), frame.px(tip.s))
            return _Ends(strip=strip, frame=frame, tip=tip, stop=stop, joined=joined)
        mm_per_px *= change
    return None


def _strip(
    radiograph: Radiograph, line: FollowedLine, mm_per_px: float
) -> tuple[FileStrip, MeasuringFrame]:
    """The picture along the line, which goes on straight beyond both ends."""
    rough = resample(line.points, 2.0)
    window = min(61, 2 * (len(rough) // 2) - 1)
    smooth = savgol_filter(rough, window, 2, axis=0, mode="interp") * mm_per_px
    length = polyline_length(smooth)
    body = resample(smooth, STEP_MM)
    apart = min(10, len(body) - 1)
    towards_stop = (body[0] - body[apart]) / np.hypot(*(body[0] - body[apart]))
    towards_tip = (body[-1] - body[-1 - apart]) / np.hypot(*(body[-1] - body[-1 - apart]))
    head = np.arange(1.5, STEP_MM / 2, -STEP_MM)
    tail = np.arange(STEP_MM, BEYOND_MM, STEP_MM)
    points = np.concatenate(
        [body[0] + head[:, None] * towards_stop, body, body[-1] + tail[:, None] * towards_tip]
    )
    step = length / (len(body) - 1)
    s = np.concatenate([-head, step * np.arange(len(body)), length + tail])
    frame = MeasuringFrame(
        scale=PixelScale(
            row=mm_per_px * radiograph.pixel_aspect, col=mm_per_px, unit="mm (never reported)"
        ),
        calibration=None,
    )
    crop = PictureCrop(radiograph, frame, points, 3.0)
    return FileStrip(crop=crop, line=points, s=s, length=length), frame


def _point(ends: _Ends, s: float) -> FloatArray:
    return np.array([np.interp(s, ends.strip.s, ends.strip.line[:, k]) for k in (0, 1)])


def _result(ends: _Ends) -> FoundFile:
    tip, stop, frame = ends.tip, ends.stop, ends.frame
    count = max(3, round((tip.s - stop.s) / PATH_STEP_MM) + 1)
    path = frame.points_px(np.array([_point(ends, s) for s in np.linspace(stop.s, tip.s, count)]))
    u_stop = np.hypot(np.hypot(stop.u, stop.unusual_mm), _doubt(stop.s, stop.other_s))
    u_tip = np.hypot(np.hypot(tip.u, TIP_U_FLOOR_MM), _doubt(tip.s, tip.other_s))
    return FoundFile(
        path_px=path,
        stop_px=path[0],
        tip_px=path[-1],
        u_stop_px=frame.px(float(u_stop)),
        u_tip_px=frame.px(float(u_tip)),
        confidence=_confidence(tip, stop) * (0.5 if ends.joined else 1.0),
        reasons=_reasons(ends),
    )


def _doubt(s: float, other_s: float | None) -> float:
    """Uncertainty where two places are hardly told apart: either may be right (calculation)."""
    return 0.0 if other_s is None else abs(s - other_s) / float(np.sqrt(2.0))


def _confidence(tip: TipFit, stop: StopFit) -> float:
    """Odds that both ends are right, as far as they can be told."""
    of_stop = 1.0 / (1.0 + np.exp(-(stop.clearness - STOP_HALF) / STOP_SPREAD))
    if stop.other_s is not None:
        of_stop *= 0.5
    if stop.unusual_mm > 0.0:
        of_stop *= 0.5
    return float(tip.sure * min(1.0, tip.clearness / TIP_CLEAR) * of_stop)


def _reasons(ends: _Ends) -> tuple[Warned, ...]:
    tip, stop = ends.tip, ends.stop
    found = []
    if ends.joined:
        found.append(
            Warned(
                code="another-file",
                text="Another line runs into the file between stop and tip. Check that the tip is "
                "that of the same file.",
            )
        )
    if stop.thickness is None:
        found.append(
            Warned(
                code="stop-edge-hidden",
                text="Only one edge of the stop shows. Check that it is the apical one.",
            )
        )
    if stop.unusual_mm > 0.0:
        found.append(
            Warned(
                code="stop-unsure",
                text=f"By these edges the stop would be {stop.thickness:.1f} mm thick; usual is "
                "about 1 mm, so one edge may be that of something else. Check it.",
            )
        )
    if stop.bow is not None and stop.bow >= TILTED_BOW_MM:
        found.append(
            Warned(
                code="stop-tilted",
                text="The edges of the stop are bowed, so the file may be tilted towards the beam "
                "and show too short. The scale was not corrected.",
            )
        )
    if stop.other_s is not None:
        found.append(
            Warned(
                code="stop-unsure",
                text=f"Another edge {abs(stop.s - stop.other_s):.1f} mm off is hardly less clear "
                "than the one taken for the stop's. Check it.",
            )
        )
    if tip.clearness < TIP_CLEAR or tip.other_s is not None or tip.sure < TIP_SURE:
        found.append(
            Warned(
                code="tip-faint",
                text="The tip hardly stands out of what lies behind it. Check its place.",
            )
        )
    return tuple(found)
