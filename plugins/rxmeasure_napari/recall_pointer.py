"""The pointer on the films of a series: clicks, drags and the brush become edits of the series."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import PointPx
from rxmeasure.recall.brush import brushed
from rxmeasure.recall.series import LesionMark, SeriesMarks
from rxmeasure_napari import layer_style as style
from rxmeasure_napari import series_edits
from rxmeasure_napari.film_layers import FilmLayers
from rxmeasure_napari.pointer import NUDGE_PX, Held, ViewerMouse, is_still
from rxmeasure_napari.series_state import (
    SeriesHandle,
    Tool,
    View,
    handles_of,
    landmark_handles,
)

if TYPE_CHECKING:
    from rxmeasure_napari.recall_desk import RecallDesk

#: The divider is taken hold of this near (screen pixels).
_DIVIDER_PX = 12.0
#: One key press moves the divider by this share of the film's width.
_DIVIDER_STEP = 0.02


class RecallPointer(ViewerMouse):
    """Mouse and point keys of one viewer while the step 'recall' is in front."""

    def __init__(self, recall: RecallDesk) -> None:
        super().__init__(recall.viewer)
        self._recall = recall
        self._series = recall.series

    # What lies under the pointer.

    def _visit_at(self, world: Any) -> tuple[int, FilmLayers] | None:
        """The visit whose film lies there, and its layers."""
        for number in self._recall.shown_visits():
            film = self._series.film_of(number)
            layers = self._recall.layers.get(film.id) if film is not None else None
            if layers is not None and layers.contains(layers.to_px(world)):
                return number, layers
        return None

    def _handle_at(self, number: int, layers: FilmLayers, point_px: PointPx) -> SeriesHandle | None:
        front = self._series.front
        if self._recall.is_laid_over or front.tool in (Tool.PAINT, Tool.ERASE):
            return None
        known = handles_of(self._series.marks)
        known += landmark_handles(self._series.pair_marks(front.before, front.after))
        handles = [h for h in known if h.visit == number and h.root in ("", front.root)]
        if not handles:
            return None
        away = np.hypot(*(np.array([h.point_px for h in handles]) - np.array(point_px)).T)
        nearest = int(np.argmin(away))
        return handles[nearest] if away[nearest] <= self._reach(layers, style.GRAB_PX) else None

    def _on_divider(self, layers: FilmLayers, point_px: PointPx) -> bool:
        front = self._series.front
        if front.view is not View.SWIPE or not self._recall.is_laid_over:
            return False
        col = front.divider * layers.film.radiograph.shape[1] - 0.5
        return abs(point_px[1] - col) <= self._reach(layers, _DIVIDER_PX)

    # Moving and pressing.

    def _on_move(self, viewer: Any, event: Any) -> None:
        there = self._visit_at(event.position)
        if self._holding:
            return
        if there is None:
            self._hold_camera(False)
            return
        number, layers = there
        point = layers.to_px(event.position)
        paints = self._series.front.tool in (Tool.PAINT, Tool.ERASE)
        held = self._handle_at(number, layers, point) is not None
        self._hold_camera(paints or held or self._on_divider(layers, point))

    def _on_press(self, viewer: Any, event: Any) -> Held | None:
        if event.button == 2:
            return self._if_still(event, self.finish)
        there = self._visit_at(event.position)
        if event.button != 1 or there is None:
            return None
        number, layers = there
        point = layers.to_px(event.position)
        if self._on_divider(layers, point):
            return self._drag(event, self._divider_to(layers))
        if self._recall.is_laid_over:
            return None
        if self._series.front.tool in (Tool.PAINT, Tool.ERASE):
            return self._stroke(number, layers, event)
        handle = self._handle_at(number, layers, point)
        if handle is not None:
            return self._drag_point(layers, handle, event)
        return self._if_still(event, lambda: self._place(number, point))

    def _place(self, number: int, point_px: PointPx) -> None:
        """Do what a click on that visit's film means."""
        front, recall = self._series.front, self._recall
        self._series.bring(handle=None, visit=number)
        if front.tool is Tool.SEED:
            mark = LesionMark(root=front.root, seed_px=point_px)
            recall.edit(
                f"lesion {front.root} at visit {number}",
                lambda m: series_edits.set_finding(m, number, mark),
            )
            self._end_when_all_marked()
        elif front.tool is Tool.OUTLINE:
            recall.edit(
                f"outline {front.root} at visit {number}",
                lambda m: series_edits.add_outline_point(m, number, front.root, point_px),
            )
        elif front.tool is Tool.LANDMARK:
            recall.edit(
                f"point in visit {number}",
                lambda m: series_edits.add_landmark(m, front.before, front.after, number, point_px),
            )
        else:
            self._choose_lesion_at(number, point_px)

    def _end_when_all_marked(self) -> None:
        """A click at each visit that is shown was the last one, unless the reader asks for more."""
        root, marks = self._series.front.root, self._series.marks
        shown = self._recall.shown_visits()
        if all(series_edits.finding(marks, number, root) for number in shown):
            self._recall.take_tool(Tool.LOOK)

    def _choose_lesion_at(self, number: int, point_px: PointPx) -> None:
        from skimage.measure import points_in_poly

        visit = self._series.visit(number)
        for mark in visit.lesions if visit is not None else ():
            found = self._series.lesion(number, mark)
            outline = getattr(found, "outline_px", ()) or mark.outline_px
            if len(outline) > 2 and points_in_poly([point_px], outline)[0]:
                self._series.bring(root=mark.root)
                return

    # Dragging.

    def _drag(self, event: Any, move: Callable[[Any], None]) -> Held:
        self._holding = True
        self._hold_camera(True)
        try:
            yield
            while event.type == "mouse_move":
                move(event)
                yield
        finally:
            self._holding = False
            self._hold_camera(False)

    def _divider_to(self, layers: FilmLayers) -> Callable[[Any], None]:
        cols = layers.film.radiograph.shape[1]

        def move(event: Any) -> None:
            share = (layers.to_px(event.position)[1] + 0.5) / cols
            self._series.bring(divider=float(np.clip(share, 0.0, 1.0)))

        return move

    def _drag_point(self, layers: FilmLayers, handle: SeriesHandle, event: Any) -> Held:
        self._series.bring(handle=handle, visit=handle.visit)
        start = np.array(event.pos)
        offset = np.array(handle.point_px) - np.array(layers.to_px(event.position))
        target = handle.point_px

        def move(event: Any) -> None:
            nonlocal target
            if is_still(start, event):
                return
            there = np.array(layers.to_px(event.position)) + offset
            target = _on_film(layers, (float(there[0]), float(there[1])))
            self._provide(lambda m: self._moved(m, handle, target))

        try:
            yield from self._drag(event, move)
        finally:
            self._series.set_provisional(None)
        if target != handle.point_px:
            self._recall.edit(_word("move", handle), lambda m: self._moved(m, handle, target))

    def _moved(self, marks: SeriesMarks, handle: SeriesHandle, point_px: PointPx) -> SeriesMarks:
        front = self._series.front
        return series_edits.moved(marks, handle, point_px, (front.before, front.after))

    def _provide(self, change: Callable[[SeriesMarks], SeriesMarks]) -> None:
        """Draw marks that are on their way; what core refuses of them is told at the end."""
        try:
            self._series.set_provisional(change(self._series.marks))
        except RxMeasureError:
            self._series.set_provisional(None)

    def _stroke(self, number: int, layers: FilmLayers, event: Any) -> Held:
        """One stroke of the brush."""
        front = self._series.front
        erase = front.tool is Tool.ERASE
        stroke = [layers.to_px(event.position)]
        self._series.bring(handle=None, visit=number)

        def painted(marks: SeriesMarks) -> SeriesMarks:
            return self._painted(marks, number, layers, stroke, erase=erase)

        def move(event: Any) -> None:
            stroke.append(layers.to_px(event.position))
            self._provide(painted)

        try:
            yield from self._drag(event, move)
        finally:
            self._series.set_provisional(None)
        word = "erase" if erase else "paint"
        self._recall.edit(f"{word} lesion {front.root} at visit {number}", painted)

    def _painted(
        self,
        marks: SeriesMarks,
        number: int,
        layers: FilmLayers,
        stroke: list[PointPx],
        *,
        erase: bool,
    ) -> SeriesMarks:
        front = self._series.front
        radiograph = layers.film.radiograph
        outline = brushed(
            self._outline_before(marks, number),
            stroke,
            radius_px=front.brush_mm / brush_pitch_mm(layers),
            shape=radiograph.shape,
            pixel_aspect=radiograph.pixel_aspect,
            erase=erase,
        )
        points = tuple((float(r), float(c)) for r, c in outline)
        return series_edits.set_finding(
            marks, number, LesionMark(root=front.root, outline_px=points, painted=True)
        )

    def _outline_before(self, marks: SeriesMarks, number: int) -> tuple[PointPx, ...]:
        """The outline that the brush goes on with: drawn, or found from a click."""
        mark = series_edits.finding(marks, number, self._series.front.root)
        if mark is None:
            return ()
        found = self._series.lesion(number, mark)
        return mark.outline_px or getattr(found, "outline_px", ())

    # Keys.

    def nudge(self, rows: float, cols: float) -> None:
        """Move the chosen point by so many steps, or the divider."""
        front = self._series.front
        if front.handle is None:
            if front.view is View.SWIPE:
                share = front.divider + cols * _DIVIDER_STEP
                self._series.bring(divider=float(np.clip(share, 0.0, 1.0)))
            return
        film = self._series.film_of(front.handle.visit)
        if film is None:
            return
        row, col = front.handle.point_px
        handle = front.handle
        target = _on_film(
            self._recall.layers[film.id], (row + rows * NUDGE_PX, col + cols * NUDGE_PX)
        )
        if self._recall.edit(_word("move", handle), lambda m: self._moved(m, handle, target)):
            self._keep_hold(handle)

    def _keep_hold(self, handle: SeriesHandle) -> None:
        front = self._series.front
        known = handles_of(self._series.marks)
        known += landmark_handles(self._series.pair_marks(front.before, front.after))
        self._series.bring(handle=next((h for h in known if h.same_as(handle)), None))

    def remove(self) -> None:
        """Take the chosen point out; without one, the last point that was clicked."""
        front = self._series.front
        handle = front.handle or self._last_point()
        if handle is not None:
            pair = (front.before, front.after)
            self._series.bring(handle=None)
            self._recall.edit(
                _word("take out", handle), lambda m: series_edits.without(m, handle, pair)
            )

    def _last_point(self) -> SeriesHandle | None:
        front = self._series.front
        if front.tool is Tool.LANDMARK:
            own = landmark_handles(self._series.pair_marks(front.before, front.after))
        elif front.tool is Tool.OUTLINE:
            own = [
                h
                for h in handles_of(self._series.marks)
                if (h.kind, h.visit, h.root) == ("outline", front.visit, front.root)
            ]
        else:
            return None
        return max(own, key=lambda h: h.index, default=None)

    def next_point(self, by: int = 1) -> None:
        """Choose the next point that is shown."""
        front = self._series.front
        known = [h for h in handles_of(self._series.marks) if h.root == front.root]
        known += landmark_handles(self._series.pair_marks(front.before, front.after))
        shown = [h for h in known if h.visit in self._recall.shown_visits()]
        if shown:
            here = next((k for k, h in enumerate(shown) if h.same_as(front.handle)), -1)
            self._series.bring(handle=shown[(here + by) % len(shown)])

    def let_go(self) -> None:
        """Stop clicking, or let a chosen point go."""
        if self._series.front.handle is not None:
            self._series.bring(handle=None)
        else:
            self._recall.take_tool(Tool.LOOK)

    def finish(self) -> None:
        """The outline or the points are whole."""
        self._recall.take_tool(Tool.LOOK)


def brush_pitch_mm(layers: FilmLayers) -> float:
    """Column pitch for the brush: 0.03 mm where there is no scale (choice; never reported)."""
    calibration = layers.film.calibration
    return 0.03 if calibration is None else calibration.col_mm


def _on_film(layers: FilmLayers, point_px: PointPx) -> PointPx:
    rows, cols = layers.film.radiograph.shape
    row, col = np.clip(point_px, 0, (rows - 1, cols - 1))
    return (float(row), float(col))


def _word(verb: str, handle: SeriesHandle) -> str:
    names = {
        "seed": f"click on lesion {handle.root}",
        "outline": f"point {handle.index + 1} of outline {handle.root}",
        "landmark": f"point {handle.index + 1}",
    }
    return f"{verb} {names[handle.kind]} at visit {handle.visit}"
