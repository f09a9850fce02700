"""What runs off the GUI thread: marks in, results out. No Qt, no napari.

What measures is imported by the first job, so that the window need not wait for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rxmeasure.canal_memory import CanalMemory
from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import PointPx, ReviewMarks
from rxmeasure.marks_check import finished_marks
from rxmeasure.radiograph import Radiograph
from rxmeasure_napari.review_state import Computed

if TYPE_CHECKING:
    from rxmeasure.calibration.file_finding import FoundFile
    from rxmeasure.calibration.scale import Calibration
    from rxmeasure.proposals import Proposals
    from rxmeasure.tracing.preview import TracePreview


def compute(
    radiograph: Radiograph,
    marks: ReviewMarks,
    revision: int,
    memory: CanalMemory,
    progress: Callable[[str], None],
    *,
    rule_files: Sequence[Path] = (),
) -> Computed:
    """Scale and review for these marks, unfinished parts left out.

    ``rule_files`` are the reader's own criteria, which judge too.
    ``progress`` is told each step and may raise to stop.
    """
    from rxmeasure.calibration.calibrate import calibrate
    from rxmeasure.review import review_film

    finished = finished_marks(marks)
    progress("scale")
    try:
        calibration = calibrate(radiograph, finished)
    except RxMeasureError as problem:
        return Computed(revision=revision, problem=problem)
    if not finished.canals:
        return Computed(revision=revision, calibration=calibration)
    try:
        review = review_film(
            radiograph, finished, rule_files=rule_files, progress=progress, memory=memory
        )
    except RxMeasureError as problem:
        return Computed(revision=revision, calibration=calibration, problem=problem)
    return Computed(revision=revision, calibration=review.calibration, review=review)


def find_file(radiograph: Radiograph, click_px: PointPx, length_mm: float) -> FoundFile:
    """The file at a click; a length of 0 is not known.

    Raises
    ------
    CalibrationError
        No file there, or one end is not clear.
    """
    from rxmeasure.calibration.file_finding import find_file as find

    return find(radiograph, [click_px], length_mm=length_mm or None)


def preview(
    radiograph: Radiograph, marks: ReviewMarks, clicks_px: tuple[PointPx, ...], calibration: object
) -> TracePreview | None:
    """The line through these clicks, or None where there is none to draw yet."""
    from rxmeasure.calibration.scale import Calibration
    from rxmeasure.tracing.preview import preview_trace

    scale = calibration if isinstance(calibration, Calibration) else None
    try:
        return preview_trace(radiograph, scale, clicks_px, marks.film_kind, marks.settings)
    except RxMeasureError:
        return None


def propose(
    radiograph: Radiograph, calibration: Calibration | None, seed_px: PointPx | None
) -> Proposals:
    """Filled canals of the film, or the one at a click."""
    from rxmeasure.proposals import propose as find

    return find(radiograph, calibration=calibration, seed_px=seed_px)
