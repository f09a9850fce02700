"""``rxmeasure dicom``: objects of a kept review, and the review out of its report."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

pytest.importorskip("highdicom", reason="highdicom writes the objects (extra dicom)")

SAMPLE = "short_incisor.dcm"


@pytest.fixture
def film(sample_copy: Callable[..., Path], run: Callable[..., object]) -> Path:
    folder = sample_copy(SAMPLE)
    image = folder / SAMPLE
    assert run("review", image).code == 0
    return image


def test_objects_are_written_and_the_review_comes_back(
    run: Callable[..., object], film: Path, tmp_path: Path
) -> None:
    before = film.read_bytes()
    out = tmp_path / "objects"
    done = run("dicom", "write", film, "--out", out, "--json")
    assert done.code == 0, done.stderr
    written = done.document["written"]
    assert set(written) == {"report", "presentation"}
    assert film.read_bytes() == before

    kept = film.with_name(film.name + ".rxreview.json")
    again = tmp_path / "again.json"
    done = run("dicom", "read", written["report"], "--out", again)
    assert done.code == 0, done.stderr
    assert again.read_bytes() == kept.read_bytes()
    assert "tooth 11" in done.stdout
    assert "Criterion" in done.stdout
    assert f"Written: {again}" in done.stdout


def test_numbers_are_printed_with_the_asked_decimal_mark(
    run: Callable[..., object], film: Path
) -> None:
    assert run("dicom", "write", film).code == 0
    report = film.with_name(film.name + ".sr.dcm")
    lines = run("dicom", "read", report, "--decimal-comma").stdout.splitlines()
    (length,) = [line for line in lines if line.strip().startswith("Path length:")]
    assert "," in length
    assert "." not in length


def test_a_film_that_was_not_reviewed_is_refused(
    run: Callable[..., object], sample_copy: Callable[..., Path]
) -> None:
    image = sample_copy(SAMPLE) / SAMPLE
    done = run("dicom", "write", image, "--json")
    assert done.code == 7
    assert not list(image.parent.glob("*.sr.dcm"))


def test_an_image_is_no_report(run: Callable[..., object], film: Path) -> None:
    done = run("dicom", "read", film, "--json")
    assert done.code == 7
    assert "structured report" in done.error["needed"]
