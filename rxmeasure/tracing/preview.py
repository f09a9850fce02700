"""The line through a few clicks, at once: what is drawn while a canal is being traced."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rxmeasure.calibration.scale import Calibration
from rxmeasure.marks import FilmKind, PointPx, Settings
from rxmeasure.one_thread import one_thread
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.canal_trace import trace_line
from rxmeasure.tracing.frame import frame_for
from rxmeasure.values import Length


@dataclass(frozen=True, slots=True, kw_only=True)
class TracePreview:
    """A traced line before the fill on it is measured.

    Attributes
    ----------
    points_px : tuple of PointPx
        From the foot of the first to the foot of the last click.
    seen : tuple of bool
        For each point: whether the fill, file or canal is seen there.
    confidence : float
        Share of the line on which it is seen, 0..1.
    length : Length
        Along the line, first to last click.
    """

    points_px: tuple[PointPx, ...]
    seen: tuple[bool, ...]
    confidence: float
    length: Length


@one_thread
def preview_trace(
    radiograph: Radiograph,
    calibration: Calibration | None,
    clicks_px: tuple[PointPx, ...],
    film_kind: FilmKind,
    settings: Settings,
) -> TracePreview:
    """Trace one canal from at least two clicks.

    Raises
    ------
    MarksError
        Too few clicks, clicks outside the picture or in one place.
    """
    frame = frame_for(radiograph, calibration, clicks_px)
    trace = trace_line(radiograph, frame, clicks_px, bright=film_kind is not FilmKind.PREOPERATIVE)
    length = float(trace.s[-1] - trace.s[0])
    u = float(np.hypot(np.sqrt(2.0) * settings.click_sd_mm, 0.002 * length))
    return TracePreview(
        points_px=frame.points_px(trace.points),
        seen=tuple(bool(v) for v in trace.seen),
        confidence=trace.confidence,
        length=frame.length(length, u),
    )
