"""A review as plain text: scale, verdicts, measures, warnings, cautions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from rxmeasure.calibration.scale import Calibration
from rxmeasure.cli.output import columns, folded
from rxmeasure.criteria.results import SIGNS, Outcome, ToothSummary, Verdict
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.marks import MarksOrigin
from rxmeasure.report.cautions import CAUTIONS
from rxmeasure.report.content import (
    NO_SCALE,
    NOT_CONFIRMED,
    ORIGINS,
    gap_row,
    measure_rows,
    tooth_text,
)
from rxmeasure.report.numbers import Numbers, clean, unit_text
from rxmeasure.report.options import ToothNotation
from rxmeasure.report.picture import gap_numbers
from rxmeasure.review import Review
from rxmeasure.values import MeasureValue, Warned

__all__ = [
    "NO_SCALE",
    "caution_lines",
    "measuring_lines",
    "review_lines",
    "scale_lines",
    "verdict_lines",
]

#: Measures that a review shows beside its verdicts; ``measure`` shows all.
_HEADLINE = (
    "canal_length_mm",
    "fill_to_apex_core_mm",
    "fill_to_apex_sealer_mm",
    "fill_to_apex_ratio",
    "fill_length_mm",
    "fill_length_ratio",
    "taper_mm_per_mm",
    "void_count",
    "tip_to_apex_mm",
    "trial_working_length_mm",
    "corrected_working_length_mm",
    "schneider_deg",
)

#: Longest source of scale that is repeated in every row of the verdicts.
_LONGEST_SOURCE = 40

#: Why there are no millimetres, in full.
_WHY_NO_SCALE = (
    NO_SCALE + " Nothing of known length was given, and the image file holds no pixel spacing "
    "that may be used."
)


def scale_lines(calibration: Calibration, numbers: Numbers) -> list[str]:
    """The scale, what it comes from, and what is to be said against it."""
    pitch = f"{numbers.mm_per_px(calibration.col_mm)} mm/px"
    if calibration.row_mm != calibration.col_mm:
        pitch = (
            f"{numbers.mm_per_px(calibration.row_mm)} mm between rows, "
            f"{numbers.mm_per_px(calibration.col_mm)} mm between columns"
        )
    lines = folded(
        f"Scale: {pitch} ± {numbers.relative(calibration.u_rel)}, "
        f"{numbers.in_text(calibration.source)}",
        indent="",
    )
    rows = [
        (
            clean(r.reference.label or r.reference.kind),
            f"{numbers.quantity(r.reference.length_mm, 'mm')} ± "
            f"{numbers.uncertainty(r.reference.length_u_mm, 'mm')} mm",
            f"over {numbers.fixed(r.length_px, 1)} ± {numbers.fixed(r.u_length_px, 1)} px",
            f"{numbers.mm_per_px(r.mm_per_px)} mm/px"
            + (
                ""
                if r.residual_sd is None
                else f", {numbers.fixed(r.residual_sd, 1)} SD from the combined scale"
            ),
        )
        for r in calibration.references
    ]
    return lines + columns(rows) + _warning_lines(calibration.warnings, numbers)


def verdict_lines(
    verdicts: Sequence[Verdict],
    summaries: Sequence[ToothSummary],
    measures: Mapping[str, Sequence[MeasureValue]],
    numbers: Numbers,
    *,
    said_above: str = "",
) -> list[str]:
    """The verdict table; ``measures`` by canal give uncertainty and source of scale.

    A long source of scale that was ``said_above`` is not written out in every row.
    """
    rows = [("canal", "criterion", "verdict", "value", "scale")]
    remarks: list[list[str]] = [[]]
    for v in verdicts:
        measure = next((m for m in measures.get(v.canal, ()) if m.name == v.measure_name), None)
        scale = "" if measure is None or measure.value is None else measure.scale_source or ""
        if scale == said_above and len(scale) > _LONGEST_SOURCE:
            scale = "the scale named above"
        rows.append(
            (
                clean(v.canal) or "tooth",
                _criterion_text(v),
                _verdict_text(v),
                _value_text(v, measure, numbers),
                numbers.in_text(scale),
            )
        )
        remarks.append(_remark_lines(v, numbers))
    lines = []
    for row, remark in zip(columns(rows), remarks, strict=True):
        lines += [row, *remark]
    if len({v.canal for v in verdicts}) > 1:
        lines += ["", "Tooth (the worst canal rules)"]
        lines += columns(
            [
                (
                    clean(s.rule_id),
                    f"{SIGNS[s.outcome]} {s.outcome}{'' if s.confirmed else NOT_CONFIRMED}",
                    f"worst canal {clean(s.worst_canal)}; "
                    + ", ".join(f"{count} {clean(name)}" for name, count in s.counts if count),
                )
                for s in summaries
            ]
        )
    return lines


def _criterion_text(verdict: Verdict) -> str:
    rule = f"{clean(verdict.rule_id)} {clean(verdict.rule_version)}"
    alone = verdict.rule_id.replace("_", " ") == verdict.field
    return rule if alone else f"{rule}, {clean(verdict.field)}"


def _verdict_text(verdict: Verdict) -> str:
    text = f"{SIGNS[verdict.outcome]} {verdict.outcome}"
    if not verdict.confirmed:
        text += NOT_CONFIRMED
    return f"{text}: {clean(verdict.label)}" if verdict.label else text


def _remark_lines(verdict: Verdict, numbers: Numbers) -> list[str]:
    """What stands under a verdict: chance, reason, and who changed it."""
    parts = []
    if verdict.outcome is Outcome.BORDERLINE and verdict.probability_met is not None:
        parts.append(f"Met with a probability of {numbers.percent(verdict.probability_met)}.")
    if verdict.why:
        parts.append(verdict.why)
    if verdict.overridden_by:
        parts.append(f"Changed by the reader: {verdict.overridden_by}")
    return folded(numbers.in_text(" ".join(parts)), indent="      ") if parts else []


def _value_text(verdict: Verdict, measure: MeasureValue | None, numbers: Numbers) -> str:
    """The value as it was judged; a yes or no is in the verdict's own word."""
    if measure is not None and isinstance(measure.value, bool):
        return ""
    text = numbers.in_text(verdict.value_text)
    if text and measure is not None and measure.u:
        text += f" ± {numbers.uncertainty(measure.u, measure.unit)}"
    return f"{text} {unit_text(verdict.unit)}".strip() if text else ""


def measuring_lines(review: Review, numbers: Numbers) -> list[str]:
    """Scale and all measures of every canal."""
    lines = _scale_or_why_not(review, numbers)
    for canal in review.canals:
        lines += ["", *_measure_lines(canal, review, numbers)]
        lines += _gap_lines(canal, review, numbers)
    return lines + _all_warning_lines(review, numbers)


def review_lines(review: Review, numbers: Numbers, notation: ToothNotation) -> list[str]:
    """One reviewed film: head, scale, verdicts, chief measures, voids, warnings."""
    marks = review.marks
    head = [clean(review.image.file_name), str(marks.film_kind)]
    if marks.tooth:
        head.append(f"tooth {tooth_text(marks.tooth, notation)}")
    if marks.visit:
        head.append(f"visit {clean(marks.visit)}")
    head.append(f"SHA-256 {review.image.sha256[:12]}")
    lines = [" | ".join(head), *_scale_or_why_not(review, numbers), ""]
    by_canal = {canal.name: canal.measures for canal in review.canals}
    lines += verdict_lines(
        review.verdicts,
        review.tooth_summaries,
        by_canal,
        numbers,
        said_above="" if review.calibration is None else review.calibration.source,
    )
    for canal in review.canals:
        lines += ["", *_measure_lines(canal, review, numbers, only=_HEADLINE)]
        lines += _gap_lines(canal, review, numbers)
    return lines + _all_warning_lines(review, numbers)


def caution_lines() -> list[str]:
    """The heads of the cautions."""
    heads = " ".join(caution.head for caution in CAUTIONS)
    return folded(f"Cautions (in full in the report and the README): {heads}", indent="")


def _scale_or_why_not(review: Review, numbers: Numbers) -> list[str]:
    if review.calibration is not None:
        return scale_lines(review.calibration, numbers)
    why = _WHY_NO_SCALE
    if review.spacing_attribute and not review.marks.use_detector_spacing:
        why = NO_SCALE + " The pixel spacing in the file was not to be used."
    return folded(why, indent="")


def _measure_lines(
    canal: CanalMeasurement, review: Review, numbers: Numbers, *, only: Sequence[str] = ()
) -> list[str]:
    source = "" if review.calibration is None else numbers.in_text(review.calibration.source)
    own = [v for v in review.verdicts if v.canal == canal.name]
    rows = []
    for measure, row in measure_rows(canal, own, numbers):
        if only and (measure is None or measure.name not in only or row.missing):
            continue
        value = row.value
        if row.u:
            value += f", {row.u}" if row.u.startswith("p(") else f" ± {row.u}"
        # Said once above: where the millimetres come from, and why there are none.
        note = "" if row.note == source or row.unit.startswith("px") else row.note
        rows.append((f"{value} {row.unit}".replace("\u00a0", " ").rstrip(), row.label, note))
    lines = [
        f"Canal {clean(canal.name)}"
        + (
            ""
            if not source
            else f" (millimetres by: {source})"
            if len(source) <= _LONGEST_SOURCE
            else " (millimetres by the scale named above)"
        )
    ]
    lines += _origin_lines(canal.name, review)
    width = max((len(value) for value, _, _ in rows), default=0)
    for value, label, note in rows:
        text = f"{label} [{note}]" if note else label
        lines += folded(text, mark=value.ljust(width) + "  ")
    return lines


def _origin_lines(canal: str, review: Review) -> list[str]:
    """Who placed the clicks, where it was not done by hand."""
    marks = next((m for m in review.marks.canals if m.name == canal), None)
    if marks is None or marks.origin is MarksOrigin.BY_HAND:
        return []
    return [f"  clicks and apex {ORIGINS[marks.origin]}"]


def _gap_lines(canal: CanalMeasurement, review: Review, numbers: Numbers) -> list[str]:
    on_film = gap_numbers(review)
    rows = [
        (
            f"void {row.number}",
            row.kind,
            row.third,
            f"{row.place} from the end of the fill",
            row.size,
            row.confidence,
        )
        for row in (
            gap_row(gap, on_film[canal.name, k], numbers) for k, gap in enumerate(canal.gaps)
        )
    ]
    return [line.replace("\u00a0", " ") for line in columns(rows)]


def _warning_lines(warnings: Iterable[Warned], numbers: Numbers) -> list[str]:
    texts = dict.fromkeys(numbers.in_text(w.text) for w in warnings)
    return [line for text in texts for line in folded(text, mark="! ")]


def _all_warning_lines(review: Review, numbers: Numbers) -> list[str]:
    lines = _warning_lines(review.warnings, numbers)
    for canal in review.canals:
        for line in dict.fromkeys(numbers.in_text(w.text) for w in canal.warnings):
            lines += folded(line, mark=f"! Canal {clean(canal.name)}: ")
    for override in review.marks.overrides:
        if not any(v.overridden_by == override.reason for v in review.verdicts):
            lines += folded(
                f"Passed over ({clean(override.rule_id)}): {clean(override.reason)}", mark="! "
            )
    return ["", *lines] if lines else []
