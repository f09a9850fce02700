"""The numbers and verdicts as a Comprehensive SR with a measurement report (PS3.16, TID 1500).

Each canal is a measurement group, each void, puff and lesion another. The whole review rides
along as a private element (PS3.5, 7.8), from which it is read back exactly; a program that does
not know that element loses nothing that it could have used.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from copy import deepcopy
from typing import Any

from highdicom import sr
from highdicom.coding_schemes import CodingSchemeIdentificationItem
from pydicom.sr.codedict import codes as dicom_codes

from rxmeasure import __version__
from rxmeasure.criteria.results import Verdict
from rxmeasure.dicom_objects import codes
from rxmeasure.dicom_objects.coordinates import closed, to_dicom
from rxmeasure.dicom_objects.identity import derived_uid
from rxmeasure.dicom_objects.private_block import put_review
from rxmeasure.dicom_objects.quantities import (
    Quantity,
    Region,
    canal_quantities,
    canal_thing,
    line_of,
)
from rxmeasure.dicom_objects.region_kinds import REGION_KINDS
from rxmeasure.dicom_objects.reviewed_image import ReviewedImage
from rxmeasure.dicom_objects.source_image import person_name
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.geometry import FloatArray
from rxmeasure.record.review_file import review_text
from rxmeasure.report.content import NO_SCALE, ORIGINS, measure_label
from rxmeasure.report.numbers import clean
from rxmeasure.report.picture import filling_word
from rxmeasure.values import MeasureValue

_HAS_PROPERTIES = sr.RelationshipTypeValues.HAS_PROPERTIES
_CONTAINS = sr.RelationshipTypeValues.CONTAINS
#: Range of measurement uncertainty, upper and lower (PS3.16, CID 225).
_UNCERTAINTY = ("371886008", "371885007")

_AID = (
    "An aid for teaching and review; not a diagnosis. Uncertainties are standard uncertainties "
    "(one standard deviation)."
)


def structured_report(image: ReviewedImage) -> Any:
    """Return the report of a review as a ``highdicom.sr.ComprehensiveSR``."""
    confirmed = all(marks.confirmed for marks in image.review.marks.canals)
    groups = [_canal_group(image, canal) for canal in image.review.canals]
    groups += [_region_group(image, region) for region in image.regions]
    content = sr.MeasurementReport(
        observation_context=_observers(image),
        procedure_reported=codes.own_code("intraoral", "Intra-oral radiograph"),
        imaging_measurements=groups,
        title=dicom_codes.DCM.ImagingMeasurementReport,
    )
    content[0].ContentSequence.append(_of_the_film(image))
    report = sr.ComprehensiveSR(
        evidence=[image.header],
        content=_repaired(content[0]),
        is_complete=confirmed,
        is_final=confirmed,
        coding_schemes=[
            CodingSchemeIdentificationItem(
                codes.SCHEME, name=codes.SCHEME_NAME, uid=codes.SCHEME_UID
            )
        ],
        **image.identity("report"),
    )
    put_review(report, review_text(image.review, name="the review"))
    return image.finished(report)


# -- groups --------------------------------------------------------------------


def _canal_group(image: ReviewedImage, canal: CanalMeasurement) -> Any:
    review = image.review
    verdicts = [v for v in review.verdicts if v.canal == canal.name]
    word = filling_word(canal.film_kind)
    group = sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=_tracking(image, canal_thing(canal.name), canal.name),
        finding_type=codes.own_code(f"canal_{word}", f"Root canal with its {word}"),
        finding_category=dicom_codes.SCT.AnatomicalStructure,
        finding_sites=_sites(image),
        algorithm_id=_algorithm(),
        source_images=[sr.SourceImageForMeasurementGroup.from_source_image(image.header)],
        measurements=[
            _measurement(image, quantity, line=line_of(canal, quantity.name))
            for quantity in canal_quantities(canal)
        ],
    )
    content = group[0].ContentSequence
    content.append(_code("confirmed", "Points confirmed by a person", _confirmed(image, canal)))
    content.extend(item for m in canal.measures for item in _word_of(m))
    content.extend(_verdict(verdict) for verdict in verdicts)
    content.extend(_texts_of_canal(image, canal))
    return group


def _region_group(image: ReviewedImage, region: Region) -> Any:
    meaning, category = REGION_KINDS[region.kind]
    return sr.PlanarROIMeasurementsAndQualitativeEvaluations(
        tracking_identifier=_tracking(image, region.name, region.name),
        referenced_region=sr.ImageRegion(
            graphic_type=sr.GraphicTypeValues.POLYLINE,
            graphic_data=to_dicom(closed(region.outline_px), image.radiograph.shape),
            source_image=sr.SourceImageForRegion.from_source_image(image.header),
        ),
        finding_type=codes.own_code(region.kind, meaning),
        finding_category=category,
        finding_sites=_sites(image),
        algorithm_id=_algorithm(),
        measurements=[_measurement(image, quantity) for quantity in region.quantities],
    )


def _measurement(image: ReviewedImage, quantity: Quantity, line: FloatArray | None = None) -> Any:
    places = []
    if line is not None:
        places.append(
            sr.CoordinatesForMeasurement(
                graphic_type=sr.GraphicTypeValues.POLYLINE,
                graphic_data=to_dicom(line, image.radiograph.shape),
                source_image=sr.SourceImageForRegion.from_source_image(image.header),
            )
        )
    measurement = sr.Measurement(
        name=quantity.concept,
        value=quantity.value,
        unit=quantity.unit,
        referenced_coordinates=places or None,
        properties=None
        if quantity.u is None
        else sr.MeasurementProperties(
            upper_measurement_uncertainty=float(quantity.u),
            lower_measurement_uncertainty=float(quantity.u),
        ),
    )
    if quantity.scale_source:
        _add(measurement[0], _text("scale", "Source of the scale", quantity.scale_source))
    return measurement


def _verdict(verdict: Verdict) -> Any:
    item = _code(
        f"{verdict.rule_id}.{verdict.field}",
        f"{verdict.rule_id} {verdict.field}",
        codes.outcome_code(verdict.outcome),
    )
    compared = f"{measure_label(verdict.measure_name)}: {verdict.value_text} {verdict.unit}"
    for value, meaning, text in (
        ("rule", "Rule and version", f"{verdict.rule_id}, version {verdict.rule_version}"),
        ("label", "The rule's own word", verdict.label),
        ("compared", "What was compared", compared if verdict.measure_name else ""),
        ("source", "Source of the rule", verdict.source),
        ("source_status", "How the source was had", verdict.source_status),
        ("why", "Reason", verdict.why),
        ("changed_by_person", "Changed by a person, because", verdict.overridden_by),
    ):
        if text.strip():
            _add(item, _text(value, meaning, text))
    if verdict.tool_outcome is not None:
        outcome = codes.outcome_code(verdict.tool_outcome)
        _add(item, _code("own_verdict", "The program's own verdict", outcome))
    if not verdict.confirmed:
        _add(item, _code("confirmed", "Points confirmed by a person", codes.NO))
    if verdict.probability_met is not None:
        _add(item, _probability(verdict.probability_met))
    return item


def _word_of(measure: MeasureValue) -> Iterator[Any]:
    """A measure that is a word or yes or no, or the reason why there is none."""
    concept = codes.measure_code(measure.name)
    if isinstance(measure.value, bool):
        item = sr.CodeContentItem(concept, codes.YES if measure.value else codes.NO, _CONTAINS)
        if measure.p_true is not None:
            _add(item, _probability(measure.p_true))
        yield item
    elif isinstance(measure.value, str):
        yield sr.TextContentItem(concept, _some(measure.value), _CONTAINS)
    elif measure.value is None and measure.why_missing:
        text = f"{measure_label(measure.name)}: {measure.why_missing}"
        yield _text("not_measured", "Not measured", text)


# -- who, where, and words -----------------------------------------------------


def _observers(image: ReviewedImage) -> Any:
    reader = person_name(image.review.marks.reader)
    person = None
    if reader:
        person = sr.ObserverContext(
            observer_type=dicom_codes.DCM.Person,
            observer_identifying_attributes=sr.PersonObserverIdentifyingAttributes(name=reader),
        )
    device = sr.ObserverContext(
        observer_type=dicom_codes.DCM.Device,
        observer_identifying_attributes=sr.DeviceObserverIdentifyingAttributes(
            uid=derived_uid("software", __version__),
            name="rxmeasure",
            manufacturer_name="rxmeasure",
            model_name=f"rxmeasure {__version__}",
        ),
    )
    return sr.ObservationContext(observer_person_context=person, observer_device_context=device)


def _algorithm() -> Any:
    return sr.AlgorithmIdentification(name="rxmeasure", version=__version__)


def _sites(image: ReviewedImage) -> list[Any]:
    tooth = codes.tooth_code(image.review.marks.tooth)
    return [] if tooth is None else [sr.FindingSite(anatomic_location=tooth)]


def _tracking(image: ReviewedImage, thing: str, name: str) -> Any:
    tooth = image.review.marks.tooth
    return sr.TrackingIdentifier(
        uid=image.tracking_uid(thing), identifier=_some(f"{tooth} {name}".strip())
    )


def _confirmed(image: ReviewedImage, canal: CanalMeasurement) -> Any:
    marks = image.marks_of(canal.name)
    return codes.YES if marks is not None and marks.confirmed else codes.NO


def _texts_of_canal(image: ReviewedImage, canal: CanalMeasurement) -> Iterator[Any]:
    marks = image.marks_of(canal.name)
    if marks is not None:
        yield _text("origin", "Who placed the points", ORIGINS[marks.origin])
    for warning in canal.warnings:
        yield _text("warning", "Warning", warning.text)


def _of_the_film(image: ReviewedImage) -> Any:
    container = sr.ContainerContentItem(codes.QUALITATIVE_EVALUATIONS, relationship_type=_CONTAINS)
    container.ContentSequence = sr.ContentSequence([*_verdicts_on_tooth(image), *_texts(image)])
    return container


def _verdicts_on_tooth(image: ReviewedImage) -> Iterator[Any]:
    yield from (_verdict(verdict) for verdict in image.review.verdicts if not verdict.canal)
    for summary in image.review.tooth_summaries:
        answer = codes.outcome_code(summary.outcome)
        item = _code(f"{summary.rule_id}.tooth", f"{summary.rule_id}, worst canal", answer)
        _add(item, _text("worst_canal", "Worst canal", summary.worst_canal))
        if not summary.confirmed:
            _add(item, _code("confirmed", "Points confirmed by a person", codes.NO))
        yield item


def _texts(image: ReviewedImage) -> Iterator[Any]:
    review = image.review
    calibration = review.calibration
    yield _text("film_kind", "When in the treatment", str(review.marks.film_kind))
    yield _text("scale", "Source of the scale", calibration.source if calibration else NO_SCALE)
    for lesion in image.lesions:
        yield _text("lesion", "Periapical finding", f"{lesion.root}: {lesion.source}")
        if lesion.declined:
            yield _text("not_measured", "Not measured", f"{lesion.root}: {lesion.declined}")
    for change in review.marks.overrides:
        text = f"{change.canal} {change.rule_id}: {change.verdict}; {change.reason}"
        yield _text("override", "Changed or passed over by a person", text)
    for warning in (*review.warnings, *(calibration.warnings if calibration else ())):
        yield _text("warning", "Warning", warning.text)
    yield _text("caution", "Caution", _AID)


def _text(value: str, meaning: str, text: str) -> Any:
    return sr.TextContentItem(codes.own_code(value, meaning), _some(text), _CONTAINS)


def _some(text: str) -> str:
    """Text as it may stand in a report; a text value may not be empty (PS3.3, C.17.3)."""
    return clean(text).strip() or "–"


def _code(value: str, meaning: str, answer: Any) -> Any:
    return sr.CodeContentItem(codes.own_code(value, meaning), answer, _CONTAINS)


def _probability(share: float) -> Any:
    unit = codes.unit_code("1")
    return sr.NumContentItem(codes.PROBABILITY, float(share), unit, relationship_type=_CONTAINS)


def _add(item: Any, child: Any) -> None:
    """Put a property of an item under it."""
    if "ContentSequence" not in item:
        item.ContentSequence = sr.ContentSequence()
    child.RelationshipType = _HAS_PROPERTIES.value
    item.ContentSequence.append(child)


# -- what highdicom writes otherwise than the standard asks --------------------


def _repaired(root: Any) -> Any:
    """Uncertainties in the unit of their measurement; no frame numbers for one frame.

    TID 310 sets no unit for an uncertainty, so "no units" would be a statement; a frame
    number on a single-frame image is an error (PS3.3, C.17.3.2.4).
    """
    for item in _all_items(root):
        if item.get("ValueType") == "NUM":
            unit = item.MeasuredValueSequence[0].MeasurementUnitsCodeSequence
            for child in item.get("ContentSequence", ()):
                if child.ConceptNameCodeSequence[0].get("CodeValue") in _UNCERTAINTY:
                    child.MeasuredValueSequence[0].MeasurementUnitsCodeSequence = deepcopy(unit)
        if item.get("ValueType") == "IMAGE":
            for reference in item.ReferencedSOPSequence:
                reference.pop("ReferencedFrameNumber", None)
    return root


def _all_items(item: Any) -> Iterable[Any]:
    yield item
    for child in item.get("ContentSequence", ()):
        yield from _all_items(child)
