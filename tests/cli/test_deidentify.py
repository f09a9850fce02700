"""The verb deidentify: what it says, writes and refuses."""

from __future__ import annotations

import shutil
from pathlib import Path

from dicom_films import SAMPLES

from rxmeasure.cli.exit_codes import PARTLY_REFUSED


def test_the_verb(run, tmp_path: Path) -> None:
    originals, out = tmp_path / "originals", tmp_path / "out"
    originals.mkdir()
    for name in ("short_incisor.dcm", "voids_canine.png"):
        shutil.copy(SAMPLES / name, originals)
    result = run("deidentify", originals, "--out", out)
    assert result.code == 0
    assert "A new key was made" in result.stdout
    assert "look.txt" in result.stdout
    private = out.with_name("out-private")
    document = run("deidentify", originals, "--out", out, "--json").document
    assert document["private"] == str(private)
    assert not document["new_key"]
    assert [f["decision"] for f in document["files"]] == ["release", "look"]


def test_some_refused(run, tmp_path: Path) -> None:
    shutil.copy(SAMPLES / "short_incisor.dcm", tmp_path)
    (tmp_path / "notes.txt").write_text("a name")
    result = run(
        "deidentify", tmp_path / "short_incisor.dcm", tmp_path / "notes.txt",
        "--out", tmp_path / "out",
    )  # fmt: skip
    assert result.code == PARTLY_REFUSED
    assert "not a known picture" in result.stderr
