"""Kept audits and plans come back as they were; the table of numbers is whole and harmless."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from core.audit.conftest import audit_of, row

from rxmeasure.audit.dates import Period
from rxmeasure.audit.kept import load_audit, load_plan, save_audit, save_plan
from rxmeasure.audit.numbers_table import HEADER, write_numbers
from rxmeasure.audit.reaudit import compare_audits
from rxmeasure.audit.rows import RefusedRecord
from rxmeasure.audit.statistics.denominators import Level
from rxmeasure.audit.statistics.sampling import Case, random_sample
from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.criteria.results import Outcome
from rxmeasure.errors import AuditError


@pytest.fixture(scope="module")
def audit(clinic):
    return audit_of(clinic.rows, other_rule_sets=(published_rule_sets()["zero_three"],))


def test_an_audit_comes_back(tmp_path: Path, audit) -> None:
    path = tmp_path / "a.rxaudit.json"
    save_audit(audit, path)
    again = load_audit(path)
    assert again == audit
    assert again.levels[0].count.level is Level.CANAL


def test_a_kept_audit_names_no_patient(tmp_path: Path, audit, clinic) -> None:
    path = tmp_path / "a.rxaudit.json"
    save_audit(audit, path)
    text = path.read_text(encoding="utf-8")
    assert [r.patient for r in clinic.rows if r.patient in text] == []


def test_a_plan_for_a_whole_archive_comes_back(tmp_path: Path) -> None:
    cases = [Case(case_id=f"film-{k}") for k in range(120_000)]
    plan = random_sample(cases, per_group=len(cases), seed="spring")
    save_plan(plan, tmp_path / "p.rxplan.json")
    assert load_plan(tmp_path / "p.rxplan.json") == plan


def test_a_plan_comes_back(tmp_path: Path) -> None:
    cases = [Case(case_id=f"film {k}", group="recall") for k in range(9)]
    plan = random_sample(cases, per_group=4, seed="x")
    save_plan(plan, tmp_path / "p.rxplan.json")
    assert load_plan(tmp_path / "p.rxplan.json") == plan
    with pytest.raises(AuditError, match="heading"):
        load_audit(tmp_path / "p.rxplan.json")


def _changed(tree, place, value):
    *way, last = place
    for step in way:
        tree = tree[step]
    tree[last] = value


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("format_version",), 2),
        (("format_version",), "1"),
        (("content",), None),
        (("content", "n_films"), "12"),
        (("content", "n_films"), 1.5),
        (("content", "n_films"), True),
        (("content", "rule_set_id"), 7),
        (("content", "levels", 0, "count", "level"), "jaw"),
        (("content", "levels", 0, "n_borderline"), None),
        (("content", "level"), "0.95"),
        (("content", "surplus"), 1),
    ],
)
def test_a_changed_file_is_refused(tmp_path: Path, audit, place, value) -> None:
    path = tmp_path / "a.rxaudit.json"
    save_audit(audit, path)
    tree = json.loads(path.read_text(encoding="utf-8"))
    _changed(tree, place, value)
    path.write_text(json.dumps(tree), encoding="utf-8")
    with pytest.raises(AuditError):
        load_audit(path)


def test_every_number_has_its_denominator(tmp_path: Path, clinic, audit) -> None:
    halves = [
        audit_of(clinic.rows, period=Period(since=since, until=until))
        for since, until in (("2025-01-01", "2025-06-30"), ("2025-07-01", "2025-12-31"))
    ]
    for name, found, compared in (
        ("one", audit, None), ("two", halves[1], compare_audits(*halves)),
    ):  # fmt: skip
        path = tmp_path / f"{name}.csv"
        write_numbers(path, found, compared)
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        assert list(rows[0]) == list(HEADER)
        for line in rows:
            assert None not in line
            if line["numerator"] and line["denominator"]:
                share = float(line["numerator"]) / float(line["denominator"])
                if line["share"]:
                    assert float(line["share"]) == pytest.approx(share)
            if line["share"] and "change of the share" not in line["what"]:
                assert line["denominator"]
            if line["low"]:
                assert float(line["low"]) <= float(line["share"]) <= float(line["high"])
        teeth = next(r for r in rows if (r["section"], r["what"], r["unit"])
                     == ("result", "criteria met", "teeth"))  # fmt: skip
        count = next(r.count for r in found.levels if r.count.level is Level.TOOTH)
        assert (int(teeth["numerator"]), int(teeth["denominator"])) == (count.n_met, count.n_judged)
        assert ("re-audit" in {r["section"] for r in rows}) is (compared is not None)


def test_no_cell_is_a_formula(tmp_path: Path) -> None:
    evil = "=HYPERLINK(1)"
    records = [
        row("p1 11 s", operator=evil), row("p2 11 s", operator="+1", taken="2025-04-01"),
        row("p3 11 s", Outcome.CANNOT_BE_JUDGED, operator="@a"),
        RefusedRecord(name="-2+3.rxreview.json", found="x"),
    ]  # fmt: skip
    path = tmp_path / "numbers.csv"
    write_numbers(path, audit_of(records))
    with path.open(encoding="utf-8", newline="") as file:
        cells = [cell for line in csv.reader(file) for cell in line]
    assert f"'{evil}" in cells
    for cell in cells:
        if cell.startswith(("=", "+", "-", "@")):
            float(cell)
