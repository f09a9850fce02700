"""``rxmeasure align`` and ``rxmeasure lesion``: one pair, one lesion."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy import ndimage

#: The later film is shifted: its pixel (r, c) shows (r, c) + SHIFT of the earlier one.
SHIFT = (8.0, -12.0)
#: Middle and radius of the dark patch, px; 10 mm along 100 px.
MIDDLE, RADIUS_PX, MM_PER_PX = (150.0, 130.0), 26.0, 0.1
SCALE = ("--line-length", 10, "--line-click", "10,20", "--line-click", "10,120")


@pytest.fixture
def films(tmp_path: Path) -> tuple[Path, Path]:
    """Bone with a dark patch, and the same shifted and flatter."""
    grain = np.random.default_rng(4).standard_normal((300, 260))
    bone = 30000.0 + 80000.0 * ndimage.gaussian_filter(grain, 2.5)
    rows, cols = np.mgrid[:300, :260]
    away = np.hypot(rows - MIDDLE[0], cols - MIDDLE[1])
    patch = 1.0 / (1.0 + np.exp((away - RADIUS_PX) / 2.0))
    first = (1.0 - 0.85 * patch) * (bone - 30000.0) + 30000.0 - 16000.0 * patch
    second = 5000.0 + 0.6 * ndimage.shift(first, (-SHIFT[0], -SHIFT[1]), order=1, mode="nearest")
    paths = (tmp_path / "a.png", tmp_path / "b.png")
    for path, pixels in zip(paths, (first, second), strict=True):
        Image.fromarray(np.clip(pixels, 100.0, 65000.0).astype(np.uint16)).save(path)
    return paths


def test_two_films_are_aligned_and_drawn(run, films: tuple[Path, Path]) -> None:
    folder = films[0].parent
    pictures = (folder / "change.png", folder / "both.png")
    done = run("align", *films, "--subtraction", pictures[0], "--overlay", pictures[1], "--json")
    assert done.code == 0
    found = done.document["alignment"]
    assert found["verdict"] in ("accepted", "accepted with caution", "caution")
    point = np.array(found["map"]) @ [100.0, 100.0, 1.0]
    np.testing.assert_allclose(point[:2] / point[2], np.add((100.0, 100.0), SHIFT), atol=0.5)
    assert done.document["written"] == [str(path) for path in pictures]
    change, both = (np.asarray(Image.open(path)).astype(int) for path in pictures)
    assert change.shape == both.shape == (300, 260, 3)
    # The same place in both films is grey in the overlay.
    inner = both[100:200, 60:200]
    assert np.abs(inner[..., 0] - inner[..., 2]).mean() < 6.0
    told = run("align", *films, "--decimal-comma").stdout
    assert "b.png onto a.png: " in told
    assert "standard error in the middle of the film" in told


def test_a_mirrored_film_is_refused_and_not_drawn(run, films: tuple[Path, Path]) -> None:
    turned = films[1].with_name("turned.png")
    Image.fromarray(np.asarray(Image.open(films[1]))[:, ::-1].copy()).save(turned)
    picture = turned.with_name("change.png")
    done = run("align", films[0], turned, "--subtraction", picture)
    assert done.code == 17
    assert "refused" in done.stdout
    assert "mirror image" in done.stdout
    assert "no picture is made" in done.stdout
    assert not picture.exists()


def test_a_script_gets_the_whole_document_of_a_refusal(run, films: tuple[Path, Path]) -> None:
    other = films[1].with_name("other.png")
    noise = np.random.default_rng(8).integers(0, 60000, (300, 260)).astype(np.uint16)
    Image.fromarray(noise).save(other)
    done = run("align", films[0], other, "--json")
    assert done.code == 17
    found = done.document["alignment"]
    assert found["verdict"] == "refused"
    assert "look alike" in found["reason"]
    assert found["map"] is None
    assert found["error_px"] is None


def test_films_of_two_people_are_aligned_with_a_reason_only(run, films: tuple[Path, Path]) -> None:
    for film, case in zip(films, ("case-1", "case-2"), strict=True):
        marks = f'film_kind = "recall"\npatient_pseudonym = "{case}"\n'
        film.with_name(film.stem + ".marks.toml").write_text(marks)
    done = run("align", *films, "--json")
    assert done.code == 5
    assert "case-1, case-2" in done.error["found"]
    done = run("align", *films, "--differing-reason", "renamed", "--json")
    assert done.code == 0
    assert "renamed" in done.document["warnings"][0]["text"]


def test_a_film_is_not_aligned_with_itself(run, films: tuple[Path, Path]) -> None:
    done = run("align", films[0], films[0], "--json")
    assert done.code == 5
    assert "same image" in done.error["found"]


def test_one_point_by_hand_is_not_passed_over(run, films: tuple[Path, Path]) -> None:
    done = run("align", *films, "--landmark", "60,60", "52,72")
    assert done.code == 2
    assert "twice or more" in done.stderr


def test_points_by_hand_align(run, films: tuple[Path, Path]) -> None:
    points = [(60.0, 60.0), (60.0, 200.0), (240.0, 60.0), (240.0, 200.0)]
    places = []
    for row, col in points:
        there = f"{row - SHIFT[0]},{col - SHIFT[1]}"
        places += ["--landmark", f"{row},{col}", there]
    found = run("align", *films, *places, "--json").document["alignment"]
    assert found["matched_features"] is None
    assert found["error_px"] == pytest.approx(0.0, abs=1e-6)
    np.testing.assert_allclose(np.array(found["map"])[:2, 2], SHIFT, atol=1e-6)


def test_a_lesion_from_a_click_has_sizes_with_intervals(run, films: tuple[Path, Path]) -> None:
    done = run("lesion", films[0], "--at", "150,130", "--root", "MB", *SCALE, "--json")
    assert done.code == 0
    lesion = done.document["lesion"]
    area = np.pi * (RADIUS_PX * MM_PER_PX) ** 2
    interval = lesion["interval_95"]["area"]
    assert interval["unit"] == "mm2"
    assert interval["low"] < area < interval["high"]
    assert lesion["source"] == "found from a click"
    told = run("lesion", films[0], "--at", "150,130", "--root", "MB", *SCALE).stdout
    assert "Root MB (mesiobuccal): lesion found from a click" in told
    assert "95 %: " in told


def test_a_click_without_a_lesion_is_told_as_such(run, films: tuple[Path, Path]) -> None:
    done = run("lesion", films[0], "--at", "20,20", "--root", "MB", *SCALE)
    assert done.code == 0
    assert "Root MB (mesiobuccal): lesion not measured from the click" in done.stdout
    assert "mm" not in done.stdout.partition("Cautions")[0]


def test_an_outline_without_a_scale_is_told_in_pixels(run, films: tuple[Path, Path]) -> None:
    corners = [("--outline", place) for place in ("100,100", "100,150", "150,150", "150,100")]
    done = run("lesion", films[0], *(word for pair in corners for word in pair), "--json")
    lesion = done.document["lesion"]
    assert lesion["size"]["area"]["value_px2"] == pytest.approx(2500.0)
    assert lesion["interval_95"]["area"]["unit"] == "px2"
    assert run("lesion", films[0]).code == 2
    assert run("lesion", films[0], "--at", "5,5", "--outline", "100,100").code == 2
