"""The series page: what stands on it, in HTML and PDF."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from drawn_visits import drawn_film, drawn_series, film_marks, lesion, visit
from PIL import Image

from rxmeasure.errors import WriteError
from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.change import ChangeVerdict
from rxmeasure.recall.scores import Symptoms, published_scales, score
from rxmeasure.recall.series import Series
from rxmeasure.recall.steps import Step, align_steps
from rxmeasure.report import series_page
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.series_page import series_content, write_series_pages
from rxmeasure.report.series_words import SIGNS

HOSTILE = '<script>alert("1")</script>#eval()'


@pytest.fixture(scope="module")
def films() -> list[Radiograph]:
    return [drawn_film(1), drawn_film(2)]


@pytest.fixture(scope="module")
def series() -> Series:
    given = (
        score(published_scales()["periapical_index"], "M", "3"),
        score(published_scales()["periapical_index"], "D", "2"),
    )
    painted = replace(lesion(60.0), painted=True)
    visits = (
        visit(1, 60.0, lesions=(painted,)),
        visit(2, 40.0, symptoms=Symptoms.NONE, scores=given),
    )
    marks = film_marks(case=HOSTILE)
    return drawn_series(
        visits=visits, films=[(drawn_film(1), marks), (drawn_film(2), marks)], treated=""
    )


def test_the_page_tells_numbers_verdict_scores_and_sources(
    series: Series, films: list[Radiograph], tmp_path: Path
) -> None:
    path = tmp_path / "page.html"
    write_series_pages(series, films, path)
    text = re.sub(r"\s+", " ", path.read_text(encoding="utf-8"))
    for words in (
        "▼&nbsp;reduced",
        "28.2",
        "least significant change",
        "3: bone pattern altered with some mineral loss",
        "Orstavik 1986",
        "from memory",
        "not a diagnosis",
        "Next recall: none proposed",
        "At a glance",
        "reduced</strong>, area 28.26 → 12.56 mm², -56 % (95 %:",
        "No shadow is not no lesion.",
        "Root M (mesial), visit 1 to 2",
        "3 (disease)",
        "worst root: M",
        "painted by the reader",
        "outlined by the reader",
    ):
        assert words in text
    assert "<script>alert" not in text
    assert not re.search(r'(?:src|href)="(?!data:)', text)


def test_both_pages_come_of_one_alignment(
    series: Series, films: list[Radiograph], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    aligned = []

    def counted(*inputs: object) -> object:
        aligned.append(inputs)
        return align_steps(*inputs)  # type: ignore[arg-type]

    monkeypatch.setattr(series_page, "align_steps", counted)
    paths = [tmp_path / "page.html", tmp_path / "page.pdf"]
    write_series_pages(series, films, *paths)
    assert len(aligned) == 1
    assert paths[0].read_text(encoding="utf-8").startswith("<!")
    assert paths[1].read_bytes().startswith(b"%PDF")


def test_films_that_cannot_be_laid_over_each_other_are_told_first(
    series: Series, films: list[Radiograph], tmp_path: Path
) -> None:
    path = tmp_path / "page.html"
    steps = align_steps(series, films)
    assert [(s.before, s.after, s.refused) for s in steps] == [(1, 2, True)]
    write_series_pages(series, films, path, steps=steps)
    text = re.sub(r"\s+", " ", path.read_text(encoding="utf-8"))
    told = "Visit 2 cannot be laid over visit 1: Only"
    assert told in text
    assert text.index(told) < text.index("At a glance")
    # The films themselves stand side by side all the same.
    assert text.count('<figure class="film">') == 3


@pytest.mark.parametrize("count", [8, 10])
def test_a_film_stands_on_one_page_with_its_date_and_its_facts(count: int, tmp_path: Path) -> None:
    tall = [
        replace(film, pixels=np.repeat(film.pixels, 2, axis=0))
        for film in (drawn_film(n) for n in range(1, count + 1))
    ]
    marks = [(film, film_marks()) for film in tall]
    visits = tuple(visit(n, 30.0, date=f"{2010 + n}-03-01") for n in range(1, count + 1))
    path = tmp_path / "page.pdf"
    refused = tuple(
        Step(before=n, after=n + 1, found=None, problem="Drawn.") for n in range(1, count)
    )
    series = drawn_series(visits=visits, films=marks, treated="")
    write_series_pages(series, tall, path, steps=refused)
    pages = [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(path)]
    for n in range(1, count + 1):
        heads = [k for k, text in enumerate(pages) if f"Visit {n}: {2010 + n}-03-01" in text]
        facts = [k for k, text in enumerate(pages) if f"visit-{n}.png" in text]
        assert heads[0] == facts[0]


def test_the_course_shows_what_would_be_no_change(films: list[Radiograph]) -> None:
    one = drawn_series(60.0, 40.0)
    roots = (lesion(60.0), lesion(30.0, "D"))
    two = drawn_series(visits=(visit(1, 60.0, lesions=roots), visit(2, 60.0, lesions=roots)))
    # With several roots the bands would hide each other.
    told = [
        "within the least significant change" in series_content(each, films, Numbers(), ())["trend"]
        for each in (one, two)
    ]
    assert told == [True, False]


def test_the_decimal_mark(series: Series, films: list[Radiograph], tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    write_series_pages(series, films, path, numbers=Numbers(decimal_mark=","))
    assert "28,2" in path.read_text(encoding="utf-8")


def test_the_pdf_shows_films_with_outlines(
    series: Series, films: list[Radiograph], tmp_path: Path
) -> None:
    path = tmp_path / "page.pdf"
    write_series_pages(series, films, path)
    document = pypdfium2.PdfDocument(path.read_bytes())
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    assert "reduced" in text
    assert "Next recall" in text
    picture = np.asarray(document[0].render(scale=2).to_pil().convert("RGB")).astype(int)
    bluish = picture[..., 2] - picture[..., 0] > 60
    assert bluish.sum() > 300


def test_pictures_have_the_films_shape(
    series: Series, films: list[Radiograph], tmp_path: Path
) -> None:
    import base64

    path = tmp_path / "page.html"
    write_series_pages(series, films, path)
    drawings = re.findall(r"data:image/svg\+xml;base64,([^\"]+)", path.read_text("utf-8"))
    svg = base64.b64decode(drawings[0]).decode()
    png = re.search(r"data:image/png;base64,([^\"]+)", svg)
    assert png is not None
    assert Image.open(io.BytesIO(base64.b64decode(png[1]))).size == (260, 300)
    assert svg.count("<polygon") == 2


def test_every_verdict_has_a_sign() -> None:
    assert set(SIGNS) == set(ChangeVerdict)


def test_films_of_another_series_are_refused(
    series: Series, films: list[Radiograph], tmp_path: Path
) -> None:
    with pytest.raises(WriteError, match="not those of the series"):
        write_series_pages(series, films[::-1], tmp_path / "page.html")
    other = replace(series, visits=series.visits[:1])
    with pytest.raises(WriteError, match="not those of the series"):
        write_series_pages(other, films, tmp_path / "page.pdf")
    assert not list(tmp_path.iterdir())
