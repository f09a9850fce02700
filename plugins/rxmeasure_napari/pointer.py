"""The pointer on the picture: clicks, drags and hovering become edits of the state.

Uses napari's public mouse callbacks. A click is a press and release in one
place; a press on a point takes hold of it, and the camera stays still.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import TYPE_CHECKING, Any

import numpy as np

from rxmeasure.errors import RxMeasureError
from rxmeasure.geometry import foot_on_polyline
from rxmeasure.marks import PointPx, ReviewMarks
from rxmeasure_napari import layer_style as style
from rxmeasure_napari import marks_edits
from rxmeasure_napari.film_layers import FilmLayers
from rxmeasure_napari.review_state import (
    Handle,
    OpenFilm,
    Pointing,
    Purpose,
    ReviewState,
    Step,
    handles_of,
    moved,
    proposal_handles,
    taken_up,
    without,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

#: One key press moves a point so far (pixels of the film).
NUDGE_PX = 0.5

#: What napari runs from the press of a button to its release, once for each move.
Held = Generator[None, None, None]


class ViewerMouse:
    """Takes the mouse of one viewer; subclasses say what moving and pressing mean."""

    def __init__(self, viewer: Any) -> None:
        self._viewer = viewer
        self._holding = False
        self._callbacks: list[tuple[list[Any], Any]] = [
            (viewer.mouse_move_callbacks, self._on_move),
            (viewer.mouse_drag_callbacks, self._on_press),
        ]
        for callbacks, callback in self._callbacks:
            callbacks.append(callback)

    def _on_move(self, viewer: Any, event: Any) -> None:
        raise NotImplementedError

    def _on_press(self, viewer: Any, event: Any) -> Held | None:
        raise NotImplementedError

    def detach(self) -> None:
        """Leave the viewer's mouse alone."""
        for callbacks, callback in self._callbacks:
            if callback in callbacks:
                callbacks.remove(callback)
        self._hold_camera(False)

    def _hold_camera(self, hold: bool) -> None:
        camera = self._viewer.scene.camera
        if camera.mouse_pan is hold:
            camera.mouse_pan = not hold

    def _reach(self, layers: FilmLayers, screen_px: float) -> float:
        return screen_px * layers.image_px_per_screen_px(self._viewer.scene.camera.zoom)

    def _if_still(self, event: Any, act: Callable[[], None]) -> Held:
        """Wait for the release, and act when the pointer is still where it was pressed."""
        start = np.array(event.pos)
        yield
        while event.type == "mouse_move":
            yield
        if is_still(start, event):
            act()


class Pointer(ViewerMouse):
    """Mouse and point keys of one viewer.

    Parameters
    ----------
    viewer : napari viewer
    state : ReviewState
    layers : mapping
        Layers of each film by its id.
    finish : callable
        Called when the reader says that a line is whole.
    follow : callable
        Called with marks in which the pointer is the last click, for a live line.
    """

    def __init__(
        self,
        viewer: Any,
        state: ReviewState,
        layers: Mapping[str, FilmLayers],
        *,
        finish: Callable[[], None],
        follow: Callable[[OpenFilm, ReviewMarks, str], object],
    ) -> None:
        super().__init__(viewer)
        self._state = state
        self._layers = layers
        self._finish = finish
        self._follow = follow

    # What lies under the pointer.

    def _film_at(self, world: Any) -> FilmLayers | None:
        """The film in front when the pointer is on it, else any other film there."""
        front = self._front()
        order = [front] if front is not None else []
        order += [one for one in self._layers.values() if one is not front]
        return next((one for one in order if one.contains(one.to_px(world))), None)

    def _front(self) -> FilmLayers | None:
        film = self._state.film
        return self._layers.get(film.id) if film is not None else None

    def _handle_at(self, layers: FilmLayers, point_px: PointPx) -> Handle | None:
        handles = self._within_reach(layers.film)
        if not handles:
            return None
        where = np.array([h.point_px for h in handles])
        distance = np.hypot(*(where - np.array(point_px)).T)
        nearest = int(np.argmin(distance))
        reach = self._reach(layers, style.GRAB_PX)
        return handles[nearest] if distance[nearest] <= reach else None

    def _within_reach(self, film: OpenFilm) -> list[Handle]:
        """Points that can be taken hold of: those of the line being clicked, else those shown."""
        pointing = self._state.pointing
        if pointing.purpose is Purpose.CANAL:
            return [h for h in handles_of(film.marks) if h.canal == pointing.canal]
        if pointing.purpose is Purpose.REFERENCE:
            return [h for h in handles_of(film.marks) if h.reference == pointing.reference]
        shown = handles_of(film.marks, self._state.canal)
        if self._state.step is Step.CANALS and pointing.purpose is Purpose.LOOK:
            shown += proposal_handles(film)
        return (film.offered_file.handles if film.offered_file is not None else []) + shown

    def _canal_at(self, layers: FilmLayers, point_px: PointPx) -> tuple[str, float] | None:
        """Name of the canal whose line is near, and the place on it."""
        review = layers.film.review
        found = []
        for canal in review.canals if review is not None else ():
            s, distance = foot_on_polyline(canal.centre_line.points_px, point_px)
            found.append((distance, canal.name, s))
        if not found or min(found)[0] > self._reach(layers, style.NEAR_LINE_PX):
            return None
        _, name, s = min(found)
        return name, s

    # Moving.

    def _on_move(self, viewer: Any, event: Any) -> None:
        layers = self._front()
        if layers is None or self._holding or self._state.step is Step.RECALL:
            return
        point = layers.to_px(event.position)
        if not layers.contains(point):
            self._hold_camera(False)
            return
        self._hold_camera(self._handle_at(layers, point) is not None)
        pointing = self._state.pointing
        canal = marks_edits.canal_of(layers.film.marks, pointing.canal)
        if pointing.purpose is Purpose.CANAL and canal is not None and canal.clicks_px:
            marks = marks_edits.add_click(layers.film.marks, canal.name, point)
            self._follow(layers.film, marks, canal.name)
        elif pointing.purpose is Purpose.LOOK and self._state.step in (Step.FILL, Step.VERDICT):
            near = self._canal_at(layers, point)
            here = near is not None and near[0] == self._state.canal
            self._state.hover_place(near[1] if near is not None and here else None)

    # Pressing.

    def _on_press(self, viewer: Any, event: Any) -> Held | None:
        if self._state.step is Step.RECALL:
            return None
        if event.button == 2:
            return self._if_still(event, self._finish_line)
        if event.button != 1:
            return None
        layers = self._film_at(event.position)
        if layers is None:
            return None
        if layers is not self._front():
            return self._if_still(event, lambda: self._state.choose_film(layers.film))
        handle = self._handle_at(layers, layers.to_px(event.position))
        if handle is not None:
            return self._drag(layers, handle, event)
        point = layers.to_px(event.position)
        return self._if_still(event, lambda: self._click(layers, point))

    def _finish_line(self) -> None:
        if self._state.pointing.purpose is not Purpose.LOOK:
            self._finish()

    def _click(self, layers: FilmLayers, point: PointPx) -> None:
        self._state.choose_handle(None)
        if self._state.pointing.purpose is not Purpose.LOOK:
            self._state.place_point(point)
        else:
            self._look_at(layers, point)

    def _look_at(self, layers: FilmLayers, point: PointPx) -> None:
        """A click that places nothing: choose what lies there, or add a point to the line."""
        near = self._canal_at(layers, point)
        if near is None:
            self._choose_proposal_at(layers, point)
            return
        name, s = near
        if name != self._state.canal:
            self._state.choose_canal(name)
            return
        measured = layers.film.measured(name)
        if self._state.step is Step.CANALS and measured is not None:
            line = measured.centre_line.points_px
            self._state.try_edit(
                f"point on canal {name}",
                lambda m: marks_edits.insert_click(m, name, point, line),
            )
            return
        if measured is None:
            return
        for k, gap in enumerate(measured.gaps):
            if abs(foot_on_polyline(measured.centre_line.points_px, gap.centre_px)[0] - s) <= max(
                gap.length.value_px, self._reach(layers, style.NEAR_LINE_PX)
            ):
                self._state.choose_gap(k)
                return

    def _choose_proposal_at(self, layers: FilmLayers, point: PointPx) -> None:
        if self._state.step is not Step.CANALS:
            return
        reach = self._reach(layers, style.NEAR_LINE_PX)
        for proposal in layers.film.offered:
            if foot_on_polyline(proposal.clicks_px, point)[1] <= reach:
                self._state.choose_proposal(proposal)
                return

    def _drag(self, layers: FilmLayers, handle: Handle, event: Any) -> Held:
        film, state = layers.film, self._state
        state.choose_handle(handle)
        if handle.proposal is not None:
            state.choose_proposal(handle.proposal)
        self._holding = True
        self._hold_camera(True)
        offset = np.array(handle.point_px) - np.array(layers.to_px(event.position))
        start = np.array(event.pos)
        try:
            yield
            while event.type == "mouse_move":
                if not is_still(start, event):
                    marks, canal = _with_moved(film, handle, self._target(layers, event, offset))
                    film.set_provisional(marks)
                    if canal:
                        self._follow(film, marks, canal)
                yield
            if not is_still(start, event):
                self._move(film, handle, self._target(layers, event, offset))
        except RxMeasureError as error:
            state.refuse(error)
        finally:
            film.set_provisional(None)
            if film.is_current:
                film.set_preview("", None)
            self._holding = False
            self._hold_camera(False)

    def _move(self, film: OpenFilm, handle: Handle, point_px: PointPx) -> None:
        """Move a point for good; to move one that was offered accepts what it belongs to."""
        if handle.kind != "offered":
            self._state.change_point(
                film, f"move {_word(handle)}", handle, lambda m, h: moved(m, h, point_px)
            )
            return
        try:
            film.accept_file({handle.index: point_px})
        except RxMeasureError as error:
            self._state.refuse(error)

    def _target(self, layers: FilmLayers, event: Any, offset: Any) -> PointPx:
        """Where the held point goes: never off the film."""
        rows, cols = layers.film.radiograph.shape
        row, col = np.clip(np.array(layers.to_px(event.position)) + offset, 0, (rows - 1, cols - 1))
        return (float(row), float(col))

    # Keys.

    def nudge(self, rows: float, cols: float) -> None:
        """Move the chosen point by so many steps."""
        state = self._state
        handle, film = state.handle, state.film
        if handle is None or film is None:
            return
        height, width = film.radiograph.shape
        row = min(max(handle.point_px[0] + rows * NUDGE_PX, 0.0), height - 1.0)
        col = min(max(handle.point_px[1] + cols * NUDGE_PX, 0.0), width - 1.0)
        self._move(film, handle, (row, col))

    def remove(self) -> None:
        """Take the chosen point out; without one, the last click of the line being traced."""
        state = self._state
        handle, film = state.handle, state.film
        if film is None:
            return
        if handle is None:
            handle = self._last_click(film, state.pointing)
        if handle is not None and handle.kind == "offered":
            state.choose_handle(None)
            film.offer_file(None)
        elif handle is not None:
            state.choose_handle(None)
            state.change_point(film, f"take {_word(handle)} out", handle, without)

    def _last_click(self, film: OpenFilm, pointing: Pointing) -> Handle | None:
        own = [
            h
            for h in handles_of(film.marks)
            if (pointing.purpose is Purpose.CANAL and h.kind == "click")
            and h.canal == pointing.canal
            or (pointing.purpose is Purpose.REFERENCE and h.reference == pointing.reference >= 0)
        ]
        return own[-1] if own else None

    def next_point(self, by: int = 1) -> None:
        """Choose the next point of the canal in front."""
        film = self._state.film
        handles = handles_of(film.marks, self._state.canal) if film is not None else []
        if handles:
            here = next((k for k, h in enumerate(handles) if h.same_as(self._state.handle)), -1)
            self._state.choose_handle(handles[(here + by) % len(handles)])

    def let_go(self) -> None:
        """Stop clicking, or let a chosen point go."""
        if self._state.handle is not None:
            self._state.choose_handle(None)
        else:
            self._state.point_for(Pointing())


def is_still(start: Any, event: Any) -> bool:
    """Whether the pointer is where it was pressed, within the shake of a hand (4 screen px)."""
    return bool(np.hypot(*(np.array(event.pos) - start)) <= 4.0)


def _with_moved(film: OpenFilm, handle: Handle, point_px: PointPx) -> tuple[ReviewMarks, str]:
    """Marks of a film with that point elsewhere, and its canal; what was offered is one of them."""
    if handle.kind == "offered" and film.offered_file is not None:
        offered = film.offered_file
        place = {handle.index: point_px}
        return marks_edits.accept_file(film.marks, offered.found, offered.length_mm, place), ""
    marks, held = taken_up(film.marks, handle)
    return moved(marks, held, point_px), held.canal


def _word(handle: Handle) -> str:
    if handle.kind == "reference":
        return "point of the known length"
    if handle.proposal is not None:
        return f"point {handle.index + 1} of proposal {handle.number}"
    if handle.kind == "click":
        return f"point {handle.index + 1} of canal {handle.canal}"
    return f"{marks_edits.LANDMARKS[handle.landmark]} of canal {handle.canal}"
