"""What runs off the GUI thread for a series: visits in, results out. No Qt, no napari."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks_check import finished_marks
from rxmeasure.recall.lesion import Lesion
from rxmeasure.recall.pairs import align_pair
from rxmeasure.recall.series import LesionMark, Series, SeriesMarks, compare_visits, measured_lesion
from rxmeasure.recall.unmarked_roots import proposed_roots
from rxmeasure_napari.review_state import OpenFilm
from rxmeasure_napari.series_state import PairInputs, PairResult, ProposedRoots


def lesion_of(film: OpenFilm, mark: LesionMark) -> Callable[[object], Lesion]:
    """The measuring of one finding, on the film as it stands now."""
    radiograph, marks, calibration = film.radiograph, finished_marks(film.marks), film.calibration
    canals = film.review.canals if film.review is not None else ()
    return lambda _: measured_lesion(mark, radiograph, marks, calibration, canals)


def roots_of(film: OpenFilm) -> Callable[[object], ProposedRoots]:
    """The proposing of roots where none is traced, on the film as it stands now."""
    radiograph, calibration = film.radiograph, film.calibration

    def work(progress: object) -> ProposedRoots:
        try:
            roots = proposed_roots(radiograph, calibration)
        except RxMeasureError:
            roots = ()  # the films are then aligned as one plane, and that is told
        return ProposedRoots(radiograph=radiograph, calibration=calibration, roots=roots)

    return work


def alignment_of(inputs: PairInputs) -> PairResult:
    """How a pair is aligned; a refusal of core is a result too."""
    try:
        found = align_pair(
            inputs.first,
            inputs.second,
            roots=inputs.roots,
            changed_px=inputs.changed_px,
            mm_per_px=inputs.mm_per_px,
            landmarks=inputs.landmarks,
        )
    except RxMeasureError as error:
        return PairResult(inputs=inputs, found=None, problem=error)
    return PairResult(inputs=inputs, found=found)


def comparison_of(marks: SeriesMarks, films: Sequence[OpenFilm]) -> Callable[[object], Series]:
    """The comparison of all visits, on their films as they stand now."""
    pictures = [(film.radiograph, finished_marks(film.marks)) for film in films]
    return lambda _: compare_visits(marks, pictures)


def with_images(marks: SeriesMarks, change: Callable[[Path], Path]) -> SeriesMarks:
    """Marks whose images are named otherwise."""
    return replace(
        marks,
        visits=tuple(
            replace(visit, image=str(change(Path(visit.image)))) for visit in marks.visits
        ),
    )
