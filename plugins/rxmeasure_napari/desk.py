"""The one container that acts: opens films, starts measuring, draws, keeps, reports.

Panels and pointer ask the state for edits; the desk listens to the state,
runs core off the GUI thread and draws what comes back. It lives as long as
its dock widget; the state lives as long as the viewer.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from concurrent.futures import Future, wait
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QObject, QTimer, Signal

from rxmeasure.canal_memory import CanalMemory
from rxmeasure.errors import ImageChangedError, MarksError, ReviewFileError, RxMeasureError
from rxmeasure.marks import FilmKind, Override, PointPx, ReviewMarks
from rxmeasure.radiograph import Radiograph
from rxmeasure.reading import read_radiograph
from rxmeasure.reading.polarity import inverted_by_user
from rxmeasure.reading.radiograph_file import read_file
from rxmeasure.record.draft import FILM_DRAFTS, Draft
from rxmeasure.record.review_file import (
    IMAGE_CHANGED,
    check_image,
    load_review,
    read_marks,
    review_path,
    save_review,
)
from rxmeasure.record.sidecar import SERIES_SUFFIX
from rxmeasure.report.numbers import Numbers
from rxmeasure.review import Review
from rxmeasure_napari import marks_edits, measuring
from rxmeasure_napari.archive_desk import ArchiveDesk
from rxmeasure_napari.autosave import Autosave, DraftTakenError
from rxmeasure_napari.background import Background
from rxmeasure_napari.course_desk import CourseDesk
from rxmeasure_napari.course_state import FilledForm
from rxmeasure_napari.drawing import InFront, draw_film
from rxmeasure_napari.film_layers import FilmLayers, FilmPlace
from rxmeasure_napari.layer_edge import FILM_GAP, film_of_layer
from rxmeasure_napari.page_files import write_both
from rxmeasure_napari.pointer import Pointer
from rxmeasure_napari.preferences import Preferences, on_change, read_preferences
from rxmeasure_napari.reader import image_of
from rxmeasure_napari.recall_desk import RecallDesk
from rxmeasure_napari.review_state import (
    Computed,
    OfferedFile,
    OpenFilm,
    Pointing,
    Purpose,
    ReviewState,
    Step,
    Work,
    new_marks,
    state_of,
)
from rxmeasure_napari.series_state import SeriesState
from rxmeasure_napari.writer import current_review

if TYPE_CHECKING:
    from rxmeasure.calibration.file_finding import FoundFile
    from rxmeasure.proposals import Proposals
    from rxmeasure_napari.recall_pointer import RecallPointer

#: How long measuring leaves the processor to the line of a click (choice: the line takes 0.1 s).
_LINE_FIRST_MS = 150
#: How long a click waits to be drawn in one frame with its line (choice: a line takes 25 ms).
_FRAME_WAITS_MS = 60
#: How long measuring waits for the frame that shows the line.
_AFTER_FRAME_MS = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loaded:
    """What was found for one image: pixels, the review that is kept, work that was not."""

    path: Path
    radiograph: Radiograph
    inverted: bool
    review: Review | None
    draft: Draft | None
    changed: ImageChangedError | None
    review_bytes: str
    autosave: Autosave[Draft]


class Desk(QObject):
    """Container of one window.

    Parameters
    ----------
    viewer : napari viewer
    parent : QObject
        The dock widget.

    Signals: ``busy_changed(str)`` a word for the long work that runs, ``""``
    when idle; ``line_finished()``: the reader says that the line being clicked is
    whole; ``preferences_changed()``; ``written(object)`` the paths of a
    report or file that was written.
    """

    busy_changed = Signal(str)
    preferences_changed = Signal()
    line_finished = Signal()
    written = Signal(object)

    def __init__(self, viewer: Any, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.viewer = viewer
        self.state: ReviewState = state_of(viewer)
        self.preferences: Preferences = read_preferences()
        self._forget_preferences = on_change(self._take_preferences)
        self.memory = CanalMemory()
        self._measure = Background("measure", self)
        self._live = Background("live", self)
        self._files = Background("files", self)
        self._drafts = Background("drafts", self)
        self._search = Background("search", self)
        self._busy: dict[Background, str] = {}
        for job in (self._files, self._search):
            job.progressed.connect(partial(self.tell_busy, job))
        self.layers: dict[str, FilmLayers] = {}
        self._overwrite_asked: set[str] = set()
        self._dirty: set[str] = set()
        self._draft_count = 0
        self._draft_on_its_way: Future[Any] | None = None
        self._pointer: Pointer | None = None
        self._connections: list[tuple[Any, Any]] = []
        self._drawing_timer = _single_shot(self, 0, self._draw_dirty)
        self._zoom_timer = _single_shot(self, 120, self._follow_zoom)
        self._line_timer = _single_shot(self, _LINE_FIRST_MS, self._measure_waiting)
        self._line_first: OpenFilm | None = None
        self._followed: tuple[object, ...] = ()
        self.recall = RecallDesk(self)
        self.archive = ArchiveDesk(self)
        self.course = CourseDesk(self)

    # Waking and resting: a dock that is closed leaves the viewer alone.

    def wake(self) -> None:
        """Listen to state and viewer, take hold of the mouse, draw."""
        if self._pointer is not None:
            return
        state, viewer = self.state, self.viewer
        self._listen(state.film_added, self._on_film_added)
        self._listen(state.film_removed, self._on_film_removed)
        self._listen(state.film_chosen, self._on_front)
        self._listen(state.canal_chosen, self._on_front)
        self._listen(state.handle_chosen, self._on_front)
        self._listen(state.gap_chosen, self._on_front)
        self._listen(state.proposal_chosen, self._on_front)
        self._listen(state.fill_clicked, self._on_fill_clicked)
        self._listen(state.place_hovered, self._on_front)
        self._listen(state.pointing_changed, self._on_pointing)
        self._listen(state.file_clicked, self._on_file_clicked)
        self._listen(state.step_chosen, self._on_step)
        self._listen(viewer.layers.events.removed, self._on_layer_removed)
        self._listen(viewer.layers.events.inserted, self._on_layer_inserted)
        self._listen(viewer.scene.camera.events.zoom, self._on_zoom)
        self.recall.wake(self._listen)
        self._pointer = Pointer(
            viewer, state, self.layers, finish=self.line_finished.emit, follow=self._follow
        )
        for film in state.films:
            self._take_film(film)
        for layer in list(viewer.layers):
            self._adopt(layer)

    def rest(self) -> None:
        """Let go of viewer and mouse; drawn layers stay, nothing is lost."""
        if self._pointer is None:
            return
        self._pointer.detach()
        self._pointer = None
        self.recall.rest()
        for signal, slot in self._connections:
            signal.disconnect(slot)
        self._connections.clear()
        self._line_timer.stop()
        for job in (self._measure, self._live, self._search):
            job.cancel()

    def close(self) -> None:
        """Stop all threads; the desk cannot be used after this."""
        self.rest()
        self._forget_preferences()
        self.recall.close()
        self.archive.close()
        self.course.close()
        for job in (self._measure, self._live, self._search, self._files):
            job.close()
        self._drafts.close(finish=True)

    @property
    def pointer(self) -> Pointer | RecallPointer | None:
        """The pointer on the picture, that of the step in front; None while the dock is closed."""
        return self.recall.pointer if self.recall.is_shown else self._pointer

    @property
    def numbers(self) -> Numbers:
        """How numbers are written."""
        return Numbers(decimal_mark=self.preferences.decimal_mark)

    def _listen(self, signal: Any, slot: Any) -> None:
        signal.connect(slot)
        self._connections.append((signal, slot))

    def _take_preferences(self, preferences: Preferences) -> None:
        self.preferences = preferences
        self.preferences_changed.emit()
        self.touch_all()

    # Opening and closing films.

    def open_path(self, path: Path, *, inverted: bool = False) -> None:
        """Open a film, the film of a review file or a series; refusals are told."""
        path = Path(path)
        if path.name.endswith(SERIES_SUFFIX):
            self.recall.open(path)
            return
        self._open(Path(path), inverted=inverted, image=None)

    def _open(self, path: Path, *, inverted: bool, image: Any) -> None:
        if self._is_open(path):
            return
        self._files.run(
            f"open:{path}",
            lambda progress: load_film(path, inverted),
            partial(self._add_loaded, image),
            self.state.refuse,
            word=f"opening {path.name}",
        )

    def _is_open(self, path: Path) -> bool:
        """Bring a film to the front that is open already, and say so."""
        known = next((f for f in self.state.films if f.path.resolve() == path.resolve()), None)
        if known is not None:
            self.state.choose_film(known)
            self.state.tell(f"{path.name} is open already.")
        return known is not None

    def _add_loaded(self, image: Any, loaded: Loaded) -> None:
        if self._is_open(loaded.path):
            return
        if loaded.review is not None:
            kept = Work(marks=loaded.review.marks, inverted=loaded.inverted)
            start = kept
        else:
            kept = None
            kind = FilmKind(self.preferences.film_kind)
            start = Work(marks=new_marks(kind, self.preferences.reader), inverted=loaded.inverted)
        film = OpenFilm(loaded.path, loaded.radiograph, start)
        film.kept = kept
        film.changed_image = loaded.changed
        film.autosave = loaded.autosave
        film.review_bytes = loaded.review_bytes
        if image is not None:
            self.layers[film.id] = FilmLayers(self.viewer, film, image)
            self.layers[film.id].show_radiograph()
        self.state.add_film(film)
        if loaded.draft is not None:
            self._take_draft(film, loaded.draft)
        for warning in loaded.autosave.warnings:
            self.state.tell(warning.text, "warning")
        if film.changed_image is not None:
            self.state.refuse(film.changed_image)

    def _take_draft(self, film: OpenFilm, draft: Draft) -> None:
        when = datetime.fromisoformat(draft.saved_utc).astimezone()
        film.restored = f"Unfinished work of {when:%Y-%m-%d %H:%M} was taken up; undo goes back."
        if draft.inverted != film.work.inverted:
            film.set_inverted(draft.inverted)
        film.edit("unfinished work", draft.marks)
        self.state.choose_canal(draft.canal or self.state.canal)
        if draft.step in self.state.steps:
            self.state.choose_step(Step(draft.step))
        self.state.tell(film.restored)

    def close_film(self, film: OpenFilm) -> None:
        """Close a film; unkept work stays in its draft."""
        self.state.remove_film(film)

    def take_marks_file(self, film: OpenFilm, path: Path) -> None:
        """Take the marks of an annotation or review file; one edit."""
        try:
            marks = read_marks(path)
        except RxMeasureError as error:
            self.state.refuse(error)
            return
        film.edit(f"marks of {path.name}", marks)

    def accept_changed_image(self, film: OpenFilm, reason: str) -> None:
        """Use the marks on this image although they were made on another; the reason is kept."""
        if not reason.strip():
            self.state.refuse(
                MarksError(
                    found="no reason.",
                    needed="why the marks are used on another image.",
                    next_step="Type the reason.",
                )
            )
            return
        override = Override(
            canal="", rule_id=IMAGE_CHANGED, verdict="accepted", reason=reason.strip()
        )
        film.changed_image = None
        film.edit(
            "use the marks on this image",
            replace(film.marks, overrides=(*film.marks.overrides, override)),
        )

    def start_anew(self, film: OpenFilm) -> None:
        """Begin with no marks on an image that is not the one of its review."""
        film.changed_image = None
        film.edit("start anew", new_marks(film.marks.film_kind, film.marks.reader))

    # What the state tells.

    def _on_film_added(self, film: OpenFilm) -> None:
        self._take_film(film)
        self.viewer.reset_view()

    def _take_film(self, film: OpenFilm) -> None:
        if film.id not in self.layers:
            self.layers[film.id] = FilmLayers(self.viewer, film)
        if film.autosave is None:
            film.autosave = Autosave(FILM_DRAFTS, film.path, film.radiograph.source.sha256)
        self._listen(film.marks_changed, partial(self._on_marks, film))
        self._listen(film.computed_changed, partial(self._on_computed, film))
        self._listen(film.preview_changed, partial(self._touch, film, 0))
        self._listen(film.proposals_changed, partial(self._touch, film, 0))
        self._listen(film.radiograph_changed, partial(self._on_radiograph, film))
        self.recall.watch(film, self._listen)
        self.arrange()
        self._touch(film)
        self._start_measuring(film)

    def _on_film_removed(self, film: OpenFilm) -> None:
        self._measure.cancel(film.id)
        self._search.cancel(film.id)
        layers = self.layers.pop(film.id, None)
        if layers is not None:
            layers.remove()
        self.arrange()

    def _on_front(self, _: object = None) -> None:
        film = self.state.film
        if film is not None:
            layers = self.layers.get(film.id)
            if layers is not None and layers.image in self.viewer.layers:
                self.viewer.layers.selection.active = layers.image
        self.touch_all()

    def _on_step(self, step: Step) -> None:
        if step not in (Step.CALIBRATE, Step.CANALS):
            self.state.point_for(Pointing())
        self.touch_all()
        self._save_draft(self.state.film)

    def _on_pointing(self, pointing: Pointing) -> None:
        film = self.state.film
        if film is not None and film.preview is not None and pointing.canal != film.preview_canal:
            self._live.cancel()
            film.set_preview("", None)
        self.touch_all()

    def _on_marks(self, film: OpenFilm) -> None:
        self._save_draft(film)
        canal = marks_edits.canal_of(film.marks, self.state.canal)
        if film is not self.state.film or canal is None or len(canal.clicks_px) < 2:
            self._touch(film)
            self._start_measuring(film)
        elif self._follow(film, film.marks, canal.name):
            # Click and line come in one frame, unless the line is late.
            self._touch(film, _FRAME_WAITS_MS)
            self._measure_after_line(film, _LINE_FIRST_MS)
        else:
            self._touch(film)
            self._measure_after_line(film, _AFTER_FRAME_MS)

    def _on_radiograph(self, film: OpenFilm) -> None:
        self._search.cancel(film.id)
        self.layers[film.id].show_radiograph()

    def _on_computed(self, film: OpenFilm) -> None:
        # A line that is still being traced for the pointer is wanted before it is shown.
        if not self._is_wanted(film, film.preview_canal or self.state.pointing.canal):
            self._live.cancel()
            film.set_preview("", None)
        self.arrange()
        self._touch(film)

    def _is_wanted(self, film: OpenFilm, canal: str) -> bool:
        """Whether a preview tells more than the results: while clicking, dragging, measuring."""
        clicking = bool(canal) and self.state.pointing.canal == canal
        return clicking or film.provisional is not None or not film.is_current

    def _on_layer_removed(self, event: Any) -> None:
        for film_id, layers in list(self.layers.items()):
            if event.value is layers.image:
                film = layers.film
                self.state.tell(
                    f"{film.name} was closed with its layer. Open it again to go on: the work is "
                    "kept.",
                    "warning",
                )
                self.close_film(film)
            elif event.value in (layers.lines, layers.points):
                self._dirty.add(film_id)
                self._drawing_timer.start(0)
        if self.recall.owns(event.value):
            self.recall.follow_soon()

    def _on_layer_inserted(self, event: Any) -> None:
        self._adopt(event.value)

    def _adopt(self, layer: Any) -> None:
        """Take up a radiograph that napari's own menus opened through our reader."""
        facts = film_of_layer(layer) or {}
        if facts.get("role") != "radiograph" or facts.get("film") in self.layers:
            return
        path = Path(facts["path"])
        if facts.get("film") or any(f.path.resolve() == path.resolve() for f in self.state.films):
            return
        self._open(path, inverted=bool(facts.get("inverted")), image=layer)

    # Measuring.

    def _start_measuring(self, film: OpenFilm) -> None:
        if film.changed_image is not None:
            film.take_computed(Computed(revision=film.revision, problem=film.changed_image))
            return
        if film.is_current:
            return
        compute = partial(
            measuring.compute,
            film.radiograph,
            film.marks,
            film.revision,
            self.memory,
            rule_files=[one.path for one in film.work.own_criteria],
        )
        self._measure.run(
            film.id,
            compute,
            film.take_computed,
        )

    def _measure_after_line(self, film: OpenFilm, msec: int) -> None:
        """Measure a little later, so that the line of a click is not kept waiting."""
        waiting, self._line_first = self._line_first, film
        if waiting is not None and waiting is not film:
            self._start_measuring(waiting)
        self._line_timer.start(msec)

    def _measure_waiting(self) -> None:
        film, self._line_first = self._line_first, None
        if film is not None and film in self.state.films:
            self._start_measuring(film)

    def _follow(self, film: OpenFilm, marks: ReviewMarks, canal: str) -> bool:
        """Trace a canal before it is measured; False when its line is there or not wanted."""
        if not self.preferences.live_tracing and film.marks is not marks:
            return False
        traced = marks_edits.canal_of(marks, canal)
        if traced is None or len(traced.clicks_px) < 2:
            return False
        radiograph, calibration = film.radiograph, film.calibration
        clicks = traced.clicks_px
        asked = (film.id, canal, clicks, marks.film_kind, marks.settings, id(calibration))
        shown = film.preview is not None and film.preview_canal == canal
        if asked == self._followed and (shown or self._live.busy):
            return not shown
        self._followed = asked

        def show(result: Any) -> None:
            if result is not None and self._is_wanted(film, canal):
                film.set_preview(canal, result)
            if self._line_first is film:
                self._line_timer.start(_AFTER_FRAME_MS)

        self._live.run(
            "live",
            lambda progress: measuring.preview(radiograph, marks, clicks, calibration),
            show,
        )
        return True

    # Proposals.

    def propose(self, film: OpenFilm, seed_px: PointPx | None = None) -> None:
        """Look for filled canals on the whole film, or at one click, off the GUI thread.

        What is found goes to that film and that picture alone: it is dropped when the film was
        closed or its grey levels were turned meanwhile.
        """
        if film.changed_image is not None or not film.marks.film_kind.filled:
            self.state.tell("Canals are proposed on post-operative and recall films.", "warning")
            return
        if self.state.film is film and not _is_begun(film, self.state.pointing):
            self.state.point_for(Pointing())
        radiograph, calibration = film.radiograph, film.calibration
        take = self._take_proposals if seed_px is None else self._take_at_click
        self._search.run(
            film.id,
            lambda progress: measuring.propose(radiograph, calibration, seed_px),
            partial(take, film),
            self.state.refuse,
            word="looking for filled canals",
        )

    def _on_fill_clicked(self, point_px: PointPx) -> None:
        if self.state.film is not None:
            self.propose(self.state.film, point_px)

    def _take_proposals(self, film: OpenFilm, found: Proposals) -> None:
        film.take_proposals(found)
        if film is not self.state.film:
            return
        self.state.tell(_found_text(len(film.offered), len(found.canals)))
        if self.state.step is Step.CANALS and not film.offered and not film.marks.canals:
            self.state.begin_canal()

    def _take_at_click(self, film: OpenFilm, found: Proposals) -> None:
        at_click = film.take_proposals_at_click(found)
        if film is not self.state.film:
            return
        offered = [p for p in at_click if p in film.offered]
        if offered:
            self.state.choose_proposal(offered[0])
            self.state.tell(f"Proposed: {film.number_of(offered[0])}. Accept it, or drag a point.")
        elif at_click:
            self.state.tell(f"Canal {film.canal_at(at_click[0])} is marked there already.")
        else:
            why = f": {found.declined[0].reason}" if found.declined else ""
            self.state.tell(f"No fill is proposed at this click{why}.", "warning")

    def tell_busy(self, job: Background, word: str) -> None:
        """Words of one kind of long work; another kind may still run."""
        self._busy[job] = word
        self.busy_changed.emit(word or next(filter(None, self._busy.values()), ""))

    def _on_file_clicked(self, click_px: PointPx) -> None:
        """Look for the file at a click, off the GUI thread, and offer it to the reader."""
        film = self.state.film
        if film is None:
            return
        radiograph = film.radiograph
        length_mm = self.preferences.file_length_mm or 0.0

        def show(found: FoundFile) -> None:
            if film in self.state.films and film.radiograph is radiograph:
                film.offer_file(OfferedFile(found=found, length_mm=length_mm))
                if film is self.state.film and self.state.pointing.purpose is Purpose.FILE:
                    self.state.point_for(Pointing())

        self._files.run(
            "file at a click",
            lambda progress: measuring.find_file(radiograph, click_px, length_mm),
            show,
            self.state.refuse,
            word="looking for the file",
        )

    def cancel(self) -> None:
        """Stop the long work that runs."""
        self._files.cancel()
        self._search.cancel()
        self.recall.cancel()
        self.archive.cancel()
        self.course.cancel()
        self.state.tell("Stopped.")

    @property
    def edited(self) -> OpenFilm | SeriesState | FilledForm | None:
        """What undo acts on: the film in front, or what the step edits beside it."""
        film = self.state.film
        if self.recall.is_shown:
            return self.state.series
        return (self.state.course.form_of(film) if self.course.is_shown else None) or film

    def undo(self) -> None:
        """Take back the last edit of what the step in front edits."""
        edited = self.edited
        if edited is not None and edited.undo_label:
            self.state.tell(f"Undone: {edited.undo_label}.")
            edited.undo()

    def redo(self) -> None:
        """Do again what was taken back."""
        edited = self.edited
        if edited is not None and edited.redo_label:
            self.state.tell(f"Done again: {edited.redo_label}.")
            edited.redo()

    # Drawing.

    def arrange(self) -> None:
        """Lay the films side by side, each in its own scale; millimetres only if all have them."""
        films = [f for f in self.recall.films_in_picture() if f.id in self.layers]
        for layers in self.layers.values():
            layers.see(layers.film in films)
        scales = {f.id: _mm_scale(f) for f in films}
        millimetres = bool(films) and all(scales.values())
        front = self.layers.get(self.state.film.id) if self.state.film else None
        camera = self.viewer.scene.camera
        centre = front.to_px(camera.center) if front is not None else None
        zoom_px = camera.zoom * front.place.scale[1] if front is not None else None
        offset = 0.0
        moved = False
        for film in films:
            layers = self.layers[film.id]
            scale = scales[film.id] if millimetres else (film.radiograph.pixel_aspect, 1.0)
            assert scale is not None
            place = FilmPlace(
                scale=scale, unit="mm" if millimetres else "pixel", offset=(0.0, offset)
            )
            moved = moved or place != layers.place
            layers.put(place)
            offset += film.radiograph.shape[1] * scale[1] * (1.0 + FILM_GAP)
        bar = self.viewer.canvas.overlays.scale_bar
        bar.visible = millimetres
        if moved and front is not None and centre is not None and zoom_px is not None:
            camera.center = (0.0, *front.to_world(centre))
            camera.zoom = zoom_px / front.place.scale[1]
            self.touch_all()

    def _touch(self, film: OpenFilm, msec: int = 0) -> None:
        self._dirty.add(film.id)
        self._drawing_timer.start(msec)

    def touch_all(self) -> None:
        """Draw every film anew, once what happens now is done."""
        self._dirty.update(self.layers)
        self._drawing_timer.start(0)

    def _draw_dirty(self) -> None:
        dirty, self._dirty = self._dirty, set()
        for film_id in dirty:
            layers = self.layers.get(film_id)
            if layers is None or layers.image not in self.viewer.layers or not layers.seen:
                continue
            if self.recall.is_shown:
                layers.draw(self.recall.draw(layers.film), self.viewer.scene.camera.zoom)
                continue
            front = InFront()
            state = self.state
            if layers.film is state.film:
                here = state.step is Step.CANALS
                front = InFront(
                    proposal=state.proposal if here else None,
                    declined=here and state.shows_declined,
                    canal=state.canal or state.pointing.canal or None,
                    handle=state.handle,
                    place_px=state.place_px,
                    gap=state.gap,
                )
            layers.draw(draw_film(layers.film, front, self.numbers), self.viewer.scene.camera.zoom)

    def _on_zoom(self, _: object = None) -> None:
        self._zoom_timer.start()

    def _follow_zoom(self) -> None:
        for layers in self.layers.values():
            layers.follow_zoom(self.viewer.scene.camera.zoom)

    def show_film(self) -> None:
        """Show all films whole, or those of the pair."""
        if self.recall.is_shown:
            self.recall.fit()
            return
        self.viewer.reset_view()

    def show_canal(self) -> None:
        """Show the canal in front as large as the picture allows."""
        film = self.state.film
        measured = film.measured(self.state.canal) if film is not None else None
        if film is None or measured is None:
            return
        self._show_box(film, measured.centre_line.points_px)

    def show_gap(self, index: int) -> None:
        """Go to a void of the canal in front."""
        film = self.state.film
        measured = film.measured(self.state.canal) if film is not None else None
        if film is None or measured is None or not 0 <= index < len(measured.gaps):
            return
        self.state.choose_gap(index)
        layers = self.layers[film.id]
        camera = self.viewer.scene.camera
        camera.center = (0.0, *layers.to_world(measured.gaps[index].centre_px))

    def _show_box(self, film: OpenFilm, points_px: Any) -> None:
        layers = self.layers[film.id]
        corners = [layers.to_world(p) for p in points_px]
        rows, cols = [c[0] for c in corners], [c[1] for c in corners]
        camera = self.viewer.scene.camera
        height, width = max(rows) - min(rows), max(cols) - min(cols)
        camera.center = (0.0, (max(rows) + min(rows)) / 2, (max(cols) + min(cols)) / 2)
        canvas = self.viewer.canvas.size
        camera.zoom = 0.8 * min(
            canvas[0] / max(height, 1e-9), canvas[1] / max(width, height / 3.0, 1e-9)
        )

    # Keeping.

    def _save_draft(self, film: OpenFilm | None) -> None:
        if film is None or film.autosave is None:
            return
        autosave = film.autosave
        if not film.has_unkept_work and film.kept is not None:
            self.in_order_of_drafts(autosave.drop)
            return
        if not film.undo_label and not film.restored:
            return
        draft = film.draft(canal=self.state.canal or "", step=self.state.step)
        self.in_order_of_drafts(
            lambda: autosave.write(draft), take_over=partial(self.take_over_draft, film)
        )

    def in_order_of_drafts(
        self,
        work: Callable[[], Any],
        then: Callable[[Any], object] = lambda _: None,
        *,
        take_over: Callable[[], object] = lambda: None,
    ) -> None:
        """Read, write or drop a draft after all that came before; none is left out.

        ``take_over`` is offered where another window changed the draft.
        """

        def refused(error: RxMeasureError) -> None:
            way_out = ("Go on here", take_over)
            self.state.tell(
                str(error), "refusal", way_out if isinstance(error, DraftTakenError) else None
            )

        # One on its way at most: a crash loses the last edit, not those of a slow disk.
        if self._draft_on_its_way is not None:
            wait([self._draft_on_its_way])
        self._draft_count += 1
        self._draft_on_its_way = self._drafts.run(
            str(self._draft_count), lambda progress: work(), then, refused
        )

    def take_over_draft(self, film: OpenFilm) -> None:
        """Go on with this window's work where another window changed the draft."""
        if film.autosave is not None:
            film.autosave.take_over()
            self._save_draft(film)

    def keep(self, film: OpenFilm) -> bool:
        """Write the review file beside the image; True when it was written."""
        target = review_path(film.path)
        try:
            review = current_review(film)
            self._check_on_disk(film)
            self._check_review_file(film, target)
            save_review(review, target)
        except RxMeasureError as error:
            self.state.refuse(error)
            return False
        film.review_bytes = _hash_of(target)
        self._overwrite_asked.discard(film.id)
        film.restored = ""
        film.set_kept(film.work)
        self._save_draft(film)
        self.state.tell(f"Kept: {target.name}.")
        self.written.emit([target])
        if self.preferences.report_on_keep:
            self.write_report(film)
        return True

    def export_review(self, film: OpenFilm, path: Path) -> None:
        """Write the review elsewhere."""
        try:
            save_review(current_review(film), path)
        except RxMeasureError as error:
            self.state.refuse(error)
            return
        self.state.tell(f"Written: {path}.")
        self.written.emit([path])

    def write_report(self, film: OpenFilm, *, folder: Path | None = None) -> None:
        """Write the report as HTML and PDF, off the GUI thread."""
        try:
            review = current_review(film)
            self._check_on_disk(film)
        except RxMeasureError as error:
            self.state.refuse(error)
            return
        radiograph = film.radiograph
        target = (folder or film.path.parent) / film.name
        options = self.preferences.report_options()

        def work(progress: Any) -> list[Path]:
            from rxmeasure.report.page import write_html, write_pdf

            return write_both(
                target,
                partial(write_html, review, radiograph, options=options),
                partial(write_pdf, review, radiograph, options=options),
                progress,
            )

        self._files.run(
            f"report:{film.id}",
            work,
            self.tell_written,
            self.state.refuse,
            word="writing the report",
        )

    def tell_written(self, paths: list[Path]) -> None:
        """Tell which files were written."""
        self.state.tell("Written: " + " and ".join(p.name for p in paths) + ".")
        self.written.emit(paths)

    def _check_on_disk(self, film: OpenFilm) -> None:
        """Refuse when the file is no longer the image that was measured."""
        found = hashlib.sha256(read_file(film.path)).hexdigest()
        if found != film.radiograph.source.sha256:
            raise ImageChangedError(
                found=f"{film.name} has changed on the disk since it was opened.",
                needed="the image that the marks were made on.",
                next_step="Close this film and open it again; the marks stay in its draft.",
            )

    def _check_review_file(self, film: OpenFilm, target: Path) -> None:
        """Refuse once when someone else wrote the review file meanwhile."""
        if _hash_of(target) == film.review_bytes:
            return
        if film.id in self._overwrite_asked:
            return
        self._overwrite_asked.add(film.id)
        raise ReviewFileError(
            found=f"{target.name} was written by someone else since this film was opened.",
            needed="a decision whose review is kept.",
            next_step="Keep again to write over it, or close the film and open it again.",
            overridable=True,
        )


def _is_begun(film: OpenFilm, pointing: Pointing) -> bool:
    """Whether clicks go to something that has one already."""
    if pointing.purpose is Purpose.CANAL:
        return marks_edits.canal_of(film.marks, pointing.canal) is not None
    return pointing.purpose is not Purpose.LOOK


def _found_text(offered: int, found: int) -> str:
    if not found:
        return "No filled canal is proposed. Click along the canals."
    marked = found - offered
    canals = "1 filled canal is" if offered == 1 else f"{offered or 'No'} filled canals are"
    text = f"{canals} proposed."
    return f"{text} Marked already: {marked}." if marked else text


def load_film(path: Path, inverted: bool) -> Loaded:
    """Read an image with its review and draft, all off the GUI thread.

    Raises
    ------
    RxMeasureError
        The image or its review file cannot be read.
    """
    path = image_of(path)
    radiograph = read_radiograph(path, invert=inverted)
    target = review_path(path)
    review = load_review(target) if target.exists() else None
    autosave = Autosave(FILM_DRAFTS, path, radiograph.source.sha256)
    draft = autosave.find()
    wanted = inverted
    if review is not None:
        wanted = inverted_by_user(review.polarity_reason)
    if wanted != inverted:
        radiograph = read_radiograph(path, invert=wanted)
    changed = None
    if review is not None:
        changed = _changed(review, radiograph)
    if draft is not None and changed is None and draft.image.sha256 != radiograph.source.sha256:
        changed = ImageChangedError(
            found=f"unfinished work that was made on another image than {path.name} is now.",
            needed="the unchanged image, because marks belong to its pixels.",
            next_step="Give a reason to use the marks on this image, or start anew.",
            overridable=True,
        )
    return Loaded(
        path=path,
        radiograph=radiograph,
        inverted=wanted,
        review=review,
        draft=draft,
        changed=changed,
        review_bytes=_hash_of(target),
        autosave=autosave,
    )


def _changed(review: Review, radiograph: Radiograph) -> ImageChangedError | None:
    """The refusal of a changed image, unless its reader passed over this very image before."""
    try:
        check_image(review, radiograph)
    except ImageChangedError as error:
        return error
    return None


def _hash_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else ""


def _mm_scale(film: OpenFilm) -> tuple[float, float] | None:
    """Row and column pitch in mm; None without a scale."""
    calibration = film.calibration
    if calibration is not None:
        return (calibration.row_mm, calibration.col_mm)
    waiting = film.computed.revision < 0 and not film.marks.references
    if waiting and film.radiograph.spacing is not None and film.marks.use_detector_spacing:
        spacing = film.radiograph.spacing
        return (spacing.row_mm, spacing.col_mm)
    return None


def _single_shot(parent: QObject, msec: int, slot: Any) -> QTimer:
    timer = QTimer(parent)
    timer.setSingleShot(True)
    timer.setInterval(msec)
    timer.timeout.connect(slot)
    return timer
