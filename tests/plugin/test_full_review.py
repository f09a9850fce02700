"""The whole review in a real window, by mouse and keys alone."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest
from plugin.window import CONTROL, Key, OpenReader, film_of, marks_of, open_reader

from rxmeasure.record.review_file import load_review, review_path

__all__ = ["film_of", "marks_of", "open_reader"]

MOST_ACTIONS = 12


@pytest.mark.parametrize("name", ["adequate_premolar.png", "voids_canine.png"])
def test_twelve_actions_give_what_the_command_gives(
    name: str,
    open_reader: OpenReader,
    film_of: Callable[[str], Path],
    marks_of: Callable[[str], Any],
    tmp_path: Path,
) -> None:
    film = film_of(name)
    reader = open_reader(film)
    reader.review(marks_of(name))
    reader.on_picture(Key.Key_Return, CONTROL)
    reader.wait(review_path(film).exists)
    assert reader.actions <= MOST_ACTIONS
    assert reader.film.kept == reader.film.work

    kept = load_review(review_path(film))
    assert kept.marks == reader.marks
    assert kept == reader.film.review
    assert kept.canals[0].fill_to_apex_core.value_mm is not None

    marks = tmp_path / "given.marks.json"
    document = json.loads(review_path(film).read_text(encoding="utf-8"))
    marks.write_text(json.dumps(document["review"]["marks"]), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "rxmeasure.cli.main", "review", str(film)]
        + ["--marks", str(marks), "--out", str(tmp_path / "out"), "--json"],
        capture_output=True,
        encoding="utf-8",
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    printed = load_review(tmp_path / "out" / review_path(film).name)
    assert_same(asdict(kept), asdict(replace(printed, created_utc=kept.created_utc)))
    assert kept.verdicts == printed.verdicts


def assert_same(one: Any, other: Any, place: str = "review") -> None:
    """All equal; numbers to 1e-6."""
    assert type(one) is type(other), place
    if isinstance(one, dict):
        assert one.keys() == other.keys(), place
        for key in one:
            assert_same(one[key], other[key], f"{place}.{key}")
    elif isinstance(one, list | tuple):
        assert len(one) == len(other), place
        for k, (a, b) in enumerate(zip(one, other, strict=True)):
            assert_same(a, b, f"{place}[{k}]")
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-6, abs=1e-6), place
    else:
        assert one == other, place
