"""Canals proposed on the sample films, whose geometry is exact, and where there is none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rxmeasure.calibration.scale import Calibration
from rxmeasure.errors import MarksError
from rxmeasure.marks import FilmKind, LandmarkState, MarksOrigin, ReviewMarks
from rxmeasure.phantom import PhantomTruth, truth_from_json
from rxmeasure.proposals import (
    CanalProposal,
    Proposals,
    free_name,
    lies_on,
    propose,
    to_marks,
    with_unconfirmed,
)
from rxmeasure.proposals.judging import LineFacts, judge
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
#: Fill start, fill end and apex are right within this distance (choice): twice the noise of a
#: rough click for the start, once for the other two and the half millimetre usual for an apex.
START_MM, END_MM, APEX_MM = 0.4, 0.25, 0.5
FILLED = {
    "adequate_premolar.png": 1,
    "curved_molar.tif": 2,
    "overfilled_with_puff.tif": 1,
    "short_incisor.dcm": 1,
    "two_canals_premolar.jpg": 2,
    "voids_canine.png": 1,
}


@cache
def film(name: str) -> tuple[Radiograph, PhantomTruth]:
    path = SAMPLES / name
    truth = path.with_suffix(".truth.json").read_text(encoding="utf-8")
    return read_radiograph(path), truth_from_json(truth)


@cache
def proposals(name: str, explicit: bool = False) -> Proposals:
    return propose(film(name)[0], explicit=explicit)


def _apart(a: tuple[float, float], b: tuple[float, float] | None) -> float:
    assert b is not None
    return float(np.hypot(a[0] - b[0], a[1] - b[1]))


METHODS = pytest.mark.parametrize("explicit", [False, True], ids=["network", "explicit"])


@METHODS
@pytest.mark.parametrize("name", FILLED)
def test_every_canal_of_a_sample_film_and_nothing_else(name: str, explicit: bool) -> None:
    _, truth = film(name)
    found = proposals(name, explicit).canals
    assert len(found) == FILLED[name] == len(truth.canals)
    for canal in truth.canals:
        ends = [e for e in (canal.core_end_px, canal.sealer_end_px) if e is not None]

        def off(p: CanalProposal, ends: list[tuple[float, float]] = ends) -> float:
            return min(_apart(p.fill_end_px, e) for e in ends)

        proposal = min(found, key=off)
        # A core that ends inside a puff is not told from it.
        assert off(proposal) * truth.mm_per_px < (0.8 if canal.puffs else END_MM)
        if name != "two_canals_premolar.jpg":  # the two begin side by side in one cavity
            start = _apart(proposal.fill_start_px, canal.fill_start_px)
            assert start * truth.mm_per_px < START_MM


@pytest.mark.parametrize("name", ["adequate_premolar.png", "curved_molar.tif", "short_incisor.dcm"])
def test_the_apex_beyond_the_fill(name: str) -> None:
    _, truth = film(name)
    for proposal in proposals(name).canals:
        if proposal.apex_px is None:
            assert proposal.why_no_apex
            continue
        off = min(_apart(proposal.apex_px, c.radiographic_apex_px) for c in truth.canals)
        assert off * truth.mm_per_px < APEX_MM
        assert proposal.clicks_px[-1] == proposal.apex_px
    assert any(p.apex_px is not None for p in proposals(name).canals)


@METHODS
def test_a_click_gives_the_one_canal_there(explicit: bool) -> None:
    radiograph, truth = film("curved_molar.tif")
    for canal in truth.canals:
        line = canal.centre_line_px
        seed = line[int(np.searchsorted(canal.s_mm, (canal.s_core_end_mm or 0.0) - 4.0))]
        (found,) = propose(radiograph, seed_px=seed, explicit=explicit).canals
        ends = [e for e in (canal.core_end_px, canal.sealer_end_px) if e is not None]
        assert min(_apart(found.fill_end_px, e) for e in ends) * truth.mm_per_px < END_MM


def test_a_click_beside_the_fills_gives_none() -> None:
    radiograph, _ = film("curved_molar.tif")
    assert propose(radiograph, seed_px=(660.0, 60.0)).canals == ()


def test_a_click_outside_the_picture_is_refused() -> None:
    radiograph, _ = film("curved_molar.tif")
    with pytest.raises(MarksError):
        propose(radiograph, seed_px=(-20.0, 10.0))


def test_a_flipped_film_gives_flipped_proposals() -> None:
    radiograph, _ = film("short_incisor.dcm")
    (plain,) = proposals("short_incisor.dcm").canals
    turned = replace(radiograph, pixels=np.ascontiguousarray(radiograph.pixels[::-1]))
    (flipped,) = propose(turned).canals
    row, col = flipped.fill_end_px
    # The grid's step does not divide the picture's size: up to a pixel of difference.
    assert _apart((radiograph.shape[0] - 1 - row, col), plain.fill_end_px) < 3.0


def test_the_scale_hardly_matters() -> None:
    radiograph, truth = film("short_incisor.dcm")
    pitch = truth.mm_per_px
    known = Calibration(row_mm=pitch, col_mm=pitch, u_rel=0.01, source="true scale")
    (with_scale,) = propose(radiograph, calibration=known).canals
    (without,) = proposals("short_incisor.dcm").canals
    assert _apart(with_scale.fill_end_px, without.fill_end_px) * pitch < END_MM


def test_thirty_grey_levels_of_an_eight_bit_film_are_enough(
    make_scene: Callable[..., Any], make_radiograph: Callable[..., Radiograph]
) -> None:
    scene = make_scene(
        size_mm=(26.0, 20.0), start_mm=(5.0, 9.0), fill_start_mm=1.0, fill_grey=30.0,
        root_grey=6.0, canal_grey=4.0, texture=3.0, noise=1.5,
    )  # fmt: skip
    grey = np.clip(np.rint(scene.pixels() - 600.0 + 90.0), 0, 255)
    air = np.random.default_rng(3).normal(12.0, 2.0, (60, grey.shape[1]))
    grey[:60] = np.rint(air)
    known = Calibration(row_mm=0.03, col_mm=0.03, u_rel=0.01, source="true scale")
    found = propose(make_radiograph(grey), calibration=known).canals
    assert len(found) == 1
    end = scene.to_px(scene.at(scene.fill_end_mm))
    points = (found[0].fill_start_px, found[0].fill_end_px)
    assert min(_apart(p, (end[0], end[1])) for p in points) * 0.03 < 0.5


@METHODS
@pytest.mark.parametrize("seed", range(4))
def test_noise_and_texture_alone_hold_no_fill(
    seed: int,
    explicit: bool,
    make_scene: Callable[..., Any],
    make_radiograph: Callable[..., Radiograph],
) -> None:
    scene = make_scene(fill_grey=0.0, root_grey=0.0, canal_grey=0.0, seed=seed)
    assert propose(make_radiograph(scene.pixels()), explicit=explicit).canals == ()


def test_an_even_film_holds_nothing(make_radiograph: Callable[..., Radiograph]) -> None:
    assert propose(make_radiograph(np.full((300, 240), 7.0))) == Proposals(canals=(), declined=())


def test_marks_of_an_accepted_proposal() -> None:
    proposal = CanalProposal(
        clicks_px=((10.0, 5.0), (60.0, 6.0), (90.0, 7.0)), fill_start_px=(10.0, 5.0),
        fill_end_px=(80.0, 7.0), apex_px=(90.0, 7.0), confidence=0.9, apex_confidence=0.8,
        why_no_apex=None,
    )  # fmt: skip
    marks = to_marks(proposal, "MB")
    assert (marks.name, marks.clicks_px) == ("MB", proposal.clicks_px)
    assert marks.radiographic_apex.point_px == (90.0, 7.0)
    unsure = replace(proposal, apex_px=None, why_no_apex="It is not seen.")
    assert to_marks(unsure, "MB").radiographic_apex.state is LandmarkState.UNCLEAR


FILL = LineFacts(
    contrast=5.0, length_mm=12.0, width_mm=0.7, side_drop=0.8, along=0.99, seen=0.98, side=0.4,
    width_change=0.2, to_border_mm=5.0, middle=0.7, bend_mm=0.03,
)  # fmt: skip


def test_a_clear_fill_is_believed() -> None:
    assert judge(FILL).confidence > 0.9
    assert judge(FILL).reasons == ()


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"contrast": 1.0}, "texture"),
        ({"middle": 0.1, "contrast": 3.0}, "dense"),
        ({"length_mm": 2.0}, "short"),
        ({"length_mm": 24.0}, "file"),
        ({"width_mm": 0.2}, "thinner"),
        ({"width_mm": 2.2}, "wider"),
        ({"side_drop": 0.1}, "leaves"),
        ({"side": 0.02}, "air"),
        ({"width_change": 0.01}, "wire"),
        ({"along": 0.1}, "across"),
        ({"seen": 0.2}, "interrupted"),
        ({"to_border_mm": 0.0}, "edge"),
        ({"bend_mm": 1.0}, "smooth"),
    ],
)
def test_what_is_no_fill_is_told_why(change: dict[str, float], word: str) -> None:
    judgement = judge(replace(FILL, **change))
    assert judgement.confidence < 0.5
    assert word in judgement.reasons[0]


def test_a_name_is_the_number_or_the_next_free_one() -> None:
    assert free_name(1, ()) == "1"
    assert free_name(1, ("1", "2", "MB")) == "3"
    assert free_name(2, ("1", "MB")) == "2"


def test_one_fill_lies_on_each_canal_and_none_on_two() -> None:
    for name in ("curved_molar.tif", "two_canals_premolar.jpg"):
        radiograph, truth = film(name)
        lines = [[(float(r), float(c)) for r, c in k.centre_line_px] for k in truth.canals]
        on = [
            [lies_on(proposal, line, radiograph, None) for line in lines]
            for proposal in proposals(name).canals
        ]
        assert np.sum(on, axis=0).tolist() == [1, 1]
        assert np.sum(on, axis=1).max() == 1


def test_a_fill_lies_on_no_single_point_and_on_no_half_of_its_line() -> None:
    radiograph, _ = film("adequate_premolar.png")
    (proposal,) = proposals("adequate_premolar.png").canals
    assert lies_on(proposal, proposal.clicks_px, radiograph, None)
    assert not lies_on(proposal, proposal.clicks_px[:1], radiograph, None)
    assert not lies_on(proposal, proposal.clicks_px[:2], radiograph, None)


def test_marks_of_a_proposal_say_who_stands_behind_them() -> None:
    (proposal,) = proposals("adequate_premolar.png").canals
    accepted = to_marks(proposal, "1")
    assert accepted.origin is MarksOrigin.PROPOSAL_ACCEPTED
    assert accepted.confirmed
    assert not to_marks(proposal, "1", origin=MarksOrigin.NOT_CONFIRMED).confirmed


def test_without_a_person_every_proposed_canal_is_not_confirmed() -> None:
    radiograph, _ = film("two_canals_premolar.jpg")
    bare = ReviewMarks(film_kind=FilmKind.RECALL, tooth="24", use_detector_spacing=False)
    marks = with_unconfirmed(radiograph, bare)
    assert [c.name for c in marks.canals] == ["1", "2"]
    assert {c.origin for c in marks.canals} == {MarksOrigin.NOT_CONFIRMED}
    assert replace(marks, canals=()) == bare


def test_no_canal_is_made_up_where_none_is_filled(make_radiograph: Any) -> None:
    grey = make_radiograph(np.full((400, 300), 100.0))
    with pytest.raises(MarksError, match="no filled canal"):
        with_unconfirmed(grey, ReviewMarks(film_kind=FilmKind.POSTOPERATIVE))
    radiograph, _ = film("adequate_premolar.png")
    with pytest.raises(MarksError, match="working-length"):
        with_unconfirmed(radiograph, ReviewMarks(film_kind=FilmKind.WORKING_LENGTH))
