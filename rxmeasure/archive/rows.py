"""Answers of an archive as rows: bounded texts, identifiers by the grammar, plausible counts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import date
from enum import StrEnum
from typing import Any, TypeVar

from rxmeasure.archive.uids import is_uid
from rxmeasure.archive.values import Found, InstanceRow, Query, SeriesRow, StudyRow
from rxmeasure.reading.damage import collected_warnings
from rxmeasure.reading.dicom import DICOM_DAMAGE, value_of

#: Longest text that is shown (choice: LO of PS3.5 has 64 characters, a name three times that).
_LONGEST_TEXT = 192
#: Largest count that is believed (choice).
_MOST = 1_000_000
_MOST_MODALITIES = 32

_RowT = TypeVar("_RowT", StudyRow, SeriesRow, InstanceRow)


class Level(StrEnum):
    """Query/Retrieve levels of the study root (PS3.4 C.6.2)."""

    STUDY = "STUDY"
    SERIES = "SERIES"
    INSTANCE = "IMAGE"


#: What each level is asked for, by keyword.
ASKED: dict[Level, tuple[str, ...]] = {
    Level.STUDY: (
        "StudyInstanceUID",
        "PatientID",
        "PatientName",
        "StudyDate",
        "StudyDescription",
        "AccessionNumber",
        "ModalitiesInStudy",
        "NumberOfStudyRelatedSeries",
        "NumberOfStudyRelatedInstances",
    ),
    Level.SERIES: (
        "SeriesInstanceUID",
        "Modality",
        "SeriesNumber",
        "SeriesDescription",
        "NumberOfSeriesRelatedInstances",
    ),
    Level.INSTANCE: ("SOPInstanceUID", "SOPClassUID", "InstanceNumber"),
}


def study_keys(query: Query) -> dict[str, str]:
    """What has to match, by keyword."""
    keys = {
        "PatientID": query.patient_id,
        "PatientName": query.patient_name,
        "AccessionNumber": query.accession_number,
        "ModalitiesInStudy": query.modality,
        "StudyInstanceUID": query.study_uid,
        "StudyDate": _days(query.since, query.until),
    }
    return {keyword: text for keyword, text in keys.items() if text}


def _days(since: date | None, until: date | None) -> str:
    """Range of days (PS3.4 C.2.2.2.5)."""
    if since is None and until is None:
        return ""
    return "-".join("" if day is None else f"{day:%Y%m%d}" for day in (since, until))


def found_rows(
    answers: Iterable[Any], row_of: Callable[[Any], _RowT | None], limit: int
) -> Found[_RowT]:
    """Rows of the first ``limit`` answers."""
    rows: dict[_RowT, None] = {}
    left_out = number = 0
    with collected_warnings():
        for number, answer in enumerate(answers, start=1):
            if number > limit:
                continue
            row = row_of(answer)
            if row is None:
                left_out += 1
            else:
                rows[row] = None
    return Found(rows=tuple(rows), more=number > limit, left_out=left_out)


def study_row(answer: Any) -> StudyRow | None:
    """A study, or None without a valid identifier."""
    study = text_of(answer, "StudyInstanceUID")
    if not is_uid(study):
        return None
    return StudyRow(
        study_uid=study,
        patient_id=text_of(answer, "PatientID"),
        patient_name=text_of(answer, "PatientName"),
        taken=_day(text_of(answer, "StudyDate")),
        description=text_of(answer, "StudyDescription"),
        accession_number=text_of(answer, "AccessionNumber"),
        modalities=tuple(_texts(answer, "ModalitiesInStudy")),
        series_count=_count(answer, "NumberOfStudyRelatedSeries"),
        instance_count=_count(answer, "NumberOfStudyRelatedInstances"),
    )


def series_row(answer: Any, study_uid: str) -> SeriesRow | None:
    """A series of that study, or None without a valid identifier."""
    series = text_of(answer, "SeriesInstanceUID")
    if not is_uid(series):
        return None
    return SeriesRow(
        study_uid=study_uid,
        series_uid=series,
        modality=text_of(answer, "Modality"),
        number=_count(answer, "SeriesNumber"),
        description=text_of(answer, "SeriesDescription"),
        instance_count=_count(answer, "NumberOfSeriesRelatedInstances"),
    )


def instance_row(answer: Any, study_uid: str, series_uid: str) -> InstanceRow | None:
    """An object of that series, or None without a valid identifier."""
    instance = text_of(answer, "SOPInstanceUID")
    sop_class = text_of(answer, "SOPClassUID")
    if not is_uid(instance):
        return None
    return InstanceRow(
        study_uid=study_uid,
        series_uid=series_uid,
        instance_uid=instance,
        sop_class_uid=sop_class if is_uid(sop_class) else "",
        number=_count(answer, "InstanceNumber"),
    )


def text_of(answer: Any, keyword: str) -> str:
    """A text on one line, shortened; empty where there is none."""
    return next(_texts(answer, keyword), "")


def _texts(answer: Any, keyword: str) -> Iterator[str]:
    value = value_of(answer, keyword)
    for one in (value if isinstance(value, list) else [value])[:_MOST_MODALITIES]:
        try:
            text = "" if one is None else str(one)[:_LONGEST_TEXT]
        except DICOM_DAMAGE:
            continue
        plain = "".join(letter if letter.isprintable() else " " for letter in text).strip()
        if plain:
            yield plain


def _count(answer: Any, keyword: str) -> int | None:
    try:
        count = int(text_of(answer, keyword))
    except ValueError:
        return None
    return count if 0 <= count <= _MOST else None


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
