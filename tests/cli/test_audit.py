"""``rxmeasure audit`` on the tables of an invented clinic."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rxmeasure.phantom.clinic import make_clinic, write_clinic


@pytest.fixture(scope="module")
def tables(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("clinic")
    write_clinic(make_clinic(seed=10065, patients=60), folder)
    return folder


def test_from_plan_to_pages(run, tables: Path, tmp_path: Path) -> None:
    plan = tmp_path / "spring.rxplan.json"
    planned = run("audit", "plan", tables / "films.csv", "--seed", "spring", "--number", "40",
                  "--until", "2025-06-30", "--out", plan, "--json")  # fmt: skip
    assert planned.code == 0, planned.stderr
    (group,) = planned.document["plan"]["groups"]
    log = ("--films", tables / "films.csv", "--recalls", tables / "recalls.csv")
    kept = [tmp_path / f"{name}.rxaudit.json" for name in ("spring", "autumn")]
    spring = run("audit", "run", tables / "canals.csv", "--plan", plan, *log, "--until",
                 "2025-06-30", "--out", kept[0], "--json")  # fmt: skip
    assert spring.code == 0, spring.stderr
    assert spring.document["audit"]["n_films"] <= len(group["chosen"])
    autumn = run("audit", "run", tables / "canals.csv", *log, "--since", "2025-07-01",
                 "--other-rule", "half_two", "--out", kept[1])  # fmt: skip
    assert autumn.code == 0, autumn.stderr
    for text in ("of teeth meet the criteria", "half_two, 1", "not judged", "* Operators compare"):
        assert text in autumn.stdout
    done = run("audit", "report", kept[1], "--earlier", kept[0], "--out", tmp_path / "out")
    assert done.code == 0, done.stderr
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "autumn.csv", "autumn.html", "autumn.pdf",
    ]  # fmt: skip
    assert "Against the earlier audit" in (tmp_path / "out/autumn.html").read_text("utf-8")


def test_text_and_json_say_the_same(run, tables: Path) -> None:
    document = run("audit", "run", tables / "canals.csv", "--json").document
    text = run("audit", "run", tables / "canals.csv").stdout
    for level in document["audit"]["levels"]:
        count = level["count"]
        assert f"{count['n_met']} of {count['n_judged']}" in text


def test_wanted_width_gives_the_number(run, tables: Path) -> None:
    # calc: Wilson's interval of 80 % is 0.1995 wide at 60 films, 0.2012 at 59; twice that.
    found = run("audit", "plan", tables / "films.csv", "--seed", "x", "--width", "0.2",
                "--expected", "0.8", "--design-effect", "2", "--json").document  # fmt: skip
    (group,) = found["plan"]["groups"]
    assert found["plan"]["per_group"] == 120
    assert len(group["chosen"]) + group["short_by"] == 120


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["plan", "films.csv"], 2),
        (["plan", "films.csv", "--number", "5"], 12),
        (["plan", "films.csv", "--seed", "x", "--width", "10"], 12),
        (["run", "films.csv"], 12),
        (["run", "canals.csv", "--rule", "nothing"], 6),
        (["run", "canals.csv", "--since", "yesterday"], 12),
        (["run", "canals.csv", "--films", "recalls.csv"], 12),
        (["run", "canals.csv", "--kind", "recall"], 12),
        (["run", "canals.csv", "--level", "95"], 12),
        (["run", "none.csv"], 12),
        (["run", "."], 12),
        (["report", "canals.csv"], 12),
    ],
)
def test_refusals(run, tables: Path, monkeypatch, arguments: list[str], code: int) -> None:
    monkeypatch.chdir(tables)
    result = run("audit", *arguments, "--json")
    assert result.code == code, result.stderr
    assert result.error["needed"]
    assert result.stdout == ""


def test_another_rule_in_the_earlier_audit_is_refused(run, tables: Path, tmp_path: Path) -> None:
    names = []
    for rule, period in (("zero_two", ("--until", "2025-06-30")),
                         ("zero_three", ("--since", "2025-07-01"))):  # fmt: skip
        names.append(tmp_path / f"{rule}.rxaudit.json")
        assert run("audit", "run", tables / "canals.csv", "--rule", rule, *period,
                   "--out", names[-1]).code == 0  # fmt: skip
    refused = run("audit", "report", names[1], "--earlier", names[0], "--json")
    assert refused.code == 12
    assert "do not compare" in refused.error["needed"]
    assert list(tmp_path.glob("*.pdf")) == []


def test_kept_audit_is_whole_json(run, tables: Path, tmp_path: Path) -> None:
    out = tmp_path / "a.rxaudit.json"
    run("audit", "run", tables / "canals.csv", "--out", out)
    assert json.loads(out.read_text(encoding="utf-8"))["format"] == "rxmeasure-audit"
