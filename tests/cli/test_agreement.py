"""``rxmeasure agreement`` on small files of ratings."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def grades(tmp_path: Path) -> Path:
    path = tmp_path / "grades.csv"
    pairs = [(1, 1), (2, 2), (3, 2), (1, 1), (3, 3), (2, 3), (1, 2), (3, 3)]
    rows = [
        f"film {k},{who},{grade}"
        for k, pair in enumerate(pairs)
        for who, grade in zip(("teacher", "student"), pair, strict=True)
    ]
    path.write_text("unit,rater,rating\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


SCALE = ("--scale", "ordinal", "--categories", "1,2,3", "--draws", "100")


def test_text_and_json_say_the_same(run, grades: Path) -> None:
    document = run("agreement", grades, *SCALE, "--key", "teacher", "--json").document
    (part,) = document["criteria"]
    (pair,) = part["against_key"]
    weighted = pair["results"][1]
    assert (weighted["statistic"], weighted["method"]) == ("Cohen's kappa", "quadratic")
    text = run("agreement", grades, *SCALE, "--key", "teacher").stdout
    assert "Against the key: student and teacher" in text
    assert f"{weighted['estimate']:.3f}" in text
    assert f"{weighted['interval']['low']:.3f} to {weighted['interval']['high']:.3f}" in text
    assert "Fleiss, Cohen and Everitt 1969" in text
    # One rater beside the key: what needs two is told as refused.
    assert "not told: one rater" in text


def test_decimal_comma(run, grades: Path) -> None:
    assert "0,625" in run("agreement", grades, *SCALE, "--decimal-comma").stdout


def test_words_come_with_their_source(run, grades: Path) -> None:
    plain = run("agreement", grades, *SCALE).stdout
    worded = run("agreement", grades, *SCALE, "--words", "landis-koch").stdout
    assert "substantial" not in plain
    assert "substantial" in worded or "moderate" in worded
    assert "Landis and Koch 1977" in worded


def test_csv(run, grades: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    assert run("agreement", grades, *SCALE, "--csv", out).code == 0
    lines = out.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("criterion,compared,first,second,statistic")
    assert any("teacher,student,Cohen's kappa" in line for line in lines)


@pytest.mark.parametrize(
    ("options", "code", "needle"),
    [
        (("--scale", "ordinal", "--categories", "1,2"), 12, "line 6"),
        (("--scale", "ordinal", "--key", "nobody"), 12, "nobody"),
        (("--scale", "ordinal", "--criterion", "length"), 12, "length"),
        (("--scale", "nominal", "--weights", "linear"), 2, "ordinal"),
        (("--scale", "ratio", "--weights", "linear"), 2, "ordinal"),
        ((), 2, "--scale"),
    ],
)
def test_refusals(run, grades: Path, options, code: int, needle: str) -> None:
    result = run("agreement", grades, *options)
    assert result.code == code
    assert needle in result.stderr
    assert result.stdout == ""


def test_missing_file(run, tmp_path: Path) -> None:
    result = run("agreement", tmp_path / "none.csv", "--scale", "ordinal", "--json")
    assert result.code == 12
    assert result.error["type"] == "AgreementError"
