"""Hostile text in every field of every page: no element more, no attribute more, no script run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pypdfium2
import pytest
from drawn_visits import drawn_film, drawn_series, film_marks, visit
from headless import headless
from hostile_text import poisoned

from rxmeasure.audit.audit import AuditRequest, run_audit
from rxmeasure.audit.rows_file import RowsFile
from rxmeasure.batch import page as batch_page
from rxmeasure.batch.ledger import LedgerRow
from rxmeasure.criteria.criterion import published_rule_sets
from rxmeasure.phantom.clinic import MEASURED_FOR, make_clinic, write_clinic
from rxmeasure.report.audit_content import audit_content
from rxmeasure.report.class_page import class_content
from rxmeasure.report.content import build_content
from rxmeasure.report.feedback_page import cases_to_show, feedback_content
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.page import html_text, pdf_bytes
from rxmeasure.report.series_page import series_content
from rxmeasure.report.templating import html_page, pdf_page
from rxmeasure.teaching.calibration import calibration_of_records
from rxmeasure.teaching.class_agreement import class_agreement
from rxmeasure.teaching.results import course_results, result_of

if TYPE_CHECKING:
    from selenium.webdriver.chrome.webdriver import WebDriver

RUN = "window.hit=1"
EVIL = (
    f"\"'><script>{RUN}</script><img src=x onerror={RUN}><svg onload={RUN}></svg>"
    f"]]>--></style></title></td></dl><a href='javascript:{RUN}'>x</a>\" onload=\"{RUN}"
)
LITERAL = ('#panic("x")', "*bold*", "$x^2$", "@ref", "#{1+1}", '#include"/etc/passwd"', "<lab>")
TYPST = " ".join(LITERAL) + " [#let a = 1] \\u{41} // gone /* gone */ `raw`"
POLICY = "Content-Security-Policy"

Make = Callable[[str | None], str]


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WebDriver]:
    with headless(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


@pytest.fixture(scope="module")
def audit_tree(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("clinic")
    write_clinic(make_clinic(seed=40064, patients=30), folder)
    request = AuditRequest(rule_set=published_rule_sets()[MEASURED_FOR[0]])
    return audit_content(
        run_audit(RowsFile(folder / "canals.csv"), request), None, Numbers(), title="Audit"
    )


@pytest.fixture(scope="module")
def series_tree() -> dict[str, Any]:
    visits = (visit(1, 60.0), visit(2, 40.0))
    marks = film_marks(case="case")
    films = [(drawn_film(k), marks) for k in (1, 2)]
    series = drawn_series(visits=visits, films=films, treated="")
    return series_content(series, [film for film, _ in films], Numbers())


@pytest.fixture(scope="module")
def course_trees(course_records: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    results = course_results(course_records)
    student = course_records.students[0]
    calibration = calibration_of_records(course_records)
    assert cases_to_show(result_of(results, student))
    return (
        class_content(
            course_records, results, class_agreement(course_records), calibration, Numbers()
        ),
        feedback_content(course_records, results, student, {}, Numbers()),
    )


def elements(browser: WebDriver, html: str, path: Path) -> tuple[Counter[str], Counter[str]]:
    """Tags and attributes that the browser made, with the policy against scripts taken away."""
    assert POLICY in html
    path.write_text(html.replace(POLICY, "x-nothing"), encoding="utf-8")
    browser.get(path.as_uri())
    assert browser.execute_script("return typeof window.hit") == "undefined"
    made = browser.execute_script(
        "return Array.from(document.querySelectorAll('*'))"
        ".map(e => [e.tagName, Array.from(e.attributes).map(a => e.tagName + ' ' + a.name)])"
    )
    return Counter(tag for tag, _ in made), Counter(a for _, names in made for a in names)


def harmless(browser: WebDriver, make: Make, folder: Path) -> None:
    clean = elements(browser, make(None), folder / "clean.html")
    evil = elements(browser, make(EVIL), folder / "evil.html")
    assert evil == clean
    shown = browser.find_element("css selector", "body").text
    assert f"<script>{RUN}</script>" in shown


def test_the_report(browser: WebDriver, calibrated: Any, tmp_path: Path) -> None:
    def make(text: str | None) -> str:
        review = calibrated.review if text is None else poisoned(calibrated.review, text)
        film = calibrated.radiograph if text is None else poisoned(calibrated.radiograph, text)
        return html_text(build_content(review, film))

    made = elements(browser, make(EVIL), tmp_path / "evil.html")
    clean = elements(browser, make(None), tmp_path / "clean.html")
    # Hostile names match nothing, so that there may be less on the page, and nothing else.
    assert set(made[0]) <= set(clean[0])
    assert set(made[1]) <= set(clean[1])
    assert made[0]["SCRIPT"] == 0
    assert made[0]["IMG"] <= clean[0]["IMG"]


def test_every_field_of_the_report(browser: WebDriver, calibrated: Any, tmp_path: Path) -> None:
    def make(text: str | None) -> str:
        content = calibrated.content
        return html_text(content if text is None else poisoned(content, text))

    harmless(browser, make, tmp_path)


def _of(template: str, tree: dict[str, Any], **more: Any) -> Make:
    return lambda text: html_page(
        template, c=tree if text is None else poisoned(tree, text), **more
    )


def test_every_field_of_the_series(
    browser: WebDriver, series_tree: dict[str, Any], tmp_path: Path
) -> None:
    harmless(browser, _of("series.html.j2", series_tree), tmp_path)


def test_every_field_of_the_audit(
    browser: WebDriver, audit_tree: dict[str, Any], tmp_path: Path
) -> None:
    harmless(browser, _of("audit.html.j2", audit_tree), tmp_path)


def test_every_field_of_the_class(
    browser: WebDriver, course_trees: tuple[dict[str, Any], ...], tmp_path: Path
) -> None:
    harmless(browser, _of("class.html.j2", course_trees[0], script="", script_hash="x"), tmp_path)


def test_every_field_of_the_feedback(
    browser: WebDriver, course_trees: tuple[dict[str, Any], ...], tmp_path: Path
) -> None:
    harmless(browser, _of("feedback.html.j2", course_trees[1]), tmp_path)


def test_names_reasons_and_rules_of_a_batch(browser: WebDriver, tmp_path: Path) -> None:
    def make(text: str | None) -> str:
        word = text or "word"
        verdict = {
            "field": "overall", "canal": word, "rule_id": word, "rule_version": word,
            "outcome": word, "confirmed": True,
        }  # fmt: skip
        rows = [
            LedgerRow(image_sha256="a", settings_sha256="b", name=word, reason=reason, review=tree)
            for reason, tree in ((word, None), ("", {"calibration": None, "verdicts": [verdict]}))
        ]
        batch_page.write_page(rows, tmp_path / "batch.html")
        return (tmp_path / "batch.html").read_text(encoding="utf-8")

    harmless(browser, make, tmp_path)


def _squeezed(pdf: bytes) -> str:
    pages = [p.get_textpage().get_text_bounded() for p in pypdfium2.PdfDocument(pdf)]
    return "".join(c for c in "".join(pages) if not c.isspace() and c not in "\u200b\ufffe\u00ad")


@pytest.mark.parametrize("name", ["report", "series", "audit", "feedback"])
def test_every_field_of_a_pdf_stays_text(
    name: str,
    calibrated: Any,
    series_tree: dict[str, Any],
    audit_tree: dict[str, Any],
    course_trees: tuple[dict[str, Any], ...],
) -> None:
    trees = {"series": series_tree, "audit": audit_tree, "feedback": course_trees[1]}
    if name == "report":
        pdf = pdf_bytes(poisoned(calibrated.content, TYPST))
    else:
        pdf = pdf_page(f"{name}.typ", poisoned(trees[name], TYPST))
    shown = _squeezed(pdf)
    assert not [text for text in LITERAL if text not in shown]
    assert "//gone/*gone*/" in shown
