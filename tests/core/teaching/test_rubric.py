"""Rubrics: weights sum, levels fall, must-pass items fail whatever the rest; lines are named."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.errors import TeachingError
from rxmeasure.teaching.rubric import Rubric, check_levels, mark_of
from rxmeasure.teaching.rubric_file import parse_rubric, sample_rubric_text

SAMPLE = sample_rubric_text()
RUBRIC = parse_rubric(SAMPLE, "filling.rubric.toml")

any_levels = st.fixed_dictionaries({c.id: st.sampled_from(c.level_names) for c in RUBRIC.criteria})


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def test_the_weights_of_the_sample_sum_to_full_marks() -> None:
    assert sum(c.weight for c in RUBRIC.criteria) == RUBRIC.full_marks == 100.0


def test_best_levels_earn_full_marks_and_worst_levels_what_their_shares_say() -> None:
    best = mark_of(RUBRIC, {c.id: c.level_names[0] for c in RUBRIC.criteria})
    worst = mark_of(RUBRIC, {c.id: c.level_names[-1] for c in RUBRIC.criteria})
    assert (best.total, best.passed, best.missed) == (100.0, True, ())
    assert (worst.total, worst.passed) == (0.0, False)


def test_a_mark_is_the_sum_of_weight_times_share() -> None:
    # 0.6 * 35 + 25 + 0 * 20 + 0.7 * 10 + 10, by hand.
    levels = {
        "length": "acceptable", "density": "ideal", "taper": "poor", "extrusion": "acceptable",
        "film": "ideal",
    }  # fmt: skip
    assert mark_of(RUBRIC, levels).total == pytest.approx(63.0)


@given(levels=any_levels)
def test_a_missed_must_pass_item_fails_whatever_the_rest(levels: dict[str, str]) -> None:
    mark = mark_of(RUBRIC, {**levels, "length": "poor"})
    assert "length" in mark.missed
    assert not mark.passed


@given(levels=any_levels)
def test_a_mark_passes_where_it_reaches_the_pass_mark_and_misses_nothing(
    levels: dict[str, str],
) -> None:
    mark = mark_of(RUBRIC, levels)
    assert 0.0 <= mark.total <= RUBRIC.full_marks
    assert mark.passed == (mark.total >= RUBRIC.pass_mark and not mark.missed)


@given(levels=any_levels, criterion=st.sampled_from(RUBRIC.criteria))
def test_a_better_level_never_earns_less(levels: dict[str, str], criterion: object) -> None:
    place = criterion.place(levels[criterion.id])  # type: ignore[attr-defined]
    better = criterion.level_names[max(0, place - 1)]  # type: ignore[attr-defined]
    raised = {**levels, criterion.id: better}  # type: ignore[attr-defined]
    assert mark_of(RUBRIC, raised).total >= mark_of(RUBRIC, levels).total


@given(levels=any_levels)
def test_the_order_of_the_levels_given_does_not_matter(levels: dict[str, str]) -> None:
    turned = dict(reversed(levels.items()))
    assert mark_of(RUBRIC, turned) == mark_of(RUBRIC, levels)


def test_a_mark_on_the_pass_mark_passes_and_is_borderline() -> None:
    tenths = parse_rubric(
        """
        id = "tenths"
        version = "1"
        title = "Ten weights that binary numbers cannot hold"
        full_marks = 1
        pass_mark = 0.3
        borderline = 0.1
        """
        + "".join(
            f"""
            [[criterion]]
            id = "c{n}"
            title = "Criterion {n}"
            weight = 0.1
            [[criterion.level]]
            name = "yes"
            share = 1
            descriptor = "There."
            [[criterion.level]]
            name = "no"
            share = 0
            descriptor = "Not there."
            """
            for n in range(10)
        ),
        "tenths.toml",
    )
    three = mark_of(tenths, {f"c{n}": "yes" if n < 3 else "no" for n in range(10)})
    two = mark_of(tenths, {f"c{n}": "yes" if n < 2 else "no" for n in range(10)})
    one = mark_of(tenths, {f"c{n}": "yes" if n < 1 else "no" for n in range(10)})
    assert (three.passed, three.borderline) == (True, True)
    assert (two.passed, two.borderline) == (False, True)
    assert one.borderline is False


@pytest.mark.parametrize(
    ("found", "put", "at", "says"),
    [
        ("weight = 25", "weight = 26", "full_marks = 100", "sum to 101"),
        ("weight = 25", "weight = -25", "weight = -25", "above 0"),
        ("pass_mark = 60", "pass_mark = 160", "pass_mark = 160", "from 0 to 100"),
        ("borderline = 5 ", "bordeline = 5 ", "bordeline", "unknown key 'bordeline'"),
        ('id = "taper"', 'id = "length"', 'id = "length"\ntitle = "Taper', "second criterion"),
        ('must_reach = "acceptable"', 'must_reach = "poor"', "must_reach", "a level above"),
        ('must_reach = "acceptable"', 'must_reach = "good"', "must_reach", "a level above"),
        ("share = 0.7", "share = 1.0", None, "shares that fall"),
        ('name = "gross"\nshare = 0.0', 'name = "gross"\nshare = -1.0', None, "shares that fall"),
        ('name = "gross"', 'name = "none"', None, "second level 'none'"),
        ('descriptor = "Nothing beyond the canal."', "", None, "no text for 'descriptor'"),
        ('title = "Density"', "title = Density", "title = Density", "not valid TOML"),
    ],
)
def test_a_wrong_rubric_is_refused_with_its_line(
    found: str, put: str, at: str | None, says: str
) -> None:
    assert found in SAMPLE
    text = SAMPLE.replace(found, put, 1)
    with pytest.raises(TeachingError) as refusal:
        parse_rubric(text, "own.toml")
    named = re.match(r"own\.toml, line (\d+): ", refusal.value.found)
    assert named is not None
    assert says in f"{refusal.value.found} {refusal.value.needed}"
    if at is not None:
        assert int(named[1]) == line_of(text, at)


def test_levels_must_be_those_of_the_rubric_and_complete() -> None:
    levels = {c.id: c.level_names[0] for c in RUBRIC.criteria}
    check_levels(RUBRIC, levels)
    for wrong in (
        {**levels, "length": "superb"},
        {**levels, "colour": "ideal"},
        {name: level for name, level in levels.items() if name != "taper"},
    ):
        with pytest.raises(TeachingError):
            check_levels(RUBRIC, wrong)


@given(one=any_levels, other=any_levels)
def test_closeness_is_one_for_the_same_level_alone_and_does_not_depend_on_who_is_first(
    one: dict[str, str], other: dict[str, str]
) -> None:
    for criterion in RUBRIC.criteria:
        a, b = one[criterion.id], other[criterion.id]
        assert criterion.closeness(a, b) == criterion.closeness(b, a)
        assert (criterion.closeness(a, b) == 1.0) == (a == b)
        assert 0.0 <= criterion.closeness(a, b) <= 1.0


def test_the_sample_is_a_rubric() -> None:
    assert isinstance(RUBRIC, Rubric)
    assert RUBRIC.criterion("length").must_reach == "acceptable"
