"""A window that is killed in the middle of the work loses the last edit at most."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from plugin.crash_child import CORNERS, NUDGES, digest
from plugin.window import OpenReader, film_of, marks_of, open_reader

from rxmeasure.record.draft import draft_path, load_draft
from rxmeasure.record.series_draft import SERIES_DRAFTS

__all__ = ["film_of", "marks_of", "open_reader"]

CHILD = Path(__file__).with_name("crash_child.py")
NAME = "adequate_premolar.png"
KILLS = 5
#: Each begins a window with two films.
SERIES_KILLS = 3
#: Edits of the child: two clicks and a length, three clicks, and its nudges.
EDITS = 6 + NUDGES
#: The same for visits: both films, two dates, the corners, and its nudges.
SERIES_EDITS = 3 + len(CORNERS) + NUDGES


def _killed(*paths: Path, after_edit: int) -> tuple[list[str], int]:
    """Marks after each edit that was begun, and how many were shown before the kill."""
    begun: list[str] = []
    shown = 0
    with subprocess.Popen(
        [sys.executable, str(CHILD), *map(str, paths)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        encoding="utf-8",
    ) as child:
        assert child.stdout is not None
        for line in iter(child.stdout.readline, ""):
            if line.strip() == "shown":
                shown += 1
                if shown == after_edit:
                    child.send_signal(signal.SIGKILL)
            else:
                begun.append(line.strip())
    assert child.returncode == -signal.SIGKILL
    return begun, shown


@pytest.fixture(scope="module")
def marks_file(sample_images: Path) -> Path:
    return (sample_images / NAME).with_suffix(".marks.toml")


def test_killed_at_any_edit_the_work_up_to_the_last_is_there(
    marks_file: Path,
    tmp_path: Path,
    sample_images: Path,
    open_reader: OpenReader,
) -> None:
    rng = random.Random(11)
    for k in range(KILLS):
        folder = tmp_path / str(k)
        folder.mkdir()
        film = Path(shutil.copy(sample_images / NAME, folder))
        begun, shown = _killed(film, marks_file, after_edit=rng.randrange(3, EDITS))
        kept = digest(load_draft(draft_path(film)).marks)
        assert kept in begun[shown - 2 :], f"killed when {shown} edits were shown"

    draft = load_draft(draft_path(film))
    reader = open_reader(film)
    assert reader.marks == draft.marks
    assert reader.state.step == draft.step
    assert (reader.state.canal or "") == draft.canal
    assert "taken up" in reader.film.restored
    reader.press("rx_undo")
    assert reader.marks.canals == ()
    assert reader.marks.references == ()
    reader.press("rx_redo")
    assert reader.marks == draft.marks
    reader.measured()


def test_visits_of_a_killed_window_are_there_up_to_the_last_edit(
    tmp_path: Path, sample_images: Path, open_reader: OpenReader
) -> None:
    rng = random.Random(12)
    for k in range(SERIES_KILLS):
        folder = tmp_path / str(k)
        folder.mkdir()
        films = [Path(shutil.copy(sample_images / NAME, folder / f"visit-{n}.png")) for n in (1, 2)]
        with films[1].open("ab") as file:  # another image of the same pixels
            file.write(b"later")
        begun, shown = _killed(*films, after_edit=rng.randrange(2, SERIES_EDITS))
        draft = SERIES_DRAFTS.load(SERIES_DRAFTS.path(films[0]))
        assert digest(draft.marks) in begun[shown - 2 :], f"killed when {shown} edits were shown"

    reader = open_reader(films[0])
    series = reader.state.series
    reader.wait(lambda: len(reader.state.films) == 2)
    assert series.marks == draft.marks
    assert series.has_unkept_work
    assert series.undo_label == "unfinished visits"
    reader.press("rx_step_recall")
    reader.press("rx_undo")
    assert series.is_empty
    reader.wait(lambda: not SERIES_DRAFTS.path(films[0]).exists())
    reader.press("rx_redo")
    assert series.marks == draft.marks
    reader.wait(SERIES_DRAFTS.path(films[0]).exists)
    reader.measured()
