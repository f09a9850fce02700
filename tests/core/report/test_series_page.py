"""The series page: what stands on it, in HTML and PDF."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from rxmeasure.errors import WriteError
from rxmeasure.marks import FilmKind, LengthReference, ReviewMarks
from rxmeasure.radiograph import ImageSource, Polarity, Radiograph
from rxmeasure.recall.change import ChangeVerdict
from rxmeasure.recall.scores import Symptoms, published_scales, score
from rxmeasure.recall.series import LesionMark, Series, SeriesMarks, VisitMarks, compare_visits
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.series_page import write_series_html, write_series_pdf
from rxmeasure.report.series_words import SIGNS

HOSTILE = '<script>alert("1")</script>#eval()'


def _film(number: int) -> Radiograph:
    pixels = np.random.default_rng(number).normal(2000.0, 50.0, (300, 260))
    return Radiograph(
        pixels=pixels.astype(np.float32),
        value_min=0.0,
        value_max=4095.0,
        source=ImageSource(
            file_name=f"visit-{number}.png",
            format="PNG",
            sha256=f"{number:064x}",
            rows=300,
            columns=260,
            bits=12,
            lossy=False,
        ),
        polarity=Polarity(turned=False, reason="drawn"),
    )


def _circle(radius_px: float) -> tuple[tuple[float, float], ...]:
    t = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    return tuple(
        (150.0 + radius_px * float(np.sin(a)), 130.0 + radius_px * float(np.cos(a))) for a in t
    )


@pytest.fixture(scope="module")
def films() -> list[Radiograph]:
    return [_film(1), _film(2)]


@pytest.fixture(scope="module")
def series(films: list[Radiograph]) -> Series:
    reference = LengthReference(
        kind="line", points_px=((10.0, 20.0), (10.0, 220.0)), length_mm=10.0
    )
    marks = ReviewMarks(
        film_kind=FilmKind.RECALL,
        tooth="36",
        patient_pseudonym=HOSTILE,
        references=(reference,),
    )
    given = score(published_scales()["periapical_index"], "M", "3")
    visits = (
        VisitMarks(
            image="1.png",
            date="2021-03-01",
            lesions=(LesionMark(root="M", outline_px=_circle(60.0)),),
        ),
        VisitMarks(
            image="2.png",
            date="2022-03-01",
            symptoms=Symptoms.NONE,
            lesions=(LesionMark(root="M", outline_px=_circle(40.0)),),
            scores=(given,),
        ),
    )
    return compare_visits(SeriesMarks(visits=visits), [(film, marks) for film in films])


def test_the_page_tells_numbers_verdict_scores_and_sources(
    series: Series, films: list[Radiograph], tmp_path: Path
) -> None:
    path = tmp_path / "page.html"
    write_series_html(series, films, path)
    text = re.sub(r"\s+", " ", path.read_text(encoding="utf-8"))
    for words in (
        "▼&nbsp;reduced",
        "28.2",
        "least significant change",
        "3: bone pattern altered with some mineral loss",
        "Orstavik 1986",
        "from memory",
        "not a diagnosis",
        "None proposed",
    ):
        assert words in text
    assert "<script>alert" not in text
    assert not re.search(r'(?:src|href)="(?!data:)', text)


def test_the_decimal_mark(series: Series, films: list[Radiograph], tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    write_series_html(series, films, path, numbers=Numbers(decimal_mark=","))
    assert "28,2" in path.read_text(encoding="utf-8")


def test_the_pdf_shows_films_with_outlines(
    series: Series, films: list[Radiograph], tmp_path: Path
) -> None:
    path = tmp_path / "page.pdf"
    write_series_pdf(series, films, path)
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
    write_series_html(series, films, path)
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
        write_series_html(series, films[::-1], tmp_path / "page.html")
    other = replace(series, visits=series.visits[:1])
    with pytest.raises(WriteError, match="not those of the series"):
        write_series_pdf(other, films, tmp_path / "page.pdf")
    assert not list(tmp_path.iterdir())
