"""The open review: films, their marks, what was measured, and every undo. No Qt, no napari.

The state is the one truth. Panels and the picture show it and ask it for edits;
layers are drawn from it and never read back. A film's marks are frozen, so an
edit is a new value and undo is the value before.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary, WeakValueDictionary

from psygnal import Signal

from rxmeasure import __version__
from rxmeasure.calibration.scale import Calibration
from rxmeasure.criteria.rules import RuleSet
from rxmeasure.errors import RxMeasureError
from rxmeasure.filling.results import CanalMeasurement
from rxmeasure.marks import CanalMarks, FilmKind, PointPx, ReviewMarks
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.record.draft import Draft
from rxmeasure.review import Review
from rxmeasure_napari import marks_edits
from rxmeasure_napari.course_state import CourseState
from rxmeasure_napari.history import Undoable
from rxmeasure_napari.series_state import SeriesState

if TYPE_CHECKING:
    from rxmeasure.calibration.file_finding import FoundFile
    from rxmeasure.proposals import CanalProposal, Proposals
    from rxmeasure.tracing.preview import TracePreview
    from rxmeasure_napari.autosave import Autosave


class Step(StrEnum):
    """Steps of the review, in the order of the work."""

    PICTURE = "picture"
    CALIBRATE = "calibrate"
    CANALS = "canals"
    FILL = "fill"
    VERDICT = "verdict"
    KEEP = "keep"
    RECALL = "recall"
    COURSE = "course"


class Purpose(StrEnum):
    """What the next click on the picture means."""

    LOOK = "look"
    CANAL = "canal"
    FILL = "fill"
    REFERENCE = "reference"
    FILE = "file"
    LANDMARK = "landmark"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pointing:
    """What the next click means, and for what.

    ``canal`` names the canal of a CANAL or LANDMARK click, ``landmark`` the
    field of `CanalMarks`, ``reference`` the place in ``marks.references``.
    """

    purpose: Purpose = Purpose.LOOK
    canal: str = ""
    landmark: str = ""
    reference: int = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Handle:
    """A point that can be dragged, nudged or taken out: of the marks, or of a proposal.

    ``kind`` is ``"click"``, ``"landmark"``, ``"reference"``, ``"proposal"`` or
    ``"offered"`` (an end of the film's `OfferedFile`); ``canal`` and ``landmark``,
    ``reference`` or ``proposal`` with its ``number`` say whose; ``index`` the place in
    its list.
    """

    kind: str
    point_px: PointPx
    canal: str = ""
    landmark: str = ""
    reference: int = -1
    index: int = -1
    proposal: CanalProposal | None = None
    number: int = 0

    def same_as(self, other: Handle | None) -> bool:
        """Whether both name one point, wherever it lies."""
        return other is not None and (
            self.kind,
            self.canal,
            self.landmark,
            self.reference,
            self.index,
            self.proposal,
        ) == (
            other.kind,
            other.canal,
            other.landmark,
            other.reference,
            other.index,
            other.proposal,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferedFile:
    """A file that was found and waits for the reader's answer; no part of the marks.

    ``length_mm`` is its stated length, 0 where that was not known.
    """

    found: FoundFile
    length_mm: float

    @property
    def handles(self) -> list[Handle]:
        """Its two ends, which can be dragged."""
        path = self.found.path_px
        return [Handle(kind="offered", point_px=path[k], index=k) for k in (0, len(path) - 1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnCriteria:
    """A criteria file of the reader's own, and what it held when it was chosen."""

    path: Path
    rule_set: RuleSet


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What a person can change on one film; one undo step keeps one of these.

    ``own_criteria`` judge the film besides those in the marks: a review file keeps
    what they said, not the files. ``accepted`` are the proposals that became canals:
    undo offers them again. They are no part of what is kept.
    """

    marks: ReviewMarks
    inverted: bool = False
    own_criteria: tuple[OwnCriteria, ...] = ()
    accepted: frozenset[CanalProposal] = field(default=frozenset(), compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Computed:
    """What came out of one state of the marks. Either a review or the reason for none.

    ``revision`` tells for which marks; ``calibration`` may be there without a
    review (no canal yet).
    """

    revision: int
    calibration: Calibration | None = None
    review: Review | None = None
    problem: RxMeasureError | None = None


class OpenFilm(Undoable[Work]):
    """One film under review.

    Parameters
    ----------
    path : Path
        The image file.
    radiograph : Radiograph
    work : Work
        Marks to start from.

    Attributes
    ----------
    revision : int
        Rises with every change of the marks; results of an older one are dropped.
    computed : Computed
        Last results; ``computed.revision < revision`` while newer ones are on the way.
    preview : TracePreview or None
        Line of the canal being traced, while the pointer moves or before the
        review is there; ``preview_canal`` names its canal.
    kept : Work or None
        What the review file beside the image holds; None without one.
    provisional : ReviewMarks or None
        Marks with a point on its way, while it is dragged; for drawing only.
    proposals : Proposals or None
        What was proposed on this picture; not part of the marks.
    offered_file : OfferedFile or None
        A file found at a click, not answered yet.
    restored : str
        Says so when unfinished work was found and taken up.
    changed_image : RxMeasureError or None
        Set when the review or draft belongs to another image; nothing is
        measured until a reason is given.
    autosave : Autosave or None
        Keeps the unfinished work on the disk.
    review_bytes : str
        Hash of the review file as this window read or wrote it; empty for none.
    """

    marks_changed = Signal()
    computed_changed = Signal()
    preview_changed = Signal()
    proposals_changed = Signal()
    kept_changed = Signal()
    radiograph_changed = Signal()
    busy_changed = Signal(bool)

    def __init__(self, path: Path, radiograph: Radiograph, work: Work) -> None:
        super().__init__()
        self.id = uuid.uuid4().hex
        self.path = path
        self._radiographs = {work.inverted: radiograph}
        self._work = work
        self.revision = 0
        self.computed = Computed(revision=-1)
        self.preview: TracePreview | None = None
        self.preview_canal = ""
        self.kept: Work | None = None
        self.changed_image: RxMeasureError | None = None
        self.restored = ""
        self.provisional: ReviewMarks | None = None
        self.proposals: Proposals | None = None
        self._rejected: frozenset[CanalProposal] = frozenset()
        self._offered: tuple[CanalProposal, ...] | None = None
        self.offered_file: OfferedFile | None = None
        self.autosave: Autosave[Draft] | None = None
        self.review_bytes = ""
        _FILMS[self.id] = self

    @property
    def name(self) -> str:
        """File name of the image."""
        return self.path.name

    @property
    def work(self) -> Work:
        """All that a person can change."""
        return self._work

    @property
    def marks(self) -> ReviewMarks:
        """Marks as they stand."""
        return self._work.marks

    @property
    def radiograph(self) -> Radiograph:
        """The image in the polarity chosen."""
        return self._radiographs[self._work.inverted]

    @property
    def review(self) -> Review | None:
        """Last review; may be one edit behind (`is_current`)."""
        return self.computed.review

    @property
    def is_current(self) -> bool:
        """Whether the results belong to the marks as they stand."""
        return self.computed.revision == self.revision

    @property
    def calibration(self) -> Calibration | None:
        """Scale as last computed."""
        return self.computed.calibration

    @property
    def has_unkept_work(self) -> bool:
        """Whether something differs from the review file (or from nothing at all)."""
        if self.kept is None:
            return bool(self.undo_label)
        return self._work != self.kept

    def measured(self, canal: str | None) -> CanalMeasurement | None:
        """Measurement of a canal, or None."""
        if self.review is None:
            return None
        return next((c for c in self.review.canals if c.name == canal), None)

    # Proposals: beside the marks, and none of them until a person accepts.

    @property
    def offered(self) -> tuple[CanalProposal, ...]:
        """Proposals without an answer: not accepted, not rejected, their fill not marked."""
        if self._offered is None:
            found = self.proposals.canals if self.proposals is not None else ()
            answered = self._rejected | self._work.accepted
            self._offered = tuple(
                p for p in found if p not in answered and self.canal_at(p) is None
            )
        return self._offered

    def number_of(self, proposal: CanalProposal) -> int:
        """Number under which a proposal is shown."""
        assert self.proposals is not None
        return self.proposals.canals.index(proposal) + 1

    def canal_at(self, proposal: CanalProposal) -> str | None:
        """Name of the marked canal that runs through the fill of a proposal."""
        from rxmeasure.proposals import lies_on

        for canal in self.marks.canals:
            measured = self.measured(canal.name)
            lines = [canal.clicks_px]
            if measured is not None:
                lines.append(measured.centre_line.points_px)
            if any(lies_on(proposal, ln, self.radiograph, self.calibration) for ln in lines):
                return canal.name
        return None

    def take_proposals(self, found: Proposals) -> None:
        """Offer what was found on the whole film, in place of what was offered before."""
        self.proposals = found
        self._rejected = frozenset()
        self._work = replace(self._work, accepted=frozenset())
        self._tell_proposals()

    def take_proposals_at_click(self, found: Proposals) -> tuple[CanalProposal, ...]:
        """Offer what was found at one click besides the others; tell which these are now."""
        from rxmeasure.proposals import Proposals, lies_on

        before = self.proposals or Proposals(canals=(), declined=())
        at_click = tuple(
            next(
                (
                    known
                    for known in before.canals
                    if lies_on(new, known.clicks_px, self.radiograph, self.calibration)
                ),
                new,
            )
            for new in found.canals
        )
        self.proposals = Proposals(
            canals=tuple(dict.fromkeys((*before.canals, *at_click))),
            declined=tuple(dict.fromkeys((*before.declined, *found.declined))),
        )
        self._rejected -= set(at_click)
        self._tell_proposals()
        return at_click

    def reject(self, proposals: Iterable[CanalProposal]) -> None:
        """Offer these no more, until the film is searched again."""
        self._rejected |= set(proposals)
        self._tell_proposals()

    def _tell_proposals(self) -> None:
        self._offered = None
        self.proposals_changed.emit()

    # Edits.

    def edit(
        self, label: str, marks: ReviewMarks, *, accepted: Iterable[CanalProposal] = ()
    ) -> None:
        """Take new marks; ``label`` says what was done, for undo.

        ``accepted`` are the proposals that became canals by this edit.
        """
        taken = self._work.accepted.union(accepted)
        self._change(label, replace(self._work, marks=marks, accepted=taken))

    def judge_by(self, own: tuple[OwnCriteria, ...]) -> None:
        """Judge by these criteria of the reader's own; verdicts changed on others are taken out."""
        kept = {one.rule_set.id for one in own}
        gone = {one.rule_set.id for one in self._work.own_criteria} - kept
        marks = marks_edits.without_overrides_of(self.marks, gone)
        self._change("own criteria", replace(self._work, marks=marks, own_criteria=own))

    def set_inverted(self, inverted: bool) -> None:
        """Turn the grey levels, or turn them back; the file is read anew for it.

        Raises
        ------
        ImageReadError
            The file cannot be read any more.
        ImageChangedError
            It is no longer the same file.
        """
        if inverted not in self._radiographs:
            again = read_radiograph(self.path, invert=inverted)
            if again.source.sha256 != self.radiograph.source.sha256:
                from rxmeasure.errors import ImageChangedError

                raise ImageChangedError(
                    found=f"{self.name} has changed on the disk since it was opened.",
                    needed="the image as it was opened.",
                    next_step="Close this film and open it again.",
                )
            self._radiographs[inverted] = again
        self._change("turn the grey levels", replace(self._work, inverted=inverted))

    def _now(self) -> Work:
        return self._work

    def _take(self, work: Work) -> None:
        turned = work.inverted != self._work.inverted
        self._work = work
        self.revision += 1
        self._offered = None
        if turned:
            self.proposals = None
        if self.preview_canal and marks_edits.canal_of(work.marks, self.preview_canal) is None:
            self.set_preview("", None)
        if turned:
            self.radiograph_changed.emit()
        self.marks_changed.emit()

    # Results.

    def take_computed(self, computed: Computed) -> bool:
        """Take results unless they belong to older marks; tell whether they were taken."""
        if computed.revision != self.revision:
            return False
        self.computed = computed
        self._offered = None
        self.computed_changed.emit()
        return True

    def set_preview(self, canal: str, preview: TracePreview | None) -> None:
        """Show a line before its canal is measured; None takes it away."""
        if preview is None and self.preview is None:
            return
        self.preview, self.preview_canal = preview, canal if preview is not None else ""
        self.preview_changed.emit()

    def set_provisional(self, marks: ReviewMarks | None) -> None:
        """Draw these marks while a point is dragged; None goes back to the real ones."""
        if marks is not self.provisional:
            self.provisional = marks
            self.preview_changed.emit()

    # A file that was found.

    def offer_file(self, offered: OfferedFile | None) -> None:
        """Show a file that was found, for the reader to accept; None takes it away."""
        if offered is not self.offered_file:
            self.offered_file = offered
            self.preview_changed.emit()

    def accept_file(self, moved: dict[int, PointPx] | None = None) -> None:
        """Make the file that was found a known length, with points that the reader moved."""
        offered = self.offered_file
        if offered is not None:
            marks = marks_edits.accept_file(self.marks, offered.found, offered.length_mm, moved)
            self.offered_file = None
            self.edit("accept the file that was found", marks)

    # Keeping.

    def set_kept(self, work: Work | None) -> None:
        """Tell what the review file now holds."""
        self.kept = work
        self.kept_changed.emit()

    def draft(self, *, canal: str, step: str) -> Draft:
        """The unfinished work as the draft file keeps it."""
        return Draft(
            image=self.radiograph.source,
            inverted=self._work.inverted,
            marks=self.marks,
            canal=canal,
            step=step,
            saved_utc=datetime.now(UTC).isoformat(timespec="seconds"),
            software_version=__version__,
        )


def proposal_handles(film: OpenFilm) -> list[Handle]:
    """Points of the proposals without an answer."""
    return [
        Handle(
            kind="proposal",
            point_px=point,
            index=i,
            proposal=proposal,
            number=film.number_of(proposal),
        )
        for proposal in film.offered
        for i, point in enumerate(proposal.clicks_px)
    ]


def taken_up(marks: ReviewMarks, handle: Handle) -> tuple[ReviewMarks, Handle]:
    """Marks with the proposal of a point accepted, and the point as one of that canal."""
    if handle.proposal is None:
        return marks, handle
    marks = marks_edits.accept_proposal(marks, handle.proposal, handle.number)
    name = marks.canals[-1].name
    return marks, replace(handle, kind="click", canal=name, proposal=None, number=0)


def handles_of(marks: ReviewMarks, canal: str | None = None) -> list[Handle]:
    """Points that can be dragged: those of one canal (None: of all), and the references."""
    found = [
        Handle(kind="reference", point_px=point, reference=k, index=i)
        for k, reference in enumerate(marks.references)
        for i, point in enumerate(reference.points_px)
    ]
    for one in marks.canals:
        if canal is None or one.name == canal:
            found += _canal_handles(one)
    return found


def _canal_handles(canal: CanalMarks) -> list[Handle]:
    clicks = [
        Handle(kind="click", point_px=point, canal=canal.name, index=i)
        for i, point in enumerate(canal.clicks_px)
    ]
    landmarks = []
    for name in marks_edits.LANDMARKS:
        point = getattr(canal, name).point_px
        if point is not None and point not in canal.clicks_px:
            landmarks.append(
                Handle(kind="landmark", point_px=point, canal=canal.name, landmark=name)
            )
    return clicks + landmarks


def moved(marks: ReviewMarks, handle: Handle, point_px: PointPx) -> ReviewMarks:
    """Marks with the point of that handle at another place."""
    if handle.kind == "reference":
        return marks_edits.move_reference_point(marks, handle.reference, handle.index, point_px)
    if handle.kind == "click":
        return marks_edits.move_click(marks, handle.canal, handle.index, point_px)
    canal = marks_edits.canal_of(marks, handle.canal)
    state = None if canal is None else getattr(canal, handle.landmark).state
    return marks_edits.set_landmark(marks, handle.canal, handle.landmark, point_px, state=state)


def without(marks: ReviewMarks, handle: Handle) -> ReviewMarks:
    """Marks without the point of that handle."""
    if handle.kind == "reference":
        return marks_edits.remove_reference_point(marks, handle.reference, handle.index)
    if handle.kind == "click":
        return marks_edits.remove_click(marks, handle.canal, handle.index)
    return marks_edits.set_landmark(marks, handle.canal, handle.landmark, None)


@dataclass
class Told:
    """A line for the reader: ``kind`` is ``"note"``, ``"warning"`` or ``"refusal"``.

    ``action`` is a way out that is offered beside it: its words and what it does.
    """

    text: str
    kind: str = "note"
    action: tuple[str, Callable[[], object]] | None = None


@dataclass
class _Chosen:
    """What is in front of the reader."""

    film: OpenFilm | None = None
    canal: str | None = None
    step: Step = Step.PICTURE
    pointing: Pointing = field(default_factory=Pointing)
    handle: Handle | None = None
    place_px: float | None = None
    gap: int | None = None
    proposal: CanalProposal | None = None
    declined: bool = False


class ReviewState:
    """All films in one window, and what is in front of the reader.

    ``series`` compares some of them as visits of one tooth; ``course`` is the course that is
    open.
    ``next_reference_kind`` and ``next_reference_length_mm`` are what the first
    click on a new known length makes.
    """

    film_added = Signal(object)
    film_removed = Signal(object)
    film_chosen = Signal(object)
    canal_chosen = Signal(object)
    step_chosen = Signal(object)
    pointing_changed = Signal(object)
    handle_chosen = Signal(object)
    place_hovered = Signal(object)
    file_clicked = Signal(object)
    gap_chosen = Signal(object)
    proposal_chosen = Signal(object)
    fill_clicked = Signal(object)
    told = Signal(object)

    def __init__(self) -> None:
        self.films: list[OpenFilm] = []
        self.series = SeriesState(self.films)
        self.course = CourseState()
        self._now = _Chosen()
        self.last_told: Told | None = None
        self.next_reference_kind = "file"
        self.next_reference_length_mm = 0.0

    @property
    def film(self) -> OpenFilm | None:
        """The film being worked on."""
        return self._now.film

    @property
    def canal(self) -> str | None:
        """The canal being worked on."""
        return self._now.canal

    @property
    def step(self) -> Step:
        """The step in front."""
        return self._now.step

    @property
    def steps(self) -> list[Step]:
        """The steps that are offered; that of the course only where it is wanted."""
        wanted = self.course.opened is not None or self.step is Step.COURSE
        return [step for step in Step if wanted or step is not Step.COURSE]

    @property
    def pointing(self) -> Pointing:
        """What the next click on the picture means."""
        return self._now.pointing

    @property
    def handle(self) -> Handle | None:
        """The point that keys move or take out."""
        return self._now.handle

    @property
    def place_px(self) -> float | None:
        """Place along the canal that the reader points at in plot or picture (``s_px``)."""
        return self._now.place_px

    @property
    def gap(self) -> int | None:
        """The void that the reader chose, as its place in the measurement's list."""
        return self._now.gap

    @property
    def proposal(self) -> CanalProposal | None:
        """The proposal in front: the one chosen, else the first without an answer."""
        offered = self.film.offered if self.film is not None else ()
        chosen = self._now.proposal
        return chosen if chosen in offered else next(iter(offered), None)

    @property
    def shows_declined(self) -> bool:
        """Whether the lines that are not proposed are shown."""
        return self._now.declined

    def add_film(self, film: OpenFilm) -> None:
        """Take a film in and bring it to the front."""
        self.films.append(film)
        film.marks_changed.connect(lambda: self._after_marks(film))
        self.film_added.emit(film)
        self.choose_film(film)

    def remove_film(self, film: OpenFilm) -> None:
        """Close a film."""
        if film not in self.films:
            return
        self.films.remove(film)
        if self.film is film:
            self.choose_film(self.films[-1] if self.films else None)
        self.film_removed.emit(film)

    def choose_film(self, film: OpenFilm | None) -> None:
        """Bring a film to the front."""
        if film is self._now.film:
            return
        self.point_for(Pointing())
        self._now.film = film
        self._now.canal = None
        self._now.handle = self._now.gap = self._now.place_px = None
        self._now.proposal, self._now.declined = None, False
        self.film_chosen.emit(film)
        self.choose_canal(self._first_canal())

    def _first_canal(self) -> str | None:
        canals = self.film.marks.canals if self.film is not None else ()
        return canals[0].name if canals else None

    def next_film(self, by: int = 1) -> None:
        """Bring the next film to the front."""
        if self.film is not None and len(self.films) > 1:
            self.choose_film(self.films[(self.films.index(self.film) + by) % len(self.films)])

    def choose_canal(self, name: str | None) -> None:
        """Bring a canal to the front."""
        if name == self._now.canal:
            return
        if name is not None and self.pointing.canal not in ("", name):
            self.point_for(Pointing())
        self._now.canal = name
        self.choose_handle(None)
        self.choose_gap(None)
        self.canal_chosen.emit(name)

    def next_canal(self, by: int = 1) -> None:
        """Bring the next canal of the film to the front."""
        names = [c.name for c in self.film.marks.canals] if self.film else []
        if names:
            here = names.index(self.canal) if self.canal in names else -1
            self.choose_canal(names[(here + by) % len(names)])

    def choose_step(self, step: Step) -> None:
        """Bring a step to the front."""
        if step is not self._now.step:
            self._let_proposals_go()
            self._now.step = step
            self.step_chosen.emit(step)

    def next_step(self, by: int = 1) -> None:
        """Go one step on or back."""
        steps = self.steps
        place = min(max(steps.index(self.step) + by, 0), len(steps) - 1)
        self.choose_step(steps[place])

    def point_for(self, pointing: Pointing) -> None:
        """Say what the next click on the picture means."""
        if pointing == self._now.pointing:
            return
        self._now.pointing = pointing
        if self.canal is None and pointing.purpose is not Purpose.CANAL:
            # A canal that was begun without a click leaves another in front.
            self.choose_canal(self._first_canal())
        self.pointing_changed.emit(pointing)

    def choose_handle(self, handle: Handle | None) -> None:
        """Choose the point that keys act on."""
        if handle != self._now.handle:
            self._now.handle = handle
            self.handle_chosen.emit(handle)

    def hover_place(self, s_px: float | None) -> None:
        """Point at a place along the canal."""
        if s_px != self._now.place_px:
            self._now.place_px = s_px
            self.place_hovered.emit(s_px)

    def choose_gap(self, index: int | None) -> None:
        """Choose a void of the canal in front."""
        if index != self._now.gap:
            self._now.gap = index
            self.gap_chosen.emit(index)

    def choose_proposal(self, proposal: CanalProposal | None) -> None:
        """Bring a proposal to the front."""
        if proposal != self._now.proposal:
            self._now.proposal = proposal
            self.proposal_chosen.emit(proposal)

    def show_declined(self, shown: bool) -> None:
        """Show the lines that are not proposed, or hide them."""
        if shown != self._now.declined:
            self._now.declined = shown
            self.proposal_chosen.emit(self._now.proposal)

    def accept(self, proposals: Sequence[CanalProposal]) -> None:
        """Make canals of these proposals; one step of undo."""
        film = self.film
        if film is None or not proposals:
            return
        numbers = [film.number_of(proposal) for proposal in proposals]
        marks = film.marks
        for proposal, number in zip(proposals, numbers, strict=True):
            marks = marks_edits.accept_proposal(marks, proposal, number)
        new = marks.canals[len(film.marks.canals) :]
        one = len(numbers) == 1
        label = f"accept proposal {numbers[0]}" if one else f"accept {len(numbers)} proposals"
        film.edit(label, marks, accepted=proposals)
        self.point_for(Pointing())
        self.choose_canal(new[0].name)
        self._tell_accepted(new)

    def _tell_accepted(self, canals: Sequence[CanalMarks]) -> None:
        names = ", ".join(canal.name for canal in canals)
        said = f"Accepted as canal {names}." if len(canals) == 1 else f"Accepted: canals {names}."
        bare = [c.name for c in canals if c.radiographic_apex.point_px is None]
        if not bare:
            self.tell(said)
            return
        place = Pointing(purpose=Purpose.LANDMARK, canal=bare[0], landmark="radiographic_apex")

        def place_apex() -> None:
            self.choose_canal(bare[0])
            self.point_for(place)

        self.tell(
            f"{said} No apex was found for {', '.join(bare)}: without it there is no distance "
            "to the apex.",
            "warning",
            ("Place apex", place_apex),
        )

    def reject(self, proposals: Sequence[CanalProposal]) -> None:
        """Take proposals away; no edit of the marks."""
        if self.film is not None:
            self._let_proposals_go()
            self.film.reject(proposals)

    def _let_proposals_go(self) -> None:
        """No key acts on the point of a proposal any more."""
        if self.handle is not None and self.handle.proposal is not None:
            self.choose_handle(None)

    def change_point(
        self,
        film: OpenFilm,
        label: str,
        handle: Handle,
        change: Callable[[ReviewMarks, Handle], ReviewMarks],
    ) -> None:
        """Edit the marks at one point. A proposal's point accepts it, in the same step."""
        if handle.proposal is not None and handle.proposal not in film.offered:
            return
        marks, held = taken_up(film.marks, handle)
        accepted = () if handle.proposal is None else (handle.proposal,)
        try:
            film.edit(label, change(marks, held), accepted=accepted)
        except RxMeasureError as error:
            self.refuse(error)
            return
        if accepted and film is self.film:
            self.choose_canal(held.canal)
            self.choose_handle(next((h for h in handles_of(film.marks) if h.same_as(held)), None))

    def tell(
        self,
        text: str,
        kind: str = "note",
        action: tuple[str, Callable[[], object]] | None = None,
    ) -> None:
        """Show the reader a line, with a way out where there is one."""
        self.last_told = Told(text, kind, action)
        self.told.emit(self.last_told)

    def refuse(self, error: RxMeasureError) -> None:
        """Show a refusal: what was found, what was needed, what to do next."""
        self.tell(str(error), "refusal")

    def try_edit(self, label: str, change: Callable[[ReviewMarks], ReviewMarks]) -> bool:
        """Edit the marks of the film in front; a refusal is shown. True when it was done."""
        if self.film is None:
            return False
        try:
            self.film.edit(label, change(self.film.marks))
        except RxMeasureError as error:
            self.refuse(error)
            return False
        return True

    def begin_canal(self, name: str | None = None) -> None:
        """Take clicks for a canal; the first click makes it."""
        if self.film is None:
            return
        try:
            name = name or marks_edits.new_canal_name(self.film.marks)
        except RxMeasureError as error:
            self.refuse(error)
            return
        if marks_edits.canal_of(self.film.marks, name) is None:
            self.choose_canal(None)
        else:
            self.choose_canal(name)
        self.point_for(Pointing(purpose=Purpose.CANAL, canal=name))

    def begin_reference(self) -> None:
        """Take clicks for one more object of known length; the first click makes it."""
        if self.film is not None:
            place = len(self.film.marks.references)
            self.point_for(Pointing(purpose=Purpose.REFERENCE, reference=place))

    def place_point(self, point_px: PointPx) -> bool:
        """Do what the next click on the picture means; False when it means nothing."""
        pointing = self.pointing
        if pointing.purpose is Purpose.CANAL:
            name = pointing.canal
            done = self.try_edit(f"click on canal {name}", lambda m: _click(m, name, point_px))
            self.choose_canal(name)
            return done
        if pointing.purpose is Purpose.FILL:
            self.point_for(Pointing())
            self.fill_clicked.emit(point_px)
            return True
        if pointing.purpose is Purpose.REFERENCE:
            return self.try_edit(
                "click on the known length", lambda m: self._reference_click(m, point_px)
            )
        if pointing.purpose is Purpose.FILE:
            self.file_clicked.emit(point_px)
            return True
        if pointing.purpose is Purpose.LANDMARK:
            done = self.try_edit(
                f"{marks_edits.LANDMARKS[pointing.landmark]} of canal {pointing.canal}",
                lambda m: marks_edits.set_landmark(m, pointing.canal, pointing.landmark, point_px),
            )
            self.point_for(Pointing())
            return done
        return False

    def _reference_click(self, marks: ReviewMarks, point_px: PointPx) -> ReviewMarks:
        place = self.pointing.reference
        if place >= len(marks.references):
            place = len(marks.references)
            marks = marks_edits.add_reference(
                marks, self.next_reference_kind, self.next_reference_length_mm
            )
        return marks_edits.add_reference_point(marks, place, point_px)

    def _after_marks(self, film: OpenFilm) -> None:
        """Undo may have taken away what is in front."""
        if film is not self.film:
            return
        names = [c.name for c in film.marks.canals]
        pointing = self.pointing
        if pointing.purpose is Purpose.CANAL:
            self.choose_canal(pointing.canal if pointing.canal in names else None)
        elif self.canal not in names:
            self.choose_canal(self._first_canal())
        if pointing.reference > len(film.marks.references) or (
            pointing.purpose is Purpose.LANDMARK and pointing.canal not in names
        ):
            self.point_for(Pointing())
        if self.handle is not None:
            known = (*handles_of(film.marks), *proposal_handles(film))
            again = next((h for h in known if h.same_as(self.handle)), None)
            self.choose_handle(again)


def _click(marks: ReviewMarks, name: str, point_px: PointPx) -> ReviewMarks:
    if marks_edits.canal_of(marks, name) is None:
        marks = marks_edits.add_canal(marks, name)
    return marks_edits.add_click(marks, name, point_px)


_STATES: WeakKeyDictionary[object, ReviewState] = WeakKeyDictionary()


def state_of(viewer: object) -> ReviewState:
    """The state that belongs to one viewer; made at the first call."""
    if viewer not in _STATES:
        _STATES[viewer] = ReviewState()
    return _STATES[viewer]


def new_marks(film_kind: FilmKind, reader: str = "") -> ReviewMarks:
    """Marks of a film that was never reviewed."""
    return ReviewMarks(film_kind=film_kind, reader=reader)


_FILMS: WeakValueDictionary[str, OpenFilm] = WeakValueDictionary()


def film_by_id(film_id: str) -> OpenFilm | None:
    """The open film with that `OpenFilm.id`; None when there is none."""
    return _FILMS.get(film_id)
