"""Random parameters: reproducible, inside the stated ranges, on the film."""

from __future__ import annotations

import numpy as np
import pytest

from rxmeasure.marks import FilmKind
from rxmeasure.phantom import PhantomError, random_parameters
from rxmeasure.phantom.anatomy import root_curve
from rxmeasure.phantom.sampling import KINDS
from rxmeasure.phantom.scene import main_frame

SEEDS = range(300)


@pytest.fixture(scope="module")
def many():
    return [random_parameters(seed) for seed in SEEDS]


def test_equal_seeds_give_equal_parameters(many):
    assert random_parameters(7) == many[7]
    assert random_parameters(8) != many[7]


def test_ranges(many):
    canals = [c for p in many for c in p.tooth.canals]
    assert {len(p.tooth.canals) for p in many} == {1, 2, 3, 4}
    for p in many:
        assert 1.02 <= p.magnification <= 1.10
        assert 0.06 <= p.imaging.blur_fwhm_mm <= 0.15
        assert 0.05 <= p.imaging.scatter <= 0.20
        assert p.imaging.bits == 12
        assert sorted(p.shape) == [900, 1200]
    for c in canals:
        assert -1.5 <= c.core_to_apex_mm <= 4.0
        assert 20 <= c.size <= 50
        assert 0.02 <= c.taper <= 0.08
        assert 0.0 <= c.foramen_offset_mm <= 1.0
        assert 1.0 <= c.depth_ratio <= 2.0
        assert 0.02 == c.film_mm[0] < c.film_mm[1] <= 0.10
    cores = np.array([c.core_to_apex_mm for c in canals])
    assert cores.min() < -1.0
    assert cores.max() > 3.5


def test_about_half_of_the_canals_have_no_void(many):
    canals = [c for p in many for c in p.tooth.canals]
    share = np.mean([not c.voids for c in canals])
    # 95 % of a fair coin over that many canals.
    assert share == pytest.approx(0.5, abs=1.96 * 0.5 / np.sqrt(len(canals)) + 0.02)
    kinds = {v.kind for c in canals for v in c.voids}
    assert kinds == {"bubble", "lateral", "transverse"}
    for v in (v for c in canals for v in c.voids):
        if v.kind == "bubble":
            assert 0.15 <= v.length_mm <= 0.8
        elif v.kind == "lateral":
            assert 0.5 <= v.length_mm <= 4.0
            assert 0.1 <= v.width_mm <= 0.4
        else:
            assert 0.1 <= v.length_mm <= 0.5


def test_variety(many):
    assert {p.upper for p in many} == {True, False}
    assert {p.mirrored for p in many} == {True, False}
    assert {p.imaging.response for p in many} == {"log", "linear"}
    assert {p.imaging.edge for p in many} == {"none", "white", "black"}
    assert any(abs(p.rotation_deg) > 80.0 for p in many)
    assert any(c.puffs for p in many for c in p.tooth.canals)
    assert any(c.post for p in many for c in p.tooth.canals)
    assert any(n.crown.coronal == "metal" for p in many for n in p.neighbours)
    turns = {len(r.turns_deg) for p in many for r in p.tooth.roots}
    assert turns == {0, 1, 2}
    beside = np.mean([bool(p.files) for p in many])
    assert 0.4 < beside < 0.6


def test_the_tooth_is_on_the_film(many):
    for p in many:
        frame = main_frame(p)
        for root in p.tooth.roots:
            curve = root_curve(root, p.tooth.crown.height_mm)
            px = frame.to_px(curve.at(np.array([0.0, curve.length])))
            assert (px > 0.0).all()
            assert (px < np.array(p.shape) - 1).all()


def test_roots_point_up_in_the_upper_jaw(many):
    for p in many:
        if abs(p.rotation_deg) > 45.0:
            continue
        frame = main_frame(p)
        curve = root_curve(p.tooth.roots[0], p.tooth.crown.height_mm)
        crown, tip = frame.to_px(curve.at(np.array([0.0, curve.length])))[:, 0]
        assert (tip < crown) == p.upper
        assert p.upper == (p.tooth_number[0] in "12")


@pytest.mark.parametrize("kind", list(KINDS))
def test_tooth_lengths_scatter_round_the_handbook_mean(kind):
    lengths = [random_parameters(s, kind=kind).tooth.roots[0].length_mm for s in range(80)]
    standard_error = 0.05 / np.sqrt(80)
    assert np.mean(lengths) == pytest.approx(KINDS[kind].length, rel=3.5 * standard_error)


def test_film_kinds():
    for seed in range(20):
        preoperative = random_parameters(seed, film_kind=FilmKind.PREOPERATIVE)
        assert all(c.content == "tissue" for c in preoperative.tooth.canals)
        length = random_parameters(seed, film_kind=FilmKind.WORKING_LENGTH)
        assert any(f.canal is not None for f in length.files)
        assert length.tooth.crown.coronal == "open"
        cone = random_parameters(seed, film_kind=FilmKind.MASTER_CONE)
        assert all(c.content == "cone" and not c.voids for c in cone.tooth.canals)


def test_what_cannot_be_had_is_refused():
    with pytest.raises(PhantomError):
        random_parameters(1, kind="tusk")
    with pytest.raises(PhantomError):
        random_parameters(1, shape=(300, 300))
