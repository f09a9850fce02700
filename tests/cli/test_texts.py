"""The README says what the program says: its tables, cautions and examples are held against it."""

from __future__ import annotations

import re
import runpy
import shlex
from pathlib import Path

import pytest

from rxmeasure.archive import archive_names
from rxmeasure.archive.config import read_config
from rxmeasure.cli.exit_codes import MEANINGS
from rxmeasure.cli.main import VERBS
from rxmeasure.criteria.criterion import load_rule_set, published_rule_sets
from rxmeasure.record.review_file import read_marks
from rxmeasure.record.series_file import read_series_marks
from rxmeasure.report.cautions import CAUTIONS

CHECKOUT = Path(__file__).resolve().parents[2]
SAMPLES = CHECKOUT / "sample_images"
README = (CHECKOUT / "README.md").read_text(encoding="utf-8")


RATINGS = """unit,rater,rating
film 1,{key},2
film 1,student,3
film 2,{key},4
film 2,student,4
film 3,{key},1
film 3,student,1
"""


def _part(title: str) -> str:
    return README.split(f"\n## {title}\n")[1].split("\n## ")[0]


def _table(text: str) -> list[list[str]]:
    rows = [line.strip("|").split("|") for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip(" `") for cell in row] for row in rows[2:]]


def test_table_of_rule_sets() -> None:
    published = published_rule_sets().values()
    assert _table(_part("By what it is judged")) == [[r.id, r.version, r.title] for r in published]


def test_table_of_exit_statuses() -> None:
    expected = [[str(code), meaning] for code, meaning in MEANINGS.items()]
    assert _table(_part("Exit status")) == expected


def test_table_of_keys() -> None:
    path = CHECKOUT / "plugins/rxmeasure_napari/keys.py"
    keys = runpy.run_path(str(path), run_name="keys")["KEYS"]
    expected = [[k.keys, k.meaning, "everywhere" if k.everywhere else "picture"] for k in keys]
    assert _table(_part("The window")) == expected


def test_pictures_are_there_and_small() -> None:
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(pictures) == 2
    for picture in pictures:
        assert (CHECKOUT / picture).stat().st_size < 200_000


def test_cautions_stand_in_full() -> None:
    text = " ".join(_part("Cautions").split())
    for caution in CAUTIONS:
        assert f"**{caution.head}** {caution.text}" in text


def _files() -> list[str]:
    """Annotation file, series and rule set of the README."""
    return re.findall(r"```toml\n(.*?)```", README, flags=re.DOTALL)


def test_examples_of_files_are_valid(tmp_path: Path) -> None:
    marks, archives, visits, rules = _files()
    path = tmp_path / "example.toml"
    path.write_text(marks, encoding="utf-8")
    assert [c.name for c in read_marks(path).canals] == ["MB1", "P"]
    path.write_text(archives, encoding="utf-8")
    (tmp_path / "hospital-ca.pem").touch()
    assert archive_names(path) == ("hospital", "web")
    assert read_config("hospital", path).security.ca_file == tmp_path / "hospital-ca.pem"
    path.write_text(visits, encoding="utf-8")
    assert [v.date for v in read_series_marks(path).visits] == ["2023-01-10", "2024-01-12"]
    path.write_text(rules, encoding="utf-8")
    assert load_rule_set(path).id == "clinic_length"


def _commands() -> list[str]:
    text = README.replace("\\\n", " ")
    return [
        line.strip()
        for line in text.splitlines()
        if line.startswith("    ") and ".venv/bin/rxmeasure" in line
    ]


@pytest.mark.parametrize("command", _commands())
def test_examples_of_commands_run(run, sample_copy, monkeypatch, command: str) -> None:
    folder = sample_copy(marks="films/" in command, folder="films")
    (folder / "film.png").write_bytes((folder / "adequate_premolar.png").read_bytes())
    for name, sample in (("a.png", "adequate_premolar.png"), ("b.png", "voids_canine.png")):
        (folder.parent / name).write_bytes((SAMPLES / sample).read_bytes())
    (folder.parent / "case-12.toml").write_text(_files()[2], encoding="utf-8")
    monkeypatch.chdir(folder if "film.png" in command else folder.parent)
    for name, key in (("grades.csv", "teacher"), ("lengths.csv", "student 2")):
        Path(name).write_text(RATINGS.format(key=key), encoding="utf-8")
    monkeypatch.setenv("RXMEASURE_KEY", str(folder / "patients.key"))
    if " store " in command:
        Path("reviews").mkdir()
        run("store", "init", "clinic.rxstore", "--as", "reader-1")
    result = run(*shlex.split(command)[1:])
    assert result.code == 0, result.stderr


def test_verbs_named() -> None:
    named = set(re.findall(r"`([a-z-]+)`", _part("Review a film of your own")))
    assert set(VERBS) - {"review"} <= named


def test_the_two_commands_come_first() -> None:
    commands = [line.strip() for line in README.splitlines() if line.startswith("    ")][:2]
    assert commands == ["bash .tools/review-samples", "bash .tools/run-tests"]
    for command in commands:
        assert (CHECKOUT / command.split()[1]).is_file()
