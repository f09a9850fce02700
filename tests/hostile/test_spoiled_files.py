"""Spoiled pictures and kept files: opened or refused, never anything else."""

from __future__ import annotations

import warnings
from collections import Counter
from pathlib import Path

import spoiled_files

COUNT = 2000


def test_spoiled_pictures_marks_drafts_rules_rubrics_and_ratings(tmp_path: Path) -> None:
    files = spoiled_files.seeds()
    found: Counter[str] = Counter()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for number in range(40_000, 40_000 + COUNT):
            word, seconds = spoiled_files.outcome(number, files, tmp_path)
            found[word] += 1
            assert seconds < spoiled_files.SECONDS_PER_FILE
    # The changes leave some files whole and spoil others, of every kind.
    assert {word for word in found if word.startswith("refused")} == {
        f"refused {opened.__name__}" for _, _, opened in files
    }
    assert sum(n for word, n in found.items() if word.startswith("opened")) > COUNT // 20
