"""The visits of one tooth that are compared: what the reader states, what came out, every undo.

No Qt, no napari. Visits count from 1. What compares is imported when it is first wanted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from psygnal import Signal

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import PointPx
from rxmeasure_napari.history import Undoable

if TYPE_CHECKING:
    from rxmeasure.calibration.scale import Calibration
    from rxmeasure.radiograph import Radiograph
    from rxmeasure.recall.alignment import RootCourse
    from rxmeasure.recall.lesion import Lesion
    from rxmeasure.recall.pairs import PairAlignment, PairLandmarks
    from rxmeasure.recall.series import LesionMark, Series, SeriesMarks, VisitMarks
    from rxmeasure_napari.review_state import OpenFilm


class View(StrEnum):
    """How two visits are shown."""

    SIDE = "side by side"
    BLINK = "blink"
    SWIPE = "swipe"
    SUBTRACTION = "subtraction"


class Tool(StrEnum):
    """What a click on a visit's film means."""

    LOOK = "look"
    SEED = "click"
    OUTLINE = "outline"
    PAINT = "paint"
    ERASE = "erase"
    LANDMARK = "landmark"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesHandle:
    """A point that can be dragged, nudged or taken out.

    ``kind`` is ``"seed"``, ``"outline"`` or ``"landmark"``; ``root`` names the lesion,
    ``index`` the place in its outline or among the landmarks.
    """

    kind: str
    visit: int
    point_px: PointPx
    root: str = ""
    index: int = -1

    def same_as(self, other: SeriesHandle | None) -> bool:
        """Whether both name one point, wherever it lies."""
        return other is not None and replace(self, point_px=other.point_px) == other


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesFront:
    """What of a series is in front of the reader.

    ``divider`` is the place of the swipe's divider as a share of the film's width;
    ``brush_mm`` the radius of the brush, in assumed millimetres where there is no scale;
    ``later_up``: blinking shows the later film. ``scoring``: scores are being given, and no
    size is shown on the films.
    """

    before: int = 1
    after: int = 2
    view: View = View.SIDE
    tool: Tool = Tool.LOOK
    visit: int = 1
    root: str = ""
    handle: SeriesHandle | None = None
    divider: float = 0.5
    brush_mm: float = 0.5
    later_up: bool = False
    scoring: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PairInputs:
    """All that the alignment of two visits depends on."""

    first: Radiograph
    second: Radiograph
    roots: tuple[RootCourse, ...]
    changed_px: tuple[tuple[PointPx, ...], ...]
    mm_per_px: float | None
    landmarks: PairLandmarks | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedRoots:
    """Roots that the program proposed on a picture with its scale."""

    radiograph: Radiograph
    calibration: Calibration | None
    roots: tuple[RootCourse, ...]

    def are_of(self, film: OpenFilm) -> bool:
        """Whether the film still has that picture and scale."""
        return film.radiograph is self.radiograph and film.calibration == self.calibration


@dataclass(frozen=True, slots=True, kw_only=True)
class PairResult:
    """How a pair was aligned, or the refusal of core."""

    inputs: PairInputs
    found: PairAlignment | None
    problem: RxMeasureError | None = None


class SeriesState(Undoable["SeriesMarks"]):
    """Visits, findings and scores of one tooth; an edit makes new marks, one step of undo.

    Parameters
    ----------
    films : list of OpenFilm
        All films of the window; a visit is the one whose path it names.

    Attributes
    ----------
    series : Series or None
        Last results; ``problem`` says why there are none.
    path : Path or None
        The series file that is kept or was opened.
    provisional : SeriesMarks or None
        Marks with a point on its way, for drawing only.
    """

    marks_changed = Signal()
    front_changed = Signal()
    results_changed = Signal()
    kept_changed = Signal()

    def __init__(self, films: list[OpenFilm]) -> None:
        super().__init__()
        self._films = films
        self._marks: SeriesMarks | None = None
        self._lesions: dict[tuple[str, int, LesionMark], Lesion | RxMeasureError] = {}
        self._pairs: dict[tuple[str, str], PairResult] = {}
        self._proposed: dict[str, ProposedRoots] = {}
        self.front = SeriesFront()
        self.provisional: SeriesMarks | None = None
        self.series: Series | None = None
        self.problem: RxMeasureError | None = None
        self.path: Path | None = None
        self.kept: SeriesMarks | None = None

    # Marks.

    @property
    def marks(self) -> SeriesMarks:
        """What the reader states."""
        if self._marks is None:
            from rxmeasure.recall.series import SeriesMarks

            self._marks = SeriesMarks(visits=())
        return self._marks

    @property
    def is_empty(self) -> bool:
        """Whether there is no visit."""
        return self._marks is None or not self._marks.visits

    @property
    def visits(self) -> tuple[VisitMarks, ...]:
        """The visits, in their order."""
        return () if self._marks is None else self._marks.visits

    def visit(self, number: int) -> VisitMarks | None:
        """The visit of that number."""
        return self.visits[number - 1] if 1 <= number <= len(self.visits) else None

    def film_of(self, number: int) -> OpenFilm | None:
        """The open film of a visit; None where it is not open."""
        visit = self.visit(number)
        if visit is None:
            return None
        return next(
            (film for film in self._films if file_key(film.path) == file_key(visit.image)), None
        )

    def number_of(self, film: OpenFilm | None) -> int | None:
        """The visit that a film shows."""
        paths = [file_key(visit.image) for visit in self.visits]
        if film is None or file_key(film.path) not in paths:
            return None
        return paths.index(file_key(film.path)) + 1

    def edit(self, label: str, marks: SeriesMarks) -> None:
        """Take new marks; ``label`` says what was done, for undo."""
        self._change(label, marks)

    def begin(self, marks: SeriesMarks, path: Path) -> None:
        """Take up a series that was kept in a file; what was before can be undone to."""
        self.path, self.kept = path, marks
        self.edit("open a series", marks)
        self.kept_changed.emit()

    def _now(self) -> SeriesMarks:
        return self.marks

    def _take(self, marks: SeriesMarks) -> None:
        self._marks = marks
        self._keep_front_within()
        self.marks_changed.emit()

    def _keep_front_within(self) -> None:
        """Undo may have taken away what is in front."""
        count = max(len(self.visits), 1)
        after = min(self.front.after, max(count, 2))
        handle = self.front.handle
        if handle is not None:
            pair = self.pair_marks(self.front.before, self.front.after)
            known = [*handles_of(self.marks), *landmark_handles(pair)]
            handle = next((h for h in known if h.same_as(handle)), None)
        self.bring(
            after=after,
            before=min(self.front.before, after - 1),
            visit=min(self.front.visit, count),
            handle=handle,
        )

    def set_provisional(self, marks: SeriesMarks | None) -> None:
        """Draw these marks while a point is dragged; None goes back to the real ones."""
        if marks is not self.provisional:
            self.provisional = marks
            self.front_changed.emit()

    # What is in front.

    def bring(self, **changes: object) -> None:
        """Change what is in front of the reader; names as in `SeriesFront`."""
        front = replace(self.front, **changes)  # type: ignore[arg-type]
        if front != self.front:
            self.front = front
            self.front_changed.emit()

    def pair_marks(self, before: int, after: int) -> PairLandmarks | None:
        """The reader's points of a pair; None without any."""
        pairs = (self.provisional or self.marks).landmarks
        return next((p for p in pairs if (p.before, p.after) == (before, after)), None)

    # Results.

    def lesion(self, number: int, mark: LesionMark) -> Lesion | RxMeasureError | None:
        """What was measured of a finding, or its refusal; None while it is not measured."""
        film = self.film_of(number)
        return None if film is None else self._lesions.get((film.id, film.revision, mark))

    def take_lesion(
        self, film: OpenFilm, revision: int, mark: LesionMark, found: Lesion | RxMeasureError
    ) -> None:
        """Take what was measured of a finding."""
        self._lesions[film.id, revision, mark] = found
        self.results_changed.emit()

    def outlines(self, number: int) -> Iterator[tuple[PointPx, ...]]:
        """Outlines of the lesions of a visit as far as they are known."""
        visit = self.visit(number)
        for mark in visit.lesions if visit is not None else ():
            found = self.lesion(number, mark)
            if not isinstance(found, RxMeasureError) and found is not None and found.outline_px:
                yield found.outline_px

    def pair(self, before: int, after: int) -> PairResult | None:
        """How two visits were last aligned; may be of older inputs (`pair_inputs`)."""
        first, second = self.film_of(before), self.film_of(after)
        if first is None or second is None:
            return None
        return self._pairs.get((first.id, second.id))

    def pair_inputs(self, before: int, after: int) -> PairInputs | None:
        """What the alignment of two visits has to work on; None while a film is not there."""
        from rxmeasure.recall.alignment import RootCourse

        first, second = self.film_of(before), self.film_of(after)
        if first is None or second is None or not first.is_current:
            return None
        canals = first.review.canals if first.review is not None else ()
        roots = tuple(
            RootCourse(name=canal.name, line_px=tuple(canal.centre_line.points_px))
            for canal in canals
        )
        if self.needs_roots(first):
            return None
        marked = next(
            (p for p in self.marks.landmarks if (p.before, p.after) == (before, after)), None
        )
        return PairInputs(
            first=first.radiograph,
            second=second.radiograph,
            roots=roots or self._roots_proposed(first),
            changed_px=tuple(self.outlines(before)),
            mm_per_px=_column_mm(first.calibration),
            landmarks=marked if marked is not None and marked.usable else None,
        )

    def needs_roots(self, film: OpenFilm) -> bool:
        """Whether roots are still to be proposed: none is traced on a film with filled canals."""
        traced = film.review is not None and film.review.canals
        if traced or not film.marks.film_kind.filled:
            return False
        known = self._proposed.get(film.id)
        return known is None or not known.are_of(film)

    def _roots_proposed(self, film: OpenFilm) -> tuple[RootCourse, ...]:
        known = self._proposed.get(film.id)
        return known.roots if known is not None and film.marks.film_kind.filled else ()

    def take_roots(self, film: OpenFilm, proposed: ProposedRoots) -> None:
        """Take the roots that were proposed on a film."""
        self._proposed[film.id] = proposed
        self.results_changed.emit()

    def is_aligned(self, before: int, after: int) -> bool:
        """Whether the last alignment of two visits is of their inputs as they stand."""
        result = self.pair(before, after)
        return result is not None and result.inputs == self.pair_inputs(before, after)

    def take_pair(self, first: OpenFilm, second: OpenFilm, result: PairResult) -> None:
        """Take how two films were aligned."""
        self._pairs[first.id, second.id] = result
        self.results_changed.emit()

    def take_series(self, series: Series | None, problem: RxMeasureError | None = None) -> None:
        """Take the results of the marks as they stand, or why there are none."""
        self.series, self.problem = series, problem
        self.results_changed.emit()

    # Keeping.

    @property
    def has_unkept_work(self) -> bool:
        """Whether something differs from the series file (or from nothing at all)."""
        return not self.is_empty and self.marks != self.kept

    def set_kept(self, path: Path) -> None:
        """Tell that the file holds the marks as they stand."""
        self.path, self.kept = path, self.marks
        self.kept_changed.emit()


def handles_of(marks: SeriesMarks) -> list[SeriesHandle]:
    """All points of a series that can be dragged."""
    found = []
    for number, visit in enumerate(marks.visits, 1):
        for lesion in visit.lesions:
            if lesion.seed_px is not None:
                found.append(
                    SeriesHandle(
                        kind="seed", visit=number, point_px=lesion.seed_px, root=lesion.root
                    )
                )
            found += [
                SeriesHandle(
                    kind="outline", visit=number, point_px=point, root=lesion.root, index=k
                )
                for k, point in enumerate(lesion.outline_px)
            ]
    return found


def landmark_handles(pair: PairLandmarks | None) -> list[SeriesHandle]:
    """The reader's points of a pair, in both films."""
    if pair is None:
        return []
    return [
        SeriesHandle(kind="landmark", visit=visit, point_px=point, index=k)
        for visit, points in ((pair.before, pair.first_px), (pair.after, pair.second_px))
        for k, point in enumerate(points)
    ]


def file_key(path: Path | str) -> str:
    """One name for one file, however it was named."""
    return str(Path(path).resolve())


def _column_mm(calibration: Calibration | None) -> float | None:
    return None if calibration is None else calibration.scale.col
