"""The dock: leads through the steps of the review, one panel for each."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import napari.viewer
from qtpy.QtCore import QEvent, QSize, Qt, QTimer
from qtpy.QtGui import QCloseEvent, QHideEvent, QKeySequence, QShortcut, QShowEvent
from qtpy.QtOpenGLWidgets import QOpenGLWidget
from qtpy.QtWidgets import (
    QButtonGroup,
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from rxmeasure_napari import look
from rxmeasure_napari.caution_bar import CautionBar
from rxmeasure_napari.desk import Desk
from rxmeasure_napari.grey_levels import window_for
from rxmeasure_napari.keys import keys_for, with_key
from rxmeasure_napari.keys_card import KeysCard
from rxmeasure_napari.review_state import OpenFilm, Step, Told
from rxmeasure_napari.series_state import SeriesState

#: Cautions that matter most at each step.
_CAUTION_TOPIC = {
    Step.PICTURE: "all",
    Step.CALIBRATE: "length",
    Step.CANALS: "length",
    Step.FILL: "density",
    Step.VERDICT: "all",
    Step.KEEP: "all",
    Step.RECALL: "lesion",
    Step.COURSE: "all",
}


#: Pause before each panel that is made ahead of its step (choice: a click comes in between).
_LATER_MS = 250


class ReviewDock(QWidget):
    """The review of root-canal films in one napari window.

    Parameters
    ----------
    viewer : napari.viewer.Viewer
    """

    def __init__(self, viewer: napari.viewer.Viewer, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("rx_dock")
        self.desk = Desk(viewer, self)
        self._viewer = viewer
        self._film: OpenFilm | None = None
        self._panels: dict[Step, QWidget] = {}
        self._later = QTimer(self)
        self._later.setSingleShot(True)
        self._later.setInterval(_LATER_MS)
        self._later.timeout.connect(self._make_next_panel)
        self._build()
        self.setStyleSheet(look.style_sheet())
        self._shortcuts = self._make_shortcuts()
        self.desk.line_finished.connect(self._finish_line)
        self.destroyed.connect(self.desk.close)
        self._listening: list[tuple[Any, Any]] = []
        self._busy_shown = False
        self._refused = False
        self._told_action: Callable[[], object] | None = None
        self.setAcceptDrops(True)

    def sizeHint(self) -> QSize:
        """Wide enough for the panels, and no wider."""
        return QSize(look.DOCK_WIDTH_PX, 640)

    # Building.

    def _build(self) -> None:
        layout = QVBoxLayout(self)
        layout.setContentsMargins(6, 4, 6, 4)
        layout.setSpacing(4)
        layout.addLayout(self._head())
        layout.addLayout(self._step_bar())
        self._stack = QStackedWidget()
        for _ in Step:
            area = QScrollArea()
            area.setWidgetResizable(True)
            area.setFrameShape(QFrame.Shape.NoFrame)
            area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
            self._stack.addWidget(area)
        self._panel(Step.PICTURE).grey_requested.connect(self._set_grey)
        layout.addWidget(self._stack, 1)
        layout.addLayout(self._told_row())
        self._cautions = CautionBar()
        self._write_cautions()
        self.desk.preferences_changed.connect(self._write_cautions)
        layout.addWidget(self._cautions)

    def _panel(self, step: Step) -> Any:
        """The panel of a step; made when it is first wanted, for some take long to import."""
        if step not in self._panels:
            panel = self._panels[step] = make_panel(step, self.desk)
            area = self._stack.widget(list(Step).index(step))
            assert isinstance(area, QScrollArea)
            area.setWidget(panel)
        return self._panels[step]

    def _make_next_panel(self) -> None:
        """Make the panels that are left one by one, while the reader looks at the picture."""
        left = [step for step in self.desk.state.steps if step not in self._panels]
        if left:
            self._panel(left[0])
        if len(left) > 1:
            self._later.start()

    def _head(self) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(4)
        self._title = look.NameLine("rx_title")
        row.addWidget(self._title, 1)
        self._unkept = QLabel("not kept")
        self._unkept.setObjectName("rx_unkept")
        self._unkept.setStyleSheet(look.told_style("warning"))
        self._unkept.setToolTip(
            with_key("Marks or verdicts are not in the review file yet", "keep")
        )
        row.addWidget(self._unkept)
        self._undo = self._small_button("Undo", "rx_undo", self.desk.undo)
        self._redo = self._small_button("Redo", "rx_redo", self.desk.redo)
        row.addWidget(self._undo)
        row.addWidget(self._redo)
        self._keys = keys = self._small_button("Keys", "rx_keys", self._show_keys)
        keys.setToolTip("All keys of the review")
        row.addWidget(keys)
        return row

    def _small_button(self, text: str, name: str, slot: Callable[[], None]) -> QToolButton:
        button = QToolButton()
        button.setText(text)
        button.setObjectName(name)
        button.setAccessibleName(text)
        button.clicked.connect(lambda: slot())
        return button

    def _step_bar(self) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(1)
        self._steps = QButtonGroup(self)
        for place, step in enumerate(Step):
            button = QPushButton(step.value.capitalize())
            button.setCheckable(True)
            button.setObjectName(f"rx_step_{step.value}")
            button.setAccessibleName(f"Step {step.value}")
            button.setToolTip(with_key(f"Go to {step.value}; next step", "next_step"))
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
            button.setMinimumWidth(10)
            button.setStyleSheet("padding: 2px 0px;")
            self._steps.addButton(button, place)
            row.addWidget(button)
        self._steps.idClicked.connect(lambda k: self.desk.state.choose_step(list(Step)[k]))
        return row

    def _told_row(self) -> QHBoxLayout:
        row = QHBoxLayout()
        self._told = QLabel("")
        self._told.setObjectName("rx_told")
        self._told.setWordWrap(True)
        self._told.setTextFormat(Qt.TextFormat.PlainText)
        self._told.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._told.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        row.addWidget(self._told, 1)
        self._action = self._small_button("", "rx_action", self._take_action)
        self._action.hide()
        row.addWidget(self._action)
        self._cancel = self._small_button("Stop", "rx_cancel", self.desk.cancel)
        self._cancel.setToolTip("Stop the work that runs")
        self._cancel.hide()
        row.addWidget(self._cancel)
        return row

    # Showing.

    def showEvent(self, event: QShowEvent) -> None:
        """The dock is seen: listen to the state and take hold of the mouse."""
        super().showEvent(event)
        if self._listening:
            return
        state = self.desk.state
        for signal, slot in (
            (state.step_chosen, self._show_step),
            (state.film_chosen, self._show_film),
            (state.told, self._show_told),
            (state.film_added, self._show_head),
            (state.series.marks_changed, self._show_head),
            (state.series.marks_changed, self._forget_refusal),
            (state.series.kept_changed, self._show_head),
            (state.course.changed, self._show_head),
            (self._viewer.layers.events.removing, self._enter_graphics),
        ):
            signal.connect(slot)
            self._listening.append((signal, slot))
        self.desk.busy_changed.connect(self._show_busy)
        self.desk.wake()
        self._bind_picture_keys()
        self._show_film(state.film)
        self._show_step(state.step)
        self._later.start()

    def hideEvent(self, event: QHideEvent) -> None:
        """The dock is closed or behind another: leave the viewer alone."""
        super().hideEvent(event)
        if not self._listening:
            return
        self._later.stop()
        for signal, slot in self._listening:
            signal.disconnect(slot)
        self._listening.clear()
        self.desk.busy_changed.disconnect(self._show_busy)
        self._leave_film()
        self._unbind_picture_keys()
        self.desk.rest()

    def _enter_graphics(self, _: object) -> None:
        """Make the picture's graphics context the current one.

        napari frees what a removed layer drew with at once, in whichever context is
        current; in another window's the next frame may crash.
        """
        picture = self.window().findChild(QOpenGLWidget)
        if picture is not None:
            picture.makeCurrent()

    def _write_cautions(self) -> None:
        self._cautions.write_with(self.desk.numbers)

    def _show_step(self, step: Step) -> None:
        self._panel(step)
        place = list(Step).index(step)
        self._stack.setCurrentIndex(place)
        self._steps.button(place).setChecked(True)
        self._cautions.show_for(_CAUTION_TOPIC[step])
        self._show_head()

    def _show_film(self, film: OpenFilm | None) -> None:
        self._leave_film()
        self._film = film
        if film is not None:
            film.marks_changed.connect(self._show_head)
            film.kept_changed.connect(self._show_head)
            film.computed_changed.connect(self._show_head)
        self._show_head()

    def _leave_film(self) -> None:
        if self._film is not None:
            self._film.marks_changed.disconnect(self._show_head)
            self._film.kept_changed.disconnect(self._show_head)
            self._film.computed_changed.disconnect(self._show_head)
        self._film = None

    def _show_head(self, _: object = None) -> None:
        film = self._film
        recall = self.desk.recall.is_shown
        edited = self.desk.edited
        if recall and not self.desk.state.series.is_empty:
            self._title.show_name(_series_title(self.desk.state.series))
            self._title.setToolTip("")
        elif film is None:
            self._title.show_name("No film open")
        else:
            tooth = f"tooth {film.marks.tooth} · " if film.marks.tooth else ""
            many = len(self.desk.state.films)
            place = f"{self.desk.state.films.index(film) + 1}/{many} · " if many > 1 else ""
            self._title.show_name(f"{place}{tooth}{film.name}")
            self._title.setToolTip(str(film.path))
        self._unkept.setVisible(edited is not None and edited.has_unkept_work)
        for button, label, name in (
            (self._undo, edited.undo_label if edited else "", "undo"),
            (self._redo, edited.redo_label if edited else "", "redo"),
        ):
            button.setEnabled(bool(label))
            button.setToolTip(with_key(f"{name.capitalize()}: {label or 'nothing'}", name))
        self._mark_steps()

    def _mark_steps(self) -> None:
        """A tick on each step that is done."""
        film = self._film
        done = dict.fromkeys(Step, False)
        if film is not None:
            done[Step.PICTURE] = bool(film.marks.tooth)
            done[Step.CALIBRATE] = film.calibration is not None
            done[Step.CANALS] = film.review is not None
            done[Step.FILL] = film.review is not None
            done[Step.VERDICT] = film.review is not None and bool(film.review.verdicts)
            done[Step.KEEP] = film.kept is not None and not film.has_unkept_work
        series = self.desk.state.series
        done[Step.RECALL] = series.kept is not None and not series.has_unkept_work
        course = self.desk.state.course.opened
        done[Step.COURSE] = course is not None and not course.tasks
        for place, step in enumerate(Step):
            tick = "✓" if done[step] else ""
            self._steps.button(place).setText(tick + step.value.capitalize())
            self._steps.button(place).setVisible(step in self.desk.state.steps)

    def _show_told(self, told: Told) -> None:
        self._busy_shown = False
        self._refused = told.kind == "refusal"
        self._told.setText(told.text)
        self._told.setStyleSheet(look.told_style(told.kind))

        self._told_action = told.action[1] if told.action else None
        self._action.setVisible(told.action is not None)
        if told.action is not None:
            self._action.setText(told.action[0])
            self._action.setAccessibleName(told.action[0])

    def _forget_refusal(self) -> None:
        """An edit of the series answers what was refused before."""
        if self._refused:
            self._refused = False
            self._told.setText("")

    def _take_action(self) -> None:
        self._action.hide()
        if self._told_action is not None:
            self._told_action()

    def _finish_line(self) -> None:
        """The step in front knows what comes after its line."""
        finish = getattr(self._panel(self.desk.state.step), "finish", None)
        if finish is not None:
            finish()

    def _show_busy(self, word: str) -> None:
        self._cancel.setVisible(bool(word))
        if self._refused and self.desk.recall.is_shown:
            return  # work that begins by itself leaves what was refused to be read
        if not word and self._busy_shown:
            self._told.setText("")
        self._busy_shown = bool(word)
        if word:
            self._told.setText(word[:1].upper() + word[1:] + " …")
            self._told.setStyleSheet(look.told_style("note"))

    def _set_grey(self, preset: str) -> None:
        film = self._film
        layers = self.desk.layers.get(film.id) if film is not None else None
        if film is not None and layers is not None:
            layers.image.contrast_limits = window_for(film.radiograph, preset)

    def _show_keys(self) -> None:
        card = KeysCard(self)
        card.show_under(self._keys)

    # Keys.

    def _make_shortcuts(self) -> list[QShortcut]:
        state, desk = self.desk.state, self.desk
        actions: dict[str, Callable[[], object]] = {
            "next_step": state.next_step,
            "previous_step": lambda: state.next_step(-1),
            "next_canal": state.next_canal,
            "previous_canal": lambda: state.next_canal(-1),
            "next_film": state.next_film,
            "previous_film": lambda: state.next_film(-1),
            "new_canal": self._new_canal,
            "propose": self._propose,
            "accept": self._accept,
            "undo": desk.undo,
            "redo": desk.redo,
            "keep": self._keep,
            "fit_film": desk.show_film,
            "fit_canal": desk.show_canal,
        }
        made = []
        for name, action in actions.items():
            shortcut = QShortcut(QKeySequence(keys_for(name)), self)
            shortcut.setContext(Qt.ShortcutContext.WindowShortcut)
            shortcut.activated.connect(lambda action=action: action())
            made.append(shortcut)
        return made

    def _new_canal(self) -> None:
        self.desk.state.choose_step(Step.CANALS)
        self.desk.state.begin_canal()

    def _propose(self) -> None:
        if self._film is not None:
            self.desk.state.choose_step(Step.CANALS)
            self.desk.propose(self._film)

    def _accept(self) -> None:
        """Accept the proposal in front, where it is seen."""
        state = self.desk.state
        if state.step is Step.CANALS and state.proposal is not None:
            state.accept([state.proposal])

    def _keep(self) -> None:
        # What is typed and not yet taken belongs to what is kept.
        commit = getattr(self._panel(self.desk.state.step), "commit", None)
        if commit is not None:
            commit()
        if self.desk.recall.is_shown:
            self.desk.recall.keep()
        elif self._film is not None:
            self.desk.keep(self._film)

    def _picture_actions(self) -> dict[str, Callable[[], None]]:
        def pointer_does(name: str, *args: float) -> Callable[[], None]:
            def do() -> None:
                if self.desk.pointer is not None:
                    getattr(self.desk.pointer, name)(*args)

            return do

        return {
            "Enter": self.desk.line_finished.emit,
            "Escape": pointer_does("let_go"),
            "Delete": pointer_does("remove"),
            "Backspace": pointer_does("remove"),
            "Up": pointer_does("nudge", -1.0, 0.0),
            "Down": pointer_does("nudge", 1.0, 0.0),
            "Left": pointer_does("nudge", 0.0, -1.0),
            "Right": pointer_does("nudge", 0.0, 1.0),
            "N": pointer_does("next_point"),
            "B": self._blink,
        }

    def _blink(self) -> None:
        if self.desk.recall.is_shown:
            self.desk.recall.blink()

    def _bind_picture_keys(self) -> None:
        for key, action in self._picture_actions().items():
            self._viewer.bind_key(key, _as_handler(action), overwrite=True)

    def _unbind_picture_keys(self) -> None:
        for key in self._picture_actions():
            self._viewer.bind_key(key, None)

    def dragEnterEvent(self, event: Any) -> None:
        """Take image files."""
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: Any) -> None:
        """Open the files that were dropped on the panel."""
        for url in event.mimeData().urls():
            if url.isLocalFile():
                self.desk.open_path(Path(url.toLocalFile()))

    def event(self, event: QEvent) -> bool:
        """The dock was closed for good: napari keeps the widget in it, with no place to be."""
        if event.type() == QEvent.Type.ParentChange and self.parentWidget() is None:
            self.close()
            self.deleteLater()
        return bool(super().event(event))

    def closeEvent(self, event: QCloseEvent) -> None:
        """Stop all threads with the widget."""
        self.desk.close()
        super().closeEvent(event)


def _series_title(series: SeriesState) -> str:
    """The tooth, how many visits, and the file that keeps them."""
    count = len(series.visits)
    films = [film for n in range(1, count + 1) if (film := series.film_of(n)) is not None]
    tooth = next((f"tooth {film.marks.tooth}" for film in films if film.marks.tooth), "")
    visits = "1 visit" if count == 1 else f"{count} visits"
    name = series.path.name if series.path is not None else ""
    return " · ".join(filter(None, (tooth, visits, name)))


def make_panel(step: Step, desk: Desk) -> QWidget:
    """Make the panel of a step; only now is it imported, with what it draws with."""
    match step:
        case Step.PICTURE:
            from rxmeasure_napari.panels.picture import PicturePanel as Panel
        case Step.CALIBRATE:
            from rxmeasure_napari.panels.calibrate import CalibratePanel as Panel
        case Step.CANALS:
            from rxmeasure_napari.panels.canals import CanalsPanel as Panel
        case Step.FILL:
            from rxmeasure_napari.panels.fill import FillPanel as Panel
        case Step.VERDICT:
            from rxmeasure_napari.panels.verdict import VerdictPanel as Panel
        case Step.KEEP:
            from rxmeasure_napari.panels.keep import KeepPanel as Panel
        case Step.RECALL:
            from rxmeasure_napari.panels.recall import RecallPanel as Panel
        case Step.COURSE:
            from rxmeasure_napari.panels.course import CoursePanel as Panel
    return Panel(desk)


def _as_handler(action: Callable[[], None]) -> Callable[[object], None]:
    def handler(viewer: object) -> None:
        action()

    return handler
