"""From the sample films to review file and pages, through the whole chain."""

from __future__ import annotations

from pathlib import Path

import pytest

from rxmeasure.reading.radiograph_file import read_radiograph
from rxmeasure.record.review_file import load_review, read_marks, review_path, save_review
from rxmeasure.report.page import write_html, write_pdf
from rxmeasure.review import review_film

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
FILMS = sorted(
    path for path in SAMPLES.iterdir() if path.suffix in (".png", ".tif", ".jpg", ".dcm")
)


def test_there_are_films_to_look_at() -> None:
    assert len(FILMS) >= 5


@pytest.mark.parametrize("film", FILMS, ids=lambda path: path.stem)
def test_film_to_pages(film: Path, tmp_path: Path) -> None:
    radiograph = read_radiograph(film)
    marks = read_marks(film.with_suffix(".marks.toml"))
    review = review_film(radiograph, marks)
    kept = review_path(tmp_path / film.name)
    save_review(review, kept)
    again = load_review(kept)
    assert again == review
    assert read_marks(kept) == marks
    write_html(again, radiograph, tmp_path / "a.html")
    write_pdf(again, radiograph, tmp_path / "a.pdf")
    html = (tmp_path / "a.html").read_text(encoding="utf-8")
    for verdict in review.verdicts:
        assert f"{verdict.rule_id}, version {verdict.rule_version}" in html
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF-")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.html", "a.pdf", kept.name]
