"""Roots where nothing is marked: taken from proposals, and the page says so."""

from __future__ import annotations

import numpy as np

from rxmeasure.recall.pairs import align_pair
from rxmeasure.recall.unmarked_roots import proposed_roots
from rxmeasure.report.subtraction import alignment_text


def test_a_proposed_root_is_aligned_and_named_as_proposed(film, scale_of):
    radiograph, truth = film("premolar")
    roots = proposed_roots(radiograph, scale_of(truth))
    assert len(roots) == 1
    away = np.subtract(roots[0].line_px[-1], truth.canals[0].radiographic_apex_px)
    assert np.hypot(*away) * truth.mm_per_px < 1.0
    found = align_pair(radiograph, radiograph, roots=roots)
    assert found.automatic.roots[0].proposed
    assert "proposed by the program, not confirmed" in alignment_text(found)


def test_without_roots_nothing_is_said_of_proposals(film):
    radiograph, _ = film("premolar")
    found = align_pair(radiograph, radiograph)
    assert "proposed" not in alignment_text(found)
