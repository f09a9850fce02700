"""The steps of an aluminium wedge: found from two clicks and the number of steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.stats import median_abs_deviation, siegelslopes

from rxmeasure.errors import CalibrationError, MarksError
from rxmeasure.geometry import FloatArray, as_points
from rxmeasure.marks import PointPx
from rxmeasure.radiograph import Radiograph
from rxmeasure.radiopacity.regions import RegionReading, pixels_near, read_pixels
from rxmeasure.tracing.frame import check_inside

#: Fewest and most steps (choice: three tell nothing of the error of the curve between them).
FEWEST_STEPS, MOST_STEPS = 4, 40
#: Shortest step in pixels (choice).
SHORTEST_STEP_PX = 8.0
#: Half-width that is read across the wedge, and half-length along each step, as shares of a
#: step's length (choice: steps are at least 0.6 as wide as long).
HALF_ACROSS = 0.25
HALF_ALONG = 0.25
#: How far an edge is looked for from where the clicks put it, in steps.
_EDGE_REACH = 0.35
#: Neighbouring steps must differ by so many standard uncertainties of their difference.
_APART_SD = 3.0
#: Where the profile leaves a staircase by this share of a step, the marks are wrong (choice).
_STRAY_SHARE = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeMarks:
    """What the reader marks and knows of a step wedge.

    Attributes
    ----------
    first_px, last_px : PointPx
        Middle of the thinnest and of the thickest step, (row, col).
    steps : int
    first_mm, step_mm : float
        Thickness of aluminium of the first step; what each further step adds.
    """

    first_px: PointPx
    last_px: PointPx
    steps: int
    first_mm: float
    step_mm: float

    @property
    def thickness_mm(self) -> FloatArray:
        """Thickness of each step, shape (steps,)."""
        return np.asarray(self.first_mm + self.step_mm * np.arange(self.steps))


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """One step of the wedge. ``edge_px``: where it meets the next one, None for the last."""

    number: int
    thickness_mm: float
    region: RegionReading
    edge_px: PointPx | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WedgeReading:
    """A wedge as found on the film, thinnest step first.

    ``step_length_px``: length of a step along the wedge, in column pitches.
    """

    marks: WedgeMarks
    steps: tuple[StepReading, ...]
    step_length_px: float


def read_wedge(radiograph: Radiograph, marks: WedgeMarks) -> WedgeReading:
    """Find and read the steps of a wedge.

    Raises
    ------
    MarksError
        Clicks, number of steps or thicknesses are wrong.
    CalibrationError
        The steps cannot be used: saturated, not brighter from step to step, or not where
        the marks put them.
    """
    first, last = _checked(radiograph, marks)
    length = float(np.hypot(*(last - first))) / (marks.steps - 1)
    along = (last - first) / (length * (marks.steps - 1))
    across = np.array([along[1], -along[0]])
    axes = np.column_stack([along, across])
    where, offset = pixels_near(radiograph, (first + last) / 2.0, length * marks.steps)
    place = offset @ axes + (0.5 * length * (marks.steps - 1), 0.0)
    near = np.abs(place[:, 1]) <= HALF_ACROSS * length
    near &= np.abs(place[:, 0] - 0.5 * length * (marks.steps - 1)) <= 0.5 * length * marks.steps
    where, place = where[near], place[near]
    grey = radiograph.pixels[where[:, 0], where[:, 1]].astype(np.float64)

    x, profile = _profile(place[:, 0], grey)
    start, spacing = _edges(x, profile, length, marks.steps)
    centres = np.asarray(start + spacing * (np.arange(marks.steps) - 0.5))

    def to_px(s: float) -> PointPx:
        r, c = radiograph.px_scale.to_px((first + s * along)[None])[0]
        return (float(r), float(c))

    steps = []
    for n, centre in enumerate(centres):
        inside = np.abs(place[:, 0] - centre) <= HALF_ALONG * spacing
        region = read_pixels(
            radiograph,
            where[inside],
            place[inside] - (centre, 0.0),
            inner_share=1.0,
            centre_px=to_px(centre),
            name=f"Step {n + 1}",
        )
        steps.append(
            StepReading(
                number=n + 1,
                thickness_mm=float(marks.thickness_mm[n]),
                region=region,
                edge_px=to_px(centre + spacing / 2.0) if n + 1 < marks.steps else None,
            )
        )
    _refuse_saturated(steps)
    _refuse_uneven_order(steps)
    _refuse_no_staircase(x, profile, steps, centres, spacing)
    return WedgeReading(marks=marks, steps=tuple(steps), step_length_px=spacing)


def _checked(radiograph: Radiograph, marks: WedgeMarks) -> tuple[FloatArray, FloatArray]:
    """Plane points of the two clicks, in column pitches."""
    points = as_points([marks.first_px, marks.last_px], what="clicks on the wedge")
    check_inside(radiograph, points)
    if not FEWEST_STEPS <= marks.steps <= MOST_STEPS:
        raise MarksError(
            found=f"a wedge of {marks.steps} steps.",
            needed=f"{FEWEST_STEPS} to {MOST_STEPS} steps.",
            next_step="Count the steps from the first to the last one clicked.",
        )
    for name, value in (("first step", marks.first_mm), ("step height", marks.step_mm)):
        if not (np.isfinite(value) and value > 0.0):
            raise MarksError(
                found=f"a {name} of {value:g} mm.",
                needed="a thickness of aluminium above zero.",
                next_step="Enter what is stated for the wedge.",
            )
    first, last = radiograph.px_scale.to_plane(points)
    length = float(np.hypot(*(last - first))) / (marks.steps - 1)
    if length < SHORTEST_STEP_PX:
        raise MarksError(
            found=f"two clicks so near to each other that each of {marks.steps} steps is "
            f"{length:.1f} px long.",
            needed=f"steps of at least {SHORTEST_STEP_PX:.0f} px.",
            next_step="Click the middle of the thinnest and of the thickest step and check the "
            "number of steps, or use a picture with more pixels.",
        )
    return first, last


def _profile(s: FloatArray, grey: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean grey along the wedge, in bins of one pixel."""
    low = float(np.floor(s.min()))
    which = (s - low).astype(int)
    count = np.bincount(which)
    seen = count > 0
    total = np.bincount(which, grey)
    return np.asarray(low + np.flatnonzero(seen) + 0.5), total[seen] / count[seen]


def _edges(x: FloatArray, profile: FloatArray, length: float, steps: int) -> tuple[float, float]:
    """First edge between steps, and the distance from edge to edge.

    Each edge is the steepest rise near where the clicks put it; a robust line (Siegel 1982)
    through all of them outvotes those that noise hides.
    """
    slope = gaussian_filter1d(profile, max(1.0, 0.06 * length), order=1, mode="nearest")
    found = []
    for k in range(steps - 1):
        near = np.flatnonzero(np.abs(x - (k + 0.5) * length) <= _EDGE_REACH * length)
        found.append(x[near[np.argmax(slope[near])]])
    spacing, start = siegelslopes(found, np.arange(steps - 1))
    return float(start), float(spacing)


def _refuse_saturated(steps: list[StepReading]) -> None:
    saturated = [str(s.number) for s in steps if s.region.saturated]
    if saturated:
        raise CalibrationError(
            found=f"wedge steps at an end of the grey range: {', '.join(saturated)}.",
            needed="steps that are neither black nor white through and through.",
            next_step="Leave these steps out, or use a film with another exposure.",
        )


def _refuse_uneven_order(steps: list[StepReading]) -> None:
    grey = np.array([s.region.grey for s in steps])
    u = np.array([s.region.u_grey for s in steps])
    rise = np.diff(grey)
    if grey[-1] < grey[0]:
        raise CalibrationError(
            found="a wedge that gets darker towards its last step.",
            needed="thicker aluminium brighter.",
            next_step="Click the thinnest step first; turn the grey levels if metal shows dark.",
        )
    unclear = np.flatnonzero(rise <= _APART_SD * np.hypot(u[:-1], u[1:]))
    if len(unclear):
        pairs = ", ".join(f"{k + 1} and {k + 2}" for k in unclear)
        raise CalibrationError(
            found=f"wedge steps that do not get brighter one after the other: {pairs}.",
            needed="each step clearly brighter than the one before.",
            next_step="Check the clicks and the number of steps, or leave the thickest steps out.",
        )


def _refuse_no_staircase(
    x: FloatArray,
    profile: FloatArray,
    steps: list[StepReading],
    centres: FloatArray,
    spacing: float,
) -> None:
    """Between the middles of two steps the grey must jump once, at the edge, and stay else."""
    grey = np.array([s.region.grey for s in steps])
    noise = float(median_abs_deviation(np.diff(profile), scale="normal")) / np.sqrt(2.0)
    for k, rise in enumerate(np.diff(grey)):
        t = (x - centres[k]) / spacing
        before, after = (t >= 0.0) & (t <= 0.35), (t >= 0.65) & (t <= 1.0)
        away = np.concatenate([profile[before] - grey[k], profile[after] - grey[k + 1]])
        allowed = _STRAY_SHARE * rise + _APART_SD * noise
        if np.percentile(np.abs(away), 90.0) > allowed:
            raise CalibrationError(
                found=f"no staircase of grey between the steps {k + 1} and {k + 2}.",
                needed=f"{len(steps)} steps of equal length between the two clicks.",
                next_step="Click the middle of the first and of the last step, and count the "
                "steps.",
            )
