"""Folders: decisions of a person, the key, and what lies where."""

from __future__ import annotations

import json
import os
import shutil
import stat
from pathlib import Path

import pytest
from dicom_films import DICOM, PICTURE, SAMPLES, review_of

from rxmeasure.deidentify.gate import Decision
from rxmeasure.deidentify.run import REPORT_NAME, deidentify
from rxmeasure.errors import DeidentificationError, ReviewFileError, RxMeasureError
from rxmeasure.record.review_file import load_review, review_path, save_review


@pytest.fixture
def folders(tmp_path: Path):
    originals, out = tmp_path / "originals", tmp_path / "out"
    originals.mkdir()
    out.mkdir()
    for name in (DICOM, PICTURE):
        shutil.copy(SAMPLES / name, originals)
    return originals, out, tmp_path / "private"


def copies(out: Path) -> list[str]:
    return sorted(path.suffix for path in out.iterdir() if path.name != REPORT_NAME)


def by_name(items):
    return {item.source.name: item for item in items}


def test_a_picture_waits_for_a_person_who_can_change_his_mind(folders):
    originals, out, private = folders
    save_review(review_of(PICTURE), review_path(originals / PICTURE))
    items, desk = deidentify([originals], out, private)
    assert copies(out) == [".dcm"]
    held = by_name(items)[PICTURE]
    assert held.decision is Decision.LOOK
    assert f"hold {held.copy}" in desk.decisions_path.read_text()
    assert held.copy in desk.sheet_path.read_text()

    text = desk.decisions_path.read_text()
    desk.decisions_path.write_text(text.replace("hold film", "release film"))
    again = by_name(deidentify([originals], out, private)[0])
    assert again[PICTURE].by_person
    assert copies(out) == [".dcm", ".json", ".png"]
    review = load_review(out / again[f"{PICTURE}.rxreview.json"].copy)
    assert review.marks.reader.startswith("reader-")
    assert review.marks.patient_pseudonym.startswith("px-")
    report = json.loads((out / REPORT_NAME).read_text())
    assert report["films"][held.copy]["released_by"] == "a person who looked"
    assert PICTURE not in (out / REPORT_NAME).read_text()

    dicom = again[DICOM].copy
    desk.decisions_path.write_text(f"hold {dicom}\nhold {held.copy}\n")
    deidentify([originals], out, private)
    assert copies(out) == []
    assert json.loads((out / REPORT_NAME).read_text())["films"] == {}


def test_a_changed_picture_is_not_released_by_the_decision_on_another(folders):
    originals, out, private = folders
    _, desk = deidentify([originals / PICTURE], out, private)
    text = desk.decisions_path.read_text()
    desk.decisions_path.write_text(text.replace("hold film", "release film"))
    other = originals.parent / PICTURE
    other.write_bytes((originals / PICTURE).read_bytes() + b"x")
    items, _ = deidentify([other], out, private)
    assert items[0].decision is Decision.LOOK
    assert copies(out) == []


def test_files_of_the_person_are_for_the_person_alone(folders):
    originals, out, private = folders
    _, desk = deidentify([originals], out, private)
    assert desk.new_key
    modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in [private, *private.iterdir()]}
    assert modes == {"private": 0o700, "key": 0o600, "look.txt": 0o600,
                     "contact_sheet.html": 0o600, "originals.csv": 0o600}  # fmt: skip
    secret = desk.key_path.read_text().strip()
    for path in out.iterdir():
        assert secret not in path.read_bytes().decode("latin-1")


def test_a_key_that_others_can_read_is_refused(folders):
    originals, out, private = folders
    _, desk = deidentify([originals], out, private)
    os.chmod(desk.key_path, 0o644)
    with pytest.raises(DeidentificationError, match="others can read"):
        deidentify([originals], out, private)


def test_a_private_folder_that_others_can_enter_is_refused(folders):
    originals, out, private = folders
    private.mkdir(mode=0o755)
    with pytest.raises(DeidentificationError, match="others can enter"):
        deidentify([originals], out, private)
    assert list(private.iterdir()) == []


def test_links_and_pipes_are_refused(folders, tmp_path):
    originals, out, private = folders
    elsewhere = tmp_path / "elsewhere.png"
    elsewhere.write_bytes(next(originals.glob("*.png")).read_bytes() + b" ")
    (originals / "away.png").symlink_to(elsewhere)
    (originals / "circle").symlink_to(originals / "circle")
    (originals / "folder").symlink_to(originals)
    os.mkfifo(originals / "pipe")
    items = by_name(deidentify([originals], out, private)[0])
    assert {name for name, item in items.items() if item.refusal} == {"away.png", "circle", "pipe"}
    assert "link" in items["away.png"].refusal.found


def test_a_link_that_is_named_is_followed(folders, tmp_path):
    originals, out, private = folders
    link = tmp_path / "link.png"
    link.symlink_to(next(originals.glob("*.png")))
    (item,) = deidentify([link], out, private)[0]
    assert item.refusal is None


def test_a_lost_key_is_told_and_another_one_refused(folders):
    originals, out, private = folders
    _, desk = deidentify([originals], out, private)
    desk.key_path.unlink()
    with pytest.raises(DeidentificationError, match="If it is lost"):
        deidentify([originals], out, private)
    desk.key_path.write_text("0" * 64)
    os.chmod(desk.key_path, 0o600)
    with pytest.raises(DeidentificationError, match="another key"):
        deidentify([originals], out, private)


def test_originals_copies_and_private_folder_lie_apart(folders):
    originals, out, _ = folders
    for paths, target, private in (
        ([originals], out, out / "private"),
        ([originals], out, out),
        ([originals], out, originals / "private"),
        ([originals], originals, out),
        ([originals], originals / "out", out),
        ([originals.parent], out, originals.parent.parent / "private"),
    ):
        with pytest.raises(DeidentificationError, match="three folders apart"):
            deidentify(paths, target, private)
    assert list(out.iterdir()) == []


def test_decisions_that_cannot_be_read_are_refused(folders):
    originals, out, private = folders
    _, desk = deidentify([originals], out, private)
    desk.decisions_path.write_text("# a word\nrelease everything now\n")
    with pytest.raises(DeidentificationError, match="line 2"):
        deidentify([originals], out, private)


def test_reviews_without_their_film_and_other_files_are_refused(folders):
    originals, out, private = folders
    (originals / PICTURE).unlink()
    save_review(review_of(PICTURE), originals / f"{PICTURE}.rxreview.json")
    (originals / "broken.rxreview.json").write_text("{")
    (originals / "notes.txt").write_text("a name")
    items = by_name(deidentify([originals], out, private)[0])
    assert "not among the files" in items[f"{PICTURE}.rxreview.json"].refusal.found
    assert isinstance(items["broken.rxreview.json"].refusal, ReviewFileError)
    assert isinstance(items["notes.txt"].refusal, RxMeasureError)
    assert copies(out) == [".dcm"]
