"""Reader scores, dates and the next recall."""

from __future__ import annotations

import pytest

from rxmeasure.criteria.rules import SourceStatus
from rxmeasure.errors import RecallError
from rxmeasure.recall.change import ChangeVerdict
from rxmeasure.recall.dates import check_dates, next_recall, parse_date, years_between
from rxmeasure.recall.scores import (
    Measured,
    Suggest,
    Symptoms,
    parse_scale,
    published_scales,
    score,
    suggested,
    tooth_score,
)

SCALES = published_scales()
PAI = SCALES["periapical_index"]
THREE_WAY = SCALES["outcome_three_way"]


def _suggestion(scale_id: str, **measured) -> str | None:
    scale = SCALES[scale_id]
    scores = [score(scale, "MB", scale.choices[0].value)]
    found = suggested(scale, Measured(**measured), scores, root="MB")
    return None if found is None else found.value


# --- scales ---------------------------------------------------------------------------------


@pytest.mark.parametrize("scale", SCALES.values(), ids=str)
def test_every_scale_names_source_and_status(scale) -> None:
    assert scale.source
    assert scale.status in SourceStatus
    assert len({c.value for c in scale.choices}) == len(scale.choices) >= 2


def test_periapical_index_is_cut_between_2_and_3() -> None:
    # Orstavik 1986 (from memory); cut read in Trope 1999.
    assert [(c.value, c.group) for c in PAI.choices] == [
        ("1", "healthy"),
        ("2", "healthy"),
        ("3", "disease"),
        ("4", "disease"),
        ("5", "disease"),
    ]


def test_the_worst_root_rules_the_tooth() -> None:
    scores = [score(PAI, "MB", "2"), score(PAI, "DB", "4"), score(PAI, "P", "1")]
    other = score(SCALES["size_code"], "P", "S3")
    found = tooth_score(PAI, [*scores, other])
    assert found is not None
    assert found.value == "4"
    assert tooth_score(PAI, [other]) is None


def test_the_worst_outcome_rules_the_tooth_too() -> None:
    scores = [score(THREE_WAY, "M", "unfavourable"), score(THREE_WAY, "D", "favourable")]
    found = tooth_score(THREE_WAY, scores)
    assert found is not None
    assert found.value == "unfavourable"


def test_a_score_has_to_be_on_the_scale() -> None:
    with pytest.raises(RecallError, match="one of: 1, 2, 3, 4, 5"):
        score(PAI, "MB", "6")


# --- suggestions ----------------------------------------------------------------------------


def test_nothing_is_suggested_before_the_reader_has_scored_or_when_it_is_off() -> None:
    scale = SCALES["four_way_change"]
    measured = Measured(change=ChangeVerdict.REDUCED)
    scored = [score(scale, "MB", "unchanged")]
    assert suggested(scale, measured, [], root="MB") is None
    assert suggested(scale, measured, scored, root="DB") is None
    assert suggested(scale, measured, scored, root="MB", show=Suggest.NEVER) is None
    found = suggested(scale, measured, scored, root="MB")
    assert found is not None
    assert found.value == "reduced"


@pytest.mark.parametrize("change", ChangeVerdict)
def test_no_measurement_suggests_a_periapical_index(change: ChangeVerdict) -> None:
    assert _suggestion("periapical_index", change=change, largest_mm=6.0) is None


@pytest.mark.parametrize(
    ("largest", "code"), [(2.9, "S1"), (3.0, "S1"), (3.01, "S2"), (5.0, "S2"), (5.01, "S3")]
)
def test_size_code_at_its_limits(largest: float, code: str) -> None:
    # Limits read: doi:10.1186/s12903-021-01723-9, Table 1.
    assert _suggestion("size_code", largest_mm=largest) == code


@pytest.mark.parametrize(
    ("change", "symptoms", "years", "outcome"),
    [
        ("no longer visible", "none", 1.0, "favourable"),
        ("none visible", "none", 1.0, "favourable"),
        ("reduced", "none", 1.0, "uncertain"),
        ("unchanged", "none", 3.99, "uncertain"),
        ("reduced", "none", 4.0, "unfavourable"),
        ("enlarged", "none", 1.0, "unfavourable"),
        ("newly visible", "none", 1.0, "unfavourable"),
        ("no longer visible", "present", 1.0, "unfavourable"),
        ("reduced", "not stated", 1.0, None),
        ("reduced", "none", None, None),
        ("cannot be told", "none", 1.0, None),
    ],
)
def test_three_way_outcome(
    change: str, symptoms: str, years: float | None, outcome: str | None
) -> None:
    # ESE 2006 (from memory): one-year first check, decided at four years.
    found = _suggestion(
        "outcome_three_way",
        change=ChangeVerdict(change),
        symptoms=Symptoms(symptoms),
        years=years,
    )
    assert found == outcome


def test_a_smaller_lesion_is_a_loose_success_and_a_strict_failure() -> None:
    measured = {"change": ChangeVerdict.REDUCED, "symptoms": Symptoms.NONE}
    assert _suggestion("outcome_loose", **measured) == "success"
    assert _suggestion("outcome_strict", **measured) == "failure"


# --- files ----------------------------------------------------------------------------------

GOOD = """
id = "own"
version = "1"
title = "Own"
question = "How?"
tooth_rule = "worst root"
in_doubt = "higher"
source = "nobody"
status = "choice"
[[choice]]
value = "a"
label = "good"
group = "g"
[[choice]]
value = "b"
label = "bad"
group = "h"
"""


def test_a_scale_of_ones_own_is_read() -> None:
    assert [c.value for c in parse_scale(GOOD, "own.toml").choices] == ["a", "b"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('id = "own"', "id = "),
        ('title = "Own"', ""),
        ('status = "choice"', 'status = "hearsay"'),
        ('group = "g"', 'group = "g"\ncolour = "red"'),
        ('group = "g"', 'group = "g"\nwhen = { change = ["bigger"] }'),
        ('"worst root"', '"best root"'),
        ("[[choice]]", "[[other]]"),
    ],
)
def test_a_wrong_scale_is_refused_with_its_name(old: str, new: str) -> None:
    with pytest.raises(RecallError, match=r"own\.toml"):
        parse_scale(GOOD.replace(old, new), "own.toml")


# --- dates ----------------------------------------------------------------------------------


def test_dates_in_order_pass_and_a_missing_one_is_told() -> None:
    assert check_dates(["2023-01-05", "2024-01-05", "2024-01-06"]) == ()
    (warning,) = check_dates(["2023-01-05", "", "2025-01-05"])
    assert warning.code == "visit-date-missing"
    assert "visit 2" in warning.text


def test_equal_dates_are_told() -> None:
    (warning,) = check_dates(["2023-01-05", "2024-01-05", "2024-01-05"])
    assert warning.code == "visit-dates-equal"
    assert "2 and 3" in warning.text
    codes = [w.code for w in check_dates(["2023-01-05", "", "2023-01-05"])]
    assert codes == ["visit-dates-equal", "visit-date-missing"]


def test_reversed_dates_are_refused_even_over_a_missing_one() -> None:
    with pytest.raises(RecallError, match="exchange the visits"):
        check_dates(["2024-01-05", "", "2023-01-05"])


@pytest.mark.parametrize("text", ["05.01.2024", "2024-13-01", "soon"])
def test_a_text_that_is_no_date(text: str) -> None:
    with pytest.raises(RecallError, match="YYYY-MM-DD"):
        parse_date(text)


def test_years() -> None:
    assert years_between("2020-03-01", "2024-03-01") == pytest.approx(4.0, abs=0.003)
    assert years_between("", "2024-03-01") is None


@pytest.mark.parametrize(
    ("last", "outcome", "due"),
    [
        ("2024-02-29", None, "2025-02-28"),
        ("2024-09-01", None, "2025-02-28"),
        ("2025-01-10", None, "2025-02-28"),
        ("2025-02-10", None, None),
        ("2025-02-10", "uncertain", "2026-02-28"),
        ("2025-02-28", "uncertain", "2026-02-28"),
        ("2028-02-10", "uncertain", "2028-02-29"),
        ("2025-05-01", "uncertain", "2026-02-28"),
        ("2027-06-01", "uncertain", "2028-02-29"),
        ("2028-02-29", "uncertain", None),
        ("2025-05-01", "favourable", None),
        ("2025-05-01", "unfavourable", None),
        ("2025-05-01", None, None),
        ("", "uncertain", None),
    ],
)
def test_next_recall(last: str, outcome: str | None, due: str | None) -> None:
    # First check at 1 year, then to 4 years: ESE 2006 (from memory).
    found = next_recall("2024-02-29", last, outcome)
    assert found.date == due
    assert found.reason
    assert "ESE 2006" in found.source


def test_a_visit_before_the_treatment_is_refused() -> None:
    with pytest.raises(RecallError, match="before the treatment"):
        next_recall("2024-02-29", "2023-01-01", None)
