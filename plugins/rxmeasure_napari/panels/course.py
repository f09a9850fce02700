"""Step 'course': sign in, take the next film of the own queue, mark it by the rubric, hand in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QFileDialog,
    QFormLayout,
    QFrame,
    QListWidget,
    QListWidgetItem,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from rxmeasure.errors import ConflictError
from rxmeasure.teaching.rubric import Rubric
from rxmeasure_napari import look
from rxmeasure_napari.course_state import OpenCourse
from rxmeasure_napari.panels.film_panel import (
    Choice,
    FilmPanel,
    TextField,
    breakable,
    button,
    drop,
    set_line,
    text_line,
)
from rxmeasure_napari.panels.keep import why_not_kept
from rxmeasure_napari.panels.pointing_panel import in_a_row, warning_line
from rxmeasure_napari.panels.rubric_form import RubricForm
from rxmeasure_napari.review_state import OpenFilm, Step

if TYPE_CHECKING:
    from rxmeasure_napari.desk import Desk

#: Roles by their words; a teacher who marks sees no more here than any other rater.
_ROLES = {"student": "student", "blind marker": "rater"}
_STORES = "Record stores (*.rxstore);;All files (*)"
_LIST_ROWS = 4


class CoursePanel(FilmPanel):
    """Sign in at first; then the tasks, and the form of the film in front."""

    step = Step.COURSE

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(desk, parent)
        self._sign_in = _SignIn(desk)
        self._tasks = _Tasks(desk)
        self._marking = _Marking(desk)
        rows = QVBoxLayout(self)
        rows.setContentsMargins(4, 2, 4, 2)
        rows.setSpacing(4)
        for part in (self._sign_in, self._tasks, self._marking):
            rows.addWidget(part)
        rows.addStretch(1)
        desk.busy_changed.connect(self._refresh_if_seen)

    def refresh(self) -> None:
        """Show the course as it stands."""
        opened = self.state.course.opened
        self._sign_in.setVisible(opened is None)
        self._sign_in.show_busy(self.desk.course.is_busy)
        self._tasks.setVisible(opened is not None)
        self._marking.setVisible(opened is not None)
        if opened is not None:
            self._tasks.show_course(opened)
            self._marking.show_film(opened, self.film)

    def forget(self) -> None:
        """Another film comes to the front: begin at the top."""
        area = self.parentWidget().parentWidget() if self.parentWidget() is not None else None
        if isinstance(area, QScrollArea):
            area.verticalScrollBar().setValue(0)

    def commit(self) -> None:
        """Take what is typed and not yet taken."""
        self._marking.commit()

    def _state_signals(self) -> tuple[Any, ...]:
        return (*super()._state_signals(), self.state.course.changed)


class _SignIn(QWidget):
    """Which store, who, and as what."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._where = TextField("rx_course_store", "Store of the course")
        self._where.setPlaceholderText("file, or postgresql://…")
        browse = button("Choose…", "rx_course_choose", "Choose the file of the store")
        browse.clicked.connect(self._browse)
        self._name = TextField("rx_course_name", "Your pseudonym in the course")
        self._name.setPlaceholderText("your pseudonym")
        self._name.setText(desk.preferences.reader)
        self._role = Choice("rx_course_role", "Your role in the course")
        self._role.show_choices(list(_ROLES), 0)
        self._open = button("Open the course", "rx_course_sign_in")
        self._open.clicked.connect(self._sign_in)
        for field in (self._where, self._name):
            field.textChanged.connect(lambda _: self.show_busy(False))
            field.returnPressed.connect(self._open.click)
        form = QFormLayout(self)
        form.setContentsMargins(0, 0, 0, 0)
        form.addRow(
            look.hint(
                "Films of a course, to be measured and marked. You see your own queue and your "
                "own marks alone."
            )
        )
        form.addRow("Store", in_a_row(self._where, browse))
        form.addRow("You are", self._name)
        form.addRow("as", self._role)
        form.addRow(in_a_row(None, self._open))
        self.show_busy(False)

    def show_busy(self, busy: bool) -> None:
        """Whether the store is being opened."""
        given = bool(self._where.text().strip() and self._name.text().strip())
        self._open.setEnabled(given and not busy)

    def _browse(self) -> None:
        film = self._desk.state.film
        start = film.path.parent if film is not None else Path.home()
        chosen, _ = QFileDialog.getOpenFileName(self, "Store of the course", str(start), _STORES)
        if chosen:
            self._where.setText(chosen)

    def _sign_in(self) -> None:
        role = _ROLES[self._role.currentText()]
        where, name = self._where.text().strip(), self._name.text().strip()
        self._desk.course.sign_in(where, name, role)


class _Tasks(QWidget):
    """What waits, and where its films lie."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._head = look.heading("", "rx_course_head")
        leave = button("Leave", "rx_course_leave", "Close the course, and sign in as another")
        leave.clicked.connect(desk.course.leave)
        self._courses = Choice("rx_course_courses", "Course")
        self._courses.activated.connect(lambda _: desk.course.choose(self._courses.currentText()))
        self._count = text_line("rx_course_count")
        self._list = QListWidget()
        self._list.setObjectName("rx_course_tasks")
        self._list.setAccessibleName("Your films")
        self._list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._list.itemActivated.connect(lambda _: self._open_chosen())
        self._open = button(
            "Open this film",
            "rx_course_open",
            "Open the film that is chosen; one that is handed in can be corrected",
        )
        self._open.clicked.connect(self._open_chosen)
        again = button("Look again", "rx_course_again", "Read from the store what waits now")
        again.clicked.connect(self._look_again)
        self._folder = button("Films in…", "rx_course_folder")
        self._folder.clicked.connect(self._choose_folder)
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(4)
        head = in_a_row(self._head, leave)
        head.setStretch(0, 1)
        rows.addLayout(head)
        rows.addWidget(self._courses)
        rows.addWidget(self._count)
        rows.addWidget(self._list)
        rows.addLayout(in_a_row(self._open, again, None, self._folder))

    def show_course(self, opened: OpenCourse) -> None:
        """Show what waits."""
        person = opened.person
        self._head.setText(breakable(f"{person.name}, {_role_word(opened)}"))
        self._head.setToolTip(f"Course {opened.course}")
        self._courses.show_choices(opened.courses, opened.courses.index(opened.course))
        self._courses.setVisible(len(opened.courses) > 1)
        set_line(self._count, _count_text(opened))
        self._show_tasks(opened)
        course = self._desk.state.course
        self._folder.setToolTip(
            "Choose the folder of your films" if course.folder is None else f"Now {course.folder}"
        )

    def _show_tasks(self, opened: OpenCourse) -> None:
        wanted = [(f"{task.place} · {task.ticket}", task.ticket) for task in opened.tasks]
        wanted += [
            (f"{task.place} · {task.ticket} · handed in", task.ticket) for task in opened.corrigible
        ]
        shown = [self._list.item(row).text() for row in range(self._list.count())]
        if [text for text, _ in wanted] != shown:
            self._list.clear()
            for text, ticket in wanted:
                row = QListWidgetItem(text)
                row.setData(Qt.ItemDataRole.UserRole, ticket)
                self._list.addItem(row)
            self._list.setCurrentRow(0)
        height = max(self._list.sizeHintForRow(0), self.fontMetrics().height())
        rows = min(max(len(wanted), 1), _LIST_ROWS)
        self._list.setFixedHeight(rows * height + 2 * self._list.frameWidth())
        self._list.setVisible(bool(wanted))
        self._open.setEnabled(bool(wanted))

    def _ticket(self, row: int) -> str:
        return str(self._list.item(row).data(Qt.ItemDataRole.UserRole))

    def _look_again(self) -> None:
        opened = self._desk.state.course.opened
        if opened is not None:
            self._desk.course.choose(opened.course)

    def _choose_folder(self) -> None:
        course = self._desk.state.course
        start = str(course.folder or Path.home())
        chosen = QFileDialog.getExistingDirectory(self, "Folder of your films", start)
        if chosen:
            course.look_in(Path(chosen))

    def _open_chosen(self) -> None:
        if self._desk.state.course.folder is None:
            self._choose_folder()
        if self._list.currentRow() >= 0:
            self._desk.course.open_task(self._ticket(self._list.currentRow()))


class _Marking(QWidget):
    """The form of the film in front, and what was handed in for it elsewhere."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._film: OpenFilm | None = None
        self._rubric: Rubric | None = None
        self._form: RubricForm | None = None
        self._head = look.heading("", "rx_course_film")
        self._goes_along = text_line("rx_course_measurement")
        self._conflict = _ConflictBox(desk)
        self._rows = QVBoxLayout(self)
        self._rows.setContentsMargins(0, 4, 0, 0)
        self._rows.setSpacing(4)
        for part in (self._head, self._goes_along, self._conflict):
            self._rows.addWidget(part)

    def show_film(self, opened: OpenCourse, film: OpenFilm | None) -> None:
        """Show the form of a film, where it is a task."""
        self._film = film
        course = self._desk.state.course
        task, filled = course.task_of(film), course.form_of(film)
        form = self._form_for(opened.rubric)
        conflict = course.conflicts.get(task.ticket) if task is not None else None
        # One thing at a time: what differs is read where the form was.
        form.setVisible(filled is not None and conflict is None)
        if film is None or task is None or filled is None:
            set_line(self._head, "")
            set_line(self._goes_along, "" if film is None else _not_a_task(opened))
            self._conflict.show_conflict(None, opened.rubric, None)
            return
        again = " · handed in" if filled.based_on else ""
        set_line(self._head, f"Film {task.place} · {task.ticket}{again}")
        set_line(self._goes_along, _goes_along(opened, film))
        self._conflict.show_conflict(film, opened.rubric, conflict)
        wanted = opened.needs_measurement or film.marks.canals
        form.show_form(filled, why_not_kept(film) if wanted else "")
        form.setEnabled(not self._desk.course.is_busy)

    def _form_for(self, rubric: Rubric) -> RubricForm:
        if self._form is None or rubric != self._rubric:
            if self._form is not None:
                drop(self._form)
            self._rubric, self._form = rubric, RubricForm(rubric)
            self._form.handed_in.connect(self._hand_in)
            self._rows.addWidget(self._form)
        return self._form

    def _hand_in(self) -> None:
        if self._film is not None:
            self._desk.course.hand_in(self._film)

    def commit(self) -> None:
        """Take what is typed and not yet taken."""
        if self._form is not None:
            self._form.commit()


class _ConflictBox(QFrame):
    """Something else was handed in for this film meanwhile: which of both counts."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        self._film: OpenFilm | None = None
        self.setObjectName("rx_course_conflict")
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self._text = warning_line("rx_course_conflict_text")
        on_top = button("Hand in mine", "rx_course_on_top", "On top of it; both are kept")
        on_top.clicked.connect(self._hand_in)
        leave = button("Leave that one", "rx_course_leave_saved", "Yours is not handed in")
        leave.clicked.connect(self._leave)
        rows = QVBoxLayout(self)
        rows.setSpacing(4)
        rows.addWidget(self._text)
        rows.addLayout(in_a_row(on_top, leave, None))

    def show_conflict(
        self, film: OpenFilm | None, rubric: Rubric, conflict: ConflictError | None
    ) -> None:
        """Show what differs, or nothing."""
        self._film = film
        self.setVisible(conflict is not None)
        set_line(self._text, "" if conflict is None else _conflict_text(rubric, conflict))
        self.setEnabled(not self._desk.course.is_busy)

    def _hand_in(self) -> None:
        if self._film is not None:
            self._desk.course.hand_in(self._film)

    def _leave(self) -> None:
        if self._film is not None:
            self._desk.course.leave_as_saved(self._film)


def _role_word(opened: OpenCourse) -> str:
    return next(word for word, role in _ROLES.items() if role == opened.person.role)


def _count_text(opened: OpenCourse) -> str:
    person, count, left = opened.person, len(opened.items), len(opened.tasks)
    if not count:
        return (
            f"No film was given to {person.name} as {_role_word(opened)}. Check name and role, or "
            "ask who runs the course."
        )
    done = f"{count - left} of {count} films handed in."
    return done if left else f"{done} Nothing waits."


def _not_a_task(opened: OpenCourse) -> str:
    if not opened.items:
        return ""
    return "The film in front is none of yours here. Open one of the list."


def _goes_along(opened: OpenCourse, film: OpenFilm) -> str:
    """What of a measurement is handed in with the levels."""
    if film.review is not None:
        names = ", ".join(canal.name for canal in film.review.canals)
        return f"Your measurement goes along: {names}."
    if opened.needs_measurement:
        return "Measure it in the steps calibrate to verdict, then mark it here."
    return "Levels alone are handed in. Trace a canal to hand in a measurement too."


def _conflict_text(rubric: Rubric, conflict: ConflictError) -> str:
    titles = {criterion.id: criterion.title for criterion in rubric.criteria}
    changes = [
        f"• {titles.get(place, place)}: handed in {saved or 'nothing'}, here {yours or 'nothing'}"
        for place, saved, yours in conflict.difference
    ]
    head = "⚠ This film was handed in meanwhile from another window: " + conflict.found
    return "\n".join([head, *(changes or ["Both say the same."])])
