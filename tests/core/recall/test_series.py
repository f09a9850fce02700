"""Visits of one tooth: what is compared, what is refused, what the file keeps."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from dicom_films import PICTURE, review_of
from drawn_visits import drawn_film, drawn_series, film_marks, lesion, visit
from jsonschema import Draft202012Validator
from scipy import ndimage

from rxmeasure.errors import RecallError, ReviewFileError, WriteError
from rxmeasure.recall.change import ChangeVerdict
from rxmeasure.recall.comparison import PixelRatio
from rxmeasure.recall.lesion import LesionSource
from rxmeasure.recall.pairs import PairLandmarks
from rxmeasure.recall.scores import Suggest, Symptoms, published_scales, score
from rxmeasure.recall.series import (
    MOST_VISITS,
    LesionMark,
)
from rxmeasure.record.parsing import MAX_VALUES
from rxmeasure.record.schema import as_text, series_schema
from rxmeasure.record.series_file import (
    FORMAT,
    SERIES_SCHEMA_PATH,
    load_series,
    read_series_marks,
    save_series,
)

SCALES = published_scales()

# --- what became of the lesion ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (60.0, 30.0, ChangeVerdict.REDUCED),
        (30.0, 60.0, ChangeVerdict.ENLARGED),
        (60.0, 61.0, ChangeVerdict.UNCHANGED),
        (60.0, None, ChangeVerdict.NOT_VISIBLE),
        (None, 60.0, ChangeVerdict.NEW),
        (None, None, ChangeVerdict.NONE_VISIBLE),
    ],
)
def test_verdicts(before: float | None, after: float | None, verdict: ChangeVerdict) -> None:
    (change,) = drawn_series(before, after).lesion_changes
    assert change.verdict is verdict
    assert change.reason


def test_numbers_of_a_change() -> None:
    # Calculation: radius 3 to 2 mm: area -55.56 %, diameter -33.33 %.
    (change,) = drawn_series(60.0, 40.0).lesion_changes
    area, largest = change.changes[0], change.changes[1]
    assert (area.quantity, area.unit) == ("area", "mm2")
    assert area.before == pytest.approx(28.2743, rel=2e-3)
    assert area.percent == pytest.approx(-55.56, abs=0.05)
    assert largest.percent == pytest.approx(-33.33, abs=0.05)


def test_each_visit_is_compared_with_the_one_before_and_with_the_first() -> None:
    series = drawn_series(60.0, 50.0, 40.0, None)
    assert [(c.before, c.after) for c in series.lesion_changes] == [
        (1, 2), (2, 3), (3, 4), (1, 3), (1, 4)
    ]  # fmt: skip
    assert [round(p.years) for p in series.trend] == [0, 1, 2, 3]
    assert [p.area_mm2 for p in series.trend] == sorted(
        (p.area_mm2 for p in series.trend), reverse=True
    )
    assert series.trend[-1].area_mm2 == 0.0


def test_a_root_without_a_finding_cannot_be_told() -> None:
    other = LesionMark(root="D", none_visible=True)
    visits = (visit(1, 60.0), visit(2, 60.0, lesions=(other,)))
    changes = drawn_series(
        visits=visits, films=[(drawn_film(1), film_marks()), (drawn_film(2), film_marks())]
    )
    assert {c.root: c.verdict for c in changes.lesion_changes} == {
        "M": ChangeVerdict.CANNOT_BE_TOLD,
        "D": ChangeVerdict.CANNOT_BE_TOLD,
    }


def test_one_film_without_a_scale_is_not_compared_unless_the_films_are_aligned() -> None:
    films = [(drawn_film(1), film_marks()), (drawn_film(2), film_marks(scaled=False))]
    series = drawn_series(60.0, 45.0, films=films)
    (change,) = series.lesion_changes
    assert change.verdict is ChangeVerdict.CANNOT_BE_TOLD
    assert "not aligned" in change.reason
    assert [w.code for w in series.warnings] == ["visit-without-scale"]
    assert series.warnings[0].text.startswith("No scale at visit 2: sizes of that film are")
    bare = [(drawn_film(n), film_marks(scaled=False)) for n in (1, 2, 3)]
    (warned,) = drawn_series(60.0, 45.0, 40.0, films=bare).warnings
    assert warned.text.startswith("No scale at visits 1, 2 and 3: sizes of these films are")
    # Pixels of the second film count 0.8 of the first: 45 px are 36.
    ratio = PixelRatio(before=1, after=2, value=0.8, u_rel=0.005)
    (change,) = drawn_series(60.0, 45.0, films=films, pixel_ratios=[ratio]).lesion_changes
    assert change.verdict is ChangeVerdict.REDUCED
    assert change.changes[0].unit == "ratio"
    assert change.changes[0].after == pytest.approx((36.0 / 60.0) ** 2)


def test_films_without_a_scale_are_aligned_to_compare_their_pixels() -> None:
    # The second film is the first, drawn 1.25 times as large: one of its pixels counts 0.8.
    grain = np.random.default_rng(5).standard_normal((300, 260))
    plain = 2000.0 + 800.0 * ndimage.gaussian_filter(grain, 3.0) / 0.1
    enlarged = ndimage.zoom(plain, 1.25, order=3, grid_mode=True, mode="nearest")
    unscaled = film_marks(scaled=False)
    films = [
        (replace(film, pixels=np.clip(pixels, 1.0, 4094.0).astype(np.float32)), unscaled)
        for film, pixels in ((drawn_film(1), plain), (drawn_film(2), enlarged))
    ]
    (change,) = drawn_series(60.0, 60.0, films=films).lesion_changes
    assert change.changes[0].unit == "ratio"
    assert change.changes[0].after == pytest.approx(0.8**2, rel=0.02)
    assert change.verdict is ChangeVerdict.REDUCED


def test_points_of_the_reader_compare_the_pixels_of_films_that_cannot_be_aligned() -> None:
    films = [(drawn_film(1), film_marks()), (drawn_film(2), film_marks(scaled=False))]
    points = ((40.0, 60.0), (250.0, 50.0), (160.0, 220.0))
    # One pixel of the second film counts two of the first.
    half = tuple((0.5 * r + 3.0, 0.5 * c - 2.0) for r, c in points)
    landmarks = PairLandmarks(before=1, after=2, first_px=points, second_px=half)
    (change,) = drawn_series(60.0, 30.0, films=films, landmarks=(landmarks,)).lesion_changes
    assert change.changes[0].unit == "ratio"
    assert change.changes[0].after == pytest.approx(1.0, rel=1e-6)
    assert change.verdict is ChangeVerdict.UNCHANGED


# --- scores ---------------------------------------------------------------------------------


def test_scores_suggestions_and_the_next_recall() -> None:
    given = (
        score(SCALES["periapical_index"], "M", "4"),
        score(SCALES["periapical_index"], "D", "2"),
        score(SCALES["outcome_three_way"], "M", "uncertain"),
    )
    visits = (visit(1, 60.0), visit(2, 40.0, symptoms=Symptoms.NONE, scores=given))
    series = drawn_series(
        visits=visits, films=[(drawn_film(1), film_marks()), (drawn_film(2), film_marks())]
    )
    assert {(s.scale_id, s.value, s.group) for s in series.tooth_scores} == {
        ("periapical_index", "4", "disease"),
        ("outcome_three_way", "uncertain", "uncertain"),
    }
    (suggestion,) = series.suggestions
    assert (suggestion.scored, suggestion.suggested) == ("uncertain", "uncertain")
    assert series.next_recall.date == "2023-03-01"
    silent = drawn_series(
        visits=visits,
        films=[(drawn_film(1), film_marks()), (drawn_film(2), film_marks())],
        suggest=Suggest.NEVER,
    )
    assert silent.suggestions == ()
    assert silent.tooth_scores == series.tooth_scores


def test_a_score_without_a_version_gets_the_current_one() -> None:
    given = replace(score(SCALES["periapical_index"], "M", "4"), scale_version="")
    series = drawn_series(visits=(visit(1, 60.0), visit(2, 40.0, scores=(given,))))
    assert series.visits[1].scores[0].scale_version == SCALES["periapical_index"].version


def test_a_score_of_an_unknown_scale_is_refused() -> None:
    wrong = replace(score(SCALES["periapical_index"], "M", "4"), scale_id="own")
    visits = (visit(1, 60.0), visit(2, 40.0, scores=(wrong,)))
    with pytest.raises(RecallError, match="'own'"):
        drawn_series(visits=visits)


# --- refusals -------------------------------------------------------------------------------


def test_reversed_dates_are_refused_and_a_missing_one_is_told() -> None:
    with pytest.raises(RecallError, match="exchange the visits"):
        drawn_series(visits=(visit(2, 60.0), visit(1, 60.0)))
    series = drawn_series(visits=(visit(1, 60.0), visit(2, 40.0, date="")))
    assert [w.code for w in series.warnings] == ["visit-date-missing"]
    assert series.lesion_changes[0].verdict is ChangeVerdict.REDUCED
    assert len(series.trend) == 1
    assert series.next_recall.date is None


def test_visits_of_one_day_are_told() -> None:
    day = "2021-03-01"
    series = drawn_series(visits=(visit(1, 60.0, date=day), visit(2, 40.0, date=day)))
    (warning,) = series.warnings
    assert warning.code == "visit-dates-equal"
    assert "1 and 2" in warning.text


@pytest.mark.parametrize("changes", [{"case": "case-2"}, {"tooth": "37"}])
def test_other_visits_need_a_reason(changes: dict[str, str]) -> None:
    films = [(drawn_film(1), film_marks()), (drawn_film(2), film_marks(**changes))]
    with pytest.raises(RecallError, match="different") as refused:
        drawn_series(60.0, 50.0, films=films)
    assert refused.value.overridable
    series = drawn_series(60.0, 50.0, films=films, differing_reason="renamed")
    assert [w.code for w in series.warnings] == ["visits-differ"]
    assert "renamed" in series.warnings[0].text


def test_films_of_two_patients_need_a_reason() -> None:
    films = [
        (replace(drawn_film(n), patient_sha256=patient), film_marks())
        for n, patient in ((1, "a" * 64), (2, "b" * 64))
    ]
    with pytest.raises(RecallError, match="different patients, by the Patient ID") as refused:
        drawn_series(60.0, 50.0, films=films)
    assert refused.value.overridable
    # No hash is told or kept.
    assert "a" * 8 not in str(refused.value)
    series = drawn_series(60.0, 50.0, films=films, differing_reason="new number")
    assert "Films of different patients" in series.warnings[0].text
    assert "a" * 64 not in str(series)
    # A film whose file names nobody is no other patient's.
    films[1] = (replace(films[1][0], patient_sha256=""), films[1][1])
    assert drawn_series(60.0, 50.0, films=films).warnings == ()


@pytest.mark.parametrize("count", [1, 11])
def test_a_series_has_two_to_ten_visits(count: int) -> None:
    visits = tuple(visit(1, 60.0) for _ in range(count))
    with pytest.raises(RecallError, match="2 to 10"):
        drawn_series(visits=visits)


def test_the_same_image_twice_is_refused() -> None:
    with pytest.raises(RecallError, match="same image"):
        drawn_series(
            60.0, 50.0, films=[(drawn_film(1), film_marks()), (drawn_film(1), film_marks())]
        )


@pytest.mark.parametrize(
    "lesions",
    [
        (LesionMark(root="M"),),
        (LesionMark(root="M", none_visible=True, seed_px=(5.0, 5.0)),),
        (LesionMark(root="M", none_visible=True), LesionMark(root="M", none_visible=True)),
    ],
)
def test_findings_that_contradict_each_other(lesions: tuple[LesionMark, ...]) -> None:
    with pytest.raises(RecallError):
        drawn_series(visits=(visit(1, 60.0, lesions=lesions), visit(2, 60.0)))


# --- the file -------------------------------------------------------------------------------


def test_a_series_returns_exactly(tmp_path: Path) -> None:
    series = drawn_series(60.0, 40.0)
    path = tmp_path / "case.rxseries.json"
    save_series(series, path)
    assert load_series(path) == series
    assert read_series_marks(path) == series.marks
    Draft202012Validator(series_schema()).validate(json.loads(path.read_text()))


def test_ten_visits_of_four_canals_are_read_again(tmp_path: Path) -> None:
    (canal,) = review_of(PICTURE).canals
    series = drawn_series(60.0, 40.0)
    canals = tuple(replace(canal, name=name) for name in ("MB1", "MB2", "DB", "P"))
    visits = (replace(series.visits[0], canals=canals),) * MOST_VISITS
    series = replace(series, visits=visits)
    path = tmp_path / "case.rxseries.json"
    save_series(series, path)
    assert sum(map(path.read_text().count, ",[{")) > MAX_VALUES
    assert load_series(path) == series


def test_a_painted_outline_stays_a_painted_one(tmp_path: Path) -> None:
    painted = replace(lesion(60.0), painted=True)
    series = drawn_series(visits=(visit(1, 60.0, lesions=(painted,)), visit(2, 40.0)))
    save_series(series, tmp_path / "case.rxseries.json")
    kept = load_series(tmp_path / "case.rxseries.json")
    assert kept.marks.visits[0].lesions[0].painted
    sources = [one.lesions[0].source for one in kept.visits]
    assert sources == [LesionSource.MASK, LesionSource.OUTLINE]


def test_the_shipped_schema_is_the_one_that_the_dataclasses_make() -> None:
    assert SERIES_SCHEMA_PATH.read_text(encoding="utf-8") == as_text(series_schema())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"format": "other"}, "heading"),
        ({"format_version": 2}, "newer program"),
        ({"format_version": 0}, "can be brought"),
        ({"extra": 1}, "extra"),
    ],
)
def test_what_is_not_a_series_file_is_refused(
    tmp_path: Path, change: dict[str, object], words: str
) -> None:
    path = tmp_path / "case.rxseries.json"
    save_series(drawn_series(60.0, 40.0), path)
    path.write_text(json.dumps({**json.loads(path.read_text()), **change}))
    with pytest.raises(ReviewFileError, match=words):
        load_series(path)


def test_a_failed_write_leaves_the_older_file(tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "case.rxseries.json"
    with pytest.raises(WriteError):
        save_series(drawn_series(60.0, 40.0), path)
    assert FORMAT not in "".join(p.name for p in tmp_path.iterdir())


def test_marks_by_hand(tmp_path: Path) -> None:
    path = tmp_path / "case.toml"
    path.write_text(
        """
treated = "2021-03-01"
[[visits]]
image = "a.png"
date = "2021-03-01"
lesions = [{ root = "M", seed_px = [120.5, 80.0] }, { root = "D", none_visible = true }]
[[visits]]
image = "b.png"
date = "2022-03-01"
symptoms = "none"
scores = [{ scale_id = "periapical_index", root = "M", value = "3" }]
"""
    )
    marks = read_series_marks(path)
    assert marks.visits[0].lesions[0].seed_px == (120.5, 80.0)
    assert marks.visits[1].symptoms is Symptoms.NONE
    (given,) = marks.visits[1].scores
    assert (given.scale_id, given.root, given.value) == ("periapical_index", "M", "3")


@pytest.mark.parametrize(
    "text", ["visits = 3", 'visits = ["a"]', '[[visits]]\ndate = "2021-03-01"', "[[visits]]\nx = 1"]
)
def test_wrong_marks_by_hand_are_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "case.toml"
    path.write_text(text)
    with pytest.raises(RecallError, match=r"case\.toml"):
        read_series_marks(path)
