"""``rxmeasure radiopacity`` on a synthetic film of discs beside a wedge."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from rxmeasure.phantom import make_specimen_film, random_specimen, write_phantom

    folder = tmp_path_factory.mktemp("specimens")
    return write_phantom(make_specimen_film(random_specimen(109)), folder, "film")


@pytest.fixture(scope="module")
def truth(film: Path) -> Any:
    return json.loads(film.with_name("film.truth.json").read_text(encoding="utf-8"))


def point(px: list[float]) -> str:
    return f"{px[0]:.0f},{px[1]:.0f}"


@pytest.fixture(scope="module")
def wedge(truth: Any) -> list[str]:
    steps = truth["steps"]
    words = ["--steps", str(len(steps)), "--first", str(steps[0]["thickness_mm"])]
    words += ["--step", str(steps[1]["thickness_mm"] - steps[0]["thickness_mm"])]
    for step in (steps[0], steps[-1]):
        words += ["--wedge", point(step["centre_px"])]
    return words


@pytest.fixture(scope="module")
def discs(truth: Any) -> list[str]:
    words = ["--thickness", "1"]
    for disc in truth["discs"]:
        r, c = disc["centre_px"]
        rim = point([r, c + disc["radius_px"]])
        words += ["--disc", f"{disc['name'].replace(' ', '-')} {point([r, c])} {rim}"]
    return words


def test_json_holds_each_disc(run, film: Path, truth: Any, wedge, discs) -> None:
    result = run("radiopacity", film, *wedge, *discs, "--json")
    assert result.code == 0, result.stderr
    assert result.document["verb"] == "radiopacity"
    assert len(result.document["wedge"]["steps"]) == len(truth["steps"])
    for found, true in zip(result.document["specimens"], truth["discs"], strict=True):
        value, u = (found["equivalent"][k] for k in ("value_mm_al", "u_mm_al"))
        assert value == pytest.approx(true["equivalent_mm_al"], abs=3.0 * u)
        assert [c["limit"]["at_least_mm_al"] for c in found["comparisons"]] == [3.0, 6.0]


def test_text_names_value_limit_and_source(run, film: Path, wedge, discs) -> None:
    result = run("radiopacity", film, *wedge, *discs, "--material", "sealer", "--decimal-comma")
    assert result.code == 0, result.stderr
    assert "mm Al at 1,00 mm thickness" in result.stdout
    assert "✓ met as root canal sealing materials" in result.stdout
    assert "ISO 6876:2012" in result.stdout
    assert "ISO 6877" not in result.stdout


def test_other_thickness_is_not_judged(run, film: Path, wedge, discs) -> None:
    thick = [w if w != "1" else "2" for w in discs]
    result = run("radiopacity", film, *wedge, *thick)
    assert result.code == 0, result.stderr
    assert "– cannot be judged" in result.stdout
    assert "✓" not in result.stdout


def test_curve_is_drawn(run, film: Path, wedge, discs, tmp_path: Path) -> None:
    plot = tmp_path / "curve.svg"
    result = run("radiopacity", film, *wedge, *discs, "--plot", plot)
    assert result.code == 0, result.stderr
    assert f"Written: {plot}" in result.stdout
    assert plot.read_text(encoding="utf-8").startswith("<svg")


def test_wrong_number_of_steps_is_refused(run, film: Path, wedge, discs) -> None:
    few = [*wedge]
    few[1] = str(int(few[1]) - 1)
    result = run("radiopacity", film, *few, *discs, "--json")
    assert result.code == 4
    assert "CalibrationError" in result.error["type"]


@pytest.mark.parametrize(
    "wrong",
    [
        ["--thickness", "1"],
        ["--disc", "A 10,10 20,20"],
        ["--disc", "A 10,10", "--thickness", "1"],
        ["--wedge", "10,10"],
    ],
)
def test_options_that_do_not_go_together(run, film: Path, wedge, wrong: list[str]) -> None:
    assert run("radiopacity", film, *wedge, *wrong).code == 2


def test_fill_beside_a_wedge(run, tmp_path: Path) -> None:
    from dataclasses import replace

    from rxmeasure.phantom import make_phantom, random_parameters, write_phantom

    p = random_parameters(9000, kind="premolar")
    imaging = replace(p.imaging, window=(-0.1, 3.5), gamma=1.0, sharpen=0.0, edge="none")
    p = replace(p, wedge_mm=tuple(2.0 * t for t in range(1, 9)), imaging=imaging)
    p = replace(p, bone=replace(p.bone, ridge_mm=0.0, cheek_mm=0.0))
    made = make_phantom(p)
    image = write_phantom(made, tmp_path, "film")
    canal = made.truth.canals[0]
    line = canal.centre_line_px
    size, row = round(3.0 / canal.mm_per_px), p.shape[0] - 0.5 - round(3.5 / canal.mm_per_px) / 2
    result = run(
        "radiopacity", image, "--steps", "8", "--first", "2", "--step", "2",
        "--wedge", f"{row},{size / 2}", "--wedge", f"{row},{7.5 * size}",
        "--click", point(line[len(line) // 2]), "--click", point(line[-1]),
    )  # fmt: skip
    assert result.code == 0, result.stderr
    assert "the fill adds" in result.stdout
    assert "not the radiopacity of a standard" in " ".join(result.stdout.split())


def test_specimen_films_are_made(run, tmp_path: Path) -> None:
    result = run("phantom", "--specimens", "--out", tmp_path, "--seed", "7", "--json")
    assert result.code == 0, result.stderr
    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == ["phantom-specimens-0007.png", "phantom-specimens-0007.truth.json"]
    made = json.loads((tmp_path / names[1]).read_text(encoding="utf-8"))
    assert len(made["discs"]) == 3
    assert run("phantom", "--specimens", "--out", tmp_path, "--format", "dicom").code == 1
