"""The review verb: files kept, verdict table, several films, changed images, failed writing."""

from __future__ import annotations

import html
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

FILM = "adequate_premolar.png"
OTHER = "voids_canine.png"
NO_SCALE = "curved_molar.tif"
REVIEW = FILM + ".rxreview.json"


def test_keeps_a_review_beside_the_image_and_prints_the_table(run, sample_copy, contents) -> None:
    folder = sample_copy()
    before = contents(folder)
    result = run("review", folder / FILM)
    assert result.code == 0, result.stderr
    after = contents(folder)
    assert set(after) - set(before) == {REVIEW}
    assert {name: after[name] for name in before} == before
    text = result.stdout
    for expected in ("zero_two 1, length", "± ", "file of known length", "Scale: ", "Cautions"):
        assert expected in text
    assert re.search(r"[✓✗≈–] (met|not met|borderline|cannot be judged)", text)
    assert str(folder / REVIEW) in text


def test_json_is_the_review_file(run, sample_copy) -> None:
    folder = sample_copy()
    result = run("review", folder / FILM, "--json")
    assert result.stderr == ""
    (film,) = result.document["films"]
    kept = json.loads((folder / REVIEW).read_text(encoding="utf-8"))
    assert film["review"] == kept["review"]
    assert film["refusal"] is None
    assert film["written"] == [str(folder / REVIEW)]


def test_text_and_json_say_the_same(run, sample_copy) -> None:
    folder = sample_copy()
    verdicts = run("review", folder / FILM, "--json").document["films"][0]["review"]["verdicts"]
    rows = re.findall(r"^  \S+ +(\w+) \S+?(?:, ([\w ]+?))?  +[✓✗≈–] ([a-z ]+)", run(
        "review", folder / FILM
    ).stdout, flags=re.MULTILINE)  # fmt: skip
    assert [(r[0], r[2].strip()) for r in rows] == [(v["rule_id"], v["outcome"]) for v in verdicts]


def test_out_folder_and_report(run, sample_copy, tmp_path: Path) -> None:
    folder = sample_copy()
    before = sorted(folder.iterdir())
    result = run("review", folder / FILM, "--out", tmp_path / "new" / "out", "--report")
    assert result.code == 0, result.stderr
    assert sorted(folder.iterdir()) == before
    written = {p.name: p for p in (tmp_path / "new" / "out").iterdir()}
    assert set(written) == {REVIEW, FILM + ".html", FILM + ".pdf"}
    assert written[FILM + ".pdf"].read_bytes().startswith(b"%PDF")
    assert "<svg" in written[FILM + ".html"].read_text(encoding="utf-8")
    page = run(
        "report", folder / FILM, "--review", written[REVIEW], "--out", tmp_path / "again",
        "--notation", "universal", "--decimal-comma", "--title", "Seminar", "--json",
    )  # fmt: skip
    assert page.code == 0, page.stderr
    text = Path(page.document["written"][0]).read_text(encoding="utf-8")
    assert "Seminar" in text
    assert "Universal" in text


def test_report_finds_a_turned_image_again(run, sample_copy) -> None:
    folder = sample_copy()
    assert run("review", folder / FILM, "--invert").code == 0
    reason = json.loads((folder / REVIEW).read_text(encoding="utf-8"))["review"]["polarity_reason"]
    assert "switch" in reason
    page = run("report", folder / FILM, "--json")
    assert page.code == 0, page.stderr
    assert reason in html.unescape(Path(page.document["written"][0]).read_text(encoding="utf-8"))


def test_folder_means_its_images_with_marks(run, sample_copy, tmp_path: Path) -> None:
    folder = sample_copy(FILM, OTHER)
    (folder / "unmarked.png").write_bytes((folder / FILM).read_bytes())
    document = run("review", folder, "--out", tmp_path / "out", "--json").document
    assert [Path(f["file"]).name for f in document["films"]] == [FILM, OTHER]
    empty = tmp_path / "empty"
    empty.mkdir()
    assert run("review", empty, "--json").error["exit_code"] == 5
    (folder / FILM).unlink()
    assert run("review", folder, "--json").error["exit_code"] == 5


def test_films_of_one_tooth_and_visit_stand_together(run, sample_copy) -> None:
    """The preoperative film comes first, whatever order they were given in."""
    folder = sample_copy(FILM)
    marks = folder / FILM.replace(".png", ".marks.toml")
    for name, kind in (("b", "preoperative"), ("a", "recall")):
        (folder / f"{name}.png").write_bytes((folder / FILM).read_bytes())
        text = marks.read_text(encoding="utf-8").replace("post-operative", kind)
        (folder / f"{name}.marks.toml").write_text(text, encoding="utf-8")
    text = run("review", folder / "a.png", folder / FILM, folder / "b.png").stdout
    assert "3 films" in text
    places = [text.index(f"{n} | ") for n in ("b.png", FILM, "a.png")]
    assert places == sorted(places)


def test_one_refusal_among_several_leaves_the_others(run, sample_copy) -> None:
    folder = sample_copy(FILM, OTHER)
    (folder / OTHER).write_bytes(b"not an image")
    result = run("review", folder, "--json")
    assert result.code == 10
    done, refused = result.document["films"]
    assert done["review"] is not None
    assert refused["review"] is None
    assert refused["refusal"]["exit_code"] == 3
    assert result.error["file"] == str(folder / OTHER)
    assert not (folder / (OTHER + ".rxreview.json")).exists()
    text = run("review", folder)
    assert text.code == 10
    assert "Refused: " in text.stderr
    assert "Needed: " in text.stderr
    (folder / FILM).write_bytes(b"not an image either")
    assert run("review", folder).code == 3


def test_clicks_belong_to_one_image(run, sample_copy) -> None:
    folder = sample_copy(FILM, OTHER)
    both = [folder / FILM, folder / OTHER]
    assert run("review", *both, "--click", "1,1", "--click", "50,50").code == 2
    twin = sample_copy(FILM, folder="twin")
    assert run("review", folder / FILM, twin / FILM, "--out", folder / "out").code == 2


def test_overrides_are_kept_and_not_silently_lost(run, sample_copy, contents) -> None:
    folder = sample_copy()
    own = run("review", folder / FILM, "--json").document["films"][0]["review"]["verdicts"][0]
    other = "met" if own["outcome"] == "not met" else "not met"
    reason = "seen otherwise on a shifted view"
    override = ["--override", "single", f"{own['rule_id']}/{own['field']}", other, reason]
    changed = run("review", folder / FILM, *override, "--json")
    assert changed.code == 0, changed.stderr
    verdict = changed.document["films"][0]["review"]["verdicts"][0]
    assert verdict["outcome"] == other
    assert verdict["overridden_by"] == reason
    assert verdict["tool_outcome"] == own["outcome"]
    before = contents(folder)
    refused = run("review", folder / FILM, "--json")
    assert refused.code == 7
    assert contents(folder) == before
    kept = run("review", folder / FILM, "--marks", folder / REVIEW)
    assert kept.code == 0
    assert f"Changed by the reader: {reason}" in " ".join(kept.stdout.split())
    dropped = run("review", folder / FILM, "--replace", "--json")
    assert dropped.code == 0
    assert dropped.document["films"][0]["review"]["verdicts"][0]["overridden_by"] == ""
    no_reason = run("review", folder / FILM, *override[:-1], " ", "--json")
    assert no_reason.code == 5


def test_changed_image_is_refused_until_a_reason_is_given(run, sample_copy, contents) -> None:
    folder = sample_copy()
    assert run("review", folder / FILM).code == 0
    with (folder / FILM).open("ab") as file:  # same picture, other bytes
        file.write(b"\0")
    before = contents(folder)
    for verb in ("review", "report"):
        refused = run(verb, folder / FILM, "--json")
        assert refused.code == 8
        assert refused.error["type"] == "ImageChangedError"
        assert refused.error["overridable"] is True
        assert contents(folder) == before
    reason = ["--image-changed-reason", "saved again by the archive"]
    page = run("report", folder / FILM, *reason, "--json")
    assert page.code == 0, page.stderr
    assert reason[1] in Path(page.document["written"][0]).read_text(encoding="utf-8")
    done = run("review", folder / FILM, *reason)
    assert done.code == 0, done.stderr
    assert "Passed over (image-changed): saved again by the archive" in done.stdout
    # The record stays when the film is reviewed again.
    assert run("review", folder / FILM).code == 0
    kept = json.loads((folder / REVIEW).read_text(encoding="utf-8"))["review"]["marks"]["overrides"]
    assert [o["reason"] for o in kept] == [reason[1]]


def test_marks_of_an_earlier_review_serve_again(run, sample_copy) -> None:
    """Judged again by another rule, with no need to click again."""
    folder = sample_copy(marks=False)
    clicks = ["--kind", "post-operative", "--click", "75,242", "--click", "531,254"]
    first = run("review", folder / FILM, *clicks, "--json").document["films"][0]["review"]
    again = run("review", folder / FILM, "--rule", "half_two", "--json")
    assert again.code == 0, again.stderr
    second = again.document["films"][0]["review"]
    assert second["marks"]["canals"] == first["marks"]["canals"]
    assert {v["rule_id"] for v in second["verdicts"]} == {"half_two"}


def test_marks_of_a_renamed_review_know_their_image(run, sample_copy, tmp_path: Path) -> None:
    folder = sample_copy(FILM, OTHER)
    assert run("review", folder / FILM).code == 0
    renamed = tmp_path / "marks.json"
    renamed.write_bytes((folder / REVIEW).read_bytes())
    assert run("review", folder / OTHER, "--marks", renamed, "--json").code == 8


def test_damaged_earlier_review_is_not_written_over(run, sample_copy, contents) -> None:
    folder = sample_copy()
    (folder / REVIEW).write_text('{"format": "something else"}', encoding="utf-8")
    before = contents(folder)
    refused = run("review", folder / FILM, "--json")
    assert refused.code == 7
    assert contents(folder) == before


def test_full_disk(run_outside, sample_copy, contents) -> None:
    """A limit on the size of files stands for a disk without room."""
    folder = sample_copy()
    (folder / REVIEW).unlink(missing_ok=True)
    before = contents(folder)
    result = run_outside("review", folder / FILM, "--json", limit_file_bytes=4096)
    assert result.code == 9, result.stderr
    assert contents(folder) == before
    assert "no space" in result.error["found"]
    # The numbers are not lost: they are on stdout.
    (film,) = result.document["films"]
    assert film["review"]["verdicts"]
    assert film["written"] == []


_AS_NOBODY = """
import os, sys
from pathlib import Path
from rxmeasure.cli.main import main
film, writable, locked = sys.argv[1:]
assert main(["review", film, "--out", writable, "--json"], standalone_mode=False) == 0
if os.getuid() == 0:
    os.setuid(65534)
print("----")
sys.exit(main(["review", film, "--out", locked, "--json"], standalone_mode=False))
"""


def test_folder_that_must_not_be_written(sample_copy, contents) -> None:
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        root.chmod(0o755)
        film = root / FILM
        for source in sample_copy().iterdir():
            (root / source.name).write_bytes(source.read_bytes())
        locked = root / "locked"
        locked.mkdir()
        locked.chmod(0o555)
        done = subprocess.run(
            [sys.executable, "-c", _AS_NOBODY, str(film), str(root / "open"), str(locked)],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            env={**os.environ, "TMPDIR": "/tmp"},
        )
        assert done.returncode == 9, done.stderr
        assert json.loads(done.stderr)["error"]["type"] == "WriteError"
        assert contents(locked) == {}
        film_record = json.loads(done.stdout.split("----\n")[1])["films"][0]
        assert film_record["review"]["verdicts"]
        locked.chmod(0o755)


def test_ctrl_c_stops_clean(sample_copy, tmp_path: Path) -> None:
    folder = sample_copy()
    marks = (folder / FILM.replace(".png", ".marks.toml")).read_bytes()
    for k in range(40):
        (folder / f"{k:02d}.png").write_bytes((folder / FILM).read_bytes())
        (folder / f"{k:02d}.marks.toml").write_bytes(marks)
    out = tmp_path / "out"
    # A shell's background job is started deaf to Ctrl-C; this one shall hear it.
    hears = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    with subprocess.Popen(
        [sys.executable, "-c", hears + "from rxmeasure.cli.main import main; main()"]
        + ["review", str(folder), "--out", str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        waited = time.monotonic() + 60.0
        while not (out.is_dir() and list(out.glob("*.json"))) and time.monotonic() < waited:
            time.sleep(0.02)
        process.send_signal(signal.SIGINT)
        try:
            stdout, stderr = process.communicate(timeout=60)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
    assert process.returncode == 130, stderr
    assert "Stopped" in stderr
    assert "Traceback" not in stdout + stderr
    for path in out.iterdir():
        assert path.name.endswith(".rxreview.json")
        json.loads(path.read_text(encoding="utf-8"))
    assert 0 < len(list(out.iterdir())) < 41


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_signs_never_stop_the_work(sample_copy, encoding: str) -> None:
    folder = sample_copy()
    done = subprocess.run(
        [sys.executable, "-m", "rxmeasure.cli.main", "review", str(folder / FILM)],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": encoding},
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert b"met" in done.stdout


def test_hostile_text_cannot_steer_the_terminal(run, sample_copy) -> None:
    folder = sample_copy()
    marks = folder / FILM.replace(".png", ".marks.toml")
    text = marks.read_text(encoding="utf-8")
    text = text.replace('name = "single"', 'name = "a\\u001b[2Jb\\u202ec"')
    marks.write_text(text, encoding="utf-8")
    result = run("review", folder / FILM)
    assert result.code == 0, result.stderr
    assert "\x1b" not in result.stdout
    assert "\u202e" not in result.stdout


def test_proposed_canals_are_called_not_confirmed(run, sample_copy) -> None:
    folder = sample_copy(FILM, marks=False)
    result = run("review", folder / FILM, "--kind", "recall", "--propose", "--report")
    assert result.code == 0, result.stderr
    review = json.loads((folder / REVIEW).read_text(encoding="utf-8"))["review"]
    assert [c["origin"] for c in review["marks"]["canals"]] == ["not confirmed"]
    assert review["verdicts"]
    assert not any(v["confirmed"] for v in review["verdicts"])
    assert not any(s["confirmed"] for s in review["tooth_summaries"])
    verdicts = re.findall(r"[✓✗≈–] (?:met|not met|borderline|cannot be judged).*", result.stdout)
    assert len(verdicts) == len(review["verdicts"])
    assert all("(not confirmed)" in verdict for verdict in verdicts)
    assert "no person has confirmed them" in " ".join(result.stdout.split())
    page = (folder / (FILM + ".html")).read_text(encoding="utf-8")
    assert page.count("(not confirmed)") >= len(review["verdicts"])


def test_canals_that_are_marked_are_not_proposed_over(run, sample_copy) -> None:
    folder = sample_copy(FILM)
    result = run("review", folder / FILM, "--propose", "--json")
    (film,) = result.document["films"]
    assert [c["origin"] for c in film["review"]["marks"]["canals"]] == ["by hand"]
    assert all(v["confirmed"] for v in film["review"]["verdicts"])


def test_only_filled_canals_are_proposed(run, sample_copy) -> None:
    folder = sample_copy(FILM, marks=False)
    result = run("review", folder / FILM, "--kind", "working-length", "--propose", "--json")
    assert result.code == 5
    assert "working-length" in result.error["found"]
    assert not (folder / REVIEW).exists()
