"""Change between two visits: laws, then values worked out or read."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmeasure.errors import RecallError
from rxmeasure.recall.change import (
    ChangeVerdict,
    area_change_of_edge_error,
    area_error_of_scale_error,
    change_between,
    dahlberg,
    least_significant_change,
    ratio_change,
)

VALUE = st.floats(0.5, 200.0)
SHARE = st.floats(0.001, 0.3)


def _area(before: float, after: float, u: float = 0.0, u_after: float | None = None):
    return change_between(
        (before, u), (after, u if u_after is None else u_after), quantity="area", unit="mm2"
    )


# --- laws -----------------------------------------------------------------------------------


@given(VALUE, VALUE, SHARE, SHARE, st.floats(0.01, 100.0))
def test_the_unit_does_not_matter(a: float, b: float, u: float, v: float, factor: float) -> None:
    plain = _area(a, b, u * a, v * b)
    scaled = _area(factor * a, factor * b, factor * u * a, factor * v * b)
    assert scaled.percent == pytest.approx(plain.percent)
    assert scaled.percent_interval == pytest.approx(plain.percent_interval)
    assert scaled.least_significant == pytest.approx(factor * plain.least_significant)


@given(VALUE, VALUE, st.floats(0.01, 5.0))
def test_exchanged_visits_give_the_opposite_difference(a: float, b: float, u: float) -> None:
    there, back = _area(a, b, u), _area(b, a, u)
    assert back.difference == -there.difference
    assert back.least_significant == there.least_significant
    opposite = {
        ChangeVerdict.REDUCED: ChangeVerdict.ENLARGED,
        ChangeVerdict.ENLARGED: ChangeVerdict.REDUCED,
    }
    if there.verdict in opposite:
        assert back.verdict is opposite[there.verdict]


@given(VALUE, VALUE, SHARE, SHARE)
def test_the_interval_holds_the_percentage(a: float, b: float, u: float, v: float) -> None:
    found = _area(a, b, u * a, v * b)
    assert found.percent_interval is not None
    low, high = found.percent_interval
    assert -100.0 < low < found.percent < high


def test_repeats_without_change_are_called_changed_in_one_of_twenty() -> None:
    rng = np.random.default_rng(7)
    pairs = rng.normal(20.0, 0.6, (20_000, 2))
    changed = [_area(a, b, 0.6).verdict is not ChangeVerdict.UNCHANGED for a, b in pairs]
    assert np.mean(changed) == pytest.approx(0.05, abs=0.005)


# --- values ---------------------------------------------------------------------------------


def test_least_significant_change_is_2_77_times_the_repeat_sd() -> None:
    # Calculation from 1.96 * sqrt(2); data and 0.3395 mm worked out from Dahlberg's formula.
    assert least_significant_change(1.0) == pytest.approx(2.77, abs=0.005)
    first = [1.2, 0.8, 1.5, 0.4, 2.1, 1.0, 0.6, 1.9]
    second = [1.0, 0.9, 1.3, 0.5, 2.4, 1.0, 0.4, 1.8]
    s_w = dahlberg(first, second)
    assert s_w == pytest.approx(0.1225, abs=5e-5)
    assert least_significant_change(s_w) == pytest.approx(0.3395, abs=1e-4)


def test_equal_uncertainties_give_the_published_formula() -> None:
    assert _area(20.0, 19.0, 0.5).least_significant == pytest.approx(least_significant_change(0.5))


def test_radius_from_3_to_2_mm() -> None:
    # Calculation: area -55.56 %, diameter -33.33 %.
    area = _area(math.pi * 9.0, math.pi * 4.0, 0.5)
    assert area.percent == pytest.approx(-55.56, abs=0.005)
    diameter = change_between((6.0, 0.1), (4.0, 0.1), quantity="diameter", unit="mm")
    assert diameter.percent == pytest.approx(-33.33, abs=0.005)
    assert area.verdict is diameter.verdict is ChangeVerdict.REDUCED


def test_what_edge_and_scale_do_to_an_area() -> None:
    # Calculation: +0.2 mm on 6 mm +13.8 %, on 3 mm +28.4 %; 5 % of scale 10.25 %.
    assert area_change_of_edge_error(6.0, 0.2) == pytest.approx(0.138, abs=5e-4)
    assert area_change_of_edge_error(3.0, 0.2) == pytest.approx(0.284, abs=5e-4)
    assert area_error_of_scale_error(0.05) == pytest.approx(0.1025)


@pytest.mark.parametrize(
    ("after", "u", "verdict"),
    [
        (12.0, 1.0, ChangeVerdict.REDUCED),
        (28.0, 1.0, ChangeVerdict.ENLARGED),
        (21.0, 1.0, ChangeVerdict.UNCHANGED),
        (21.0, 5.0, ChangeVerdict.CANNOT_BE_TOLD),
        (0.0, 1.0, ChangeVerdict.REDUCED),
    ],
)
def test_verdicts(after: float, u: float, verdict: ChangeVerdict) -> None:
    found = _area(20.0, after, u)
    assert found.verdict is verdict
    assert found.reason


def test_a_lesion_that_is_gone_has_no_interval() -> None:
    found = _area(20.0, 0.0, 1.0)
    assert found.percent == -100.0
    assert found.percent_interval is None


def test_the_readers_own_repeats_count_where_they_are_larger() -> None:
    found = change_between((20.0, 0.1), (18.0, 0.1), quantity="area", unit="mm2", repeat_sd=1.5)
    assert found.least_significant == pytest.approx(least_significant_change(1.5))
    assert found.verdict is ChangeVerdict.UNCHANGED


def test_without_a_scale_only_the_ratio_changes() -> None:
    found = ratio_change(0.7, 0.05, quantity="area")
    assert found.unit == "ratio"
    assert found.percent == pytest.approx(-30.0)
    assert found.verdict is ChangeVerdict.REDUCED


@pytest.mark.parametrize("pair", [(0.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (math.nan, 1.0)])
def test_numbers_that_cannot_be_compared(pair: tuple[float, float]) -> None:
    with pytest.raises(RecallError, match="above zero"):
        _area(*pair)


def test_repeats_have_to_be_pairs() -> None:
    with pytest.raises(RecallError, match="equally long"):
        dahlberg([1.0, 2.0], [1.0])


def test_an_error_that_both_visits_share_counts_for_nothing() -> None:
    # Calculation: u * sqrt(2 * (1 - r)) for equal uncertainties with correlation r.
    shared = change_between(
        (20.0, 2.0), (18.0, 2.0), quantity="area", unit="mm2", covariance=0.75 * 4.0
    )
    assert shared.least_significant == pytest.approx(1.96 * 2.0 * math.sqrt(0.5))
    alone = change_between((20.0, 2.0), (18.0, 2.0), quantity="area", unit="mm2")
    assert shared.percent_interval is not None
    assert alone.percent_interval is not None
    assert shared.percent_interval[0] > alone.percent_interval[0]
    assert shared.percent_interval[1] < alone.percent_interval[1]
