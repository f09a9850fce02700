"""The structured report: what it says, and that the review comes back from it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_films import (
    DICOM,
    PICTURE,
    SAMPLES,
    dataset,
    items_of,
    lesion_on,
    marks_of,
    review_of,
    review_without_scale,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.uid import generate_uid

from rxmeasure.criteria.results import Outcome
from rxmeasure.dicom_objects.report_reading import ReadGroup, read_report, review_in
from rxmeasure.dicom_objects.writing import DicomObject, write_objects
from rxmeasure.errors import ImageChangedError, ReviewFileError
from rxmeasure.marks import MarksOrigin, Override
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import load_review, save_review
from rxmeasure.review import Review, review_film
from rxmeasure.values import Warned

REPORT = DicomObject.REPORT


def group_of(path: Path, tracking_id: str) -> ReadGroup:
    return next(g for g in read_report(path).groups if g.tracking_id == tracking_id)


@pytest.mark.parametrize("name", [DICOM, PICTURE, "overfilled_with_puff.tif"])
def test_the_review_comes_back_without_loss(write: Callable[..., Any], name: str) -> None:
    report = read_report(write(name)[REPORT])
    assert report.warnings == ()
    assert report.review == review_of(name)


def test_the_review_that_comes_back_makes_the_same_review_file(
    write: Callable[..., Any], tmp_path: Path
) -> None:
    save_review(review_of(PICTURE), tmp_path / "before")
    save_review(review_in(read_report(write()[REPORT])), tmp_path / "after")
    assert (tmp_path / "after").read_bytes() == (tmp_path / "before").read_bytes()


def test_numbers_stand_with_unit_uncertainty_and_place(write: Callable[..., Any]) -> None:
    canal = review_of(PICTURE).canals[0]
    group = group_of(write()[REPORT], "23 single")
    assert group.tooth == "23"
    read = {m.concept.value: m for m in group.measurements}
    numbers = [m for m in canal.measures if isinstance(m.value, float | int)]
    numbers = [m for m in numbers if not isinstance(m.value, bool)]
    assert len(read) == len(numbers) > 10
    core = canal.measure("fill_to_apex_core_mm")
    assert core is not None
    there = read["fill_to_apex_core_mm"]
    assert (there.value, there.unit) == (core.value, "mm")
    assert there.u_upper == there.u_lower == core.u
    assert there.remarks[0].answer == core.scale_source
    assert canal.core_end is not None
    assert canal.apex_px is not None
    line = there.lines[0]
    assert line.graphic == "POLYLINE"
    # The foot of the apex on the line; coordinates are single precision (VR FL).
    assert np.allclose(line.points_px[0], canal.core_end.point_px, atol=1.0)
    assert np.allclose(line.points_px[-1], canal.apex_px, atol=1.0)


def test_the_length_of_the_line_is_the_length_that_is_stated(write: Callable[..., Any]) -> None:
    """With the half pixel or the axes wrong on one side this would still hold; see the laws."""
    pitch = review_of(PICTURE).calibration
    assert pitch is not None
    group = group_of(write()[REPORT], "23 single")
    canal = next(m for m in group.measurements if m.concept.value == "121211")
    points = np.asarray(canal.lines[0].points_px) * (pitch.row_mm, pitch.col_mm)
    length = np.hypot(*np.diff(points, axis=0).T).sum()
    assert length == pytest.approx(canal.value, abs=0.1)


def test_uncertainties_have_the_unit_of_their_number(write: Callable[..., Any]) -> None:
    units = set()
    for item in items_of(dataset(write()[REPORT])):
        for child in item.get("ContentSequence", ()):
            if child.ConceptNameCodeSequence[0].get("CodeValue") in ("371886008", "371885007"):
                own, of = (
                    i.MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue
                    for i in (child, item)
                )
                assert own == of
                units.add(own)
    assert {"mm", "mm2", "deg", "mm/mm"} <= units


def test_a_verdict_stands_with_its_rule_source_and_probability(write: Callable[..., Any]) -> None:
    verdict = next(v for v in review_of(PICTURE).verdicts if v.field == "length")
    group = group_of(write()[REPORT], "23 single")
    answer = next(a for a in group.answers if a.concept.value == f"{verdict.rule_id}.length")
    said = {r.concept.value: r.answer for r in answer.remarks}
    assert said["rule"] == f"{verdict.rule_id}, version {verdict.rule_version}"
    assert said["source"] == verdict.source
    assert said["label"] == verdict.label
    assert float(said["122157"].split()[0]) == pytest.approx(verdict.probability_met, rel=1e-5)
    assert verdict.outcome is Outcome.BORDERLINE
    assert answer.answer == "Borderline"


def test_a_verdict_changed_by_a_person_keeps_the_programs_own(write: Callable[..., Any]) -> None:
    marks = replace(
        marks_of(DICOM),
        overrides=(Override(canal="single", rule_id="zero_two", verdict="met", reason="seen"),),
    )
    review = review_film(read_radiograph(SAMPLES / DICOM), marks)
    changed = next(v for v in review.verdicts if v.overridden_by)
    group = group_of(write(DICOM, review)[REPORT], "11 single")
    name = f"zero_two.{changed.field}"
    answer = next(a for a in group.answers if a.concept.value == name)
    said = {r.concept.value: r.answer for r in answer.remarks}
    assert answer.answer == "Criterion met"
    assert said["changed_by_person"] == "seen"
    assert changed.tool_outcome is not None
    assert said["own_verdict"].lower().endswith(str(changed.tool_outcome))


def test_reader_and_program_are_the_observers(write: Callable[..., Any]) -> None:
    report = read_report(write()[REPORT])
    assert report.observers == (review_of(PICTURE).marks.reader, "rxmeasure")


def test_without_a_reader_the_program_alone_is_the_observer(write: Callable[..., Any]) -> None:
    review = review_of(DICOM)
    review = replace(review, marks=replace(review.marks, reader=""))
    assert read_report(write(DICOM, review)[REPORT]).observers == ("rxmeasure",)


def unconfirmed() -> Review:
    marks = marks_of(DICOM)
    canals = tuple(replace(c, origin=MarksOrigin.NOT_CONFIRMED) for c in marks.canals)
    return review_film(read_radiograph(SAMPLES / DICOM), replace(marks, canals=canals))


def test_what_no_person_confirmed_is_stated_and_preliminary(write: Callable[..., Any]) -> None:
    review = unconfirmed()
    path = write(DICOM, review)[REPORT]
    made = dataset(path)
    assert (made.CompletionFlag, made.PreliminaryFlag) == ("PARTIAL", "PRELIMINARY")
    group = group_of(path, "11 single")
    assert [a.answer for a in group.answers if a.concept.value == "confirmed"] == ["No"]
    verdicts = [a for a in group.answers if a.concept.value.startswith("zero_two.")]
    assert len(verdicts) > 2
    for verdict in verdicts:
        assert "No" in [r.answer for r in verdict.remarks if r.concept.value == "confirmed"]
    assert read_report(path).review == review


def test_a_report_of_what_a_person_placed_is_complete_and_unverified(
    write: Callable[..., Any],
) -> None:
    made = dataset(write(DICOM)[REPORT])
    assert (made.CompletionFlag, made.PreliminaryFlag) == ("COMPLETE", "FINAL")
    assert made.VerificationFlag == "UNVERIFIED"


def test_voids_and_lesions_are_regions_with_their_outline(write: Callable[..., Any]) -> None:
    review = review_of(PICTURE)
    lesion = lesion_on(PICTURE)
    report = read_report(write(lesions=(lesion,))[REPORT])
    voids = [g for g in report.groups if "void" in g.tracking_id]
    assert len(voids) == len(review.canals[0].gaps) > 1
    for group, gap in zip(voids, review.canals[0].gaps, strict=True):
        area = next(m for m in group.measurements if m.concept.meaning == "Area")
        assert (area.value, area.unit) == (gap.area.value_mm2, "mm2")
        (outline,) = group.lines
        assert outline.points_px[0] == outline.points_px[-1]
        assert np.allclose(
            outline.points_px[:-1], gap.outline_px[: len(outline.points_px) - 1], atol=1e-4
        )
    found = next(g for g in report.groups if g.finding == "Periapical lesion")
    assert lesion.size is not None
    assert found.measurements[0].value == lesion.size.area.value_mm2
    assert found.tooth == "23"


def test_without_a_scale_nothing_is_in_millimetres(write: Callable[..., Any]) -> None:
    path = write(review=review_without_scale(), lesions=())[REPORT]
    units = {
        code.CodeValue
        for item in items_of(dataset(path))
        for measured in item.get("MeasuredValueSequence", ())
        for code in measured.MeasurementUnitsCodeSequence
    }
    assert "{pixels}" in units
    assert not [unit for unit in units if unit.startswith("mm") and unit != "mm/mm"]
    canal = review_without_scale().canals[0]
    read = {m.concept.value: m for m in group_of(path, "23 single").measurements}
    assert canal.fill_to_apex_core is not None
    assert read["fill_to_apex_core_px"].value == canal.fill_to_apex_core.value_px
    assert read_report(path).review == review_without_scale()


def test_equal_reviews_make_equal_files_and_another_review_another_report(
    write: Callable[..., Any],
) -> None:
    first = {kind: path.read_bytes() for kind, path in write().items()}
    again = write(review=review_of(PICTURE))
    assert {kind: path.read_bytes() for kind, path in again.items()} == first
    uid = dataset(write()[REPORT]).SOPInstanceUID
    review = review_of(PICTURE)
    later = replace(review, marks=replace(review.marks, reader="another"))
    assert dataset(write(review=later)[REPORT]).SOPInstanceUID != uid


def test_a_canal_is_tracked_from_review_to_review(write: Callable[..., Any]) -> None:
    before = group_of(write()[REPORT], "23 single").tracking_uid
    review = review_of(PICTURE)
    later = replace(review, marks=replace(review.marks, reader="another"))
    assert group_of(write(review=later)[REPORT], "23 single").tracking_uid == before


def test_texts_of_any_script_and_with_strange_signs_arrive(write: Callable[..., Any]) -> None:
    review = review_of(DICOM)
    marks = replace(review.marks, reader="Прüfer\\^=名前", tooth="")
    review = replace(review, marks=marks)
    report = read_report(write(DICOM, review)[REPORT])
    assert report.observers[0].split() == ["Прüfer", "名前"]
    assert report.groups[0].tooth is None
    assert report.review == review


@settings(max_examples=10, suppress_health_check=list(HealthCheck))
@given(text=st.text(max_size=90), other=st.text(max_size=300))
def test_no_text_can_spoil_a_report(tmp_path: Path, text: str, other: str) -> None:
    review = review_of(DICOM)
    marks = replace(review.marks, reader=text, patient_pseudonym=other, visit=text)
    verdicts = tuple(replace(v, rule_id=text, label=other, why=other) for v in review.verdicts)
    warnings = (Warned(code=text, text=other), Warned(code="", text=""))
    review = replace(review, marks=marks, verdicts=verdicts, warnings=warnings)
    assert read_report(write_objects(SAMPLES / DICOM, review, tmp_path)[REPORT]).review == review


def test_a_review_without_a_canal_or_a_date_is_refused(write: Callable[..., Any]) -> None:
    for spoiled in ({"canals": ()}, {"created_utc": "yesterday"}):
        with pytest.raises(ReviewFileError, match="without a canal, or without the date"):
            write(DICOM, replace(review_of(DICOM), **spoiled))


def test_another_image_than_the_reviews_is_refused(write: Callable[..., Any]) -> None:
    with pytest.raises(ImageChangedError):
        write(review=review_of(DICOM))


# -- reports that were changed ---------------------------------------------------


def change(path: Path, do: Callable[[Any], None]) -> Path:
    report = dataset(path)
    do(report)
    report.save_as(path)
    return path


def other_value(report: Any) -> None:
    number = next(i for i in items_of(report) if i.get("ValueType") == "NUM")
    number.MeasuredValueSequence[0].FloatingPointValue += 0.01


def lost_canal(report: Any) -> None:
    container = report.ContentSequence[-2]
    del container.ContentSequence[0]


def other_uid(report: Any) -> None:
    report.SOPInstanceUID = generate_uid()


def damaged_block(report: Any) -> None:
    packed = report[0x0099, 0x1001].value
    report[0x0099, 0x1001].value = packed[:200] + b"\0" * (len(packed) - 200)


def no_block(report: Any) -> None:
    report.remove_private_tags()


@pytest.mark.parametrize(
    ("do", "code"),
    [
        (other_value, "report-was-changed"),
        (lost_canal, "report-was-changed"),
        (other_uid, "kept-review-of-another-report"),
        (damaged_block, "kept-review-damaged"),
        (no_block, None),
    ],
)
def test_a_changed_report_is_read_without_its_review(
    write: Callable[..., Any], do: Callable[[Any], None], code: str | None
) -> None:
    report = read_report(change(write()[REPORT], do))
    assert [w.code for w in report.warnings] == ([] if code is None else [code])
    assert report.review is None
    assert any(group.measurements for group in report.groups)
    with pytest.raises(ReviewFileError):
        review_in(report)


def test_a_block_that_unpacks_to_too_much_is_refused(write: Callable[..., Any]) -> None:
    import gzip

    def bomb(report: Any) -> None:
        report[0x0099, 0x1001].value = gzip.compress(b" " * 2**26)

    report = read_report(change(write()[REPORT], bomb))
    assert [w.code for w in report.warnings] == ["kept-review-damaged"]


def test_an_older_review_file_in_a_report_is_brought_up_to_date(write: Callable[..., Any]) -> None:
    """The kept text is a review file: what `load_review` reads, the report gives back."""
    from rxmeasure.dicom_objects.private_block import kept_review

    path = write()[REPORT]
    kept = kept_review(dataset(path))
    assert kept is not None
    text = path.with_suffix(".json")
    text.write_text(kept[0], encoding="utf-8")
    assert load_review(text) == review_of(PICTURE)
    assert dataclasses.is_dataclass(read_report(path))
