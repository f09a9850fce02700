"""Scale from things of known length on the film."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rxmeasure.calibration.scale import Calibration, ReferenceResult
from rxmeasure.errors import CalibrationError
from rxmeasure.geometry import as_points, polyline_length
from rxmeasure.marks import LengthReference, PointPx, Settings
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.frame import check_inside
from rxmeasure.values import Warned

#: Thinnest file tip that shows dependably (teaching rule; Ingle, from memory).
DEPENDABLE_TIP_SIZE = 15.0
#: Below this a file fades and should not carry a calibration (choice, after its 5 px width).
FADING_TIP_SIZE = 10.0
#: Residual from which references disagree (standard deviations, choice: 95 %).
DISAGREE_SD = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    reference: LengthReference
    path_px: tuple[PointPx, ...]
    length_px: float
    u_length_px: float


def calibrate_known_lengths(
    radiograph: Radiograph, references: tuple[LengthReference, ...], settings: Settings
) -> Calibration:
    """Scale from one or more references.

    Each reference gives mm per pixel = length_mm / length_px. Several are
    combined by least squares weighted with their uncertainties; when they
    disagree by more than these explain, the combined uncertainty grows by the
    excess (Birge ratio; GUM practice) and a warning says so.

    A file is traced along its curved image between the feet of the two clicks;
    a line is straight. Rows and columns keep the ratio that the file states.

    Raises
    ------
    CalibrationError
        No reference, identical points, or a length that is not positive.
    """
    if not references:
        raise CalibrationError(
            found="no reference.",
            needed="at least one file or line of known length.",
            next_step="Trace a file from stop to tip and give its length.",
        )
    readings = [_read(radiograph, reference, settings) for reference in references]
    scales = np.array([r.reference.length_mm / r.length_px for r in readings])
    relative = np.array(
        [
            np.hypot(r.u_length_px / r.length_px, r.reference.length_u_mm / r.reference.length_mm)
            for r in readings
        ]
    )
    weight = 1.0 / (scales * relative) ** 2
    scale = float((weight * scales).sum() / weight.sum())
    u_rel = float(1.0 / np.sqrt(weight.sum()) / scale)
    warnings: list[Warned] = []
    residual: list[float | None] = [None] * len(readings)
    if len(readings) > 1:
        # Each against the combination it takes part in.
        spread = np.sqrt(np.maximum((scales * relative) ** 2 - (u_rel * scale) ** 2, 1e-30))
        z = (scales - scale) / spread
        residual = [float(v) for v in z]
        chi2 = float((((scales - scale) / (scales * relative)) ** 2).sum())
        birge = np.sqrt(chi2 / (len(readings) - 1))
        if birge > 1.0:
            u_rel *= float(birge)
        if np.abs(z).max() > DISAGREE_SD:
            percent = 100.0 * float(np.ptp(scales)) / scale
            warnings.append(
                Warned(
                    code="references-disagree",
                    text=f"The references give scales that differ by {percent:.1f} %, more than "
                    "their uncertainties explain. They may lie at different depths or be "
                    "tilted; the uncertainty was enlarged.",
                )
            )
    for reading in readings:
        warnings.extend(_tip_warnings(reading.reference))
    results = tuple(
        ReferenceResult(
            reference=r.reference,
            path_px=r.path_px,
            length_px=r.length_px,
            u_length_px=r.u_length_px,
            mm_per_px=float(m),
            residual_sd=z,
        )
        for r, m, z in zip(readings, scales, residual, strict=True)
    )
    return Calibration(
        row_mm=scale * radiograph.pixel_aspect,
        col_mm=scale,
        u_rel=u_rel,
        source=_source(references),
        references=results,
        warnings=tuple(warnings),
    )


def _source(references: tuple[LengthReference, ...]) -> str:
    def words(r: LengthReference) -> str:
        name = "file" if r.kind == "file" else "line"
        return f"{name} of known length {r.length_mm:g} mm"

    return " + ".join(words(r) for r in references)


def _read(radiograph: Radiograph, reference: LengthReference, settings: Settings) -> _Reading:
    if reference.kind not in ("file", "line"):
        raise CalibrationError(
            found=f"a reference of kind '{reference.kind}'.",
            needed="'file' (traced along its image) or 'line' (straight).",
            next_step="Correct the kind.",
        )
    if not (np.isfinite(reference.length_mm) and reference.length_mm > 0.0):
        raise CalibrationError(
            found=f"a known length of {reference.length_mm} mm.",
            needed="a length above zero.",
            next_step="Enter the length of the file from tip to stop.",
        )
    if not (np.isfinite(reference.length_u_mm) and reference.length_u_mm >= 0.0):
        raise CalibrationError(
            found=f"an uncertainty of {reference.length_u_mm} mm for the known length.",
            needed="zero or more.",
            next_step="Enter how exactly the length is known (one standard deviation).",
        )
    if reference.ends_u_px is not None and not all(
        np.isfinite(u) and u > 0.0 for u in reference.ends_u_px
    ):
        raise CalibrationError(
            found=f"uncertainties of {reference.ends_u_px} px for the ends of a reference.",
            needed="two numbers above zero, or none for clicks.",
            next_step="Find the file again, or click its ends.",
        )
    clicks = as_points(reference.points_px, at_least=2, what="points of the reference")
    check_inside(radiograph, clicks)
    flat = radiograph.px_scale.to_plane(clicks)
    if polyline_length(flat) < 2.0 or float(np.hypot(*(flat[-1] - flat[0]))) < 2.0:
        raise CalibrationError(
            found="a reference whose two ends are the same point.",
            needed="two ends at least 2 px apart.",
            next_step="Click one end of the object, then the other.",
        )
    if reference.kind == "line":
        length = polyline_length(flat) if len(flat) == 2 else float(np.hypot(*(flat[-1] - flat[0])))
        path: Any = clicks[[0, -1]]
    else:
        length, path = _trace_file(radiograph, reference, clicks)
    return _Reading(
        reference=reference,
        path_px=tuple((float(r), float(c)) for r, c in path),
        length_px=float(length),
        u_length_px=_u_of_ends(reference, float(length), settings),
    )


def _u_of_ends(reference: LengthReference, length_px: float, settings: Settings) -> float:
    """Uncertainty of a length from that of its two ends, px."""
    if reference.ends_u_px is None:
        # The clicks' own accuracy, in pixels of this very reference.
        return float(np.sqrt(2.0) * settings.click_sd_mm * length_px / reference.length_mm)
    return float(np.hypot(*reference.ends_u_px))


def _trace_file(
    radiograph: Radiograph, reference: LengthReference, clicks: Any
) -> tuple[float, Any]:
    from rxmeasure.tracing.canal_trace import trace_line
    from rxmeasure.tracing.frame import frame_for

    # Without a scale yet, the file's own length says how many millimetres the clicks span.
    frame = frame_for(radiograph, None, clicks, span_mm=reference.length_mm)
    trace = trace_line(radiograph, frame, clicks)
    return frame.px(trace.length), frame.to_px(trace.points)


def _tip_warnings(reference: LengthReference) -> list[Warned]:
    if reference.kind != "file" or reference.tip_size is None:
        return []
    if reference.tip_size >= DEPENDABLE_TIP_SIZE:
        return []
    faint = reference.tip_size < FADING_TIP_SIZE
    return [
        Warned(
            code="thin-tip",
            text=f"The file's tip is size {reference.tip_size:02.0f}; below size 15 the tip "
            + (
                "fades on a film and may read short by millimetres: do not rely on this scale."
                if faint
                else "may not show to its end: low confidence in this scale."
            ),
        )
    ]
