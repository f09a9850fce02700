"""Keeps unkept visits on the disk, and takes them up again after a crash."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rxmeasure import __version__
from rxmeasure.radiograph import ImageSource
from rxmeasure.record.sidecar import SERIES_DRAFT_SUFFIX
from rxmeasure_napari.autosave import Autosave, is_drafted
from rxmeasure_napari.review_state import OpenFilm
from rxmeasure_napari.series_state import file_key

if TYPE_CHECKING:
    from rxmeasure.record.series_draft import SeriesDraft
    from rxmeasure_napari.desk import Desk


class SeriesDrafts:
    """The draft of a window's series, beside the film of its first visit.

    Parameters
    ----------
    desk : Desk
    open_visits : callable
        Opens the films of the visits that are not open.
    """

    def __init__(self, desk: Desk, open_visits: Callable[[], object]) -> None:
        self._desk = desk
        self._series = desk.state.series
        self._open_visits = open_visits
        self._images: dict[str, ImageSource] = {}
        self._places: dict[str, Autosave[SeriesDraft]] = {}
        self._written: Autosave[SeriesDraft] | None = None

    def look(self, film: OpenFilm) -> None:
        """Take up what a crash left of a series whose first visit this film is."""
        key, image = file_key(film.path), film.radiograph.source
        if key in self._images:
            return

        def find() -> tuple[Autosave[SeriesDraft], SeriesDraft | None] | None:
            if not is_drafted(SERIES_DRAFT_SUFFIX, film.path, image.sha256):
                return None
            place = _place(film.path, image)
            return place, place.find()

        def take(found: tuple[Autosave[SeriesDraft], SeriesDraft | None] | None) -> None:
            self._images[key] = image
            place, draft = found or (None, None)
            for warning in place.warnings if place is not None else ():
                self._desk.state.tell(warning.text, "warning")
            if place is not None and draft is not None and self._fits(draft):
                self._places[key] = place
                self._take_up(film, draft)
            self.save()

        self._desk.in_order_of_drafts(find, take)

    def save(self) -> None:
        """Write the marks as they stand; take the draft away where nothing is unkept."""
        visit = self._series.visit(1) if self._series.has_unkept_work else None
        key = "" if visit is None else file_key(visit.image)
        image = self._images.get(key)
        if visit is not None and image is not None and key not in self._places:
            self._places[key] = _place(Path(visit.image), image)
        place = self._places.get(key)
        if self._written not in (None, place):
            self._desk.in_order_of_drafts(self._written.drop)
        self._written = place
        if place is not None and image is not None:
            self._write(place, image)

    def _write(self, place: Autosave[SeriesDraft], image: ImageSource) -> None:
        from rxmeasure.record.series_draft import SeriesDraft
        from rxmeasure_napari.recalling import with_images

        draft = SeriesDraft(
            image=image,
            marks=with_images(self._series.marks, lambda image: image.resolve()),
            series_file="" if self._series.path is None else str(self._series.path.resolve()),
            saved_utc=datetime.now(UTC).isoformat(timespec="seconds"),
            software_version=__version__,
        )

        def take_over() -> None:
            place.take_over()
            self.save()

        self._desk.in_order_of_drafts(lambda: place.write(draft), take_over=take_over)

    def _fits(self, draft: SeriesDraft) -> bool:
        """Whether nothing is in the window but what the draft begins from."""
        path = self._series.path
        begun_from = path is not None and str(path.resolve()) == draft.series_file
        return self._series.is_empty or (begun_from and not self._series.has_unkept_work)

    def _take_up(self, film: OpenFilm, draft: SeriesDraft) -> None:
        state = self._desk.state
        if draft.image.sha256 != film.radiograph.source.sha256:
            text = f"{film.name} is no longer the image that was marked: look at every mark."
            state.tell(text, "warning")
        if draft.series_file and os.path.isfile(draft.series_file):
            self._series.path = Path(draft.series_file)
        self._series.edit("unfinished visits", draft.marks)
        when = datetime.fromisoformat(draft.saved_utc).astimezone()
        state.tell(f"Unfinished visits of {when:%Y-%m-%d %H:%M} were taken up; undo goes back.")
        self._open_visits()


def _place(path: Path, image: ImageSource) -> Autosave[SeriesDraft]:
    from rxmeasure.record.series_draft import SERIES_DRAFTS

    return Autosave(SERIES_DRAFTS, path, image.sha256)
