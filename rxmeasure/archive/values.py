"""What an archive is asked, and what it answers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Generic, TypeVar

from rxmeasure.archive.uids import check_uid
from rxmeasure.errors import ArchiveError

#: Longest text that is asked for (choice: a patient's name of PS3.5 has up to 64 characters).
_LONGEST_TEXT = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """Which studies are looked for; what is left out does not count.

    Attributes
    ----------
    patient_id, accession_number, modality : str
    patient_name : str
        As the archive writes it, ``Family^Given``; ``*`` and ``?`` stand for any text, any letter.
    since, until : date or None
        First and last day of the study.
    study_uid : str

    Raises
    ------
    ArchiveError
        Nothing is asked for, or a text that no archive could hold.
    """

    patient_id: str = ""
    patient_name: str = ""
    accession_number: str = ""
    modality: str = ""
    since: date | None = None
    until: date | None = None
    study_uid: str = ""

    def __post_init__(self) -> None:
        texts = (self.patient_id, self.patient_name, self.accession_number, self.modality)
        for text in texts:
            if len(text) > _LONGEST_TEXT or "\\" in text or not text.isprintable():
                raise ArchiveError(
                    found="a text to look for with more than 64 characters, a backslash or a "
                    "control character.",
                    needed="a text as an archive can hold it.",
                    next_step="Type it again; * stands for any text.",
                )
        if self.study_uid:
            check_uid(self.study_uid)
        if not any((*texts, self.since, self.until, self.study_uid)):
            raise ArchiveError(
                found="a search for nothing in particular, which would list the whole archive.",
                needed="a patient, a number, days, or a kind of image.",
                next_step="Say what to look for, e.g. the patient's number or today's date.",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRow:
    """A study; texts as the archive has them, counts None where it does not say."""

    study_uid: str
    patient_id: str
    patient_name: str
    taken: date | None
    description: str
    accession_number: str
    modalities: tuple[str, ...]
    series_count: int | None
    instance_count: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesRow:
    """A series of a study."""

    study_uid: str
    series_uid: str
    modality: str
    number: int | None
    description: str
    instance_count: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class InstanceRow:
    """An object of a series; ``sop_class_uid`` is empty where the archive does not say."""

    study_uid: str
    series_uid: str
    instance_uid: str
    sop_class_uid: str
    number: int | None


RowT = TypeVar("RowT", StudyRow, SeriesRow, InstanceRow)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found(Generic[RowT]):
    """Answers of an archive.

    Attributes
    ----------
    rows : tuple
    more : bool
        True when the archive has more than were taken: narrow the search.
    left_out : int
        Answers whose identifier is none by the standard; they cannot be fetched.
    """

    rows: tuple[RowT, ...]
    more: bool
    left_out: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Uids:
    """What is fetched: a study, or one of its series, or one object of that.

    Raises
    ------
    ArchiveError
        Not unique identifiers, or an object without its series.
    """

    study: str
    series: str = ""
    instance: str = ""

    def __post_init__(self) -> None:
        for uid in filter(None, (self.study, self.series, self.instance)):
            check_uid(uid)
        if not self.study or (self.instance and not self.series):
            raise ArchiveError(
                found="an object whose study or series is not named.",
                needed="study, series and object, or less from the right.",
                next_step="List the study first; it shows the identifiers.",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Objects that are done, one way or the other, of all."""

    done: int
    total: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """What is to be said of an object; ``what`` is its identifier or its file."""

    what: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetched:
    """What a fetch came to.

    Attributes
    ----------
    files : tuple of Path
        All files that are there now, in the order of the archive.
    new : int
        How many of them were fetched this time.
    failed : tuple of Remark
    stopped : bool
        A person stopped it; the same call goes on.
    """

    files: tuple[Path, ...]
    new: int
    failed: tuple[Remark, ...]
    stopped: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """What a sending came to.

    Attributes
    ----------
    sent, there_before : tuple of Path
        What the archive took this time, and what it had or had taken before.
    warned : tuple of Remark
        Of those sent, the ones that the archive took with a warning.
    failed : tuple of Remark
    stopped : bool
        A person stopped it; the same call goes on.
    """

    sent: tuple[Path, ...]
    there_before: tuple[Path, ...]
    warned: tuple[Remark, ...]
    failed: tuple[Remark, ...]
    stopped: bool
