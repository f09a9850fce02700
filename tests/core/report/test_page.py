"""HTML and PDF say all of the review, nothing else, and cannot be turned by hostile text."""

from __future__ import annotations

import dataclasses
import json
import re
import sys
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import pytest
from hostile_text import HOSTILE, poisoned

from rxmeasure.criteria.results import SIGNS, Outcome
from rxmeasure.errors import ImageChangedError, WriteError
from rxmeasure.marks import MarksOrigin
from rxmeasure.record.review_file import load_review, save_review
from rxmeasure.report.cautions import CAUTIONS
from rxmeasure.report.content import ORIGINS, build_content, tooth_text
from rxmeasure.report.options import DecimalMark, ReportOptions, ToothNotation
from rxmeasure.report.page import html_text, pdf_bytes, write_html, write_pdf
from rxmeasure.review import Review

VOID_TAGS = {"meta", "br", "img", "col", "path", "rect", "image", "ellipse", "link", "input"}


class Page(HTMLParser):
    """Visible text, tags, attributes and whether tags close in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.tags: list[str] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID_TAGS:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).replace("\u00a0", " ").split())


def pdf_text(data: bytes) -> str:
    pdfium = pytest.importorskip("pypdfium2")
    pages = [page.get_textpage().get_text_bounded() for page in pdfium.PdfDocument(data)]
    return " ".join(" ".join(pages).replace("\u00a0", " ").split())


@pytest.fixture(scope="module")
def texts(calibrated, uncalibrated) -> dict[tuple[bool, str], str]:
    """Text of both pages for both films."""
    found = {}
    for sample in (calibrated, uncalibrated):
        content = sample.content
        scale = sample.review.calibration is not None
        found[scale, "html"] = Page(html_text(content)).text
        found[scale, "pdf"] = pdf_text(pdf_bytes(content))
    return found


def _squeezed(text: str) -> str:
    """Without any space: engines break lines and words where they like."""
    return re.sub(r"[\s\u200b\ufffe\u00ad]+", "", text)


def test_every_fact_stands_in_both(texts, calibrated) -> None:
    review = calibrated.review
    wanted = [
        "Case 017, the sample teaching clinic",
        "46 (FDI), lower right first molar",
        "post-operative",
        "visit 2",
        review.image.file_name,
        review.image.sha256[:12],
        review.calibration.source,
        "0.8 %",
        "Standard uncertainty of the scale",
        "film scale",
        "u (1 SD)",
        f"Film scale: {review.calibration.source}.",
        "Smallest void this film could show here: 0.24 (u 0.03) mm",
        "technical grade, not a failure",
        "met with a probability of 61 %",
        "Density is relative",
        "mesiobuccal cusp tip",
        "never averaged",
        "teaching rule",
        "20240229",
        *(w.text for w in (*review.warnings, *review.calibration.warnings)),
        *(w.text for c in review.canals for w in c.warnings),
        *(o.reason for o in review.marks.overrides),
        *(v.source for v in review.verdicts),
        *(c.text for c in CAUTIONS),
        *(c.head for c in CAUTIONS),
        *(s.text for c in CAUTIONS for s in c.sources),
    ]
    for kind in ("html", "pdf"):
        squeezed = _squeezed(texts[True, kind])
        assert [w for w in wanted if _squeezed(w) not in squeezed] == []


def test_every_verdict_has_sign_word_rule_and_version(texts, calibrated) -> None:
    for kind in ("html", "pdf"):
        squeezed = _squeezed(texts[True, kind])
        for verdict in calibrated.review.verdicts:
            assert f"{SIGNS[verdict.outcome]}{_squeezed(str(verdict.outcome))}" in squeezed
            assert _squeezed(f"{verdict.rule_id}, version {verdict.rule_version}") in squeezed
    assert f"{SIGNS[Outcome.CANNOT_BE_JUDGED]}cannotbejudged" in _squeezed(texts[False, "pdf"])


def test_signs_are_glyphs_of_the_font_given_to_the_pdf() -> None:
    from matplotlib import get_data_path
    from matplotlib.ft2font import FT2Font

    for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"):
        glyphs = FT2Font(str(Path(get_data_path()) / "fonts" / "ttf" / name)).get_charmap()
        assert all(ord(sign) in glyphs for sign in (*SIGNS.values(), "±", "×", "²", "°", "…"))


def test_a_changed_verdict_shows_the_programs_own(texts) -> None:
    for kind in ("html", "pdf"):
        squeezed = _squeezed(texts[True, kind])
        assert "✓met(changed)" in squeezed
        assert "Theprogram'sownoutcome:✗notmet.Reason:Thedarkline" in squeezed


def test_without_a_scale_there_are_no_millimetres(uncalibrated, texts) -> None:
    content = uncalibrated.content
    assert "No scale: ratios and pixels only." in texts[False, "html"]
    assert "No scale: ratios and pixels only." in texts[False, "pdf"]
    for canal in content.canals:
        rows = [*canal.measures, *canal.gaps]
        shown = json.dumps([dataclasses.asdict(r) for r in rows], ensure_ascii=False)
        shown = re.sub(r'"name": "[^"]*"', "", shown)
        assert not re.search(r"\bmm", shown)
        assert {r.unit for r in canal.measures if not r.missing} <= {"px", "px²", "°", ""}
    lengths = [r for r in content.canals[0].measures if r.unit == "px"]
    assert {r.name for r in lengths} >= {"canal length", "fill length", "fill to apex core"}
    assert all(r.u and r.note for r in lengths)


def test_every_length_carries_uncertainty_and_source(calibrated) -> None:
    content = calibrated.content
    for canal in content.canals:
        lengths = [r for r in canal.measures if r.unit in ("mm", "mm²")]
        assert len(lengths) >= 6
        assert all(r.u and r.note == "film scale" for r in lengths)
        assert canal.film_scale == calibrated.review.calibration.source
        missing = [r for r in canal.measures if r.missing]
        assert missing
        assert all(r.note for r in missing)


def test_table_and_verdict_show_the_same_text(calibrated) -> None:
    """1.95 stays 1.95: rounded to 2.0 it would hide that the limit is near."""
    canal = calibrated.content.canals[0]
    row = next(r for r in canal.measures if r.name == "fill_to_apex_core_mm")
    verdict = next(v for v in canal.verdicts if v.field == "length")
    assert row.value == "1.95"
    assert verdict.value == "1.95\u00a0mm"


def test_decimal_comma_everywhere(calibrated) -> None:
    options = ReportOptions(decimal_mark=DecimalMark.COMMA)
    content = build_content(calibrated.review, calibrated.radiograph, options)
    row = next(r for r in content.canals[0].measures if r.name == "fill_to_apex_core_mm")
    assert row.value == "1,95"
    written = dataclasses.asdict(content)
    for key in ("picture", "sources", "title", "foot"):
        del written[key]
    for summary in written["summaries"]:
        del summary["rule"]
    for canal in written["canals"]:
        del canal["close_up"], canal["profile"]
        for verdict in canal["verdicts"]:
            del verdict["rule"]  # versions keep their points
    shown = json.dumps(written, ensure_ascii=False)
    shown = shown.replace("case-017-visit-2.png", "").replace("rxmeasure 0.1.0", "")
    assert re.findall(r"\d\.\d", shown) == []
    assert Page(html_text(content)).text.count("0,8 %") == 1


def test_tooth_notations() -> None:
    # 46 = 30 in the Universal and LR6 in Palmer notation (tables read in teaching pages).
    assert tooth_text("46", ToothNotation.FDI).startswith("46 (FDI)")
    assert tooth_text("46", ToothNotation.UNIVERSAL).startswith("30 (Universal)")
    assert tooth_text("46", ToothNotation.PALMER).startswith("LR6 (Palmer)")
    assert tooth_text("", ToothNotation.FDI) == "not given"
    assert tooth_text("99", ToothNotation.UNIVERSAL) == "99 (not mapped)"


def test_page_is_sound_and_needs_nothing_from_outside(calibrated) -> None:
    html = html_text(calibrated.content)
    page = Page(html)
    assert "script" not in page.tags
    assert "link" not in page.tags
    for _, name, value in page.attributes:
        if name in ("src", "href", "xlink:href", "action", "data", "srcset"):
            assert value.startswith(("data:image/png;base64,", "data:image/svg+xml;base64,"))
        assert not name.startswith("on")
    assert "url(" not in html.partition("</style>")[0]
    assert "@import" not in html
    ids = [value for _, name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    images = [a for a in page.attributes if a[0] == "img"]
    assert sum(a[1] == "alt" and bool(a[2]) for a in images) == sum(a[1] == "src" for a in images)


@pytest.fixture(scope="module")
def poisoned_page(calibrated) -> SimpleNamespace:
    review: Review = poisoned(calibrated.review)
    source = dataclasses.replace(calibrated.radiograph.source, sha256=HOSTILE)
    radiograph = dataclasses.replace(calibrated.radiograph, source=source)
    options = ReportOptions(title=HOSTILE)
    return SimpleNamespace(content=build_content(review, radiograph, options))


def test_hostile_text_stays_text_in_html(poisoned_page, calibrated) -> None:
    html = html_text(poisoned_page.content)
    page = Page(html)
    clean_page = Page(html_text(calibrated.content))
    assert set(page.tags) == set(clean_page.tags)
    assert page.tags.count("img") == clean_page.tags.count("img")
    assert not [a for a in page.attributes if a[1].startswith("on")]
    assert "<script>alert(1)</script><img src=x onerror=alert(2)>" in page.text
    assert "{{ 7*7 }}{% raw %}" in page.text
    assert not re.search("[\x00-\x08\x1b\u202e\ufffe]", html)


def test_hostile_text_stays_text_in_pdf(poisoned_page) -> None:
    squeezed = _squeezed(pdf_text(pdf_bytes(poisoned_page.content)))
    for literal in ('#panic("x")', "*bold*", "_it_", "$x^2$", "@ref", '#include"/etc/passwd"'):
        assert literal in squeezed


def test_signs_that_no_font_has_do_not_stop_the_pdf(calibrated) -> None:
    unassigned = "\U0001f9b7 \U000e0041 \u1b83"
    marks = dataclasses.replace(calibrated.review.marks, visit="visit " + unassigned)
    review = dataclasses.replace(calibrated.review, marks=marks)
    text = pdf_text(pdf_bytes(build_content(review, calibrated.radiograph)))
    assert "visit" in text
    assert "sample teaching clinic" in text


def test_long_words_stay_on_the_page(calibrated) -> None:
    pdfium = pytest.importorskip("pypdfium2")
    marks = dataclasses.replace(
        calibrated.review.marks, patient_pseudonym="x" * 500, visit="https://" + "y" * 300
    )
    review = dataclasses.replace(calibrated.review, marks=marks)
    page = pdfium.PdfDocument(pdf_bytes(build_content(review, calibrated.radiograph)))[0]
    text = page.get_textpage()
    right = max(text.get_charbox(i)[2] for i in range(text.count_chars()))
    assert right < page.get_width() - 40


def test_a_film_with_nothing_measured_gives_a_page(calibrated) -> None:
    """A preoperative film: lengths only, no fill, no verdict."""
    canal = calibrated.review.canals[0]
    bare = dataclasses.replace(
        canal,
        film_kind="preoperative",
        **dict.fromkeys(
            (
                "fill_length",
                "fill_to_apex_core",
                "fill_to_apex_core_straight",
                "core_start",
                "core_end",
                "taper",
                "smallest_visible_void",
                "homogeneous",
            )
        ),
        profile=(),
        gaps=(),
        measures=canal.measures[:2],
    )
    review = dataclasses.replace(
        calibrated.review, canals=(bare,), verdicts=(), tooth_summaries=(), warnings=()
    )
    content = build_content(review, calibrated.radiograph)
    assert content.canals[0].close_up is None
    assert content.canals[0].profile is None
    assert "Visible voids" not in Page(html_text(content)).text
    assert pdf_text(pdf_bytes(content)).count("Canal: coronal reference") == 2


def test_another_image_is_refused_or_named(calibrated, tmp_path: Path) -> None:
    source = dataclasses.replace(calibrated.radiograph.source, sha256="ee" * 32)
    other = dataclasses.replace(calibrated.radiograph, source=source)
    with pytest.raises(ImageChangedError):
        write_html(calibrated.review, other, tmp_path / "a.html")
    assert list(tmp_path.iterdir()) == []
    options = ReportOptions(changed_image_reason="Saved again by the archive.")
    write_html(calibrated.review, other, tmp_path / "a.html", options=options)
    text = Page((tmp_path / "a.html").read_text()).text
    assert "not the image that was measured. Reason given: Saved again by the archive." in text


def test_missing_packages_are_named(calibrated, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(WriteError, match=r"typst is missing.*rxmeasure\[report\]"):
        write_pdf(calibrated.review, calibrated.radiograph, tmp_path / "a.pdf")


def test_an_unwritable_place_is_a_write_error(calibrated, tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="no folder"):
        write_html(calibrated.review, calibrated.radiograph, tmp_path / "absent" / "a.html")


def test_the_same_review_gives_the_same_page(calibrated) -> None:
    again = build_content(calibrated.review, calibrated.radiograph)
    assert html_text(again) == html_text(calibrated.content)


def test_the_report_needs_no_more_than_the_review_file(calibrated, tmp_path: Path) -> None:
    path = tmp_path / "a.rxreview.json"
    save_review(calibrated.review, path)
    again = load_review(path)
    assert again == calibrated.review
    assert build_content(again, calibrated.radiograph) == calibrated.content


def _with_origin(review: Review, canal: str, origin: MarksOrigin) -> Review:
    """The review as if the canal's marks came from there."""

    def of(verdict):
        mine = verdict.canal == canal
        return dataclasses.replace(verdict, confirmed=False) if mine else verdict

    canals = tuple(
        dataclasses.replace(c, origin=origin) if c.name == canal else c for c in review.marks.canals
    )
    changed = dataclasses.replace(review, marks=dataclasses.replace(review.marks, canals=canals))
    if origin is not MarksOrigin.NOT_CONFIRMED:
        return changed
    return dataclasses.replace(changed, verdicts=tuple(map(of, review.verdicts)))


@pytest.mark.parametrize("origin", MarksOrigin)
def test_a_page_says_who_placed_the_marks_of_each_canal(calibrated, origin: MarksOrigin) -> None:
    name = calibrated.review.marks.canals[0].name
    review = _with_origin(calibrated.review, name, origin)
    content = build_content(review, calibrated.radiograph)
    pages = (Page(html_text(content)).text, pdf_text(pdf_bytes(content)))
    for text in pages:
        for other in MarksOrigin:
            expected = (origin is other) + (other is MarksOrigin.BY_HAND) * (
                len(review.marks.canals) - 1
            )
            assert text.count(ORIGINS[other]) == expected
    for part in content.canals:
        unseen = part is content.canals[0] and origin is MarksOrigin.NOT_CONFIRMED
        assert part.verdicts
        assert all(row.word.endswith("(not confirmed)") is unseen for row in part.verdicts)
