"""The part of the desk that acts for a series: measures, aligns, compares, shows, keeps.

The panel and the pointer ask for edits here; what core refuses is told.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QObject, QTimer

from rxmeasure.errors import RecallError, RxMeasureError
from rxmeasure.record.sidecar import SERIES_SUFFIX
from rxmeasure_napari.background import Background
from rxmeasure_napari.film_layers import FilmLayers
from rxmeasure_napari.review_state import OpenFilm, ReviewState, Step
from rxmeasure_napari.series_drafts import SeriesDrafts
from rxmeasure_napari.series_state import PairInputs, SeriesState, Tool, View, file_key

if TYPE_CHECKING:
    from rxmeasure.marks import ReviewMarks
    from rxmeasure.recall.pairs import PairAlignment, Registered
    from rxmeasure.recall.series import Series, SeriesMarks, Visit
    from rxmeasure_napari.desk import Desk
    from rxmeasure_napari.drawing import Drawing
    from rxmeasure_napari.recall_drawing import LaidOver
    from rxmeasure_napari.recall_layers import PairLayers
    from rxmeasure_napari.recall_pointer import RecallPointer


class RecallDesk(QObject):
    """Container of the series of one window.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.desk = desk
        self.viewer = desk.viewer
        self.state: ReviewState = desk.state
        self.series: SeriesState = desk.state.series
        self.pointer: RecallPointer | None = None
        # The outline of a click does not wait for an alignment.
        self._lesions = Background("lesions", self)
        self._work = Background("recall", self)
        for job in (self._lesions, self._work):
            job.progressed.connect(partial(desk.tell_busy, job))
        self._pair_layers: PairLayers | None = None
        self._asked: dict[str, object] = {}
        self._seen: tuple[object, Registered] | None = None
        self._compared: object = None
        self._wanted: set[str] = set()
        self._kept: dict[str, Visit] = {}
        self._shown: list[OpenFilm] = []
        self._drafts = SeriesDrafts(desk, self._open_visits)
        self._follow_timer = QTimer(self)
        self._follow_timer.setSingleShot(True)
        self._follow_timer.timeout.connect(self._follow)
        self._blink_timer = QTimer(self)
        self._blink_timer.timeout.connect(self.blink)

    @property
    def layers(self) -> Mapping[str, FilmLayers]:
        """Layers of each film by its id."""
        return self.desk.layers

    @property
    def is_shown(self) -> bool:
        """Whether the step is in front."""
        return self.state.step is Step.RECALL

    # Waking and resting.

    def wake(self, listen: Callable[[Any, Any], None]) -> None:
        """Follow state and series; ``listen`` connects for as long as the desk is awake."""
        for signal in (
            self.series.marks_changed,
            self.series.front_changed,
            self.series.results_changed,
            self.state.step_chosen,
            self.state.film_removed,
        ):
            listen(signal, self.follow_soon)
        listen(self.state.film_added, self._on_film_added)
        for signal in (self.series.marks_changed, self.series.kept_changed):
            listen(signal, self._drafts.save)
        for film in self.state.films:
            self._drafts.look(film)
        self.follow_soon()

    def watch(self, film: OpenFilm, listen: Callable[[Any, Any], None]) -> None:
        """Follow what is measured on a film."""
        listen(film.computed_changed, self.follow_soon)

    def rest(self) -> None:
        """Let go of viewer and mouse; all films are in the picture again."""
        self._follow_timer.stop()
        self.cancel()
        self._take_pair_away()
        self._shown = []
        for layers in self.layers.values():
            layers.see(True)

    def close(self) -> None:
        """Stop the thread."""
        self._lesions.close()
        self._work.close()

    def cancel(self) -> None:
        """Stop what runs; it begins again with the next edit, or when it is asked for."""
        self._lesions.cancel()
        self._work.cancel()

    def follow_soon(self, _: object = None) -> None:
        """Bring results and picture in line with the state, once what happens now is done."""
        self._follow_timer.start(0)

    def _follow(self) -> None:
        """Bring results and picture in line with the state."""
        if not self.is_shown:
            self._leave()
            return
        if self.pointer is None:
            from rxmeasure_napari.recall_pointer import RecallPointer

            self.pointer = RecallPointer(self)
        self._measure_lesions()
        self._propose_roots()
        self._align()
        self._compare()
        self._lay_over()
        self._show()

    def _take_pair_away(self) -> None:
        """No pointer, no blinking, and no film over another."""
        self._blink_timer.stop()
        if self.pointer is not None:
            self.pointer.detach()
            self.pointer = None
        if self._pair_layers is not None:
            self._pair_layers.remove()
        for film in self._shown:
            if film.id in self.layers:
                self.layers[film.id].image.visible = True

    def _leave(self) -> None:
        self._take_pair_away()
        if self._shown:
            self._shown = []
            self.desk.arrange()
            self.desk.touch_all()
            self.viewer.reset_view()

    # Edits.

    def edit(self, label: str, change: Callable[[SeriesMarks], SeriesMarks]) -> bool:
        """Edit the series; a refusal is told. True when it was done."""
        try:
            marks = change(self.series.marks)
        except RxMeasureError as error:
            self.state.refuse(error)
            return False
        self.series.edit(label, marks)
        return True

    # Visits.

    def add_files(self, paths: Sequence[Path]) -> None:
        """Make visits of image files; those that are not open are opened first."""
        for path in paths:
            film = self._open_film(path)
            if film is not None:
                self.add_films([film])
            else:
                self._wanted.add(file_key(path))
                self.desk.open_path(path)

    def _open_film(self, path: Path) -> OpenFilm | None:
        films = self.state.films
        return next((film for film in films if file_key(film.path) == file_key(path)), None)

    def add_films(self, films: Sequence[OpenFilm]) -> None:
        """Make visits of open films, with the dates that the films have; one edit."""
        from rxmeasure_napari import series_edits

        new = [film for film in films if self.series.number_of(film) is None]

        def add(marks: SeriesMarks) -> SeriesMarks:
            for film in new:
                date = series_edits.date_of(film.radiograph.taken, film.marks.visit)
                marks = series_edits.add_visit(marks, film.path, date)
            return marks

        if not new:
            self.state.tell("These films are visits already.")
        elif self.edit(f"add {new[0].name if len(new) == 1 else f'{len(new)} films'}", add):
            count = len(self.series.visits)
            self.series.bring(before=max(count - 1, 1), after=max(count, 2))

    def _on_film_added(self, film: OpenFilm) -> None:
        if file_key(film.path) in self._wanted:
            self._wanted.remove(file_key(film.path))
            self.add_films([film])
        self._check_kept(film)
        self._drafts.look(film)
        self.follow_soon()

    # Measuring.

    def _measure_lesions(self) -> None:
        from rxmeasure_napari import recalling, series_edits

        for number, visit in enumerate(self.series.visits, 1):
            film = self.series.film_of(number)
            if film is None or not film.is_current:
                continue
            for mark in visit.lesions:
                known = self.series.lesion(number, mark)
                if known is not None or not series_edits.is_finished(mark):
                    continue
                take = partial(self.series.take_lesion, film, film.revision, mark)
                self._run(
                    self._lesions,
                    f"lesion:{film.id}:{mark.root}",
                    (film.revision, mark),
                    recalling.lesion_of(film, mark),
                    take,
                    take,
                    word="measuring the lesion",
                )

    def _propose_roots(self) -> None:
        """Look for the roots of films on which no canal is traced; the alignment follows them."""
        from rxmeasure_napari import recalling

        for before in dict.fromkeys([self.series.front.before, *(b for b, _ in self.pairs())]):
            film = self.series.film_of(before)
            if film is None or not film.is_current or not self.series.needs_roots(film):
                continue
            self._run(
                self._work,
                f"roots:{film.id}",
                (film.radiograph, film.calibration),
                recalling.roots_of(film),
                partial(self.series.take_roots, film),
                self.state.refuse,
                word="looking for the roots",
            )

    def _align(self) -> None:
        """Align the pair in front, then the others."""
        from rxmeasure_napari import recalling

        front = self.series.front
        for before, after in dict.fromkeys([(front.before, front.after), *self.pairs()]):
            inputs = self.series.pair_inputs(before, after)
            first, second = self.series.film_of(before), self.series.film_of(after)
            if inputs is None or first is None or second is None:
                continue
            if not self._lesions_are_measured(before) or self.series.is_aligned(before, after):
                continue
            self._run(
                self._work,
                f"align:{first.id}:{second.id}",
                inputs,
                partial(_without_progress, recalling.alignment_of, inputs),
                partial(self.series.take_pair, first, second),
                self.state.refuse,
                word=f"aligning visit {after} to visit {before}",
            )

    def pairs(self) -> list[tuple[int, int]]:
        """Each visit with the one before."""
        return [(n - 1, n) for n in range(2, len(self.series.visits) + 1)]

    def _lesions_are_measured(self, number: int) -> bool:
        from rxmeasure_napari.series_edits import is_finished

        visit = self.series.visit(number)
        return visit is not None and all(
            self.series.lesion(number, mark) is not None
            for mark in visit.lesions
            if is_finished(mark)
        )

    def _compare(self) -> None:
        """Compare all visits, once every one of them is open and measured."""
        from rxmeasure_napari import recalling, series_edits

        numbers = range(1, len(self.series.visits) + 1)
        films = [film for n in numbers if (film := self.series.film_of(n)) is not None]
        marks = series_edits.finished(self.series.marks)
        inputs = (marks, tuple((film.id, film.revision) for film in films))
        if inputs == self._compared:
            return
        if len(numbers) < 2 or len(films) < len(numbers):
            self._compared = inputs
            self.series.take_series(None)
            return
        if not all(f.is_current for f in films) or not all(
            self._lesions_are_measured(n) for n in numbers
        ):
            return

        def take(series: Series | None, problem: RxMeasureError | None = None) -> None:
            self._compared = inputs
            self.series.take_series(series, problem)

        self._run(
            self._work,
            "series",
            inputs,
            recalling.comparison_of(marks, films),
            take,
            lambda error: take(None, error),
            word="comparing the visits",
        )

    @property
    def is_compared(self) -> bool:
        """Whether the results are those of the marks as they stand."""
        from rxmeasure_napari import series_edits

        numbers = range(1, len(self.series.visits) + 1)
        films = [self.series.film_of(n) for n in numbers]
        revisions = tuple((film.id, film.revision) for film in films if film is not None)
        return self._compared == (series_edits.finished(self.series.marks), revisions)

    def _run(
        self,
        job: Background,
        key: str,
        inputs: object,
        work: Callable[[Any], Any],
        take: Callable[[Any], object],
        refused: Callable[[RxMeasureError], object],
        *,
        word: str,
    ) -> None:
        """Run once for these inputs; a second request for the same is the same."""
        if self._asked.get(key) == inputs and job.is_wanted(key):
            return
        self._asked[key] = inputs
        job.run(key, work, take, lambda error: _ignored(refused(error)), word=word)

    @property
    def is_busy(self) -> bool:
        """Whether something is on its way."""
        return self._work.busy or self._lesions.busy or self._follow_timer.isActive()

    # The picture.

    def shown_visits(self) -> list[int]:
        """Numbers of the visits whose films are in the picture."""
        front, count = self.series.front, len(self.series.visits)
        if self.is_laid_over:
            return [front.before]
        return [n for n in dict.fromkeys((front.before, front.after)) if 1 <= n <= count]

    def films_in_picture(self) -> list[OpenFilm]:
        """The films to be shown side by side, in their order."""
        if not self.is_shown:
            return self.state.films
        shown = [self.series.film_of(number) for number in self.shown_visits()]
        return [film for film in shown if film is not None] or self.state.films

    @property
    def is_laid_over(self) -> bool:
        """Whether the pair in front is shown as one picture; refused pairs never are."""
        return self.series.front.view is not View.SIDE and self.registered() is not None

    def registered(self) -> Registered | None:
        """The pair in front on one grid, once it is there."""
        wanted = self._wanted_register()
        if wanted is None or self._seen is None or self._seen[0] != wanted:
            return None
        return self._seen[1]

    def _wanted_register(self) -> object:
        """What the overlay of the pair in front is made of; None where there can be none."""
        front = self.series.front
        result = self.series.pair(front.before, front.after)
        if result is None or result.found is None or result.found.refused:
            return None
        if not self.series.is_aligned(front.before, front.after):
            return None
        return (result, self.depth_root(result.found))

    def depth_root(self, found: PairAlignment) -> str:
        """The root at whose depth the films are laid over each other; empty for the plane."""
        roots = [one.name for one in found.automatic.roots] if found.automatic is not None else []
        chosen = self.series.front.root
        return chosen if chosen in roots else next(iter(roots), "")

    def _lay_over(self) -> None:
        """Bring the later film onto the earlier one, where a view wants it."""
        wanted = self._wanted_register()
        front = self.series.front
        if front.view is View.SIDE or wanted is None or self.registered() is not None:
            return
        from rxmeasure.recall.pairs import register

        result = self.series.pair(front.before, front.after)
        assert result is not None
        assert result.found is not None
        assert result.found.contrast is not None
        inputs, contrast = result.inputs, result.found.contrast
        to_first = result.found.map_at(self.depth_root(result.found))

        def take(seen: Registered) -> None:
            self._seen = (wanted, seen)
            self.follow_soon()

        self._run(
            self._work,
            "register",
            wanted,
            lambda _: register(inputs.first, inputs.second, to_first, contrast),
            take,
            self.state.refuse,
            word="laying the films over each other",
        )

    def laid_over(self) -> LaidOver | None:
        """The later visit on the earlier film; None while they are side by side."""
        from rxmeasure_napari.recall_drawing import LaidOver

        front = self.series.front
        result = self.series.pair(front.before, front.after)
        if not self.is_laid_over or result is None or result.found is None:
            return None
        return LaidOver(
            visit=front.after, to_first=result.found.map_at(self.depth_root(result.found))
        )

    def _show(self) -> None:
        shown = self.films_in_picture()
        if shown != self._shown:
            self._shown = list(shown)
            self.desk.arrange()
            self.fit()
        self._show_pair()
        self.desk.touch_all()

    def _show_pair(self) -> None:
        seen, earlier = self.registered(), self.series.film_of(self.series.front.before)
        if not self.is_laid_over or seen is None or earlier is None:
            if self._pair_layers is not None:
                self._pair_layers.remove()
            for film in self._shown:
                if film.id in self.layers:
                    self.layers[film.id].image.visible = True
            return
        if self._pair_layers is None:
            from rxmeasure_napari.recall_layers import PairLayers

            self._pair_layers = PairLayers(self.viewer)
        self._pair_layers.show(seen, self.layers[earlier.id], self.series.front)

    def owns(self, layer: object) -> bool:
        """Whether a layer is one of the pair's."""
        return self._pair_layers is not None and self._pair_layers.owns(layer)

    def fit(self) -> None:
        """Show the films of the pair whole."""
        images = [self.layers[film.id].image for film in self._shown if film.id in self.layers]
        if images:
            self.viewer.reset_view(layers=images)

    def draw(self, film: OpenFilm) -> Drawing:
        """What is drawn on a film of the series."""
        from rxmeasure_napari.drawing import Drawing
        from rxmeasure_napari.recall_drawing import draw_visit

        number = self.series.number_of(film)
        if number is None:
            return Drawing()
        over = self.laid_over() if number == self.series.front.before else None
        return draw_visit(self.series, number, self.desk.numbers, over)

    # Views.

    def blink(self) -> None:
        """Change from one film to the other."""
        if self.series.front.view is not View.BLINK:
            self.series.bring(view=View.BLINK)
        self.series.bring(later_up=not self.series.front.later_up)

    def blink_by_itself(self, per_second: float) -> None:
        """Change so many times a second; 0 stops."""
        if per_second > 0.0:
            self._blink_timer.start(round(1000.0 / per_second))
        else:
            self._blink_timer.stop()

    @property
    def blinks_by_itself(self) -> bool:
        """Whether the films change by themselves."""
        return self._blink_timer.isActive()

    def show_view(self, view: View) -> None:
        """Show the pair in another way."""
        if view is not View.BLINK:
            self._blink_timer.stop()
        self.series.bring(view=view, tool=Tool.LOOK if view is not View.SIDE else self._tool)

    @property
    def _tool(self) -> Tool:
        return self.series.front.tool

    def take_tool(self, tool: Tool) -> None:
        """Say what a click on a visit's film means; that takes both films side by side."""
        self._blink_timer.stop()
        view = self.series.front.view if tool is Tool.LOOK else View.SIDE
        self.series.bring(tool=tool, view=view, handle=None)

    # Keeping.

    def default_path(self) -> Path | None:
        """Where the series is kept when nothing else is said."""
        if self.series.path is not None or self.series.is_empty:
            return self.series.path
        first = Path(self.series.visits[0].image)
        return first.with_name(first.stem + SERIES_SUFFIX)

    def keep(self, path: Path | None = None) -> bool:
        """Write the series file, whole or not at all; True when it was written."""
        from rxmeasure.record.series_file import save_series
        from rxmeasure_napari.recalling import with_images

        target = path or self.default_path()
        try:
            series = self.current_series()
            assert target is not None
            _refuse_foreign(target, self.series.path if path is None else path)
            named = with_images(series.marks, lambda image: _beside(image, target.parent))
            save_series(replace(series, marks=named), target)
        except RxMeasureError as error:
            self.state.refuse(error)
            return False
        self.series.set_kept(target)
        self.state.tell(f"Kept: {target.name}.")
        self.desk.written.emit([target])
        return True

    def current_series(self) -> Series:
        """The results of the marks as they stand.

        Raises
        ------
        RxMeasureError
            There are none, or not yet.
        """
        if self.series.problem is not None and self.is_compared:
            raise self.series.problem
        if self.series.series is None or not self.is_compared:
            raise RecallError(
                found="visits that are not compared yet."
                if len(self.series.visits) > 1
                else f"{len(self.series.visits)} visits.",
                needed="two visits or more, each with its film open and measured.",
                next_step="Wait until the comparison is done, or add a visit.",
            )
        return self.series.series

    def open(self, path: Path) -> None:
        """Open a series file and the films of its visits."""
        from rxmeasure.record.series_file import load_series

        def work(progress: Callable[[str], None]) -> Series:
            return load_series(path)

        def take(series: Series) -> None:
            from rxmeasure_napari.recalling import with_images

            marks = with_images(
                series.marks, lambda image: Path(os.path.normpath(path.parent / image)).resolve()
            )
            self._kept = {
                file_key(visit.image): kept
                for visit, kept in zip(marks.visits, series.visits, strict=True)
            }
            self.series.begin(marks, path)
            self.state.choose_step(Step.RECALL)
            self._open_visits()

        self._work.run(f"open:{path}", work, take, self.state.refuse, word=f"opening {path.name}")

    def _open_visits(self) -> None:
        """Open the films of the visits that are not open."""
        for visit in self.series.visits:
            film = self._open_film(Path(visit.image))
            if film is None:
                self.desk.open_path(Path(visit.image))
            else:
                self._check_kept(film)

    def _check_kept(self, film: OpenFilm) -> None:
        """Tell when a film is not that of the series; a film without marks takes those kept."""
        kept = self._kept.pop(file_key(film.path), None)
        if kept is None:
            return
        if kept.image.sha256 != film.radiograph.source.sha256:
            self.state.tell(
                f"{film.name} is no longer the image that was compared: look at every mark.",
                "warning",
            )
        elif film.kept is None and not film.undo_label and _says_more(kept.film_marks, film):
            film.edit("marks of the series", kept.film_marks)

    def write_page(self) -> None:
        """Write the page of the series as HTML and PDF beside its file, off the GUI thread."""
        try:
            series = self.current_series()
        except RxMeasureError as error:
            self.state.refuse(error)
            return
        base = self.default_path()
        assert base is not None
        target = base.with_name(base.name.removesuffix(SERIES_SUFFIX))
        films = [
            film.radiograph
            for n in range(1, len(self.series.visits) + 1)
            if (film := self.series.film_of(n)) is not None
        ]
        numbers = self.desk.numbers

        def work(progress: Callable[[str], None]) -> list[Path]:
            from rxmeasure.report.series_page import write_series_pages

            paths = [target.with_name(target.name + suffix) for suffix in (".html", ".pdf")]
            write_series_pages(series, films, *paths, numbers=numbers)
            return paths

        self._work.run(
            "page", work, self.desk.tell_written, self.state.refuse, word="writing the page"
        )


def _beside(image: Path, folder: Path) -> Path:
    """An image as named from a folder; its whole path where it does not lie beneath it."""
    try:
        return image.resolve().relative_to(folder.resolve())
    except ValueError:
        return image.resolve()


def _refuse_foreign(target: Path, known: Path | None) -> None:
    """Refuse to write over a series file that this window neither opened nor kept."""
    if target != known and target.exists():
        raise RecallError(
            found=f"{target.name} is there already, and is not the series of this window.",
            needed="a name that is free, or your word that it may be written over.",
            next_step="Choose 'Keep as', and the same name to write over it.",
        )


def _says_more(kept: ReviewMarks, film: OpenFilm) -> bool:
    return bool(kept.canals or kept.references) and not film.marks.canals


def _without_progress(work: Callable[[Any], Any], inputs: PairInputs, _: object) -> Any:
    return work(inputs)


def _ignored(_: object) -> None:
    return None
