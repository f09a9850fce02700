"""Course files: weights sum, tolerances are of numbers; a mistake is refused with its line."""

from __future__ import annotations

import pytest

from rxmeasure.errors import TeachingError
from rxmeasure.teaching.course_file import parse_course, rubric_path, sample_course_text
from rxmeasure.teaching.rubric import Rubric

SAMPLE = sample_course_text()


def test_the_sample_is_a_course(rubric: Rubric, tmp_path) -> None:
    course = parse_course(SAMPLE, "filling.course.toml", rubric)
    assert course.work_weight + course.reading_weight == 100.0
    assert dict(course.tolerances) == {"fill_to_apex_core_mm": 0.5, "canal_length_mm": 1.0}
    assert (course.repeats, course.calibration_cases) == (3, 10)
    file = tmp_path / "filling.course.toml"
    file.write_text(SAMPLE, encoding="utf-8")
    assert rubric_path(file) == tmp_path / "filling.rubric.toml"


@pytest.mark.parametrize(
    ("found", "put", "at", "says"),
    [
        ("work_weight = 60", "work_weight = 70", "reading_weight", "sum to 100"),
        ("work_weight = 60", "work_weight = 160", "work_weight", "from 0 to 100"),
        ("repeats = 3", "repeats = 2.5", "repeats", "a whole number"),
        ("off = 0.5", "off = 0", "off = 0\n", "above 0"),
        ('"canal_length_mm"', '"core_beyond_apex"', '"core_beyond_apex"', "canal_length_mm"),
        ('"canal_length_mm"', '"canal"', '"canal"', "one of"),
        ("cases = 10", "films = 10", "films = 10", "unknown key"),
        ('secret = "change', 'secre = "change', "secre =", "unknown key"),
        ("[[calibration]]", "[calibration]", "[calibration]", "[[calibration]]"),
    ],
)
def test_a_wrong_course_is_refused_with_its_line(
    rubric: Rubric, found: str, put: str, at: str, says: str
) -> None:
    assert found in SAMPLE
    text = SAMPLE.replace(found, put, 1)
    with pytest.raises(TeachingError) as refusal:
        parse_course(text, "own.toml", rubric)
    line = text[: text.index(at)].count("\n") + 1
    assert refusal.value.found.startswith(f"own.toml, line {line}: ")
    assert says in f"{refusal.value.found} {refusal.value.needed}"
