"""Class page and feedback sheet: whole, self-contained, sortable in a browser, no other student."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pypdfium2
import pytest
from headless import headless

from rxmeasure.errors import TeachingError
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.report.class_page import class_content, write_class_page
from rxmeasure.report.feedback_page import (
    cases_to_show,
    feedback_content,
    write_feedback_html,
    write_feedback_pdf,
)
from rxmeasure.report.numbers import Numbers
from rxmeasure.teaching.calibration import calibration_of_records
from rxmeasure.teaching.class_agreement import class_agreement
from rxmeasure.teaching.course import CourseRecords
from rxmeasure.teaching.results import CourseResults, course_results, result_of

if TYPE_CHECKING:
    from selenium.webdriver.chrome.webdriver import WebDriver

WHO = "student-03"


@pytest.fixture(scope="module")
def records(course_records: CourseRecords) -> CourseRecords:
    return course_records


@pytest.fixture(scope="module")
def results(records: CourseRecords) -> CourseResults:
    return course_results(records)


@pytest.fixture(scope="module")
def films(
    records: CourseRecords, results: CourseResults, sample_images: Path
) -> dict[str, Radiograph]:
    images = {case.id: case.image for case in records.cases}
    shown = cases_to_show(result_of(results, WHO), most=1)
    return {case: read_radiograph(sample_images / images[case]) for case in shown}


@pytest.fixture(scope="module")
def class_page(
    records: CourseRecords, results: CourseResults, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    path = tmp_path_factory.mktemp("class") / "class.html"
    write_class_page(
        records, results, class_agreement(records), calibration_of_records(records), path
    )
    return path


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WebDriver]:
    with headless(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


def _self_contained(html: str) -> None:
    """Nothing is fetched: addresses are data, places on the page, or names of XML."""
    addresses = re.findall(r"""(?:src|href)=["']([^"']*)""", html)
    assert addresses
    assert all(address.startswith(("data:", "#")) for address in addresses)
    assert "default-src 'none'" in html
    assert not re.search(r"@import|url\(\s*['\"]?http", html)


def test_the_class_page_fetches_nothing(class_page: Path) -> None:
    _self_contained(class_page.read_text(encoding="utf-8"))


def test_the_class_page_shows_every_student_filling_rater_and_film(
    records: CourseRecords, results: CourseResults
) -> None:
    content = class_content(
        records, results, class_agreement(records), calibration_of_records(records), Numbers()
    )
    tables = {table["title"]: table for table in content["tables"]}
    assert len(tables["Students"]["rows"]) == 12
    assert len(tables["Fillings"]["rows"]) == 24
    assert len(tables["Raters against the key"]["rows"]) == 15
    assert len(tables["Films of the bank"]["rows"]) == 30
    assert [row[0]["text"] for row in tables["Drift over the sessions"]["rows"]] == [
        "teacher-1", "teacher-2", "teacher-3",
    ]  # fmt: skip
    assert [plot["title"] for plot in content["plots"]] == [
        "Final marks", "Own marks and teachers' marks", "Teachers over the year",
        "Hard and easy films",
    ]  # fmt: skip
    for table in tables.values():
        assert {len(row) for row in table["rows"]} == {len(table["header"])}


def test_a_low_kappa_by_prevalence_is_told(records: CourseRecords, results: CourseResults) -> None:
    agreement = class_agreement(records)
    flagged = [
        c
        for r in agreement.raters
        for c in r.criteria
        if any(w.code == "prevalence" for w in getattr(c.kappa, "cautions", ()))
    ]
    assert flagged
    content = class_content(records, results, agreement, None, Numbers())
    assert any("one level prevails" in text for text in content["cautions"])
    cells = [cell["text"] for table in content["tables"] for row in table["rows"] for cell in row]
    assert sum(text.startswith("! ") for text in cells) == len(flagged)


def test_the_decimal_comma_is_everywhere(records: CourseRecords, results: CourseResults) -> None:
    content = class_content(
        records, results, class_agreement(records), None, Numbers(decimal_mark=",")
    )
    for table in content["tables"]:
        for row in table["rows"]:
            assert not any(re.search(r"\d\.\d", cell["text"]) for cell in row)


def test_a_click_on_a_column_sorts_and_a_second_one_turns_the_order(
    class_page: Path, browser: WebDriver
) -> None:
    browser.get(class_page.as_uri())
    table = browser.find_element("id", "table-1")
    heads = table.find_elements("css selector", "th")
    place = [head.text.split("\u00a0")[0].strip() for head in heads].index("Final")

    def shown() -> list[float]:
        cells = table.find_elements("css selector", f"tbody td:nth-child({place + 1})")
        return [float(cell.text) for cell in cells]

    before = shown()
    button = heads[place].find_element("css selector", "button")
    button.click()
    assert shown() == sorted(before) != before
    assert heads[place].get_attribute("aria-sort") == "ascending"
    button.send_keys("\ue007")
    assert shown() == sorted(before, reverse=True)
    assert heads[place].get_attribute("aria-sort") == "descending"
    assert [e for e in browser.get_log("browser") if e["level"] == "SEVERE"] == []


def test_what_is_missing_stands_last_in_either_order(
    records: CourseRecords, browser: WebDriver, tmp_path: Path
) -> None:
    unmarked = replace(
        records,
        markings=tuple(
            m for m in records.markings if not (m.case == "work-05" and m.rater in records.teachers)
        ),
    )
    path = tmp_path / "class.html"
    write_class_page(unmarked, course_results(unmarked), class_agreement(unmarked), None, path)
    browser.get(path.as_uri())
    for _ in range(2):
        browser.find_element("css selector", "#table-1 th:nth-child(3) button").click()
        column = browser.find_elements("css selector", "#table-1 tbody td:nth-child(3)")
        assert column[-1].text == "–"
        assert all(cell.text != "–" for cell in column[:-1])


def test_the_page_is_no_wider_than_the_window(class_page: Path, browser: WebDriver) -> None:
    browser.get(class_page.as_uri())
    wide = browser.execute_script("return document.documentElement.scrollWidth")
    assert wide <= browser.execute_script("return window.innerWidth")
    images = browser.execute_script(
        "return Array.from(document.images).map(i => i.complete && i.naturalWidth > 0)"
    )
    assert images
    assert all(images)


def test_a_feedback_sheet_holds_no_other_student_and_no_teacher(
    records: CourseRecords,
    results: CourseResults,
    films: dict[str, Radiograph],
    tmp_path: Path,
) -> None:
    path = tmp_path / "feedback.html"
    write_feedback_html(records, results, WHO, films, path)
    html = path.read_text(encoding="utf-8")
    others = [s for s in records.students if s != WHO]
    assert WHO in html
    assert not [name for name in (*others, *records.teachers) if name in html]
    assert "<script" not in html
    _self_contained(html)


def test_the_feedback_shows_where_student_and_key_differ(
    records: CourseRecords, results: CourseResults, films: dict[str, Radiograph]
) -> None:
    content = feedback_content(records, results, WHO, films, Numbers())
    worst = result_of(results, WHO).reading
    hardest = min(worst.comparisons, key=lambda c: (c.total, c.case))
    (shown,) = content["cases"]
    assert shown["head"] == hardest.case
    assert [row["sign"] for row in shown["rows"]] == [
        "✓" if level.steps == 0 else "✗" for level in hardest.levels
    ]
    whole, near = (picture["svg"] for picture in shown["pictures"])
    for svg in (whole, near):
        assert svg.count("<image") == 1
        assert "#f0e442" in svg  # the key's line
        assert "#56b4e9" in svg  # the student's own
    assert len(content["table"]) == 30
    assert [work["mark"] for work in content["works"]] == [
        f"{work.settled.total:.1f}" for work in result_of(results, WHO).works
    ]


def test_the_feedback_as_pdf_says_the_same(
    records: CourseRecords,
    results: CourseResults,
    films: dict[str, Radiograph],
    tmp_path: Path,
) -> None:
    path = tmp_path / "feedback.pdf"
    write_feedback_pdf(records, results, WHO, films, path)
    document = pypdfium2.PdfDocument(path)
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    final = result_of(results, WHO).final
    assert f"{final:.1f} of 100" in text
    assert "Where you and the key differ most" in text
    assert not [name for name in records.teachers if name in text]


def test_an_unknown_student_gets_no_sheet(records: CourseRecords, results: CourseResults) -> None:
    with pytest.raises(TeachingError, match="no student"):
        feedback_content(records, results, "student-99", {}, Numbers())


def test_what_students_write_cannot_become_part_of_the_page(
    records: CourseRecords, results: CourseResults, tmp_path: Path
) -> None:
    evil = "<script>alert(1)</script>"
    spoilt = replace(
        records,
        markings=tuple(replace(m, comment=evil) for m in records.markings),
    )
    path = tmp_path / "feedback.html"
    write_feedback_html(spoilt, results, WHO, {}, path)
    html = path.read_text(encoding="utf-8")
    assert evil not in html
    assert "&lt;script&gt;" in html
