"""A series in words: names of roots, the tooth's score, the course and its gaps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from drawn_visits import drawn_film, drawn_series, film_marks, lesion, visit

from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.reading import read_radiograph
from rxmeasure.recall.comparison import FillChange, fill_changes
from rxmeasure.recall.scores import published_scales, score
from rxmeasure.recall.series import LesionMark, unchanged_band
from rxmeasure.recall.size import scaled_area
from rxmeasure.record.review_file import read_marks
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.series_words import (
    fill_row,
    least_text,
    root_change,
    root_heading,
    tooth_words,
    trend_gaps_text,
    trend_lines,
    trend_point_text,
)
from rxmeasure.review import review_film

INDEX = published_scales()["periapical_index"]


@pytest.mark.parametrize(
    ("name", "heading"),
    [
        ("M", "Root M (mesial)"),
        ("1", "Root 1"),
        ("single", "Single root"),
        ("mesial root", "Mesial root"),
        ("roof", "Root roof"),
    ],
)
def test_a_root_is_never_printed_bare(name: str, heading: str) -> None:
    assert root_heading(name) == heading


def test_numbers_of_a_change_with_the_decimal_mark() -> None:
    # Calculation: radius 3 to 2 mm.
    words = root_change(drawn_series(60.0, 40.0).lesion_changes[0], Numbers(decimal_mark=","))
    assert (words.sign, words.word, words.visits) == ("▼", "reduced", "visit 1 to 2")
    area = words.rows[0]
    assert area.values == "28,26 → 12,56 mm²"
    assert area.percent == "-56 %"
    assert area.difference.startswith("-15,70 ± ")


@pytest.mark.parametrize(
    ("values", "roots", "expected"),
    [
        ({"M": "2", "D": "4"}, (), ("4 (disease)", "worst root: D")),
        ({"M": "2", "D": "2"}, (), ("2 (healthy)", "worst root: M, D")),
        ({"M": "2"}, ("M", "D"), ("2 (healthy)", "root M; not scored yet: D")),
    ],
)
def test_the_worst_root_rules_the_tooth(
    values: dict[str, str], roots: tuple[str, ...], expected: tuple[str, str]
) -> None:
    words = tooth_words(INDEX, [score(INDEX, *given) for given in values.items()], roots)
    assert words is not None
    assert (words.score, words.ruled_by) == expected
    assert tooth_words(INDEX, []) is None


def test_the_course_takes_two_areas_of_one_root() -> None:
    assert trend_lines(drawn_series(60.0, 40.0, None)).keys() == {"M"}
    undated = (visit(1, 60.0), visit(2, 40.0, date=""))
    assert trend_lines(drawn_series(visits=undated)) == {}


def test_a_point_of_the_course_tells_its_interval() -> None:
    series = drawn_series(60.0, None)
    first, last = trend_lines(series)["M"]
    assert first.interval_mm2 == pytest.approx(
        (first.area_mm2 - 1.96 * first.u_area_mm2, first.area_mm2 + 1.96 * first.u_area_mm2)
    )
    assert replace(first, u_area_mm2=99.0).interval_mm2[0] == 0.0
    words = trend_point_text(first, series, Numbers())
    assert words.startswith("Root M (mesial), visit 1, 2021-03-01 (0.0 years): 28.26 ± ")
    assert trend_point_text(last, series, Numbers()).endswith("(1.0 years): no lesion visible")


def test_a_lesion_without_a_number_is_told() -> None:
    seeded = LesionMark(root="M", seed_px=(150.0, 130.0))  # noise is no lesion
    series = drawn_series(visits=(visit(1, 60.0), visit(2, 60.0, lesions=(seeded,))))
    assert trend_gaps_text(series) == "No number, so no sign: Root M (mesial) at visit 2."
    assert trend_gaps_text(drawn_series(60.0, None)) == ""


def test_the_band_of_no_change_is_that_of_the_comparisons_with_the_first_visit() -> None:
    both = tuple(
        visit(n, r, lesions=(lesion(r), lesion(None, "D")))
        for n, r in enumerate((60.0, 50.0, 40.0), 1)
    )
    series = drawn_series(visits=both)
    band = unchanged_band(series, "M")
    assert band is not None
    second, third = (
        next(c for c in series.lesion_changes if (c.root, c.before, c.after) == ("M", 1, n))
        for n in (2, 3)
    )
    least = [c.changes[0].least_significant for c in (second, second, third)]
    before = second.changes[0].before
    assert band.years == pytest.approx((0.0, 1.0, 2.0), abs=0.01)
    assert band.low_mm2 == pytest.approx([before - one for one in least])
    assert band.high_mm2 == pytest.approx([before + one for one in least])
    assert unchanged_band(series, "D") is None


def test_no_band_where_a_film_has_no_scale() -> None:
    films = [(drawn_film(1), film_marks()), (drawn_film(2), film_marks(scaled=False))]
    assert unchanged_band(drawn_series(60.0, 45.0, films=films, pixel_ratios=[]), "M") is None


@pytest.fixture(scope="module")
def filled_with_voids() -> CanalMeasurement:
    """The canal of the sample film with voids."""
    image = Path(__file__).parents[3] / "sample_images" / "voids_canine.png"
    marks = read_marks(image.with_suffix(".marks.toml"))
    (canal,) = review_film(read_radiograph(image), marks).canals
    assert canal.gaps
    return canal


@pytest.mark.parametrize(("u_px2", "changed"), [(8.0, True), (120.0, False), (400.0, None)])
def test_a_puff_that_shrank_by_a_third(calibrated, u_px2: float, changed: bool | None) -> None:
    canal = next(c for c in calibrated.review.canals if c.puff is not None)
    smaller, larger = (
        replace(
            canal,
            puff=replace(
                canal.puff,
                area=scaled_area(
                    share * canal.puff.area.value_px2, u_px2, calibrated.review.calibration
                ),
            ),
        )
        for share in (0.67, 1.0)
    )
    puff = next(c for c in fill_changes((1, [larger]), (2, [smaller])) if c.quantity == "puff")
    assert puff.changed is changed


@pytest.mark.parametrize(
    ("shift_mm", "u_mm", "changed"),
    [(0.5, 0.1, True), (0.2, 0.1, False), (0.2, 0.5, None), (3.0, 0.5, True)],
)
def test_a_fill_whose_end_is_known_too_coarsely(
    calibrated, shift_mm: float, u_mm: float, changed: bool | None
) -> None:
    # Least significant: 1.96 * sqrt(2) * u, 0.28 and 1.39 mm.
    canal = next(c for c in calibrated.review.canals if c.fill_length is not None)
    first, second = (
        replace(canal, fill_length=replace(canal.fill_length, value_mm=value, u_mm=u_mm))
        for value in (10.0, 10.0 + shift_mm)
    )
    change = next(
        c for c in fill_changes((1, [first]), (2, [second])) if c.quantity == "fill length"
    )
    assert change.changed is changed
    row = fill_row(change, Numbers())
    assert row.word == {True: "changed", False: "unchanged", None: "cannot be told"}[changed]
    assert ("1.4 mm" in row.text) is (changed is None)
    assert least_text(row).startswith("least significant ")


@pytest.mark.parametrize(("scaled", "changed"), [(True, True), (False, None)])
def test_voids_of_a_film_without_a_scale_cannot_be_told(
    filled_with_voids: CanalMeasurement, scaled: bool, changed: bool | None
) -> None:
    after = filled_with_voids
    if not scaled:
        after = replace(after, gaps=tuple(replace(gap, to_end_mm=None) for gap in after.gaps))
    before = replace(filled_with_voids, gaps=())
    change = next(c for c in fill_changes((1, [before]), (2, [after])) if c.quantity == "new voids")
    assert change.changed is changed
    assert ("no scale" in change.text) is (changed is None)


@pytest.mark.parametrize(
    ("changed", "difference", "expected"),
    [
        (False, 0.0, ("=", "unchanged", "no new voids", "")),
        (True, 2.0, ("≠", "changed", "new voids", "2")),
        (None, None, ("?", "cannot be told", "new voids", "")),
    ],
)
def test_voids_of_a_fill(
    changed: bool | None, difference: float | None, expected: tuple[str, ...]
) -> None:
    change = FillChange(
        canal="MB",
        quantity="new voids",
        before=1,
        after=2,
        unit="1",
        difference=difference,
        least_significant=None,
        changed=changed,
        text="",
    )
    row = fill_row(change, Numbers())
    assert (row.sign, row.word, row.quantity, row.difference) == expected
