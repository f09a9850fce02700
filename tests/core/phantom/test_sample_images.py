"""The sample images are what their definitions make, and their marks lie where they should."""

from __future__ import annotations

import tomllib
from pathlib import Path

import cattrs
import numpy as np
import pytest

from rxmeasure.geometry import as_points, foot_on_polyline
from rxmeasure.marks import LandmarkState, ReviewMarks
from rxmeasure.phantom import PhantomTruth, truth_from_json
from rxmeasure.phantom.samples import CASES, make_case
from rxmeasure.reading import read_radiograph
from rxmeasure.record.review_file import read_marks

ROOT = Path(__file__).resolve().parents[3]
FOLDER = ROOT / "sample_images"
NAMES = sorted(p.name.removesuffix(".marks.toml") for p in FOLDER.glob("*.marks.toml"))


def image_path(name: str) -> Path:
    (path,) = (p for p in FOLDER.glob(f"{name}.*") if p.suffix not in (".toml", ".json"))
    return path


def truth_of(name: str) -> PhantomTruth:
    return truth_from_json((FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))


def test_the_folder_holds_every_case_and_stays_small():
    assert sorted(CASES) == NAMES
    assert sum(p.stat().st_size for p in FOLDER.iterdir()) < 5_000_000
    assert {image_path(n).suffix for n in NAMES} == {".png", ".tif", ".jpg", ".dcm"}


@pytest.mark.parametrize("name", ["short_incisor", "two_canals_premolar"])
def test_a_case_made_again_is_the_same(name, tmp_path):
    path = make_case(CASES[name], tmp_path)
    old, new = read_radiograph(image_path(name)), read_radiograph(path)
    # Another build of numpy or of the JPEG library may round a pixel the other way.
    differs = np.abs(old.pixels - new.pixels) > 0.012 * old.value_max
    assert differs.mean() < 1e-3
    marks = (tmp_path / f"{name}.marks.toml").read_text(encoding="utf-8")
    assert marks == (FOLDER / f"{name}.marks.toml").read_text(encoding="utf-8")
    made = truth_from_json((tmp_path / f"{name}.truth.json").read_text(encoding="utf-8"))
    stored = truth_of(name)
    for a, b in zip(made.canals, stored.canals, strict=True):
        np.testing.assert_allclose(a.centre_line_px, b.centre_line_px, atol=1e-3)


@pytest.mark.parametrize("name", NAMES)
def test_marks_are_what_a_person_would_give(name):
    truth = truth_of(name)
    text = (FOLDER / f"{name}.marks.toml").read_text(encoding="utf-8")
    marks = cattrs.structure(tomllib.loads(text), ReviewMarks)
    assert read_marks(FOLDER / f"{name}.marks.toml") == marks
    assert marks.film_kind.value == truth.film_kind
    assert marks.tooth == truth.tooth
    image = read_radiograph(image_path(name))
    assert image.shape == (truth.rows, truth.cols)
    assert max(image.shape) <= 700
    assert len(marks.canals) == len(truth.canals)
    for mark, canal in zip(marks.canals, truth.canals, strict=True):
        assert mark.name == canal.name
        line = as_points(canal.centre_line_px)
        for click in mark.clicks_px:
            assert foot_on_polyline(line, click)[1] * canal.mm_per_px < 0.6
        ends = np.array(mark.clicks_px)[[0, -1]] - line[[0, -1]]
        assert np.hypot(*ends.T).max() * canal.mm_per_px < 0.6
        assert mark.orifice.state is LandmarkState.MARKED
        assert mark.coronal_reference.label
    for reference, file in zip(marks.references, truth.files, strict=True):
        assert reference.length_mm == pytest.approx(file.length_mm, abs=0.051)
        ends = np.array(reference.points_px)[[0, -1]] - np.array(file.axis_px)[[0, -1]]
        assert np.hypot(*ends.T).max() * truth.mm_per_px < 0.6


def test_the_cases_show_what_they_are_named_for():
    by_name = {n: truth_of(n) for n in NAMES}

    def core(name: str) -> float:
        value = by_name[name].canals[0].fill_to_apex_core_mm
        assert value is not None
        return value

    assert 0.0 <= core("adequate_premolar") <= 2.0
    assert core("short_incisor") > 2.0
    assert core("overfilled_with_puff") < 0.0
    assert by_name["overfilled_with_puff"].canals[0].puffs
    kinds = {v.kind for v in by_name["voids_canine"].canals[0].voids}
    assert kinds == {"bubble", "lateral", "transverse"}
    assert len(by_name["two_canals_premolar"].canals) == 2
    assert by_name["two_canals_premolar"].files[0].kind == "wire"
    assert by_name["curved_molar"].canals[0].schneider_deg > 10.0
    assert by_name["working_length_premolar"].files[0].canal == "single"
    for truth in by_name.values():
        assert truth.licence == "MIT"
        assert "not a patient" in truth.origin


def test_a_scale_comes_from_a_file_a_wire_the_detector_or_not_at_all():
    sources = {}
    for name in NAMES:
        marks = read_marks(FOLDER / f"{name}.marks.toml")
        spacing = read_radiograph(image_path(name)).spacing
        sources[name] = (*(r.kind for r in marks.references), *(["spacing"] if spacing else []))
    assert sources["short_incisor"] == ("spacing",)
    assert sources["curved_molar"] == ()
    assert sources["two_canals_premolar"] == ("line",)
    assert sources["adequate_premolar"] == ("file",)
