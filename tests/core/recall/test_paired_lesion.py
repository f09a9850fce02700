"""A lesion on two drawn films: laws of the change, and when the films are not fitted together."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from rxmeasure.calibration.scale import Calibration
from rxmeasure.radiograph import ImageSource, Polarity, Radiograph
from rxmeasure.recall.change import ChangeVerdict
from rxmeasure.recall.comparison import LesionChange, lesion_changes
from rxmeasure.recall.lesion import Lesion, find_lesion
from rxmeasure.recall.paired_lesion import PairedSizes, VisitFilm, paired_sizes
from rxmeasure.recall.together import SeenVisit, bring_together

MM = 0.1
SHAPE = (190, 180)
CENTRE = (95.0, 91.0)
SAME_PLACE = np.eye(3)


def _grain(seed: int) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    field = ndimage.gaussian_filter(rng.standard_normal(SHAPE), 0.25 / MM, mode="wrap")
    return np.asarray(field / field.std())


def _film(radius_mm: float, own_seed: int, *, gain: float = 150.0) -> Radiograph:
    """A round cavity in bone of which the visits share 65 % of the variance."""
    bone = np.sqrt(0.65) * _grain(3) + np.sqrt(0.35) * _grain(own_seed)
    r, c = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    away = np.hypot(r - CENTRE[0], c - CENTRE[1]) * MM
    wall = 0.5 * (1.0 - np.tanh((away - radius_mm) / 0.25))
    below = 3.0 * wall * (1.0 - 0.35 * np.minimum(away / radius_mm, 1.0) ** 2)
    pixels = 2000.0 + gain * ((1.0 - 0.6 * wall) * bone - below)
    return Radiograph(
        pixels=pixels.astype(np.float32),
        value_min=0.0,
        value_max=4095.0,
        source=ImageSource(
            file_name="drawn",
            format="PNG",
            sha256=f"{own_seed:064x}",
            rows=SHAPE[0],
            columns=SHAPE[1],
            bits=12,
            lossy=False,
        ),
        polarity=Polarity(turned=False, reason="drawn"),
    )


@cache
def _visit(
    radius_mm: float, own_seed: int, gain: float = 150.0, scaled: bool = True
) -> tuple[VisitFilm, Lesion]:
    film = _film(radius_mm, own_seed, gain=gain)
    scale = Calibration(row_mm=MM, col_mm=MM, u_rel=1e-6, source="drawn") if scaled else None
    return VisitFilm(radiograph=film, calibration=scale), find_lesion(
        film, scale, (93.0, 94.0), root="M"
    )


def _paired(before: tuple[VisitFilm, Lesion], after: tuple[VisitFilm, Lesion]) -> PairedSizes:
    found = paired_sizes((1, *before), (2, *after), SAME_PLACE)
    assert found is not None
    return found


def _change(before: tuple[VisitFilm, Lesion], after: tuple[VisitFilm, Lesion]) -> LesionChange:
    together = _paired(before, after)
    (change,) = lesion_changes((1, [before[1]]), (2, [after[1]]), paired=[together])
    return change


def test_a_smaller_lesion_is_reduced_by_what_was_drawn() -> None:
    # Calculation: radius 2.5 to 2.2 mm is an area of 77.4 %.
    change = _change(_visit(2.5, 11), _visit(2.2, 12))
    assert change.verdict is ChangeVerdict.REDUCED
    assert "fitted together" in change.reason
    area = change.changes[0]
    assert area.percent == pytest.approx(-22.6, abs=6.0)
    assert area.percent_interval is not None
    assert area.percent_interval[0] < -22.6 < area.percent_interval[1]


def test_the_same_lesion_in_other_bone_is_unchanged() -> None:
    change = _change(_visit(2.5, 11), _visit(2.5, 12))
    assert change.verdict is ChangeVerdict.UNCHANGED


def test_a_change_is_known_better_together_than_apart() -> None:
    before, after = _visit(2.5, 11), _visit(2.2, 12)
    (apart,) = lesion_changes((1, [before[1]]), (2, [after[1]]))
    together = _change(before, after)
    assert "fitted together" not in apart.reason
    assert together.changes[0].u_difference < 0.8 * apart.changes[0].u_difference


def test_visits_in_turn_give_the_opposite_change() -> None:
    first, second = _visit(2.5, 11), _visit(2.2, 12)
    there, back = _paired(first, second), _paired(second, first)
    ratios = [
        np.log(pair.sizes[1].area.value_px2 / pair.sizes[0].area.value_px2)
        for pair in (there, back)
    ]
    assert ratios[0] == pytest.approx(-ratios[1], abs=0.03)


def test_the_contrast_of_the_later_film_does_not_matter() -> None:
    first = _visit(2.5, 11)
    plain, faint = (_paired(first, _visit(2.2, 12, gain)) for gain in (150.0, 60.0))
    assert faint.sizes[1].area.value_px2 == pytest.approx(plain.sizes[1].area.value_px2, rel=0.01)


def test_without_a_scale_the_sizes_are_pixels() -> None:
    pair = _paired(_visit(2.5, 11, 150.0, False), _visit(2.2, 12, 150.0, False))
    assert pair.sizes[0].area.value_mm2 is None
    assert pair.sizes[1].area.value_px2 < pair.sizes[0].area.value_px2


def test_a_patch_without_an_outline_is_not_fitted() -> None:
    film, lesion = _visit(2.5, 11)
    bare = replace(lesion, outline_px=())
    assert paired_sizes((1, film, bare), (2, film, lesion), SAME_PLACE) is None


def test_films_that_cannot_be_aligned_are_measured_apart_and_say_so() -> None:
    visits = [
        SeenVisit(number=n, film=film, roots=(), lesions=(lesion,))
        for n, (film, lesion) in ((1, _visit(2.5, 11)), (2, _visit(2.2, 12)))
    ]
    # Other bone: nothing holds the films together.
    other = replace(visits[1].film, radiograph=_film(2.2, 99))
    noise = np.random.default_rng(1).normal(2000.0, 50.0, SHAPE).astype(np.float32)
    other = replace(other, radiograph=replace(other.radiograph, pixels=noise))
    found = bring_together(visits[0], replace(visits[1], film=other))
    assert found.paired == ()
    assert found.refused
    (change,) = lesion_changes(
        (1, visits[0].lesions), (2, visits[1].lesions), apart_because=found.refused
    )
    assert "could not be aligned" in change.reason
