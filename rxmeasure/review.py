"""The whole chain on one page: radiograph -> scale -> traces -> measures -> verdicts."""

from __future__ import annotations

from dataclasses import dataclass

from rxmeasure.calibration.scale import Calibration
from rxmeasure.criteria.results import ToothSummary, Verdict
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.marks import ReviewMarks
from rxmeasure.radiograph import ImageSource
from rxmeasure.values import Warned


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """Inputs and results of one reviewed film; what the review file keeps."""

    software_version: str
    created_utc: str
    image: ImageSource
    polarity_reason: str
    spacing_attribute: str | None
    marks: ReviewMarks
    calibration: Calibration | None
    canals: tuple[CanalMeasurement, ...]
    verdicts: tuple[Verdict, ...]
    tooth_summaries: tuple[ToothSummary, ...]
    warnings: tuple[Warned, ...]
