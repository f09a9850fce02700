from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydicom.config import IGNORE
from pydicom.uid import UID

from rxmeasure.archive import Query, Uids
from rxmeasure.archive.rows import study_keys
from rxmeasure.archive.uids import is_uid
from rxmeasure.errors import ArchiveError


@given(st.from_regex(r"[0-9]{1,4}(\.[0-9]{1,12}){1,6}", fullmatch=True) | st.text(max_size=70))
def test_identifiers_are_told_as_by_another_program(text: str) -> None:
    other = UID(text, validation_mode=IGNORE).is_valid and not text.endswith("\n")
    assert is_uid(text) == (other and "." in text)


@pytest.mark.parametrize(
    "text", ["1.2\n", "1.2/..", "..", "1.", ".1", "1.02", "1.2\0", "\N{ARABIC-INDIC DIGIT ONE}.2"]
)
def test_tricks_are_no_identifiers(text: str) -> None:
    assert not is_uid(text)
    with pytest.raises(ArchiveError):
        Uids(study=text)


def test_an_object_needs_its_series() -> None:
    with pytest.raises(ArchiveError, match="series"):
        Uids(study="1.2", instance="1.3")


def test_a_search_for_nothing_is_refused() -> None:
    with pytest.raises(ArchiveError, match="whole archive"):
        Query()


@pytest.mark.parametrize("text", ["a\\b", "a" * 65, "a\nb"])
def test_texts_that_no_archive_could_hold(text: str) -> None:
    with pytest.raises(ArchiveError):
        Query(patient_id=text)


def test_days_as_a_range() -> None:
    # PS3.4 C.2.2.2.5: "-" before, after, between.
    first, last = date(2025, 3, 14), date(2025, 3, 15)
    assert study_keys(Query(since=first))["StudyDate"] == "20250314-"
    assert study_keys(Query(until=last))["StudyDate"] == "-20250315"
    assert study_keys(Query(since=first, until=last))["StudyDate"] == "20250314-20250315"
