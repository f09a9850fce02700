"""The key: two teachers at least, one level each, measures within tolerance; the calibration."""

from __future__ import annotations

from dataclasses import replace

import pytest
from teaching_parts import best, key, marking, small_records

from rxmeasure.agreement.results import Agreement
from rxmeasure.errors import TeachingError
from rxmeasure.teaching.calibration import calibration_of, calibration_of_records
from rxmeasure.teaching.comparing import compared
from rxmeasure.teaching.course import Case, Course, KeyMeasure, MeasuredCanal, MeasuredValue
from rxmeasure.teaching.key import agreed_key, differences, markings_for_key

LENGTH = "fill_to_apex_core_mm"


def measured(value: float | None, canal: str = "MB") -> tuple[MeasuredCanal, ...]:
    given = MeasuredValue(name=LENGTH, unit="mm", value=value, why_missing="no fill")
    return (MeasuredCanal(name=canal, values=(given,)),)


def test_two_teachers_of_one_mind_make_a_key(course: Course) -> None:
    rubric = course.rubric
    made = agreed_key(
        [
            replace(marking(rubric, "b", density="poor"), measured=measured(1.2)),
            replace(marking(rubric, "a", density="poor"), measured=measured(1.6)),
        ],
        course,
    )
    assert made.agreed_by == ("a", "b")
    assert made.levels == best(rubric, density="poor")
    (agreed,) = made.measures
    assert agreed.value == pytest.approx(1.4)
    assert agreed.spread == pytest.approx(0.4)


@pytest.mark.parametrize("raters", [("a",), ("a", "a")])
def test_fewer_than_two_teachers_make_no_key(course: Course, raters: tuple[str, ...]) -> None:
    markings = [marking(course.rubric, rater) for rater in raters]
    with pytest.raises(TeachingError, match="2 teachers or more"):
        agreed_key(markings, course)


def test_a_key_is_of_one_case(course: Course) -> None:
    two = [marking(course.rubric, "a", "case-1"), marking(course.rubric, "b", "case-2")]
    with pytest.raises(TeachingError, match="of one case"):
        agreed_key(two, course)


def test_what_the_teachers_said_last_makes_the_key(course: Course) -> None:
    rubric = course.rubric
    early = [marking(rubric, who, density="poor") for who in ("a", "b", "s")]
    late = [replace(marking(rubric, who), session="2026-04-01") for who in ("a", "b")]
    again = [replace(late[0], showing=2, levels=best(rubric, taper="poor"))]
    records = small_records(course, [*again, *late, *early], teachers=("a", "b"), students=("s",))
    assert set(markings_for_key(records, "case-1")) == set(late)
    assert markings_for_key(records, "case-2") == ()


def test_differing_levels_are_named_and_can_be_settled(course: Course) -> None:
    two = [marking(course.rubric, "a"), marking(course.rubric, "b", taper="poor")]
    with pytest.raises(TeachingError, match=r"taper \(a: ideal, b: poor\)"):
        agreed_key(two, course)
    assert agreed_key(two, course, settled={"taper": "acceptable"}).level_of["taper"] == (
        "acceptable"
    )


def test_measures_apart_cannot_be_settled_by_talking(course: Course) -> None:
    rubric = course.rubric
    two = [
        replace(marking(rubric, "a"), measured=measured(1.0)),
        replace(marking(rubric, "b"), measured=measured(1.6)),
    ]
    (apart,) = differences(two, course)
    assert apart.what == f"{LENGTH} of MB"
    with pytest.raises(TeachingError, match=LENGTH):
        agreed_key(two, course, settled={"length": "ideal"})


@pytest.mark.parametrize(("student", "within"), [(1.9, True), (1.91, False), (0.9, True)])
def test_a_measure_is_within_up_to_the_tolerance(
    course: Course, student: float, within: bool
) -> None:
    agreed = KeyMeasure(canal="MB", name=LENGTH, value=1.4, unit="mm", spread=0.0)
    one_key = replace(key(course.rubric), measures=(agreed,))
    own = replace(marking(course.rubric, "s"), measured=measured(student))
    (found,) = compared(course, own, one_key).measures
    assert found.difference == pytest.approx(student - 1.4)
    assert found.within is within


def test_a_single_canal_needs_no_name_and_a_missing_one_is_told(course: Course) -> None:
    agreed = KeyMeasure(canal="MB", name=LENGTH, value=1.4, unit="mm", spread=0.0)
    one_key = replace(key(course.rubric), measures=(agreed,))
    two = (agreed, replace(agreed, canal="DB"))
    two_keys = replace(one_key, measures=two)
    own = replace(marking(course.rubric, "s"), measured=measured(1.4, canal="single"))
    assert compared(course, own, one_key).measures[0].within is True
    assert {m.why_missing for m in compared(course, own, two_keys).measures} == {
        "No canal of this name was measured."
    }
    nothing = replace(own, measured=())
    assert compared(course, nothing, one_key).measures[0].why_missing == (
        "The film was not measured."
    )
    unseen = replace(own, measured=measured(None))
    assert compared(course, unseen, one_key).measures[0].why_missing == "no fill"


def test_levels_beside_the_key_say_how_far_and_to_which_side(course: Course) -> None:
    found = compared(
        course,
        marking(course.rubric, "s", density="poor", length="acceptable"),
        key(course.rubric, length="poor"),
    )
    steps = {level.criterion: level.steps for level in found.levels}
    assert steps == {"length": 1, "density": -2, "taper": 0, "extrusion": 0, "film": 0}
    # Half of 35 for one level of two, nothing of 25 for best against worst, by hand.
    assert found.total == pytest.approx(17.5 + 0.0 + 20.0 + 10.0 + 10.0)
    assert found.overlooked == ("length",)


def test_a_fault_that_is_seen_is_not_overlooked(course: Course) -> None:
    poor = key(course.rubric, length="poor")
    assert compared(course, marking(course.rubric, "s", length="poor"), poor).overlooked == ()
    # Too strict is no oversight.
    strict = marking(course.rubric, "s", length="poor")
    assert compared(course, strict, key(course.rubric)).overlooked == ()


def _exercise(course: Course, *, odd: int) -> list:
    """Three teachers on twelve cases; the third differs on so many of them."""
    cases = [(f"case-{n:02d}", ("ideal", "acceptable", "poor")[n % 3]) for n in range(12)]
    found = [
        marking(course.rubric, who, case, density=level)
        for who in ("a", "b")
        for case, level in cases
    ]
    for n, (case, level) in enumerate(cases):
        said = (
            {"ideal": "poor", "acceptable": "ideal", "poor": "ideal"}[level] if n < odd else level
        )
        found.append(marking(course.rubric, "c", case, density=said))
    return found


def test_teachers_who_agree_pass_the_calibration(course: Course) -> None:
    found = calibration_of(course, _exercise(course, odd=0))
    assert found.passed
    assert found.n_cases == 12
    density = next(c for c in found.criteria if c.criterion == "density")
    assert isinstance(density.agreement, Agreement)
    assert density.agreement.estimate == pytest.approx(1.0)


def test_teachers_who_differ_do_not_and_it_says_where_and_who(course: Course) -> None:
    found = calibration_of(course, _exercise(course, odd=12))
    assert not found.passed
    assert "density" in found.why_not
    assert "taper" not in found.why_not
    density = next(c for c in found.criteria if c.criterion == "density")
    leans = {one.teacher: one.levels for one in density.leanings}
    # Of three cases each: -2, +1, +2 levels.
    assert leans["c"] == pytest.approx(1.0 / 3.0)
    assert leans["a"] == leans["b"] == pytest.approx(-1.0 / 6.0)


def test_too_few_cases_are_no_calibration(course: Course) -> None:
    few = [m for m in _exercise(course, odd=0) if m.case < "case-05"]
    found = calibration_of(course, few)
    assert not found.passed
    assert "5 cases" in found.why_not


def test_one_teacher_cannot_calibrate(course: Course) -> None:
    with pytest.raises(TeachingError, match="two teachers"):
        calibration_of(course, [marking(course.rubric, "a")])


def test_the_calibration_is_the_last_session_with_the_bank_alone(course: Course) -> None:
    early = [replace(m, session="2026-01-05") for m in _exercise(course, odd=12)]
    later = [replace(m, session="2026-02-02") for m in _exercise(course, odd=0)]
    alone = [replace(marking(course.rubric, "a"), session="2026-02-20")]
    controls = [replace(m, session="2026-02-25") for m in _exercise(course, odd=12)[::6]]
    with_work = [
        replace(marking(course.rubric, who, "work-1"), session="2026-03-01") for who in ("a", "b")
    ]
    work = Case(id="work-1", image="w.png", sha256="0", author="student-1")
    found = calibration_of_records(
        small_records(
            course,
            [*early, *later, *alone, *controls, *with_work],
            teachers=("a", "b", "c"),
            cases=(work,),
        )
    )
    assert found.passed
    assert found.n_cases == 12
