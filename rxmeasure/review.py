"""The whole chain on one page: radiograph -> scale -> traces -> measures -> verdicts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from rxmeasure import __version__
from rxmeasure.calibration.calibrate import calibrate
from rxmeasure.calibration.scale import Calibration
from rxmeasure.canal_memory import CanalInputs, CanalMemory
from rxmeasure.criteria.results import ToothSummary, Verdict
from rxmeasure.errors import MarksError
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.marks import CanalMarks, ReviewMarks
from rxmeasure.marks_check import check_marks
from rxmeasure.radiograph import ImageSource, Radiograph
from rxmeasure.tooth import length_plausibility, plausible_range_mm
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


def review_film(
    radiograph: Radiograph,
    marks: ReviewMarks,
    *,
    rule_files: Sequence[Path] = (),
    progress: Callable[[str], None] | None = None,
    memory: CanalMemory | None = None,
) -> Review:
    """Review one film: calibrate, measure each canal, judge, sum up.

    Parameters
    ----------
    radiograph : Radiograph
    marks : ReviewMarks
        What the person marked.
    rule_files : sequence of Path
        The user's own criteria files, judged besides the rule sets in ``marks``.
    progress : callable, optional
        Called with a short word before each step.
    memory : CanalMemory, optional
        Canals in it are not measured again; those measured are added. It changes no result.

    Returns
    -------
    Review

    Raises
    ------
    RxMeasureError
        Any of its subclasses: see the functions called here.
    """
    from rxmeasure.criteria.criterion import (
        default_rule_set_ids,
        load_rule_set,
        pick_rule_sets,
    )
    from rxmeasure.criteria.verdict import apply_overrides, judge_canal, summarise_tooth

    tell = progress or (lambda _: None)
    if not marks.canals:
        raise MarksError(
            found="no canal.",
            needed="clicks along at least one canal.",
            next_step="Click the coronal reference and the apex of a canal.",
        )
    check_marks(marks, radiograph.shape)
    tell("calibrate")
    calibration = calibrate(radiograph, marks)
    own = [load_rule_set(path) for path in rule_files]
    ids = marks.rule_set_ids or default_rule_set_ids(marks.film_kind)
    rule_sets = [*pick_rule_sets(ids), *own]
    canals: list[CanalMeasurement] = []
    verdicts: list[Verdict] = []
    for canal in marks.canals:
        measured = _measured(radiograph, calibration, canal, marks, memory, tell)
        for rule_set in rule_sets:
            verdicts.extend(
                judge_canal(canal.name, measured.measures, rule_set, confirmed=canal.confirmed)
            )
        canals.append(_without_draws(measured))
    judged = apply_overrides(
        verdicts, marks.overrides, rule_sets={rule.id: rule for rule in rule_sets}
    )
    return Review(
        software_version=__version__,
        created_utc=datetime.now(UTC).isoformat(timespec="seconds"),
        image=radiograph.source,
        polarity_reason=radiograph.polarity.reason,
        spacing_attribute=None if radiograph.spacing is None else radiograph.spacing.attribute,
        marks=marks,
        calibration=calibration,
        canals=tuple(canals),
        verdicts=judged,
        tooth_summaries=summarise_tooth(judged),
        warnings=(
            *radiograph.warnings,
            *_unconfirmed_warnings(marks),
            *_tooth_warnings(marks, canals),
        ),
    )


def _measured(
    radiograph: Radiograph,
    calibration: Calibration | None,
    canal: CanalMarks,
    marks: ReviewMarks,
    memory: CanalMemory | None,
    tell: Callable[[str], None],
) -> CanalMeasurement:
    from rxmeasure.filling.measurement import measure_canal

    inputs = CanalInputs(
        image_sha256=radiograph.source.sha256,
        turned=radiograph.polarity.turned,
        calibration=calibration,
        canal=canal,
        film_kind=marks.film_kind,
        settings=marks.settings,
    )
    measured = None if memory is None else memory.recall(inputs)
    if measured is None:
        tell(f"measure {canal.name}")
        measured = measure_canal(radiograph, calibration, canal, marks.film_kind, marks.settings)
        if memory is not None:
            memory.keep(inputs, measured)
    return measured


def _without_draws(canal: CanalMeasurement) -> CanalMeasurement:
    """Monte Carlo draws serve the verdict; they are seeded and need not be kept."""
    return replace(canal, measures=tuple(replace(m, draws=()) for m in canal.measures))


def _unconfirmed_warnings(marks: ReviewMarks) -> tuple[Warned, ...]:
    """Canals whose marks the program proposed and nobody looked at."""
    return tuple(
        Warned(
            code="not-confirmed",
            text=f"Canal {canal.name}: the marks were proposed by the program and no person has "
            "confirmed them. Look at the line on the film before using a value or verdict.",
        )
        for canal in marks.canals
        if not canal.confirmed
    )


def _tooth_warnings(marks: ReviewMarks, canals: Sequence[CanalMeasurement]) -> tuple[Warned, ...]:
    """Tooth lengths that speak for a wrong scale.

    A line that does not start at a marked coronal reference may be shorter than
    the tooth; only its being too long is suspicious.
    """
    found = []
    for marked, canal in zip(marks.canals, canals, strict=True):
        length = canal.canal_length.value_mm
        if length is None:
            continue
        bounds = plausible_range_mm(marks.tooth)
        whole = marked.coronal_reference.point_px is not None
        if not whole and (bounds is None or length <= bounds[1]):
            continue
        warning = length_plausibility(marks.tooth, length)
        if warning is not None:
            found.append(replace(warning, text=f"Canal {canal.name}: {warning.text}"))
    return tuple(found)
