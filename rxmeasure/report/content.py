"""What stands in a report, as plain text and drawings, for any page engine.

Reads a review and lays its values out as words; no measuring arithmetic. Both
engines (HTML, PDF) get the same `Content`, so they cannot say different things.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rxmeasure.criteria.results import SIGNS, Outcome, ToothSummary, Verdict
from rxmeasure.errors import ImageChangedError
from rxmeasure.filling.results import CanalMeasurement, DensityGap
from rxmeasure.marks import CanalMarks, Landmark, LandmarkState, MarksOrigin, Override
from rxmeasure.measure_names import MEASURES
from rxmeasure.radiograph import Radiograph
from rxmeasure.record.review_file import check_image
from rxmeasure.report import cautions
from rxmeasure.report.cautions import Source
from rxmeasure.report.numbers import Numbers, clean, unit_text
from rxmeasure.report.options import ReportOptions, ToothNotation
from rxmeasure.report.picture import (
    Picture,
    close_up,
    filling_word,
    film_picture,
    gap_numbers,
)
from rxmeasure.report.plots import Plot, profile_plot
from rxmeasure.review import Review
from rxmeasure.tooth import NOT_MAPPED, canal_meaning, fdi_to_palmer, fdi_to_universal, tooth_of
from rxmeasure.values import Length, MeasureValue, Warned

#: Measures that are one of the canal's own lengths; that length has pixels without a scale too.
_LENGTH_OF = {
    "canal_length_mm": "canal_length",
    "canal_length_straight_mm": "canal_length_straight",
    "trial_working_length_mm": "working_length",
    "corrected_working_length_mm": "working_length",
    "fill_length_mm": "fill_length",
    "fill_to_apex_core_mm": "fill_to_apex_core",
    "fill_to_apex_core_straight_mm": "fill_to_apex_core_straight",
    "fill_to_apex_sealer_mm": "fill_to_apex_sealer",
    "tip_to_apex_mm": "tip_to_apex",
    "smallest_visible_void_mm": "smallest_visible_void",
    "post_gap_mm": "post_gap",
    "apical_fill_under_post_mm": "apical_fill_under_post",
    "coverage_beyond_apex_mm": "coverage_beyond_apex",
}

#: Short labels for the page; a measure without one is shown with its meaning.
_LABELS = {
    "canal_length_mm": "Canal: coronal reference to apex, along the canal",
    "canal_length_straight_mm": "Canal: coronal reference to apex, straight",
    "fill_to_apex_core_mm": "Core to apex, along the canal (+ short, - beyond)",
    "fill_to_apex_core_straight_mm": "Core to apex, straight (+ short, - beyond)",
    "fill_to_apex_sealer_mm": "Sealer to apex, along the canal (+ short, - beyond)",
    "fill_to_apex_ratio": "Core to apex over canal length (no scale needed)",
    "fill_length_mm": "Length of the fill, along the canal",
    "fill_length_ratio": "Fill over canal length (no scale needed)",
    "fill_level": "How far the fill reaches",
    "core_beyond_apex": "Core beyond the radiographic apex",
    "void_count": "Visible voids",
    "void_free": "Free of visible voids",
    "wall_void_count": "Visible voids along a wall",
    "joint_void_count": "Visible voids across, at a joint",
    "void_area_mm2": "Summed area of the visible voids",
    "largest_void_mm": "Largest extent of a visible void",
    "smallest_visible_void_mm": "Smallest void this film could show",
    "taper_mm_per_mm": "Taper: width over length",
    "taper_even": "Even taper from orifice to apex",
    "puff_area_mm2": "Sealer beyond the canal (approximate)",
    "gross_extrusion": "Gross extrusion",
    "post_gap_mm": "Gap between post and fill",
    "apical_fill_under_post_mm": "Fill left under the post",
    "tip_to_apex_mm": "Tip of file or cone to apex (+ short, - beyond)",
    "corrected_working_length_mm": "Corrected working length",
    "trial_working_length_mm": "Trial working length",
    "schneider_deg": "Curvature (Schneider)",
    "coverage_beyond_apex_mm": "Film beyond the apex, to the nearest edge",
}

#: Who placed the points of a canal.
ORIGINS = {
    MarksOrigin.BY_HAND: "placed by hand",
    MarksOrigin.PROPOSAL_ACCEPTED: "proposed by the program, accepted unchanged by a person",
    MarksOrigin.PROPOSAL_EDITED: "proposed by the program, corrected and accepted by a person",
    MarksOrigin.NOT_CONFIRMED: "proposed by the program, not confirmed by a person",
}
NOT_CONFIRMED = f" ({MarksOrigin.NOT_CONFIRMED})"

NO_SCALE = "No scale: ratios and pixels only. No millimetres are given."


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A label and its value."""

    label: str
    value: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureRow:
    """One measure; ``note`` is the source of its scale or the reason why it is missing."""

    label: str
    name: str
    value: str
    u: str
    unit: str
    note: str
    missing: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GapRow:
    """One void."""

    number: str
    place: str
    third: str
    kind: str
    size: str
    area: str
    contrast: str
    confidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRow:
    """One verdict; ``kind`` names its look: met, not-met, borderline, cannot."""

    sign: str
    word: str
    kind: str
    canal: str
    field: str
    rule: str
    label: str
    value: str
    measure: str
    probability: str
    source: str
    status: str
    why: str
    changed: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryRow:
    """Worst canal and counts for one rule."""

    rule: str
    sign: str
    word: str
    kind: str
    worst: str
    counts: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OverrideRow:
    """What a person changed or passed over, with the reason."""

    canal: str
    rule: str
    verdict: str
    tool: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionRow:
    """One caution with the numbers of its sources."""

    head: str
    text: str
    sources: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalPart:
    """Everything on one canal."""

    heading: str
    facts: tuple[Fact, ...]
    verdicts: tuple[VerdictRow, ...]
    measures: tuple[MeasureRow, ...]
    film_scale: str
    gaps: tuple[GapRow, ...]
    gaps_sentence: str
    fill_notes: tuple[str, ...]
    close_up: Picture | None
    profile: Plot | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """A whole report."""

    title: str
    facts: tuple[Fact, ...]
    aid: str
    calibrated: bool
    scale_sentence: str
    scale_facts: tuple[Fact, ...]
    scale_warnings: tuple[str, ...]
    picture: Picture
    picture_note: str
    close_up_note: str
    summaries: tuple[SummaryRow, ...]
    tooth_verdicts: tuple[VerdictRow, ...]
    beyond: str
    cautions: tuple[CautionRow, ...]
    canals: tuple[CanalPart, ...]
    overrides: tuple[OverrideRow, ...]
    warnings: tuple[str, ...]
    settings: tuple[Fact, ...]
    sources: tuple[Fact, ...]
    foot: str


class _Sources:
    """Numbers citations in the order in which they are first used."""

    def __init__(self) -> None:
        self.places: dict[tuple[str, str], int] = {}

    def number(self, text: str, status: str) -> str:
        """``[n]`` of a citation, or nothing when there is none."""
        if not text.strip():
            return ""
        return f"[{self.places.setdefault((clean(text), clean(status)), len(self.places) + 1)}]"

    def of(self, sources: Iterable[Source]) -> str:
        """``[n] [m]`` of several citations."""
        return " ".join(self.number(s.text, s.status) for s in sources)

    def facts(self) -> tuple[Fact, ...]:
        return tuple(
            Fact(label=f"[{n}]", value=f"{text} ({status})" if status else text)
            for (text, status), n in self.places.items()
        )


def build_content(
    review: Review, radiograph: Radiograph, options: ReportOptions | None = None
) -> Content:
    """Lay a review out as the words and drawings of a report.

    Parameters
    ----------
    review : Review
    radiograph : Radiograph
        The image the review was made on.
    options : ReportOptions, optional

    Raises
    ------
    ImageChangedError
        The radiograph is another one and no reason for going on was given.
    """
    options = options or ReportOptions()
    numbers = Numbers(decimal_mark=str(options.decimal_mark))
    changed = _changed_image(review, radiograph, options)
    sources = _Sources()
    scale = _Scale(review, numbers)
    canals = tuple(_canal_part(review, radiograph, c, numbers, sources) for c in review.canals)
    tooth_verdicts = tuple(
        _numbered_row(v, numbers, sources) for v in review.verdicts if not v.canal
    )
    beyond = _beyond_sentence(review, numbers, sources)
    caution_rows = tuple(
        CautionRow(head=c.head, text=numbers.in_text(c.text), sources=sources.of(c.sources))
        for c in cautions.CAUTIONS
    )
    settings = _settings(review, numbers, sources)
    sources.of((cautions.GUM, cautions.TOOTH_NUMBERS))
    return Content(
        title=clean(options.title),
        facts=_head_facts(review, radiograph, options),
        aid="A teaching and review aid. Not a diagnosis, not a treatment order, not a medical "
        "device. Read it with the cautions below.",
        calibrated=scale.calibrated,
        scale_sentence=scale.sentence,
        scale_facts=scale.facts,
        scale_warnings=_texts(review.calibration.warnings if review.calibration else (), numbers),
        picture=film_picture(review, radiograph, numbers),
        picture_note="Grey levels are set for the eye; the measures were taken from the unaltered "
        "pixels. Radiopaque is bright.",
        close_up_note="Thin lines beside an end: one standard uncertainty to either side.",
        summaries=tuple(summary_row(s, review.verdicts) for s in review.tooth_summaries),
        tooth_verdicts=tooth_verdicts,
        beyond=beyond,
        cautions=caution_rows,
        canals=canals,
        overrides=tuple(_override_row(o, review.verdicts) for o in review.marks.overrides),
        warnings=(*changed, *_texts(review.warnings, numbers)),
        settings=settings,
        sources=sources.facts(),
        foot=f"rxmeasure {clean(review.software_version)}, "
        f"image SHA-256 {clean(review.image.sha256[:12])}",
    )


def tooth_text(fdi: str, notation: ToothNotation) -> str:
    """Tooth in the chosen notation with its name; codes outside the tables as they are."""
    number = clean(fdi)
    tooth = tooth_of(fdi)
    if not number or tooth is None:
        return f"{number} (not mapped)" if number else "not given"
    text = {
        ToothNotation.FDI: number,
        ToothNotation.UNIVERSAL: fdi_to_universal(fdi),
        ToothNotation.PALMER: fdi_to_palmer(fdi),
    }[notation]
    return f"{text} ({notation}), {tooth.name}"


# -- head ---------------------------------------------------------------------


def _changed_image(
    review: Review, radiograph: Radiograph, options: ReportOptions
) -> tuple[str, ...]:
    try:
        check_image(review, radiograph)
    except ImageChangedError:
        if not options.changed_image_reason.strip():
            raise
        return (
            "The picture in this report is not the image that was measured. Reason given: "
            + clean(options.changed_image_reason),
        )
    return ()


def _head_facts(review: Review, radiograph: Radiograph, options: ReportOptions) -> tuple[Fact, ...]:
    marks, image = review.marks, review.image
    grey = {
        "linear": "declared linear",
        "log": "declared logarithmic",
    }.get(radiograph.intensity, "not declared: density is relative")
    compression = "lossy compression" if image.lossy else "no lossy compression"
    return (
        Fact(label="Case", value=clean(marks.patient_pseudonym) or "not given"),
        Fact(label="Tooth", value=tooth_text(marks.tooth, options.tooth_notation)),
        Fact(label="Film", value=str(marks.film_kind)),
        Fact(label="Visit", value=clean(marks.visit) or "not given"),
        Fact(label="Reader", value=clean(marks.reader) or "not given"),
        Fact(label="Reviewed (UTC)", value=clean(review.created_utc)),
        Fact(label="Image file", value=clean(image.file_name)),
        Fact(label="SHA-256", value=f"{clean(image.sha256[:16])}…"),
        Fact(
            label="Image",
            value=f"{image.columns} × {image.rows} px, {image.bits} bit, {clean(image.format)}, "
            f"{compression}",
        ),
        Fact(label="Grey levels", value=f"{grey}; {clean(review.polarity_reason)}"),
        Fact(label="Program", value=f"rxmeasure {clean(review.software_version)}"),
    )


class _Scale:
    """The calibration box."""

    def __init__(self, review: Review, numbers: Numbers) -> None:
        calibration = review.calibration
        self.calibrated = calibration is not None
        if calibration is None:
            self.sentence = NO_SCALE
            self.facts: tuple[Fact, ...] = ()
            return
        self.sentence = numbers.in_text(calibration.source)
        facts = [
            Fact(
                label="Pixel",
                value=f"{numbers.mm_per_px(calibration.row_mm)} mm between rows, "
                f"{numbers.mm_per_px(calibration.col_mm)} mm between columns",
            ),
            Fact(
                label="Standard uncertainty of the scale",
                value=numbers.relative(calibration.u_rel),
            ),
        ]
        for reference in calibration.references:
            given = reference.reference
            residual = (
                ""
                if reference.residual_sd is None
                else f"; {numbers.fixed(reference.residual_sd, 1)} SD from the combined scale"
            )
            facts.append(
                Fact(
                    label=clean(given.label) or f"Reference ({clean(given.kind)})",
                    value=f"{numbers.quantity(given.length_mm, 'mm')} mm "
                    f"(u {numbers.uncertainty(given.length_u_mm, 'mm')} mm) over "
                    f"{numbers.fixed(reference.length_px, 1)} px "
                    f"(u {numbers.fixed(reference.u_length_px, 1)} px){residual}",
                )
            )
        if review.spacing_attribute:
            facts.append(Fact(label="Spacing in the file", value=clean(review.spacing_attribute)))
        self.facts = tuple(facts)


def _texts(warnings: Iterable[Warned], numbers: Numbers) -> tuple[str, ...]:
    return tuple(dict.fromkeys(numbers.in_text(w.text) for w in warnings))


# -- verdicts -----------------------------------------------------------------


def _kind(outcome: Outcome) -> str:
    return {
        Outcome.MET: "met",
        Outcome.NOT_MET: "not-met",
        Outcome.BORDERLINE: "borderline",
        Outcome.CANNOT_BE_JUDGED: "cannot",
    }[outcome]


def _numbered_row(verdict: Verdict, numbers: Numbers, sources: _Sources) -> VerdictRow:
    cited = sources.number(verdict.source, verdict.source_status)
    return verdict_row(verdict, numbers, source=cited)


def verdict_row(verdict: Verdict, numbers: Numbers, *, source: str) -> VerdictRow:
    """One verdict in words; ``source`` stands for its citation."""
    probability = ""
    if verdict.outcome is Outcome.BORDERLINE and verdict.probability_met is not None:
        probability = f"met with a probability of {numbers.percent(verdict.probability_met)}"
    changed = ""
    if verdict.overridden_by:
        tool = verdict.tool_outcome
        own = f"{SIGNS[tool]} {tool}" if tool else "not kept"
        changed = (
            f"Changed by the reader. The program's own outcome: {own}. "
            f"Reason: {clean(verdict.overridden_by)}"
        )
    return VerdictRow(
        sign=SIGNS[verdict.outcome],
        word=str(verdict.outcome)
        + (" (changed)" if verdict.overridden_by else "")
        + ("" if verdict.confirmed else NOT_CONFIRMED),
        kind=_kind(verdict.outcome),
        canal=clean(verdict.canal),
        field=clean(verdict.field),
        rule=f"{clean(verdict.rule_id)}, version {clean(verdict.rule_version)}",
        label=clean(verdict.label),
        value=_value_of(verdict, numbers),
        measure=clean(verdict.measure_name),
        probability=probability,
        source=source,
        status=clean(verdict.source_status),
        why=numbers.in_text(verdict.why),
        changed=changed,
    )


def _value_of(verdict: Verdict, numbers: Numbers) -> str:
    text = numbers.in_text(verdict.value_text)
    unit = unit_text(verdict.unit)
    return f"{text}\u00a0{unit}".strip() if text else ""


def summary_row(summary: ToothSummary, verdicts: Sequence[Verdict]) -> SummaryRow:
    """What one rule says of the tooth, in words."""
    version = next((v.rule_version for v in verdicts if v.rule_id == summary.rule_id), "")
    return SummaryRow(
        rule=clean(summary.rule_id) + (f", version {clean(version)}" if version else ""),
        sign=SIGNS[summary.outcome],
        word=str(summary.outcome) + ("" if summary.confirmed else NOT_CONFIRMED),
        kind=_kind(summary.outcome),
        worst=clean(summary.worst_canal),
        counts=", ".join(f"{count} {clean(name)}" for name, count in summary.counts if count),
    )


def _override_row(override: Override, verdicts: Sequence[Verdict]) -> OverrideRow:
    rule_id, _, field_name = override.rule_id.partition("/")
    own = next(
        (
            v.tool_outcome
            for v in verdicts
            if v.tool_outcome
            and (v.canal, v.rule_id) == (override.canal, rule_id)
            and field_name in ("", v.field)
            and v.overridden_by == override.reason.strip()
        ),
        None,
    )
    return OverrideRow(
        canal=clean(override.canal) or "whole tooth",
        rule=clean(override.rule_id),
        verdict=clean(override.verdict),
        tool=f"{SIGNS[own]} {own}" if own else "a refusal",
        reason=clean(override.reason),
    )


def _beyond_sentence(review: Review, numbers: Numbers, sources: _Sources) -> str:
    """What over-extension means, where there is any."""

    def says_yes(canal: CanalMeasurement, name: str) -> bool:
        measure = canal.measure(name)
        return measure is not None and measure.value is True

    beyond = any(says_yes(c, "core_beyond_apex") for c in review.canals)
    puff = any(c.puff for c in review.canals)
    gross = any(
        says_yes(c, "gross_extrusion") or (c.puff is not None and c.puff.gross)
        for c in review.canals
    )
    parts = []
    if gross:
        parts.append("Gross extrusion: for prompt clinical attention. It carries no score.")
    if beyond:
        parts.append(
            "Core beyond the apex is a technical grade, not a failure: unintended overfills alone "
            "had 91.6 % success in primary treatments and 81.8 % in retreatments "
            + sources.of((cautions.OVERFILL,))
            + "."
        )
    if puff and not gross:
        parts.append(
            "A puff of sealer at an exit of the canal is graded apart from a core beyond the apex."
        )
    return numbers.in_text(" ".join(parts))


# -- canals -------------------------------------------------------------------


def _canal_part(
    review: Review,
    radiograph: Radiograph,
    canal: CanalMeasurement,
    numbers: Numbers,
    sources: _Sources,
) -> CanalPart:
    marks = next((m for m in review.marks.canals if m.name == canal.name), None)
    on_film = gap_numbers(review)
    numbered = {k: on_film[canal.name, k] for k in range(len(canal.gaps))}
    verdicts = [v for v in review.verdicts if v.canal == canal.name]
    relative = radiograph.intensity not in ("linear", "log")
    plane = review.calibration.scale if review.calibration else radiograph.px_scale
    rows = [row for _, row in measure_rows(canal, verdicts, numbers)]
    film_scale = numbers.in_text(review.calibration.source) if review.calibration else ""
    return CanalPart(
        heading=canal_heading(canal.name),
        facts=_canal_facts(canal, marks, numbers),
        verdicts=tuple(_numbered_row(v, numbers, sources) for v in verdicts),
        measures=tuple(short_note(row, film_scale) for row in rows),
        film_scale=film_scale if any(row.note == film_scale for row in rows) else "",
        gaps=tuple(gap_row(g, numbered[k], numbers) for k, g in enumerate(canal.gaps)),
        gaps_sentence=_gaps_sentence(canal, numbers),
        fill_notes=_fill_notes(canal, marks, relative, numbers, sources),
        close_up=close_up(review, radiograph, canal, numbers),
        profile=profile_plot(
            canal,
            plane=plane,
            numbers=numbers,
            gap_numbers=numbered,
            relative_density=relative,
        ),
        warnings=_texts(canal.warnings, numbers),
    )


def canal_heading(name: str) -> str:
    """Name of a canal with what it stands for."""
    meaning = canal_meaning(name)
    if meaning == NOT_MAPPED:
        named = clean(name)
        return named.capitalize() if named.startswith("canal ") else f"Canal {named}"
    if meaning.startswith(name):
        return meaning.capitalize()
    return f"Canal {clean(name)} ({meaning})"


def short_note(row: MeasureRow, film_scale: str) -> MeasureRow:
    """The row with "film scale" for the scale that is written out beside the table."""
    return replace(row, note="film scale") if film_scale and row.note == film_scale else row


def _canal_facts(
    canal: CanalMeasurement, marks: CanalMarks | None, numbers: Numbers
) -> tuple[Fact, ...]:
    facts = [Fact(label="Clicks and apex", value=ORIGINS[marks.origin])] if marks else []
    for label, landmark in (
        ("Coronal reference", marks.coronal_reference if marks else None),
        ("Orifice", marks.orifice if marks else None),
        ("Radiographic apex", marks.radiographic_apex if marks else None),
        ("End of the core", marks.core_end if marks else None),
        ("End of the sealer", marks.sealer_end if marks else None),
        ("End of the post", marks.post_end if marks else None),
    ):
        text = _landmark_text(landmark)
        if text:
            facts.append(Fact(label=label, value=text))
    word = filling_word(canal.film_kind)
    for label, end in (
        ("Core end found by" if word == "fill" else f"Tip of the {word} found by", canal.core_end),
        ("Sealer end found by", canal.sealer_end),
    ):
        if end:
            spread = f"; methods lie {numbers.fixed(end.spread_px, 1)} px apart"
            facts.append(
                Fact(label=label, value=clean(end.how) + (spread if end.spread_px else ""))
            )
    facts.append(
        Fact(
            label="Line that follows a visible ridge",
            value=numbers.percent(canal.centre_line.confidence),
        )
    )
    if marks and marks.nominal:
        facts.append(
            Fact(
                label="Stated last file or cone",
                value=f"size {marks.nominal.size:g}, taper "
                f"{numbers.fixed(marks.nominal.taper, 2)} mm/mm",
            )
        )
    if marks and marks.locator_reading_mm is not None:
        difference = (
            ""
            if canal.locator_difference_mm is None
            else f"; difference to the film {numbers.fixed(canal.locator_difference_mm, 1)} mm "
            "(never averaged)"
        )
        facts.append(
            Fact(
                label="Electronic reading",
                value=f"{numbers.quantity(marks.locator_reading_mm, 'mm')} mm{difference}",
            )
        )
    if marks and marks.stop_to_tip_mm is not None:
        facts.append(
            Fact(
                label="File or cone, stop to tip",
                value=f"{numbers.quantity(marks.stop_to_tip_mm, 'mm')} mm",
            )
        )
    return tuple(facts)


def _landmark_text(landmark: Landmark | None) -> str:
    if landmark is None:
        return ""
    label = clean(landmark.label)
    if landmark.state is LandmarkState.NOT_GIVEN and landmark.point_px is None:
        return label
    return str(landmark.state) + (f": {label}" if label else "")


def measure_rows(
    canal: CanalMeasurement, verdicts: Sequence[Verdict], numbers: Numbers
) -> tuple[tuple[MeasureValue | None, MeasureRow], ...]:
    """Rows of the table of measures, each with the measure it shows.

    ``verdicts`` are those of this canal. A length without a scale is shown in
    pixels; a sealer puff in pixels has no measure of its own.
    """
    rows: list[tuple[MeasureValue | None, MeasureRow]] = []
    for measure in canal.measures:
        length = length_without_scale(measure, canal)
        if length is not None:
            attribute = _LENGTH_OF[measure.name]
            rows.append((measure, _pixel_row(measure, attribute, length, numbers)))
        else:
            rows.append((measure, _measure_row(measure, verdicts, numbers)))
    puff = canal.puff
    if puff and puff.area.value_mm2 is None:
        row = MeasureRow(
            label="Sealer beyond the canal (approximate)",
            name="puff area",
            value=numbers.quantity(puff.area.value_px2, "px2"),
            u=numbers.uncertainty(puff.area.u_px2, "px2"),
            unit="px²",
            note="no scale",
            missing=False,
        )
        rows.append((None, row))
    return tuple(rows)


def length_without_scale(measure: MeasureValue, canal: CanalMeasurement) -> Length | None:
    """The length in pixels of a measure that only lacks a scale; None for any other."""
    attribute = _LENGTH_OF.get(measure.name)
    length: Length | None = getattr(canal, attribute) if attribute else None
    only_scale = measure.value is None and length is not None and length.value_mm is None
    return length if only_scale else None


def measure_label(name: str) -> str:
    """Short name of a measure in words."""
    if name in _LABELS:
        return _LABELS[name]
    known = MEASURES.get(name)
    text = known.meaning if known else name
    return clean(text[:1].upper() + text[1:])


def _pixel_row(
    measure: MeasureValue, attribute: str, length: Length, numbers: Numbers
) -> MeasureRow:
    return MeasureRow(
        label=measure_label(measure.name),
        name=attribute.replace("_", " "),
        value=numbers.quantity(length.value_px, "px"),
        u=numbers.uncertainty(length.u_px, "px"),
        unit="px",
        note=numbers.in_text(measure.why_missing or "no scale"),
        missing=False,
    )


def _measure_row(
    measure: MeasureValue, verdicts: Sequence[Verdict], numbers: Numbers
) -> MeasureRow:
    value = measure.value
    u, unit = "", unit_text(measure.unit)
    if value is None:
        text = "–"
    elif isinstance(value, bool):
        text = "yes" if value else "no"
        if measure.p_true is not None:
            u = f"p(yes) {numbers.percent(measure.p_true)}"
    elif isinstance(value, str):
        text = clean(value)
    else:
        ratio = measure.unit == "1" and not float(value).is_integer()
        rounding = "ratio" if ratio else measure.unit
        text = _judged_text(measure, verdicts, numbers) or numbers.quantity(value, rounding)
        if measure.u is not None:
            u = numbers.uncertainty(measure.u, rounding)
    note = measure.why_missing if value is None else measure.scale_source
    return MeasureRow(
        label=measure_label(measure.name),
        name=clean(measure.name),
        value=text,
        u=u,
        unit="" if value is None else clean(unit),
        note=numbers.in_text(note or ""),
        missing=value is None,
    )


def _judged_text(measure: MeasureValue, verdicts: Sequence[Verdict], numbers: Numbers) -> str:
    """The text that a verdict used for the same value, so that table and verdict never differ."""
    texts = [
        v.value_text
        for v in verdicts
        if v.measure_name == measure.name and _is_number(v.value_text)
    ]
    return numbers.in_text(max(texts, key=len, default=""))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def gap_row(gap: DensityGap, number: int, numbers: Numbers) -> GapRow:
    """One row of the table of voids; ``number`` as drawn on the film."""
    if gap.to_end_mm is None:
        place = f"{numbers.quantity(gap.to_end_px, 'px')} px"
    else:
        place = f"{numbers.quantity(gap.to_end_mm, 'mm')} mm"
    side = f", {clean(gap.side)} of the picture" if gap.side else ""
    return GapRow(
        number=str(number),
        place=place,
        third=clean(gap.third),
        kind=clean(gap.kind) + side,
        size=f"{_size(gap.length, numbers)} × {_size(gap.width, numbers)} "
        + ("px" if gap.length.value_mm is None else "mm"),
        area=(
            f"{numbers.quantity(gap.area.value_px2, 'px2')} "
            f"(u {numbers.uncertainty(gap.area.u_px2, 'px2')}) px²"
            if gap.area.value_mm2 is None
            else f"{numbers.fixed(gap.area.value_mm2, 2)} "
            f"(u {numbers.uncertainty(gap.area.u_mm2 or 0.0, 'mm2')}) mm²"
        ),
        contrast=f"{numbers.percent(gap.contrast)}, {numbers.fixed(gap.contrast_sd, 1)} SD",
        confidence=numbers.percent(gap.confidence),
    )


def _size(length: Length, numbers: Numbers) -> str:
    """A length of a void with its uncertainty, no unit; two decimals of mm, being so small."""
    if length.value_mm is None:
        value, u = numbers.quantity(length.value_px, "px"), numbers.uncertainty(length.u_px, "px")
    else:
        value, u = numbers.fixed(length.value_mm, 2), numbers.uncertainty(length.u_mm or 0.0, "mm")
    return f"{value} (u {u})"


def _gaps_sentence(canal: CanalMeasurement, numbers: Numbers) -> str:
    if canal.smallest_visible_void is None:
        return ""
    smallest = canal.smallest_visible_void
    unit = "px" if smallest.value_mm is None else "mm"
    found = (
        "Smaller ones stay unseen."
        if canal.gaps
        else 'No visible void was found; that is not "no void".'
    )
    small = len(canal.gaps_below_floor)
    if small:
        found += f" Seen, but too small or faint to be counted by the settings: {small}."
    return f"Smallest void this film could show here: {_size(smallest, numbers)} {unit}. {found}"


def _fill_notes(
    canal: CanalMeasurement,
    marks: CanalMarks | None,
    relative: bool,
    numbers: Numbers,
    sources: _Sources,
) -> tuple[str, ...]:
    notes = []
    taper = canal.taper
    if taper:
        mm = taper.residual_rms_mm
        residuals = mm or taper.residual_rms_px
        unit = "mm" if mm else "px"
        thirds = ", ".join(
            f"{name} {numbers.fixed(value, 2)}"
            for name, value in zip(("apical", "middle", "coronal"), residuals, strict=True)
        )
        notes.append(
            f"Taper {numbers.quantity(taper.taper, 'mm/mm')} "
            f"(u {numbers.uncertainty(taper.u_taper, 'mm/mm')}), "
            f"{'even' if taper.even else 'not even'} "
            f"(probability of even {numbers.percent(taper.p_even)}). "
            f"Residuals by third ({unit}): {thirds}."
        )
        if taper.departures:
            notes.append("Departures: " + "; ".join(map(numbers.in_text, taper.departures)) + ".")
        if taper.inside_nominal_share is not None:
            cite = sources.of((cautions.SIZES,))
            notes.append(
                f"Inside the band of the stated size and taper: "
                f"{numbers.percent(taper.inside_nominal_share)} of the profile {cite}. The band is "
                "for plausibility; instruments and cones are seldom at their nominal size."
            )
    if canal.profile and relative:
        notes.append(
            "Density is relative: filters may have changed the grey levels before they came here."
        )
    if canal.puff:
        puff = canal.puff
        reach, unit = (_size(puff.reach, numbers), "px" if puff.reach.value_mm is None else "mm")
        notes.append(
            f"Sealer beyond the canal, {clean(puff.side) or 'side not told'}: reaches {reach} "
            f"{unit}. Approximate."
        )
    if canal.curvature:
        curve = canal.curvature
        u = numbers.fixed(curve.u_deg, 1)
        radius = (
            ""
            if curve.pruett_radius_mm is None
            else f", radius {numbers.fixed(curve.pruett_radius_mm, 1)} mm"
        )
        notes.append(
            "Curvature in the film's plane by three methods, which do not compare: Schneider "
            f"{numbers.fixed(curve.schneider_deg, 1)}° ({clean(curve.schneider_class)}) "
            f"{sources.of((cautions.SCHNEIDER,))}; Weine {numbers.fixed(curve.weine_deg, 1)}° "
            f"{sources.of((cautions.WEINE,))}; Pruett "
            f"{numbers.fixed(curve.pruett_deg, 1)}°{radius} {sources.of((cautions.PRUETT,))}. "
            f"Standard uncertainty {u}°."
        )
    if marks and marks.downpack_depth_mm is not None:
        notes.append(
            "Stated downpack/backfill joint: "
            f"{numbers.quantity(marks.downpack_depth_mm, 'mm')} mm from the end of the fill."
        )
    return tuple(notes)


def _settings(review: Review, numbers: Numbers, sources: _Sources) -> tuple[Fact, ...]:
    s = review.marks.settings
    return (
        Fact(
            label="Click",
            value=f"{numbers.fixed(s.click_sd_mm, 2)} mm standard deviation per axis (choice)",
        ),
        Fact(
            label="Safety distance",
            value=f"{numbers.fixed(s.safety_mm, 1)} mm off a film length (teaching rule) "
            + sources.of((cautions.SAFETY,)),
        ),
        Fact(
            label="Detector-plane scale",
            value=f"{numbers.relative(s.magnification_u_rel)} relative standard uncertainty for "
            "the tooth's distance from the detector (calculated)",
        ),
        Fact(
            label="Void counted from",
            value=f"{numbers.fixed(s.void_min_px, 1)} px, {numbers.fixed(s.void_min_mm, 2)} mm and "
            f"{numbers.fixed(s.void_min_contrast_sd, 1)} noise SD (choice)",
        ),
        Fact(label="Random seed", value=str(s.seed)),
    )
