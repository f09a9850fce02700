"""The verdict of two outlines together with that of both films seen together."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_visits import drawn_film, drawn_series, film_marks
from scipy import ndimage

from rxmeasure.marks import ReviewMarks
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.recall.change import Change, ChangeVerdict, ratio_change
from rxmeasure.recall.comparison import LesionChange, lesion_changes
from rxmeasure.recall.series import Series, compare_films
from rxmeasure.recall.steps import align_steps
from rxmeasure.record.review_file import read_marks
from rxmeasure.record.series_file import load_series, save_series
from rxmeasure.report.numbers import Numbers
from rxmeasure.report.series_words import glances, root_change
from rxmeasure.review import review_film

REDUCED, ENLARGED = ChangeVerdict.REDUCED, ChangeVerdict.ENLARGED
SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
UNCHANGED, UNKNOWN = ChangeVerdict.UNCHANGED, ChangeVerdict.CANNOT_BE_TOLD


def _seen(ratio: float, u: float = 0.05) -> Change:
    return ratio_change(ratio, u, quantity="area, both films together")


def _together(series: Series, seen: Change) -> LesionChange:
    first, second = (visit.lesions for visit in series.visits)
    (change,) = lesion_changes((1, first), (2, second), by_difference={"M": seen})
    return change


@pytest.mark.parametrize(
    ("radii", "outlines", "seen", "together"),
    [
        ((60.0, 58.5), UNCHANGED, _seen(0.85), REDUCED),
        ((60.0, 58.5), UNCHANGED, _seen(1.2), ENLARGED),
        ((60.0, 58.5), UNCHANGED, _seen(0.95), UNCHANGED),
        ((60.0, 58.5), UNCHANGED, _seen(0.9, 0.3), UNKNOWN),
        ((60.0, 48.0), REDUCED, _seen(0.85), REDUCED),
        # More than half a least significant change (0.098) to the same side, and less.
        ((60.0, 48.0), REDUCED, _seen(0.94), REDUCED),
        ((60.0, 48.0), REDUCED, _seen(0.96), UNKNOWN),
        ((60.0, 48.0), REDUCED, _seen(1.2), UNKNOWN),
        ((48.0, 60.0), ENLARGED, _seen(1.06), ENLARGED),
        ((48.0, 60.0), ENLARGED, _seen(0.94), UNKNOWN),
    ],
)
def test_outlines_and_both_films_have_one_verdict(
    radii: tuple[float, float], outlines: ChangeVerdict, seen: Change, together: ChangeVerdict
) -> None:
    series = drawn_series(*radii)
    (alone,) = series.lesion_changes
    assert alone.by_difference is None  # films of noise cannot be aligned
    assert alone.verdict is outlines
    change = _together(series, seen)
    assert change.verdict is together
    assert change.by_difference == seen
    assert change.changes == alone.changes


def test_the_verdict_stands_beside_the_number_it_rests_on() -> None:
    series = drawn_series(60.0, 58.5)
    numbers = Numbers()
    (before,) = glances(series, numbers)
    assert before.numbers.startswith("area 28.26 → ")
    told = replace(series, lesion_changes=(_together(series, _seen(0.85)),))
    (glance,) = glances(told, numbers)
    assert (glance.word, glance.numbers[:25]) == ("reduced", "area, both films together")
    rows = root_change(told.lesion_changes[0], numbers).rows
    assert [row.quantity for row in rows[:3]] == [
        "area",
        "area, both films together",
        "largest diameter",
    ]


def _films_with_a_lesion(share: float) -> list[np.ndarray]:
    """Two films of one grain with a dark disc of 60 px, and of that share of it."""
    r, c = np.mgrid[:300, :260].astype(float)
    away = np.hypot(r - 150.0, c - 130.0)
    grain = ndimage.gaussian_filter(np.random.default_rng(5).standard_normal((300, 260)), 3.0)
    films = []
    for visit, radius in enumerate((60.0, 60.0 * share)):
        own = np.random.default_rng(50 + visit).standard_normal((300, 260))
        own = ndimage.gaussian_filter(own, 3.0)
        inside = 0.5 * (1.0 - np.tanh((away - radius) / 5.0))
        texture = (1.0 - 0.6 * inside) * (grain + 0.6 * own) / 0.1
        films.append(np.clip(2400.0 + 200.0 * texture - 900.0 * inside, 1.0, 4094.0))
    return films


def _lesion_films(share: float) -> list[tuple[Radiograph, ReviewMarks]]:
    return [
        (replace(drawn_film(n), pixels=pixels.astype(np.float32)), film_marks())
        for n, pixels in enumerate(_films_with_a_lesion(share), 1)
    ]


def test_a_series_reads_the_change_off_its_films_and_keeps_it(tmp_path: Path) -> None:
    share = float(np.sqrt(0.85))
    series = drawn_series(60.0, 60.0 * share, films=_lesion_films(share))
    (change,) = series.lesion_changes
    assert change.by_difference is not None
    assert change.verdict is REDUCED
    assert change.by_difference.after == pytest.approx(0.85, abs=0.05)
    save_series(series, tmp_path / "case.rxseries.json")
    assert load_series(tmp_path / "case.rxseries.json") == series


def test_films_are_aligned_once_where_the_roots_are_marked() -> None:
    films = _lesion_films(1.0)
    plain = drawn_series(60.0, 60.0, films=films)
    compared = compare_films(plain.marks, films)
    made = compared.alignments[1, 2]
    assert not made.refused
    pictures = [film for film, _ in films]
    # No canal is marked: the program's own roots are wanted beside it, so once more.
    (again,) = align_steps(compared.series, pictures, known=compared.alignments)
    assert again.found is not made
    assert again.found is not None
    np.testing.assert_allclose(again.found.map, made.map)
    canal = review_film(
        read_radiograph(SAMPLES / "adequate_premolar.png"),
        read_marks(SAMPLES / "adequate_premolar.marks.toml"),
    ).canals
    first, second = compared.series.visits
    marked = replace(compared.series, visits=(replace(first, canals=canal), second))
    (step,) = align_steps(marked, pictures, known=compared.alignments)
    assert step.found is made
