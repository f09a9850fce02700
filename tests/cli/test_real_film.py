"""A real film with two filled teeth and without a scale.

From the data set DenPAR (Rasnayaka et al. 2025, Scientific Data 12:1615,
doi:10.1038/s41597-025-05906-9; CC BY 4.0), cut out of a figure: its pixel size is lost.
Points were read off by hand as (x, y), within 3 px; here (row, col).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

#: Apex, apical end of the fill, coronal end of the fill.
TEETH = {
    "left": ((118.0, 285.0), (159.0, 314.0), (368.0, 373.0)),
    "right": ((93.0, 408.0), (124.0, 413.0), (342.0, 465.0)),
}


@pytest.fixture(scope="module")
def film(shared_folder: Path) -> Path:
    path = shared_folder / "radiographs/denpar_figure_crops/denpar_fig3_row2_image.png"
    if not path.is_file():
        pytest.skip("the film is not in the folder of shared films")
    return path


def _canals() -> list[str]:
    """Three clicks each: coronal end of the fill, middle of the fill, apex."""
    words = []
    for name, (apex, end, start) in TEETH.items():
        middle = ((end[0] + start[0]) / 2.0, (end[1] + start[1]) / 2.0)
        clicks = " ".join(f"{r},{c}" for r, c in (start, middle, apex))
        words += ["--canal", f"{name} {clicks}"]
    return words


def _numbers_in_mm(tree: Any, place: str = "") -> Iterator[str]:
    """Every number of a result that claims to be millimetres."""
    if isinstance(tree, dict):
        for key, value in tree.items():
            if key in ("marks", "settings"):
                continue  # what was asked, nothing measured
            of_length = "mm" in key.split("_") and key != "taper_mm_per_mm"
            if of_length and value not in (None, []):
                yield f"{place}.{key}"
            if tree.get("unit") in ("mm", "mm2") and key in ("value", "u") and value is not None:
                yield f"{place}.{key}"
            yield from _numbers_in_mm(value, f"{place}.{key}")
    elif isinstance(tree, list):
        for k, value in enumerate(tree):
            yield from _numbers_in_mm(value, f"{place}[{k}]")


def _distance(a: tuple[float, float], b: tuple[float, float]) -> float:
    return ((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5


def test_traces_both_fills_and_gives_no_millimetre(run, film: Path, tmp_path: Path) -> None:
    arguments = ["review", film, *_canals(), "--kind", "post-operative", "--out", tmp_path]
    result = run(*arguments, "--json")
    assert result.code == 0, result.stderr
    review = result.document["films"][0]["review"]
    assert review["calibration"] is None
    assert list(_numbers_in_mm(review)) == []
    kept = json.loads((tmp_path / (film.name + ".rxreview.json")).read_text(encoding="utf-8"))
    assert list(_numbers_in_mm(kept)) == []
    for canal in review["canals"]:
        apex, end, start = TEETH[canal["name"]]
        # The trace runs from click to click and the fill's end is found near the hand-read one.
        line = canal["centre_line"]
        assert _distance(line["points_px"][0], start) < 15.0
        assert _distance(line["points_px"][-1], apex) < 15.0
        straight = _distance(start, apex)
        assert straight <= canal["canal_length"]["value_px"] < 1.15 * straight
        # Fill and root outline are hand-read to 3 px each; 12 px is four times that (choice).
        assert _distance(canal["core_end"]["point_px"], end) < 12.0
        gap = canal["fill_to_apex_core"]
        assert abs(gap["value_px"] - _distance(apex, end)) < 12.0
        assert gap["value_mm"] is None
        ratios = {m["name"]: m["value"] for m in canal["measures"] if m["unit"] == "1"}
        assert ratios["fill_to_apex_ratio"] == pytest.approx(
            gap["value_px"] / canal["canal_length"]["value_px"]
        )
    text = run(*arguments, "--replace").stdout
    assert re.findall(r"\d\s*mm(?!/mm)", text) == []
    assert "No scale: ratios and pixels only. No millimetres are given." in text
    assert re.search(r"\d ± \d+\.\d px", text)


def test_asking_for_its_scale_is_refused(run, film: Path) -> None:
    result = run("calibrate", film, "--json")
    assert result.code == 4
    assert result.stdout == ""
