"""The films of a series brought together, each visit onto the one before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rxmeasure.radiograph import Radiograph
from rxmeasure.recall.contrast import AlignmentError
from rxmeasure.recall.pairs import PairAlignment, align_pair
from rxmeasure.recall.series import Series
from rxmeasure.recall.unmarked_roots import roots_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """How the film of a visit comes onto that of the visit before; visits count from 1.

    ``found`` is None where there is no alignment at all: ``problem`` says why.
    """

    before: int
    after: int
    found: PairAlignment | None
    problem: str = ""

    @property
    def refused(self) -> bool:
        """Whether the films may not be laid over each other."""
        return self.found is None or self.found.refused

    @property
    def reason(self) -> str:
        """Why the alignment is refused or taken with caution; empty when accepted."""
        return self.problem if self.found is None else self.found.reason


def align_steps(
    series: Series,
    films: Sequence[Radiograph],
    *,
    known: Mapping[tuple[int, int], PairAlignment] | None = None,
) -> tuple[Step, ...]:
    """Align each visit with the one before; the reader's points go before the program's.

    Where no canal of the earlier film is marked, the roots that the program proposes are used.

    Parameters
    ----------
    series : Series
    films : sequence of Radiograph
        The film of each visit.
    known : mapping, optional
        Alignments of `compare_films`: taken where the earlier film's canals are marked.
    """
    marked = {(pair.before, pair.after): pair for pair in series.marks.landmarks}
    steps = []
    for before, (first, second) in enumerate(zip(films, films[1:], strict=False), 1):
        visit = series.visits[before - 1]
        scale = visit.calibration
        found, problem = None, ""
        if visit.canals:
            found = (known or {}).get((before, before + 1))
        try:
            found = found or align_pair(
                first,
                second,
                roots=roots_of(visit.canals, first, scale),
                changed_px=[one.outline_px for one in visit.lesions if one.outline_px],
                mm_per_px=None if scale is None else scale.scale.col,
                landmarks=marked.get((before, before + 1)),
            )
        except AlignmentError as error:
            problem = f"{error.found[:1].upper()}{error.found[1:]}"
        steps.append(Step(before=before, after=before + 1, found=found, problem=problem))
    return tuple(steps)
