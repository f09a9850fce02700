"""Reports of other programs are read as far as they go; what is none is refused."""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_films import DICOM, SAMPLES, dataset, review_of
from highdicom import sr
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code
from pydicom.uid import (
    ComprehensiveSRStorage,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    generate_uid,
)

from rxmeasure.dicom_objects.report_reading import ReadReport, read_report
from rxmeasure.errors import ImageReadError, ReviewFileError, RxMeasureError

MM = Code("mm", "UCUM", "millimeter")


def saved(content: Dataset, path: Path) -> Path:
    content.file_meta = FileMetaDataset()
    content.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    content.SOPClassUID, content.SOPInstanceUID = ComprehensiveSRStorage, generate_uid()
    content.save_as(path, enforce_file_format=True)
    return path


def code(value: str, scheme: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def item(kind: str, name: Dataset | None, *children: Dataset, **values: Any) -> Dataset:
    made = Dataset()
    made.ValueType, made.RelationshipType = kind, "CONTAINS"
    if name is not None:
        made.ConceptNameCodeSequence = [name]
    for keyword, value in values.items():
        setattr(made, keyword, value)
    if children:
        made.ContentSequence = list(children)
    return made


def number(value: str | None, unit: str = "mm", name: str = "Length", **more: Any) -> Dataset:
    made = item("NUM", code("410668003", "SCT", name), **more)
    measured = Dataset()
    measured.MeasurementUnitsCodeSequence = [code(unit, "UCUM", unit)]
    if value is not None:
        measured.NumericValue = value
        made.MeasuredValueSequence = [measured]
    else:
        made.MeasuredValueSequence = []
        made.NumericValueQualifierCodeSequence = [code("114006", "DCM", "Measurement failure")]
    return made


GROUP = code("125007", "DCM", "Measurement Group")


def read(tmp_path: Path, *children: Dataset) -> ReadReport:
    return read_report(saved(item("CONTAINER", None, *children), tmp_path / "other.dcm"))


def test_a_report_written_by_another_library_call_is_read(tmp_path: Path) -> None:
    """A report with all parts of the template, built without this package."""
    image = dataset(SAMPLES / DICOM)
    region = sr.SourceImageForRegion.from_source_image(image)
    points = np.array([[10.5, 20.5], [10.5, 120.5]])
    measurement = sr.Measurement(
        name=codes.DCM.PathLength,
        value=5.0,
        unit=MM,
        properties=sr.MeasurementProperties(
            upper_measurement_uncertainty=0.2, lower_measurement_uncertainty=0.1
        ),
        referenced_coordinates=[
            sr.CoordinatesForMeasurement(
                graphic_type="POLYLINE", graphic_data=points, source_image=region
            )
        ],
    )
    group = sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=sr.TrackingIdentifier(uid=generate_uid(), identifier="46 distal"),
        finding_type=codes.SCT.Tooth,
        finding_sites=[sr.FindingSite(anatomic_location=Code("866005003", "SCT", "46"))],
        measurements=[measurement],
        qualitative_evaluations=[
            sr.QualitativeEvaluation(Code("L", "99OTHER", "Length"), Code("OK", "99OTHER", "Good"))
        ],
    )
    person = sr.ObserverContext(
        observer_type=codes.DCM.Person,
        observer_identifying_attributes=sr.PersonObserverIdentifyingAttributes(name="Reader^One"),
    )
    report = sr.Comprehensive3DSR(
        evidence=[image],
        content=sr.MeasurementReport(
            observation_context=sr.ObservationContext(observer_person_context=person),
            procedure_reported=codes.SCT.ImagingProcedure,
            imaging_measurements=[group],
        ),
        series_instance_uid=generate_uid(),
        series_number=1,
        sop_instance_uid=generate_uid(),
        instance_number=1,
        manufacturer="another",
    )
    report.save_as(tmp_path / "other.dcm", enforce_file_format=True)
    there = read_report(tmp_path / "other.dcm")
    assert (there.title, there.review, there.warnings) == ("Imaging Measurement Report", None, ())
    assert there.image_uids == (str(image.SOPInstanceUID),)
    assert there.observers == ("Reader One",)
    assert not there.complete
    (read_group,) = there.groups
    assert (read_group.tracking_id, read_group.tooth) == ("46 distal", "46")
    (value,) = read_group.measurements
    assert (value.value, value.unit, value.u_upper, value.u_lower) == (5.0, "mm", 0.2, 0.1)
    assert value.lines[0].points_px == ((20.0, 10.0), (120.0, 10.0))
    assert "Good" in [answer.answer for answer in read_group.answers]


def test_without_templates_tracking_or_units_numbers_are_still_read(tmp_path: Path) -> None:
    bare = item("NUM", None, MeasuredValueSequence=[Dataset()])
    bare.MeasuredValueSequence[0].NumericValue = "3.5"
    (group,) = read(tmp_path, item("CONTAINER", GROUP, number("12.25"), bare)).groups
    assert [(m.value, m.unit) for m in group.measurements] == [(12.25, "mm"), (3.5, "")]
    assert (group.tracking_id, group.tooth) == ("", None)


def test_numbers_outside_groups_come_last(tmp_path: Path) -> None:
    inner = item("CONTAINER", code("1", "99OTHER", "Part"), number("7"))
    report = read(tmp_path, number("1"), item("CONTAINER", GROUP, number("2")), inner)
    assert [[m.value for m in g.measurements] for g in report.groups] == [[2.0], [1.0, 7.0]]


def test_a_number_that_is_missing_says_why(tmp_path: Path) -> None:
    ((value,),) = (g.measurements for g in read(tmp_path, number(None)).groups)
    assert (value.value, value.why_missing) == (None, "Measurement failure")


def test_a_tooth_in_the_older_scheme_is_known(tmp_path: Path) -> None:
    site = item("CODE", code("G-C0E3", "SRT", "Finding Site"))
    site.ConceptCodeSequence = [code("T-54480", "SRT", "Lower right first premolar")]
    (group,) = read(tmp_path, item("CONTAINER", GROUP, site)).groups
    assert (group.tooth, group.sites) == ("44", ("Lower right first premolar",))


def test_a_circle_keeps_its_two_points(tmp_path: Path) -> None:
    place = item("SCOORD", None, GraphicType="CIRCLE", GraphicData=[10.5, 20.5, 15.5, 20.5])
    (group,) = read(tmp_path, item("CONTAINER", GROUP, place, number("5"))).groups
    assert (group.lines[0].graphic, group.lines[0].points_px) == (
        "CIRCLE",
        ((20.0, 10.0), (20.0, 15.0)),
    )


def test_a_report_without_numbers_says_so(tmp_path: Path) -> None:
    report = read(tmp_path, item("TEXT", code("1", "99OTHER", "Text"), TextValue="nothing"))
    assert [w.code for w in report.warnings] == ["no-numbers"]
    assert report.answers[0].answer == "nothing"


def test_images_and_other_files_are_no_reports(tmp_path: Path) -> None:
    other = tmp_path / "other"
    for content in (b"not DICOM at all", b"\0" * 500, (SAMPLES / DICOM).read_bytes()):
        other.write_bytes(content)
        with pytest.raises(ReviewFileError):
            read_report(other)
    with pytest.raises(ImageReadError):
        read_report(tmp_path / "missing")


def test_a_file_nested_without_end_is_refused_or_read(tmp_path: Path) -> None:
    deep = number("1")
    for _ in range(150):
        deep = item("CONTAINER", None, deep)
    assert isinstance(read(tmp_path, deep), ReadReport)


def test_damaged_reports_are_read_or_refused_and_nothing_else(
    write: Callable[..., Any], tmp_path: Path
) -> None:
    from rxmeasure.dicom_objects.writing import DicomObject

    report = dataset(write(DICOM)[DicomObject.REPORT])
    report.remove_private_tags()
    path = tmp_path / "damaged.dcm"
    report.save_as(path)
    whole = path.read_bytes()
    chance = random.Random(10_000)
    outcomes = set()
    for _ in range(150):
        damaged = bytearray(whole)
        for _ in range(chance.randint(1, 12)):
            damaged[chance.randrange(len(damaged))] = chance.randrange(256)
        if chance.random() < 0.2:
            damaged = damaged[: chance.randrange(len(damaged))]
        path.write_bytes(damaged)
        try:
            outcomes.add(type(read_report(path)))
        except RxMeasureError as error:
            outcomes.add(type(error))
    assert outcomes == {ReadReport, ReviewFileError}


READ_WITHOUT_HIGHDICOM = """
import sys
sys.modules["highdicom"] = None
from rxmeasure.dicom_objects.report_reading import read_report
print(read_report(sys.argv[1]).review is not None)
"""


def test_reading_needs_no_highdicom_and_writing_names_it(
    write: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rxmeasure.dicom_objects.writing import DicomObject, write_objects

    path = write(DICOM)[DicomObject.REPORT]
    done = subprocess.run(
        [sys.executable, "-c", READ_WITHOUT_HIGHDICOM, str(path)],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert (done.stdout.strip(), done.returncode) == ("True", 0), done.stderr
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(RxMeasureError, match=r"rxmeasure\[dicom\]"):
        write_objects(SAMPLES / DICOM, review_of(DICOM), tmp_path)


def test_a_report_that_unpacks_without_end_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rxmeasure.reading.dicom.MAX_FILE_BYTES", 2**20)
    content = Dataset()
    content.TextValue = "0" * 2**22
    content.file_meta = FileMetaDataset()
    content.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    content.SOPClassUID, content.SOPInstanceUID = ComprehensiveSRStorage, generate_uid()
    path = tmp_path / "growing.dcm"
    content.save_as(path, enforce_file_format=True)
    assert path.stat().st_size < 2**16
    with pytest.raises(ImageReadError, match="unpack to more than"):
        read_report(path)
