"""Reading measurement reports (PS3.16, TID 1500), the program's own without loss.

Only what is there is taken: an item that is missing or cannot be read leaves its field empty.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path
from typing import Any

import pydicom
from pydicom.sr.codedict import codes as dicom_codes
from pydicom.sr.coding import Code

from rxmeasure.dicom_objects import codes
from rxmeasure.dicom_objects.coordinates import from_dicom
from rxmeasure.dicom_objects.private_block import kept_review
from rxmeasure.dicom_objects.quantities import canal_quantities, canal_thing
from rxmeasure.dicom_objects.reviewed_image import tracking_uid
from rxmeasure.errors import ReviewFileError
from rxmeasure.marks import PointPx
from rxmeasure.reading.damage import collected_warnings
from rxmeasure.reading.dicom import DICOM_DAMAGE, check_growth
from rxmeasure.reading.radiograph_file import read_file
from rxmeasure.record.review_file import review_of_text
from rxmeasure.report.numbers import clean
from rxmeasure.review import Review
from rxmeasure.values import Warned

#: Deepest nesting that is read (choice: the template needs fewer than 10 levels).
_MAX_DEPTH = 32

_GROUP = dicom_codes.DCM.MeasurementGroup
_TRACKING_ID = dicom_codes.DCM.TrackingIdentifier
_TRACKING_UID = dicom_codes.DCM.TrackingUniqueIdentifier
_FINDING = dicom_codes.DCM.Finding
_OF_FILM = codes.QUALITATIVE_EVALUATIONS
_SITE = dicom_codes.SCT.FindingSite
_UPPER = dicom_codes.SCT.RangeOfUpperMeasurementUncertainty
_LOWER = dicom_codes.SCT.RangeOfLowerMeasurementUncertainty
_EITHER = dicom_codes.SCT.RangeOfMeasurementUncertainty
_UNCERTAINTIES = (_UPPER, _LOWER, _EITHER)
_OBSERVERS = (dicom_codes.DCM.PersonObserverName, dicom_codes.DCM.DeviceObserverName)
#: Value types that hold words, and where.
_WORDS = {
    "TEXT": "TextValue",
    "PNAME": "PersonName",
    "UIDREF": "UID",
    "DATE": "Date",
    "TIME": "Time",
    "DATETIME": "DateTime",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadCode:
    """A coded concept as the report has it."""

    value: str
    scheme: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadLine:
    """Points (row, col) of a measurement or region; ``graphic`` is DICOM's type."""

    graphic: str
    points_px: tuple[PointPx, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadMeasurement:
    """One number; ``value`` is None where the report gives none, ``why_missing`` says why."""

    concept: ReadCode
    value: float | None
    unit: str
    u_upper: float | None = None
    u_lower: float | None = None
    why_missing: str = ""
    lines: tuple[ReadLine, ...] = ()
    remarks: tuple[ReadAnswer, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadAnswer:
    """A concept with a coded or written answer, and what is said of it."""

    concept: ReadCode
    answer: str
    remarks: tuple[ReadAnswer, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadGroup:
    """What a report says of one thing. ``tooth`` is an FDI number, or None."""

    tracking_id: str = ""
    tracking_uid: str = ""
    finding: str = ""
    sites: tuple[str, ...] = ()
    tooth: str | None = None
    measurements: tuple[ReadMeasurement, ...] = ()
    answers: tuple[ReadAnswer, ...] = ()
    lines: tuple[ReadLine, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadReport:
    """A measurement report.

    Attributes
    ----------
    title, sop_instance_uid : str
    complete : bool
        What the report says of itself (Completion Flag).
    image_uids : tuple of str
        Images it refers to.
    observers : tuple of str
    groups : tuple of ReadGroup
        Numbers that stand in no group come last, in one without a name.
    answers : tuple of ReadAnswer
        What is said of the whole film.
    review : Review or None
        The review that this program kept in it.
    warnings : tuple of Warned
        Codes ``kept-review-damaged``, ``kept-review-of-another-report``,
        ``report-was-changed``, ``no-numbers``.
    """

    title: str
    sop_instance_uid: str
    complete: bool
    image_uids: tuple[str, ...]
    observers: tuple[str, ...]
    groups: tuple[ReadGroup, ...]
    answers: tuple[ReadAnswer, ...]
    review: Review | None = None
    warnings: tuple[Warned, ...] = ()


def read_report(path: str | Path) -> ReadReport:
    """Read a structured report.

    Raises
    ------
    ReviewFileError
        Not a structured report, or damaged.
    ImageReadError
        The file is missing, too large or may not be read.
    """
    data = read_file(path)
    if data[128:132] == b"DICM":
        check_growth(data)
    try:
        with collected_warnings():
            dataset = pydicom.dcmread(BytesIO(data), force=True)
            content = list(dataset.get("ContentSequence") or ())
            report = _report(dataset, content)
    except DICOM_DAMAGE as fault:
        raise _no_report("a file that cannot be read as DICOM.") from fault
    if not content:
        raise _no_report("a DICOM file without the content of a structured report.")
    return _with_review(report, dataset)


def review_in(report: ReadReport) -> Review:
    """Return the review kept in a report.

    Raises
    ------
    ReviewFileError
        There is none, or it does not belong to what the report says.
    """
    if report.review is not None:
        return report.review
    raise ReviewFileError(
        found=" ".join(w.text for w in report.warnings)
        or "a report in which this program has kept no review.",
        needed="a report as this program wrote it.",
        next_step="Take the report from where it was first stored; its numbers can be read all "
        "the same.",
    )


def _no_report(found: str) -> ReviewFileError:
    return ReviewFileError(
        found=found,
        needed="a structured report with measurements (template 1500).",
        next_step="Choose the report; images are opened as films.",
    )


def _report(dataset: Any, content: list[Any]) -> ReadReport:
    groups, loose = [], []
    for item, inside_group in _walk(content):
        if _concept(item) == _GROUP:
            groups.append(_group(item))
        elif not inside_group and item.get("ValueType") == "NUM":
            loose.append(_measurement(item))
    if loose:
        groups.append(ReadGroup(measurements=tuple(loose)))
    of_film = [c for item in content if _concept(item) == _OF_FILM for c in _children(item)]
    observers = [a for a in map(_answer, content) if a and _is_one(a.concept, _OBSERVERS)]
    said = map(_answer, [*content, *of_film])
    answers = tuple(a for a in said if a and not _is_one(a.concept, _OBSERVERS))
    numbers = any(group.measurements or group.answers for group in groups)
    return ReadReport(
        title=_meaning(dataset.get("ConceptNameCodeSequence")),
        sop_instance_uid=str(dataset.get("SOPInstanceUID") or ""),
        complete=dataset.get("CompletionFlag") == "COMPLETE",
        image_uids=tuple(dict.fromkeys(_images(content))),
        observers=tuple(a.answer.replace("^", " ").strip() for a in observers),
        groups=tuple(groups),
        answers=answers,
        warnings=()
        if numbers
        else (Warned(code="no-numbers", text="The report holds no measurement."),),
    )


def _group(item: Any) -> ReadGroup:
    children = _children(item)
    sites = [c for c in children if _concept(c) == _SITE]
    teeth = (codes.tooth_of_code(_code_of(c.get("ConceptCodeSequence"))) for c in sites)
    named = (_TRACKING_ID, _TRACKING_UID, _FINDING, _SITE)
    numbers = [c for c in children if c.get("ValueType") == "NUM"]
    others = [c for c in children if c.get("ValueType") != "NUM" and _concept(c) not in named]

    def word(concept: Any) -> str:
        answers = (_answer(c) for c in children if _concept(c) == concept)
        return next((a.answer for a in answers if a), "")

    return ReadGroup(
        tracking_id=word(_TRACKING_ID),
        tracking_uid=word(_TRACKING_UID),
        finding=word(_FINDING),
        sites=tuple(_meaning(c.get("ConceptCodeSequence")) for c in sites),
        tooth=next((tooth for tooth in teeth if tooth), None),
        measurements=tuple(map(_measurement, numbers)),
        answers=tuple(a for a in map(_answer, others) if a),
        lines=_lines(children),
    )


def _measurement(item: Any) -> ReadMeasurement:
    children = _children(item)
    bounds = {key: _value(c)[0] for c in children for key in _UNCERTAINTIES if _concept(c) == key}
    either = bounds.get(_EITHER)
    value, unit = _value(item)
    return ReadMeasurement(
        concept=_as_read(_concept(item)),
        value=value,
        unit=unit,
        u_upper=bounds.get(_UPPER, either),
        u_lower=bounds.get(_LOWER, either),
        why_missing=_meaning(item.get("NumericValueQualifierCodeSequence")),
        lines=_lines(children),
        remarks=_remarks(item),
    )


def _answer(item: Any) -> ReadAnswer | None:
    """A concept with its answer in words; None for items of another kind."""
    kind = item.get("ValueType")
    if kind == "CODE":
        text = _meaning(item.get("ConceptCodeSequence"))
    elif kind in _WORDS:
        text = str(item.get(_WORDS[kind]) or "")
    elif kind == "NUM":
        value, unit = _value(item)
        text = "" if value is None else f"{value:g} {unit}"
    else:
        return None
    return ReadAnswer(
        concept=_as_read(_concept(item)), answer=clean(text.strip()), remarks=_remarks(item)
    )


def _remarks(item: Any) -> tuple[ReadAnswer, ...]:
    answers = (_answer(c) for c in _children(item) if _concept(c) not in _UNCERTAINTIES)
    return tuple(a for a in answers if a)


def _value(item: Any) -> tuple[float | None, str]:
    measured = next(iter(item.get("MeasuredValueSequence") or ()), None)
    if measured is None:
        return None, ""
    unit = _code_of(measured.get("MeasurementUnitsCodeSequence"))
    for keyword in ("FloatingPointValue", "NumericValue"):
        try:
            value = float(measured.get(keyword))
        except (TypeError, ValueError):
            continue
        if math.isfinite(value):
            return value, str(unit.value)
    return None, str(unit.value)


def _lines(children: Iterable[Any]) -> tuple[ReadLine, ...]:
    found = []
    for item in children:
        numbers = item.get("GraphicData")
        if item.get("ValueType") == "SCOORD" and numbers and len(numbers) % 2 == 0:
            pairs = [float(n) for n in numbers]
            found.append(
                ReadLine(
                    graphic=str(item.get("GraphicType") or ""),
                    points_px=from_dicom(pairs),
                )
            )
    return tuple(found)


def _images(content: list[Any]) -> Iterator[str]:
    for item, _ in _walk(content):
        for reference in item.get("ReferencedSOPSequence") or ():
            yield str(reference.get("ReferencedSOPInstanceUID") or "")


def _walk(content: Iterable[Any]) -> Iterator[tuple[Any, bool]]:
    """All items with whether they lie in a measurement group; each parent before its children."""
    waiting = [(item, False, 1) for item in reversed(list(content))]
    while waiting:
        item, inside, depth = waiting.pop()
        yield item, inside
        if depth < _MAX_DEPTH:
            inside = inside or _concept(item) == _GROUP
            waiting += [(child, inside, depth + 1) for child in reversed(_children(item))]


def _children(item: Any) -> list[Any]:
    return list(item.get("ContentSequence") or ())


def _concept(item: Any) -> Any:
    return _code_of(item.get("ConceptNameCodeSequence"))


def _code_of(sequence: Any) -> Any:
    item = next(iter(sequence or ()), None)
    if item is None:
        return Code("", "", "")
    value = item.get("CodeValue") or item.get("LongCodeValue") or item.get("URNCodeValue") or ""
    return Code(
        str(value),
        str(item.get("CodingSchemeDesignator") or ""),
        str(item.get("CodeMeaning") or ""),
    )


def _meaning(sequence: Any) -> str:
    code = _code_of(sequence)
    return clean(code.meaning or code.value)


def _as_read(code: Any) -> ReadCode:
    return ReadCode(
        value=clean(code.value), scheme=clean(code.scheme_designator), meaning=clean(code.meaning)
    )


def _is_one(concept: ReadCode, known: Iterable[Any]) -> bool:
    return Code(concept.value, concept.scheme, concept.meaning) in tuple(known)


# -- the review that rides along -----------------------------------------------


def _with_review(report: ReadReport, dataset: Any) -> ReadReport:
    try:
        kept = kept_review(dataset)
        if kept is None:
            return report
        text, uid = kept
        review = review_of_text(text, name="the review in the report")
    except ReviewFileError as fault:
        return _warned(report, "kept-review-damaged", str(fault))
    if uid != report.sop_instance_uid:
        return _warned(
            report,
            "kept-review-of-another-report",
            "The review kept in this report belongs to another report; only what the report "
            "itself says was read.",
        )
    if not _says_the_same(report, review):
        return _warned(
            report,
            "report-was-changed",
            "The report's numbers are not those of the review kept in it: another program has "
            "changed it. Only what the report itself says was read.",
        )
    return replace(report, review=review)


def _warned(report: ReadReport, code: str, text: str) -> ReadReport:
    return replace(report, warnings=(*report.warnings, Warned(code=code, text=text)))


def _says_the_same(report: ReadReport, review: Review) -> bool:
    """Whether each canal's numbers stand in the report as the review has them."""
    said = {
        (group.tracking_uid, measurement.concept.value): (measurement.value, measurement.unit)
        for group in report.groups
        for measurement in group.measurements
    }
    return any(
        all(
            said.get((tracking_uid(image, canal_thing(canal.name)), quantity.concept.value))
            == (quantity.value, quantity.unit.value)
            for canal in review.canals
            for quantity in canal_quantities(canal)
        )
        for image in report.image_uids
    )
