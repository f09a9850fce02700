"""Unfinished work survives a crash, another window and a folder that cannot be written."""

from __future__ import annotations

import errno
import os
import random
import signal
import subprocess
import sys
import tempfile
import textwrap
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest
from rxmeasure_napari.autosave import Autosave, DraftTakenError

from rxmeasure.errors import ReviewFileError, WriteError
from rxmeasure.marks import CanalMarks, FilmKind, ReviewMarks
from rxmeasure.radiograph import ImageSource
from rxmeasure.record.draft import FILM_DRAFTS, Draft, load_draft, save_draft

SHA = "ab" * 32
BEGUN = Draft(
    image=ImageSource(
        file_name="film.png", format="PNG", sha256=SHA, rows=300, columns=400, bits=8, lossy=False
    ),
    inverted=False,
    marks=ReviewMarks(film_kind=FilmKind.POSTOPERATIVE),
    canal="MB",
    step="canals",
    saved_utc="2025-03-01T09:30:00+00:00",
    software_version="0.1.0",
)


def edit(k: int, at: str = "09:30:00") -> Draft:
    """The draft after the k-th edit."""
    canal = CanalMarks(name="MB", clicks_px=((float(k), 1.0),))
    return replace(
        BEGUN,
        marks=replace(BEGUN.marks, canals=(canal,)),
        saved_utc=f"2025-03-01T{at}+00:00",
    )


@pytest.fixture
def image(tmp_path: Path) -> Path:
    folder = tmp_path / "films"
    folder.mkdir()
    return folder / "film.png"


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "state" / "drafts"


def beside(image: Path) -> Path:
    return image.with_name("film.png.rxdraft.json")


def own(state: Path) -> Path:
    return state / f"{SHA}.rxdraft.json"


def without_writing(image: Path) -> Path:
    """An image whose folder takes no draft, for the superuser too: there is none."""
    return image.parent / "gone" / "film.png"


def _run(code: str, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), *arguments],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, **environment},
    )


# --- two places -----------------------------------------------------------------------------


def test_the_draft_lies_beside_the_image_and_is_dropped(image: Path, state: Path) -> None:
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    assert autosave.find() is None
    assert autosave.write(edit(1))
    assert autosave.write(edit(2))
    assert os.listdir(image.parent) == [beside(image).name]
    assert not state.exists()
    assert Autosave(FILM_DRAFTS, image, SHA, state_folder=state).find() == edit(2)
    autosave.drop()
    assert os.listdir(image.parent) == []
    assert Autosave(FILM_DRAFTS, image, SHA, state_folder=state).find() is None
    assert autosave.write(edit(3))  # the work may go on after the review was kept


def test_a_folder_that_cannot_be_written_leaves_the_state_folder(image: Path, state: Path) -> None:
    image = without_writing(image)
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    assert autosave.write(edit(1))
    assert autosave.write(edit(2))
    assert os.listdir(state) == [own(state).name]
    assert state.stat().st_mode & 0o077 == 0
    assert Autosave(FILM_DRAFTS, image, SHA, state_folder=state).find() == edit(2)
    autosave.drop()
    assert os.listdir(state) == []


_AS_PLAIN_USER = """
    import os, sys
    from pathlib import Path
    from rxmeasure.record.draft import FILM_DRAFTS, load_draft
    from rxmeasure_napari.autosave import Autosave

    image, sha256, state, given = sys.argv[1:]
    draft = load_draft(given)
    FILM_DRAFTS.as_bytes(draft)  # imports what a plain user may not read
    if os.getuid() == 0:
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)
    autosave = Autosave(FILM_DRAFTS, image, sha256, state_folder=Path(state))
    autosave.find()
    print(autosave.write(draft))
"""


def test_a_read_only_folder_leaves_the_state_folder() -> None:
    with tempfile.TemporaryDirectory() as name:  # a plain user may enter it
        image, state, given = (Path(name) / part for part in ("films/film.png", "home", "given"))
        image.parent.mkdir()
        state.mkdir()
        state.chmod(0o777)
        save_draft(edit(2), given)
        Autosave(FILM_DRAFTS, image, SHA, state_folder=state).write(edit(1))
        Path(name).chmod(0o755)
        image.parent.chmod(0o555)
        try:
            done = _run(_AS_PLAIN_USER, str(image), SHA, str(state), str(given))
        finally:
            image.parent.chmod(0o755)
        assert done.stdout == "True\n", done.stderr
        assert load_draft(beside(image)) == edit(1)
        # Both are of one second: the later is known all the same.
        assert load_draft(own(state)) == edit(2)
        assert Autosave(FILM_DRAFTS, image, SHA, state_folder=state).find() == edit(2)


def test_a_name_too_long_for_a_draft_beside_leaves_the_state_folder(
    image: Path, state: Path
) -> None:
    image = image.with_name("x" * 246 + ".png")
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    assert autosave.find() is None
    assert autosave.write(edit(1))
    assert Autosave(FILM_DRAFTS, image, SHA, state_folder=state).find() == edit(1)


@pytest.mark.parametrize(("first", "second"), [("09:30:05", "09:30:04"), ("09:30:04", "09:30:05")])
def test_the_newest_of_both_places_is_found(
    image: Path, state: Path, first: str, second: str
) -> None:
    state.mkdir(parents=True)
    save_draft(edit(1, first), beside(image))
    save_draft(edit(2, second), own(state))
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    assert autosave.find() == (edit(1, first) if first > second else edit(2, second))
    assert autosave.write(edit(3))
    autosave.drop()
    assert not beside(image).exists()
    assert not own(state).exists()


def test_a_draft_of_this_image_comes_before_one_of_another(image: Path, state: Path) -> None:
    other = replace(edit(1, "23:00:00"), image=replace(BEGUN.image, sha256="cd" * 32))
    save_draft(other, beside(image))
    assert Autosave(FILM_DRAFTS, image, SHA, state_folder=state).find() == other
    state.mkdir(parents=True)
    save_draft(edit(2), own(state))
    assert Autosave(FILM_DRAFTS, image, SHA, state_folder=state).find() == edit(2)


def test_the_users_own_state_folder(image: Path, tmp_path: Path) -> None:
    code = """
        import sys
        from rxmeasure.record.draft import FILM_DRAFTS, load_draft
        from rxmeasure_napari.autosave import Autosave
        print(Autosave(FILM_DRAFTS, sys.argv[1], sys.argv[2]).write(load_draft(sys.argv[3])))
    """
    save_draft(edit(1), beside(image))
    done = _run(
        code, str(without_writing(image)), SHA, str(beside(image)),
        HOME=str(tmp_path), XDG_STATE_HOME=str(tmp_path / "state"),
    )  # fmt: skip
    assert done.stdout == "True\n", done.stderr
    (found,) = tmp_path.glob(f"**/rxmeasure/**/{SHA}.rxdraft.json")
    assert load_draft(found) == edit(1)


# --- two windows on one film ----------------------------------------------------------------


def test_a_draft_that_another_window_wrote_is_not_overwritten(image: Path, state: Path) -> None:
    one, two = (Autosave(FILM_DRAFTS, image, SHA, state_folder=state) for _ in range(2))
    assert one.find() is None
    assert two.find() is None
    assert one.write(edit(1))
    for _ in range(2):
        with pytest.raises(DraftTakenError) as caught:
            two.write(edit(2))
        assert caught.value.overridable
        assert load_draft(beside(image)) == edit(1)
    two.drop()
    assert load_draft(beside(image)) == edit(1)
    two.take_over()
    assert two.write(edit(2))
    assert two.write(edit(3))
    with pytest.raises(DraftTakenError):
        one.write(edit(4))
    assert load_draft(beside(image)) == edit(3)


def test_the_state_folder_is_guarded_too(image: Path, state: Path) -> None:
    one, two = (
        Autosave(FILM_DRAFTS, without_writing(image), SHA, state_folder=state) for _ in range(2)
    )
    assert one.write(edit(1))
    with pytest.raises(DraftTakenError):
        two.write(edit(2))
    two.take_over()
    assert two.write(edit(2))


def test_a_draft_that_was_found_may_be_overwritten_and_dropped(image: Path, state: Path) -> None:
    Autosave(FILM_DRAFTS, image, SHA, state_folder=state).write(edit(1))
    again = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    with pytest.raises(DraftTakenError):
        again.write(edit(2))  # not read yet
    assert again.find() == edit(1)
    assert again.write(edit(2))
    third = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    third.find()
    third.drop()
    assert not beside(image).exists()
    assert again.write(edit(3))  # dropped by another window: nothing there to lose


# --- damage ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "raw", [b"", b"{}", b'{"format": "rxmeasure-draft", "format_version": 99}', b"\xff\x00", None]
)
def test_a_damaged_draft_is_set_aside_and_told(image: Path, state: Path, raw: bytes | None) -> None:
    save_draft(edit(1), beside(image))
    damage = beside(image).read_bytes()[:-20] if raw is None else raw
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    for aside in ("film.png.rxdraft.json.damaged", "film.png.rxdraft.json.damaged2"):
        beside(image).write_bytes(damage)
        assert autosave.find() is None
        (warning,) = autosave.warnings
        assert warning.code == "draft-set-aside"
        assert f"as {aside}:" in warning.text
        assert image.with_name(aside).read_bytes() == damage
        assert not beside(image).exists()
    assert autosave.write(edit(2))
    assert autosave.find() == edit(2)
    assert autosave.warnings == ()


def test_behind_a_damaged_draft_the_other_place_is_found(image: Path, state: Path) -> None:
    state.mkdir(parents=True)
    beside(image).write_bytes(b"{")
    save_draft(edit(1), own(state))
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    assert autosave.find() == edit(1)
    assert len(autosave.warnings) == 1
    assert len(os.listdir(image.parent)) == 1  # what was set aside


def test_what_is_no_file_is_left_alone(image: Path, state: Path) -> None:
    beside(image).mkdir()
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    assert autosave.find() is None
    assert autosave.write(edit(1))
    assert load_draft(own(state)) == edit(1)
    assert beside(image).is_dir()


# --- writing fails --------------------------------------------------------------------------


def test_a_failure_is_told_once_per_cause(image: Path, tmp_path: Path) -> None:
    no_folder = tmp_path / "file"
    no_folder.write_bytes(b"")
    there = image.parent
    there.rmdir()
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=no_folder / "drafts")
    with pytest.raises(WriteError, match="beside the image no folder") as caught:
        autosave.write(edit(1))
    assert str(no_folder) in caught.value.found
    assert not autosave.write(edit(2))
    there.write_bytes(b"")  # another cause is told
    no_folder.unlink()
    no_folder.mkdir()
    (no_folder / "drafts").mkdir()
    (no_folder / "drafts" / f"{SHA}.rxdraft.json").mkdir()
    with pytest.raises(WriteError, match="is a folder"):
        autosave.write(edit(3))
    assert not autosave.write(edit(3))
    there.unlink()
    there.mkdir()
    assert autosave.write(edit(4))
    assert load_draft(beside(image)) == edit(4)
    beside(image).unlink()
    there.rmdir()
    with pytest.raises(WriteError):  # it was well in between: told again
        autosave.write(edit(5))


def test_a_full_disk_is_told_and_the_older_draft_stays(image: Path, state: Path) -> None:
    code = """
        import resource, signal, sys
        from dataclasses import replace
        from pathlib import Path
        from rxmeasure.errors import WriteError
        from rxmeasure.record.draft import FILM_DRAFTS
        from rxmeasure_napari.autosave import Autosave
        autosave = Autosave(FILM_DRAFTS, sys.argv[1], sys.argv[2], state_folder=Path(sys.argv[3]))
        draft = autosave.find()
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100, resource.RLIM_INFINITY))
        try:
            autosave.write(replace(draft, step="fill"))
        except WriteError as error:
            print(error.found)
        print(autosave.write(replace(draft, step="fill")))
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
        print(autosave.write(replace(draft, step="verdict")))
    """
    Autosave(FILM_DRAFTS, image, SHA, state_folder=state).write(edit(1))
    done = _run(code, str(image), SHA, str(state))
    told, *written = done.stdout.splitlines()
    assert told.count("no space left") == 2, done.stderr
    assert written == ["False", "True"]
    assert load_draft(beside(image)) == replace(edit(1), step="verdict")
    assert os.listdir(state) == []


def test_a_disk_that_fails_after_the_file_is_in_place_is_no_other_window(
    image: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_: Path) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    with monkeypatch.context() as disk:
        disk.setattr("rxmeasure.atomic._sync_folder", fails)
        with pytest.raises(WriteError, match="could not be written"):
            autosave.write(edit(1))
    assert load_draft(beside(image)) == edit(1)
    assert autosave.write(edit(2))


def test_what_cannot_be_kept_is_told_once(image: Path, state: Path) -> None:
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    assert autosave.write(edit(1))
    nowhere = CanalMarks(name="MB", clicks_px=((float("nan"), 1.0),))
    bad = replace(BEGUN, marks=replace(BEGUN.marks, canals=(nowhere,)))
    with pytest.raises(ReviewFileError, match="not finite"):
        autosave.write(bad)
    assert not autosave.write(bad)
    assert load_draft(beside(image)) == edit(1)


# --- threads and crashes --------------------------------------------------------------------


def test_calls_of_several_threads_do_not_mix(image: Path, state: Path) -> None:
    autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
    results: list[bool | Exception] = []

    def work(start: int) -> None:
        for k in range(start, start + 25):
            try:
                results.append(autosave.write(edit(k)))
            except Exception as fault:  # noqa: BLE001 - told by the assertion below
                results.append(fault)

    threads = [threading.Thread(target=work, args=(100 * k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert results == [True] * 100
    assert autosave.find() is not None


#: Edits without end; tells the number of each edit once it is on the disk.
_EDITING = """
    import sys
    from dataclasses import replace
    from pathlib import Path
    from rxmeasure.marks import CanalMarks
    from rxmeasure.record.draft import FILM_DRAFTS
    from rxmeasure_napari.autosave import Autosave

    image, sha256, state = sys.argv[1:]
    autosave = Autosave(FILM_DRAFTS, image, sha256, state_folder=Path(state))
    draft = autosave.find()
    k = int(draft.marks.canals[0].clicks_px[0][0])
    while True:
        k += 1
        canals = tuple(
            CanalMarks(name=name, clicks_px=tuple((float(k), float(j)) for j in range(40)))
            for name in ("MB", "ML", "DB", "DL")
        )
        autosave.write(replace(draft, marks=replace(draft.marks, canals=canals)))
        print(k, flush=True)
"""


def test_after_a_kill_the_draft_is_the_last_edit_told_or_the_next(image: Path, state: Path) -> None:
    rng = random.Random(5)
    Autosave(FILM_DRAFTS, image, SHA, state_folder=state).write(edit(0))
    last_found, caught_in_the_middle = 0, 0
    for _ in range(30):
        child = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(_EDITING), str(image), SHA, str(state)],
            stdout=subprocess.PIPE,
        )
        assert child.stdout is not None
        told = child.stdout.readline()
        time.sleep(rng.uniform(0.0, 0.05))
        child.send_signal(signal.SIGKILL)
        rest, _ = child.communicate()
        # A line that was cut off by the kill is not an edit told.
        lines = (told + rest).decode().split("\n")[:-1]
        last_told = int(lines[-1])
        assert last_told > last_found
        autosave = Autosave(FILM_DRAFTS, image, SHA, state_folder=state)
        found = autosave.find()
        assert found is not None
        assert autosave.warnings == ()
        rows = {row for canal in found.marks.canals for row, _ in canal.clicks_px}
        assert len(found.marks.canals) == 4
        assert len(rows) == 1
        (last_found,) = (int(row) for row in rows)
        assert last_found in (last_told, last_told + 1)
        parts = list(image.parent.glob(".*.part"))
        caught_in_the_middle += len(parts)
        for part in parts:
            part.unlink()
    assert caught_in_the_middle, "no child was killed in the middle of a write"
    assert not state.exists()
