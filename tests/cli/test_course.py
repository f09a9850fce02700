"""``rxmeasure course`` from the rubric to the class page, on two sample films."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

COURSE = "filling-sample"
GOOD = {
    "length": "ideal",
    "density": "ideal",
    "taper": "ideal",
    "extrusion": "none",
    "film": "ideal",
}
CASES = {"adequate_premolar": GOOD, "voids_canine": {**GOOD, "density": "poor"}}
WORK = "overfilled_with_puff"


class Clinic:
    """A store with a course, and the films beside it."""

    def __init__(self, run: Any, folder: Path, films: Path) -> None:
        self._run = run
        self.folder = folder
        self.films = films
        self.store = folder / "course.rxstore"

    def ask(self, verb: str, *more: object, who: str = "director") -> Any:
        """Run a verb that must be done, and return its JSON document."""
        done = self._run("course", verb, self.store, COURSE, "--as", who, *more, "--json")
        assert done.code == 0, done.stderr
        return done.document

    def refused(self, verb: str, *more: object, who: str = "director") -> Any:
        done = self._run("course", verb, self.store, COURSE, "--as", who, *more, "--json")
        assert done.code == 15, (done.stdout, done.stderr)
        return done.error

    def sit(self, who: str, session: str, levels: dict[str, dict[str, str]], *options: str) -> None:
        """Take a queue, and hand in levels by what the films are."""
        out = self.folder / f"{who}-{session}"
        more = () if WORK not in levels else ("--works",)
        self.ask(
            "queue", "--for", who, "--session", session, "--films", self.films, "--out", out, *more
        )
        by_content = {
            (self.films / f"{case}{end}").read_bytes(): case
            for case in levels
            for end in (".png", ".tif")
            if (self.films / f"{case}{end}").is_file()
        }
        for item in self.ask("tasks", *options, who=who)["items"]:
            film = out / item["film"]
            if film.is_file():
                case = by_content[film.read_bytes()]
                self.mark(who, item["ticket"], levels[case], *options)

    def mark(self, who: str, ticket: str, levels: dict[str, str], *options: object) -> Any:
        given = [word for name, level in levels.items() for word in ("--level", f"{name}={level}")]
        return self.ask("mark", ticket, *given, *options, who=who)


@pytest.fixture
def clinic(run, tmp_path: Path, sample_images: Path) -> Clinic:
    films = tmp_path / "films"
    films.mkdir()
    for name in ("adequate_premolar.png", "voids_canine.png", "overfilled_with_puff.tif"):
        shutil.copy(sample_images / name, films)
    assert run("course", "sample", tmp_path).code == 0
    rules = tmp_path / "filling.course.toml"
    text = rules.read_text(encoding="utf-8")
    rules.write_text(text.replace("cases = 10", "cases = 2").replace("repeats = 3", "repeats = 1"))
    made = Clinic(run, tmp_path, films)
    people = ("--student", "s-1", "--teacher", "t-1", "--teacher", "t-2")
    begun = run("course", "begin", made.store, rules, "--as", "director", *people, "--json")
    assert begun.document["course"] == COURSE
    made.ask("add", *(films / f"{name}.png" for name in CASES))
    made.ask("add", films / "overfilled_with_puff.tif", "--author", "s-1")
    return made


def test_a_course_from_bank_to_class_page(run, clinic: Clinic) -> None:
    for teacher in ("t-1", "t-2"):
        clinic.sit(teacher, "2026-02-02", CASES, "--teacher")
    assert clinic.ask("calibrate")["calibration"]["passed"]
    for case in CASES:
        clinic.ask("key", case)
    clinic.sit("s-1", "2026-03-02", {**CASES, "adequate_premolar": {**GOOD, "taper": "poor"}})
    clinic.sit("t-1", "2026-03-09", {WORK: {**GOOD, "extrusion": "acceptable"}}, "--teacher")

    (student,) = clinic.ask("grade")["results"]["students"]
    # Own filling 97; films read 80 and 100 against the key; 60 and 40 percent, by hand.
    assert student["work_mark"] == pytest.approx(97.0)
    assert student["reading"]["mark"] == pytest.approx(90.0)
    assert student["final"] == pytest.approx(0.6 * 97.0 + 0.4 * 90.0)
    assert student["standing"] == "passed"
    assert "94.2" in run("course", "grade", clinic.store, COURSE, "--as", "director").stdout

    marks = clinic.folder / "marks.csv"
    book = clinic.folder / "marks.xlsx"
    clinic.ask("marks", "--csv", marks, "--xlsx", book)
    (row,) = csv.DictReader(marks.read_text(encoding="utf-8").splitlines())
    assert (row["student"], row["final"]) == ("s-1", "94.2")
    assert load_workbook(book)["Students"]["D2"].value == 94.2

    page = clinic.folder / "class.html"
    clinic.ask("page", "--out", page)
    assert "s-1" in page.read_text(encoding="utf-8")
    out = clinic.folder / "sheets"
    clinic.ask("feedback", "s-1", "--films", clinic.films, "--out", out)
    assert {p.name for p in out.iterdir()} == {"s-1.html", "s-1.pdf"}


def test_a_measured_review_is_compared_with_the_key(clinic: Clinic, run, sample_images) -> None:
    image = clinic.films / "adequate_premolar.png"
    marks = sample_images / "adequate_premolar.marks.toml"
    assert run("review", image, "--marks", marks).code == 0
    review = image.with_name(image.name + ".rxreview.json")
    for who, options in (("t-1", ("--teacher",)), ("t-2", ("--teacher",)), ("s-1", ())):
        clinic.ask(
            "queue", "--for", who, "--session", "2026-02-02", "--case", "adequate_premolar",
            "--films", clinic.films, "--out", clinic.folder / who,
        )  # fmt: skip
        (item,) = clinic.ask("tasks", *options, who=who)["items"]
        clinic.mark(who, item["ticket"], GOOD, *options, "--review", review)
    key = clinic.ask("key", "adequate_premolar")["key"]
    assert {m["name"] for m in key["measures"]} == {"fill_to_apex_core_mm", "canal_length_mm"}
    assert key["lines"][0]["core_end_px"] is not None
    (student,) = clinic.ask("grade")["results"]["students"]
    assert (student["reading"]["measures_within"], student["reading"]["n_measures"]) == (2, 2)


def test_the_films_of_a_queue_hold_no_name(clinic: Clinic) -> None:
    out = clinic.folder / "out"
    clinic.ask(
        "queue", "--for", "t-1", "--session", "2026-02-02", "--films", clinic.films, "--out", out
    )
    items = clinic.ask("tasks", "--teacher", who="t-1")["items"]
    assert {path.name for path in out.iterdir()} == {item["film"] for item in items}
    assert len(items) == 3  # two films, one of them twice
    assert not [path for path in out.iterdir() if any(case in path.name for case in CASES)]
    seen = json.dumps(items)
    assert not [word for word in (*CASES, WORK, "s-1") if word in seen]


def test_students_are_not_marked_before_the_calibration(clinic: Clinic) -> None:
    queue = ("queue", "--for", "t-1", "--films", clinic.films, "--out", clinic.folder / "x")
    error = clinic.refused(*queue, "--session", "2026-02-02", "--works")
    assert "two teachers" in error["needed"]
    for teacher, other in (("t-1", {}), ("t-2", {"length": "poor", "taper": "poor"})):
        levels = {case: {**levels, **other} for case, levels in CASES.items()}
        clinic.sit(teacher, "2026-02-02", levels, "--teacher")
    error = clinic.refused(*queue, "--session", "2026-02-09", "--works")
    assert "AC2 below 0.6 on length, taper" in error["found"]
    error = clinic.refused("key", "adequate_premolar")
    assert "the teachers differ on length" in error["found"]
    settled = ("--settle", "length=ideal", "--settle", "taper=acceptable")
    assert dict(clinic.ask("key", "adequate_premolar", *settled)["key"]["levels"]) == {
        **GOOD, "taper": "acceptable",
    }  # fmt: skip


def test_a_student_asks_for_nothing_of_others(clinic: Clinic, run) -> None:
    clinic.sit("t-1", "2026-02-02", CASES, "--teacher")
    ticket = clinic.ask("tasks", "--teacher", who="t-1")["items"][0]["ticket"]
    assert clinic.ask("tasks", who="s-1")["items"] == []
    levels = [word for name, level in GOOD.items() for word in ("--level", f"{name}={level}")]
    assert (
        "ticket of your own queue" in clinic.refused("mark", ticket, *levels, who="s-1")["needed"]
    )


def test_an_unknown_author_and_a_film_that_changed_are_refused(clinic: Clinic) -> None:
    film = clinic.films / "voids_canine.png"
    assert "no student 's-9'" in clinic.refused("add", film, "--author", "s-9")["found"]
    shutil.copy(clinic.films / "adequate_premolar.png", film)
    error = clinic.refused(
        "queue", "--for", "s-1", "--session", "2026-02-02", "--films", clinic.films,
        "--out", clinic.folder / "x",
    )  # fmt: skip
    assert "has changed" in error["found"]


def test_a_film_with_a_patient_s_name_is_not_taken(clinic: Clinic, sample_images: Path) -> None:
    import pydicom

    film = clinic.films / "named.dcm"
    header = pydicom.dcmread(sample_images / "short_incisor.dcm")
    header.PatientName = "Somebody^Real"
    header.save_as(film)
    assert "PatientName" in clinic.refused("add", film)["found"]
    for name in ("PatientName", "PatientID"):
        setattr(header, name, "")
    header.save_as(film)
    assert clinic.ask("add", film)["cases"] == ["named"]


def test_a_rubric_is_shown_in_words_and_a_wrong_one_refused(run, tmp_path: Path) -> None:
    assert run("course", "sample", tmp_path).code == 0
    file = tmp_path / "filling.rubric.toml"
    text = run("course", "rubric", file).stdout
    assert "100 marks in all, 60 pass" in text
    assert "length: Apical end of the fill, 35 marks, at least 'acceptable'" in text
    file.write_text(file.read_text(encoding="utf-8").replace("weight = 35", "weight = 30"))
    refused = run("course", "rubric", file, "--json")
    assert refused.code == 15
    assert "line 9: weights that sum to 95" in refused.error["found"]


def test_a_level_without_its_criterion_is_a_wrong_option(run, clinic: Clinic) -> None:
    done = run(
        "course", "mark", clinic.store, COURSE, "AAAAAAAA", "--as", "s-1", "--level", "ideal"
    )
    assert done.code == 2
    assert "CRITERION=LEVEL" in done.stderr


def test_teachers_in_sessions_of_their_own_have_a_class_page(clinic: Clinic) -> None:
    clinic.sit("t-1", "2026-02-02", CASES, "--teacher")
    clinic.sit("t-2", "2026-02-03", CASES, "--teacher")
    told = clinic.refused("calibrate")
    assert "no session" in told["found"]
    page = clinic.folder / "class.html"
    clinic.ask("page", "--out", page)
    assert "Calibration before the marking" not in page.read_text(encoding="utf-8")
