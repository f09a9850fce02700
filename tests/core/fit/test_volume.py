"""Volumes against integration, increments against counting."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from rxmeasure.errors import MarksError
from rxmeasure.fit import (
    PreparedCanal,
    Product,
    backfill_increments,
    canal_volume,
    plan_fill,
    sealer_share,
    truncated_cone_mm3,
    u_diameter_mm,
)
from rxmeasure.marks import NominalShape


def canal(size=35, taper=0.04, length=14.0) -> PreparedCanal:
    return PreparedCanal(size=size, taper=taper, working_length_mm=21.0, orifice_mm=length)


def test_cone_and_cylinder():
    # Elementary geometry: pi r^2 h and a third of it.
    assert truncated_cone_mm3(2.0, 2.0, 3.0) == pytest.approx(3.0 * math.pi)
    assert truncated_cone_mm3(2.0, 0.0, 3.0) == pytest.approx(math.pi)


@settings(deadline=None)
@given(size=st.floats(10, 80), taper=st.floats(0, 0.1), a=st.floats(0, 7), b=st.floats(7, 14))
def test_canal_volume_is_the_integral_of_its_sections(size, taper, a, b):
    c = canal(size=size, taper=taper)
    integral, _ = quad(lambda x: math.pi / 4.0 * c.diameter_mm(x) ** 2, a, b)
    assert canal_volume(c, from_mm=a, to_mm=b).volume_mm3 == pytest.approx(integral, rel=1e-9)


@settings(deadline=None)
@given(cut=st.floats(0.0, 14.0))
def test_parts_add_up(cut):
    c = canal()
    whole = canal_volume(c, from_mm=0.0, to_mm=14.0).volume_mm3
    parts = (
        canal_volume(c, from_mm=0.0, to_mm=cut).volume_mm3
        + canal_volume(c, from_mm=cut, to_mm=14.0).volume_mm3
    )
    assert parts == pytest.approx(whole)


def test_volume_uncertainty_agrees_with_draws():
    rng = np.random.default_rng(11)
    c = canal()
    d1 = rng.normal(c.tip_mm, c.u_diameter_mm, 100_000)
    d2 = d1 + c.taper * 14.0
    drawn = math.pi * 14.0 / 12.0 * (d1**2 + d1 * d2 + d2**2)
    assert canal_volume(c, from_mm=0.0, to_mm=14.0).u_mm3 == pytest.approx(drawn.std(), rel=0.02)


# 2 to 3 mm each: common practice, no source.
@pytest.mark.parametrize(
    ("backfill_mm", "expected"),
    [
        (0.0, (0, 0)),
        (0.5, (1, 1)),
        (3.0, (1, 2)),
        (6.0, (2, 3)),
        (9.0, (3, 5)),
        (10.0, (4, 5)),
        (16.0 - 7.0 - 3.0 * 0.3, (3, 5)),
    ],
)
def test_increments(backfill_mm, expected):
    assert backfill_increments(backfill_mm) == expected


@settings(deadline=None)
@given(backfill=st.floats(0.01, 20.0))
def test_increments_cover_the_backfill(backfill):
    fewest, most = backfill_increments(backfill)
    assert fewest * 3.0 >= backfill - 1e-4
    assert (fewest - 1) * 3.0 < backfill
    assert most * 2.0 >= backfill - 1e-4


def test_plan():
    plan = plan_fill(canal(), plug_mm=5.0)
    assert plan.backfill_mm == pytest.approx(9.0)
    assert plan.increments == (3, 5)
    assert plan.increment_mm == pytest.approx(3.0)
    assert plan.warnings == ()
    # By hand, V = pi h / 12 (d1^2 + d1 d2 + d2^2): 0.35 -> 0.55 over 5, 0.55 -> 0.91 over 9.
    assert plan.plug.volume_mm3 == pytest.approx(
        math.pi * 5 / 12 * (0.35**2 + 0.35 * 0.55 + 0.55**2)
    )
    assert plan.backfill.volume_mm3 == pytest.approx(
        math.pi * 9 / 12 * (0.55**2 + 0.55 * 0.91 + 0.91**2)
    )


@pytest.mark.parametrize(
    ("plug_mm", "warned"), [(3.9, True), (4.0, False), (6.0, False), (6.1, True)]
)
def test_plug_off_the_aim(plug_mm, warned):
    # 4 to 6 mm: common practice, no source.
    codes = [w.code for w in plan_fill(canal(), plug_mm=plug_mm).warnings]
    assert codes == (["plug-off-aim"] if warned else [])


def test_matching_point_leaves_nothing_to_sealer():
    found = sealer_share(NominalShape(size=35, taper=0.04), canal())
    assert found.share == pytest.approx(0.0, abs=1e-12)


def test_sealer_share_by_hand():
    # A .02 point of the canal's own size: pi h / 12 (d1^2 + d1 d2 + d2^2) for both.
    def cone(d1, d2):
        return d1 * d1 + d1 * d2 + d2 * d2

    found = sealer_share(NominalShape(size=35, taper=0.02), canal())
    expected = 1.0 - cone(0.35, 0.35 + 0.02 * 14) / cone(0.35, 0.35 + 0.04 * 14)
    assert found.share == pytest.approx(expected)
    assert found.tip_to_working_length_mm == 0.0


def test_point_that_binds_short_leaves_the_apex_to_sealer():
    found = sealer_share(NominalShape(size=40, taper=0.04), canal())
    assert found.tip_to_working_length_mm == pytest.approx(1.25)
    below = canal_volume(canal(), from_mm=0.0, to_mm=1.25).volume_mm3
    assert found.share * found.canal.volume_mm3 == pytest.approx(below)


def test_share_uncertainty_agrees_with_draws():
    rng = np.random.default_rng(5)
    point = NominalShape(size=30, taper=0.02)
    c = canal()
    shares = []
    for d_point, d_canal in zip(
        rng.normal(0.30, u_diameter_mm(30, Product.POINT), 3000),
        rng.normal(0.35, c.u_diameter_mm, 3000),
        strict=True,
    ):
        shares.append(
            sealer_share(
                NominalShape(size=100 * d_point, taper=0.02), canal(size=100 * d_canal)
            ).share
        )
    assert sealer_share(point, c).u_share == pytest.approx(np.std(shares), rel=0.15)


@settings(deadline=None)
@given(
    size=st.floats(15, 40),
    taper=st.sampled_from([0.02, 0.04, 0.06]),
    k=st.floats(0.4, 1.5),
)
def test_scaling_all_lengths_cubes_volumes_and_keeps_shares(size, taper, k):
    c = canal()
    scaled = PreparedCanal(size=35 * k, taper=0.04, working_length_mm=21.0 * k, orifice_mm=14.0 * k)
    one = sealer_share(NominalShape(size=size, taper=taper), c)
    other = sealer_share(NominalShape(size=size * k, taper=taper), scaled)
    assert other.canal.volume_mm3 == pytest.approx(one.canal.volume_mm3 * k**3)
    assert other.share == pytest.approx(one.share, abs=1e-7)
    assert -1e-9 <= one.share <= 1.0


def test_point_that_does_not_enter_is_refused():
    with pytest.raises(MarksError, match="does not enter"):
        sealer_share(NominalShape(size=110, taper=0.02), canal())


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf, 14.1])
def test_bad_plugs_are_refused(bad):
    with pytest.raises(MarksError):
        plan_fill(canal(), plug_mm=bad)


@pytest.mark.parametrize("bad", [(0.0, 3.0), (-1.0, 3.0), (3.0, 2.0), (math.nan, 3.0)])
def test_bad_increments_are_refused(bad):
    with pytest.raises(MarksError):
        backfill_increments(9.0, increment_mm=bad)


def test_negative_backfill_is_refused():
    with pytest.raises(MarksError):
        backfill_increments(-0.1)
