"""``rxmeasure compare``: from a file of visits, and from options."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

REFERENCE = """film_kind = "recall"
tooth = "36"
[[references]]
kind = "line"
points_px = [[10.0, 20.0], [10.0, 220.0]]
length_mm = 10.0
"""


def _outline(radius_px: float) -> str:
    t = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    points = [f"[{150 + radius_px * np.sin(a):.2f}, {130 + radius_px * np.cos(a):.2f}]" for a in t]
    return f"[{', '.join(points)}]"


@pytest.fixture
def visits(tmp_path: Path) -> Path:
    """Two films with their scale, and a file of visits beside them."""
    text = 'treated = "2021-03-01"\n'
    for number, radius in ((1, 60.0), (2, 40.0)):
        pixels = np.random.default_rng(number).integers(40, 200, (300, 260)).astype(np.uint8)
        Image.fromarray(pixels).save(tmp_path / f"{number}.png")
        (tmp_path / f"{number}.marks.toml").write_text(REFERENCE)
        text += (
            f'[[visits]]\nimage = "{number}.png"\ndate = "202{number}-03-01"\n'
            f'lesions = [{{ root = "M", outline_px = {_outline(radius)} }}]\n'
        )
    path = tmp_path / "case.toml"
    path.write_text(text)
    return path


def test_visits_from_a_file(run, visits: Path) -> None:
    out = visits.with_name("case.rxseries.json")
    done = run("compare", visits, "--out", out, "--decimal-comma")
    assert done.code == 0
    for words in (
        "Root M",
        "visit 1 to 2: reduced",
        "area",
        "least significant",
        "Next recall",
        "28,",
        "Cautions",
    ):
        assert words in done.stdout
    again = run("compare", out, "--json").document
    assert again["series"]["lesion_changes"][0]["verdict"] == "reduced"
    assert again["series"]["lesion_changes"][0]["changes"][0]["percent"] == pytest.approx(
        -55.6, abs=0.2
    )


def test_visits_from_options(run, visits: Path) -> None:
    folder = visits.parent
    done = run(
        "compare",
        *("--visit", "2021-03-01", folder / "1.png", "--visit", "-", folder / "2.png"),
        *("--no-lesion", 1, "M", "--lesion", 2, "M", "150,130"),
        "--json",
    )
    series = done.document["series"]
    assert series["lesion_changes"][0]["verdict"] == "newly visible"
    assert [w["code"] for w in series["warnings"]] == ["visit-date-missing"]
    # Noise is no lesion: a click in it gets no number.
    assert series["visits"][1]["lesions"][0]["size"] is None


def test_films_that_do_not_show_the_same_are_told(run, visits: Path) -> None:
    done = run("compare", visits)
    assert done.code == 0
    assert "Visit 2 onto visit 1: refused" in done.stdout
    assert "! Visit 2 cannot be laid over visit 1" in done.stdout
    (step,) = run("compare", visits, "--json").document["alignments"]
    assert (step["before"], step["after"], step["verdict"]) == (1, 2, "refused")
    assert step["map"] is None


def test_a_film_too_small_to_align_is_told(run, visits: Path) -> None:
    small = visits.with_name("2.png")
    Image.fromarray(np.zeros((90, 260), dtype=np.uint8)).save(small)
    text = visits.read_text().split("[[visits]]")
    visits.write_text(f'{text[0]}[[visits]]{text[1]}[[visits]]\nimage = "2.png"\n')
    (step,) = run("compare", visits, "--json").document["alignments"]
    assert step["verdict"] == "refused"
    assert "A picture of shape (90, 260)" in step["reason"]


def test_what_is_refused(run, visits: Path) -> None:
    folder = visits.parent
    assert run("compare").code == 2
    one = ("--visit", "2021-03-01", folder / "1.png")
    two = ("--visit", "2020-03-01", folder / "2.png")
    assert run("compare", *one, *two, "--no-lesion", 3, "M").code == 2
    reversed_dates = run("compare", *one, *two, "--json")
    assert reversed_dates.code == 5
    assert "exchange the visits" in reversed_dates.error["next_step"]
