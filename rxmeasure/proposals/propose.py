"""Filled canals of a film, found without a click or with one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rxmeasure.calibration.scale import Calibration
from rxmeasure.geometry import FloatArray, as_points, foot_on_polyline
from rxmeasure.marks import PointPx
from rxmeasure.one_thread import one_thread
from rxmeasure.proposals.cross_sections import smoothed
from rxmeasure.proposals.crown_side import crown_way
from rxmeasure.proposals.ends import FillCandidate, find_ends
from rxmeasure.proposals.film_grid import FilmGrid, film_grid
from rxmeasure.proposals.following import OWN_MM, KnownLines, follow_lines, texture_height
from rxmeasure.proposals.judging import Judgement, LineFacts, facts_of, judge
from rxmeasure.proposals.learned import SeenCanal, distance_mm, seen_canals, why_no_apex
from rxmeasure.proposals.network import network_maps
from rxmeasure.proposals.oriented import line_response
from rxmeasure.proposals.results import CanalProposal, Declined, Proposals
from rxmeasure.proposals.root_apex import find_apex
from rxmeasure.radiograph import Radiograph
from rxmeasure.tracing.frame import check_inside

#: Less sure lines are not proposed.
LEAST_CONFIDENCE = 0.5
#: Lines that stand out less are not even named among the declined.
NAMED_CONTRAST = 2.5
#: Clicks along a fill.
CLICKS = 4
#: A click is on a fill up to this distance from its axis (mm).
SEED_MM = 0.9
#: A candidate with so much of its length on a surer one, or that covers so much of a surer one, is
#: that one once more.
SAME_SHARE = 0.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """A candidate with what is known of it."""

    candidate: FillCandidate
    facts: LineFacts
    judgement: Judgement


@one_thread
def propose(
    radiograph: Radiograph,
    *,
    calibration: Calibration | None = None,
    seed_px: PointPx | None = None,
    explicit: bool = False,
) -> Proposals:
    """Propose the filled canals of a film.

    The trained network proposes, and the explicit method where the network cannot run, or sees no
    fill at the click.

    Parameters
    ----------
    radiograph : Radiograph
    calibration : Calibration or None
        Without one, usual film and pixel sizes are assumed; no length is reported.
    seed_px : PointPx, optional
        (row, col) of one click anywhere on a fill: only the canal there is proposed.
    explicit : bool
        Without the network.

    Raises
    ------
    MarksError
        A seed outside the picture.
    """
    if seed_px is not None:
        check_inside(radiograph, as_points([seed_px], what="the click on the fill"))
    grid = film_grid(radiograph, calibration)
    seed = None if seed_px is None else grid.to_grid([seed_px])[0]
    maps = None if explicit else network_maps(grid)
    if maps is not None:
        found = _seen(grid, seen_canals(grid, maps), seed)
        if seed is None or found.canals:
            return found
    return _explicit(grid, seed)


def _seen(grid: FilmGrid, canals: list[SeenCanal], seed: FloatArray | None) -> Proposals:
    """Proposals from what the network sees."""
    if seed is not None:
        near = [c for c in canals if distance_mm(grid, c, seed) <= SEED_MM]
        canals = sorted(near, key=lambda c: distance_mm(grid, c, seed))[:1]
    sure = [c for c in canals if c.judgement.confidence >= LEAST_CONFIDENCE]
    declined = [
        Declined(points_px=_points(grid, c.fill.line[::10]), reason=_first_reason(c.judgement))
        for c in canals
        if c.judgement.confidence < LEAST_CONFIDENCE
    ]
    return Proposals(canals=tuple(_from_seen(grid, c) for c in sure), declined=tuple(declined))


def _from_seen(grid: FilmGrid, canal: SeenCanal) -> CanalProposal:
    return _canal_proposal(
        grid, canal.fill.line, canal.judgement,
        apex=canal.apex.point, apex_confidence=canal.apex_confidence,
        why_no_apex=why_no_apex(canal), outline=canal.outline,
    )  # fmt: skip


def _explicit(grid: FilmGrid, seed: FloatArray | None) -> Proposals:
    """Proposals of the explicit method."""
    judged = candidates(grid, seed)
    if seed is not None:
        judged = _clicked(grid, judged, seed)
    proposed = [j for j in judged if j.judgement.confidence >= LEAST_CONFIDENCE]
    declined = [
        Declined(points_px=_points(grid, j.candidate.line[::10]), reason=_first_reason(j.judgement))
        for j in judged
        if j.judgement.confidence < LEAST_CONFIDENCE
        and (seed is not None or j.facts.contrast >= NAMED_CONTRAST)
    ]
    return Proposals(canals=tuple(_proposal(j, grid) for j in proposed), declined=tuple(declined))


def _clicked(grid: FilmGrid, judged: list[Judged], seed: FloatArray) -> list[Judged]:
    """The surest of the readings of the fill nearest to a click; none where none is near."""
    distance = [_distance_mm(grid, j, seed) for j in judged]
    nearest = min(distance, default=np.inf)
    if nearest > SEED_MM:
        return []
    same = [j for j, d in zip(judged, distance, strict=True) if d <= nearest + OWN_MM]
    return [max(same, key=lambda j: j.judgement.confidence)]


def _first_reason(judgement: Judgement) -> str:
    return judgement.reasons[0] if judgement.reasons else "several things speak against it a little"


def _distance_mm(grid: FilmGrid, judged: Judged, seed: FloatArray) -> float:
    return foot_on_polyline(judged.candidate.line, seed)[1] * grid.step


def candidates(grid: FilmGrid, seed: FloatArray | None = None) -> list[Judged]:
    """All bright lines of a film as candidates, surest first; with a click, all readings."""
    response = line_response(grid)
    texture = texture_height(response)
    lines = [
        (smoothed(line.points, grid.step), float(np.median(line.contrast)) / texture)
        for line in follow_lines(response, grid.step, seed)
    ]
    way = crown_way(grid, lines)
    found = []
    for line, _ in lines:
        chord = line[0] - line[-1]
        candidate = find_ends(grid, line if float(chord @ way) >= 0.0 else line[::-1], texture)
        if candidate is None:
            continue
        facts = facts_of(candidate, grid, texture, way)
        found.append(Judged(candidate=candidate, facts=facts, judgement=judge(facts)))
    if seed is not None:
        return found
    found.sort(key=lambda j: -j.judgement.confidence)
    surer = KnownLines(response, grid.step)
    kept: list[Judged] = []
    for judged in found:
        line = judged.candidate.line
        own = KnownLines(response, grid.step)
        own.add(line)
        covers = any(own.has(k.candidate.line).mean() >= SAME_SHARE for k in kept)
        if surer.has(line).mean() < SAME_SHARE and not covers:
            surer.add(line)
            kept.append(judged)
    return kept


def _points(grid: FilmGrid, points: FloatArray) -> tuple[PointPx, ...]:
    return tuple((float(r), float(c)) for r, c in grid.to_px(points))


def _proposal(judged: Judged, grid: FilmGrid) -> CanalProposal:
    guess = find_apex(grid, judged.candidate)
    return _canal_proposal(
        grid, judged.candidate.line, judged.judgement, apex=np.array(guess.point),
        apex_confidence=guess.confidence, why_no_apex=guess.why_not, outline=None,
    )  # fmt: skip


def _canal_proposal(
    grid: FilmGrid,
    line: FloatArray,
    judgement: Judgement,
    *,
    apex: FloatArray,
    apex_confidence: float,
    why_no_apex: str | None,
    outline: FloatArray | None,
) -> CanalProposal:
    on_fill = _points(grid, line[np.linspace(0, len(line) - 1, CLICKS).astype(int)])
    apex_px = None if why_no_apex is not None else _points(grid, apex[None])[0]
    return CanalProposal(
        clicks_px=on_fill if apex_px is None else (*on_fill[:-1], apex_px),
        fill_start_px=on_fill[0],
        fill_end_px=on_fill[-1],
        apex_px=apex_px,
        confidence=judgement.confidence,
        apex_confidence=apex_confidence if apex_px is not None else 0.0,
        why_no_apex=why_no_apex,
        reasons=judgement.reasons,
        root_outline_px=None if outline is None else _points(grid, outline),
    )
