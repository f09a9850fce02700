"""Spoiled headers: a result or a refusal, soon and in little memory."""

from __future__ import annotations

from collections import Counter

import hostile_headers
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from planted_identity import Words, planted_pictures

FILMS = hostile_headers.seeds()
PICTURES = list(planted_pictures(Words("Hqx"), step=16).values())


def test_unspoiled_films_are_released():
    assert [hostile_headers.outcome(film) for film in FILMS] == ["release"] * len(FILMS)


@settings(max_examples=1000)
@given(picture=st.sampled_from(PICTURES), choose=st.randoms(use_true_random=False))
def test_a_thousand_spoiled_pictures(picture, choose):
    hostile_headers.watched(hostile_headers.spoiled(picture, choose, first=8))


def test_five_thousand_spoiled_headers():
    found: Counter[str] = Counter()

    @settings(max_examples=5000, suppress_health_check=list(HealthCheck))
    @given(film=st.sampled_from(FILMS), choose=st.randoms(use_true_random=False))
    def spoil(film, choose):
        found[hostile_headers.watched(hostile_headers.spoiled(film, choose))] += 1

    with hostile_headers.limits():
        spoil()
    assert sum(found.values()) >= 5000
    # Some spoiled films must come through, or nothing behind the parser was tried.
    assert found["release"] + found["look"] > 250
