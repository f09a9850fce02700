"""A course in the store: who sees what, on a file and by the roles of a server."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from simulated_course import SimulatedCourse, simulated_course
from store_servers import PostgresServer, running_server
from teaching_parts import best

from rxmeasure.errors import AccessError, ConflictError, StoreError, TeachingError
from rxmeasure.review import Review
from rxmeasure.store import Person, Role, Search, Store, make_store, open_store
from rxmeasure.teaching.course import CourseRecords, Submission
from rxmeasure.teaching.course_file import sample_course_text
from rxmeasure.teaching.queue import marking_queue
from rxmeasure.teaching.results import course_results
from rxmeasure.teaching.rubric_file import sample_rubric_text
from rxmeasure.teaching.shelf import (
    KEY,
    QUEUE,
    RUBRIC,
    Rules,
    add_case,
    begin_course,
    courses_of,
    give_out,
    hand_in,
    handed_in,
    keep_key,
    own_queue,
    own_submissions,
    records_of,
    rubric_of,
    rules_of,
)

DIRECTOR = Person(name="director", role=Role.TEACHER)
LEAD = Person(name="lead-1", role=Role.LEAD)
WHO, OTHER, MARKER = "student-01", "student-02", "teacher-1"
COURSE = "filling-sample"


@dataclass(frozen=True)
class Shelf:
    """A course that was gone through, in a store."""

    where: str
    logins: dict[str, str]
    course: SimulatedCourse
    records: CourseRecords

    def person(self, name: str) -> Person:
        if name == DIRECTOR.name:
            return DIRECTOR
        student = name in self.records.students
        return Person(name=name, role=Role.STUDENT if student else Role.RATER)

    def open(self, name: str) -> Store:
        return open_store(self.logins.get(name, self.where), self.person(name))


@pytest.fixture(scope="module")
def small_course(reviewed_films: list[tuple[str, Review]]) -> SimulatedCourse:
    # Most of the profiles left out: they are long, and nothing here looks at them.
    short = [(name, _without_profile(review)) for name, review in reviewed_films]
    course = simulated_course(short, n_cases=4, n_students=2, works_each=1)
    course.run()
    return course


def _without_profile(review: Review) -> Review:
    canals = tuple(replace(canal, profile=canal.profile[:3]) for canal in review.canals)
    return replace(review, canals=canals)


@pytest.fixture(scope="module")
def server() -> Iterator[PostgresServer]:
    with running_server() as running:
        yield running


@pytest.fixture(scope="module", params=["file", "server"])
def shelf(
    request: pytest.FixtureRequest,
    small_course: SimulatedCourse,
    tmp_path_factory: pytest.TempPathFactory,
) -> Shelf:
    records = small_course.records()
    people = (DIRECTOR.name, *records.students, *records.teachers)
    logins: dict[str, str] = {}
    if request.param == "file":
        where = str(tmp_path_factory.mktemp("course") / "course.rxstore")
        make_store(where, DIRECTOR).close()
    else:
        server: PostgresServer = request.getfixturevalue("server")
        database = server.new_database()
        where = server.url(database)
        make_store(where, LEAD).close()
        logins = {name: server.url(database, name) for name in people}
    made = Shelf(where, logins, small_course, records)
    if logins:
        with open_store(where, LEAD) as keeper:
            for name in people:
                keeper.admit(name, made.person(name).role)
    _fill(made)
    return made


def _fill(shelf: Shelf) -> None:
    records = shelf.records
    with shelf.open(DIRECTOR.name) as store:
        rules = Rules(
            course=sample_course_text(),
            rubric=sample_rubric_text(),
            students=records.students,
            teachers=records.teachers,
        )
        assert begin_course(store, rules).id == COURSE
        for case in records.cases:
            add_case(store, COURSE, case)
        for key in records.keys:
            keep_key(store, COURSE, key)
        for queue in shelf.course.queues:
            give_out(store, COURSE, queue)
    for name in (*records.students, *records.teachers):
        with shelf.open(name) as store:
            for submission in shelf.course.submissions:
                if submission.rater == name:
                    hand_in(store, COURSE, submission)


def _all_that_is_open(store: Store) -> str:
    """Every content and heading that the person can read, as one text."""
    found = store.find(Search(), limit=None)
    contents = [store.read(one.record_id).content for one in found]
    return json.dumps([[one.kind, one.subject, one.owner] for one in found]) + json.dumps(contents)


def test_what_comes_back_gives_the_same_marks(shelf: Shelf) -> None:
    with shelf.open(DIRECTOR.name) as store:
        back = records_of(store, COURSE)
        with_films = records_of(store, COURSE, drawn=lambda ticket: ticket.rater == WHO)
    assert course_results(back) == course_results(shelf.records)
    assert {key.case: key for key in back.keys} == {key.case: key for key in shelf.records.keys}
    assert all(m.review is None for m in back.markings)
    drawn = {(m.case, m.session, m.showing): m.review for m in with_films.by(WHO)}
    for marking in shelf.records.by(WHO):
        assert marking.review is not None
        assert marking.review.marks.patient_pseudonym.startswith("sample-")
        kept = drawn[marking.case, marking.session, marking.showing]
        marks = replace(marking.review.marks, patient_pseudonym="")
        assert kept == replace(marking.review, marks=marks)
    assert all(m.review is None for m in with_films.by(OTHER))


def test_a_student_sees_rubric_own_queue_and_own_marks_alone(shelf: Shelf) -> None:
    with shelf.open(WHO) as store:
        found = store.find(Search(), limit=None)
        seen = _all_that_is_open(store)
        items = own_queue(store, COURSE)
        assert rubric_of(store, COURSE) == shelf.records.course.rubric
    assert {f.kind for f in found} == {RUBRIC, QUEUE, "student-marks", "student-drawn"}
    assert {f.owner for f in found} == {WHO, COURSE}
    own = [q for q in shelf.course.queues if q.rater == WHO]
    assert items == tuple(item for queue in own for item in queue.items)
    names = {*shelf.records.students, *shelf.records.teachers} - {WHO}
    cases = {case.id for case in shelf.records.cases}
    assert not [word for word in (*names, *cases) if word in seen]
    assert shelf.records.course.secret not in seen
    assert "agreed_by" not in seen


def test_a_blind_marker_sees_neither_key_nor_names_nor_marks_of_others(shelf: Shelf) -> None:
    with shelf.open(MARKER) as store:
        seen = _all_that_is_open(store)
        kinds = {f.kind for f in store.find(Search(), limit=None)}
    assert kinds == {RUBRIC, QUEUE, "rater-marks", "rater-drawn"}
    names = {*shelf.records.students, *shelf.records.teachers} - {MARKER}
    authors = {case.id for case in shelf.records.cases if case.author}
    assert not [word for word in (*names, *authors) if word in seen]
    assert "agreed_by" not in seen


@pytest.mark.parametrize("name", [WHO, MARKER])
def test_the_whole_of_a_course_is_open_to_teachers_alone(shelf: Shelf, name: str) -> None:
    with shelf.open(name) as store:
        for ask in (rules_of, records_of):
            with pytest.raises(TeachingError, match="open to"):
                ask(store, COURSE)


def test_a_student_reaches_no_key_by_its_number(shelf: Shelf) -> None:
    with shelf.open(DIRECTOR.name) as store:
        hidden = store.find(Search(kind=KEY), limit=None)
    assert len(hidden) == len(shelf.records.keys)
    with shelf.open(WHO) as store:
        for one in hidden:
            with pytest.raises(StoreError, match="open to you"):
                store.read(one.record_id)


def test_nobody_marks_for_another(shelf: Shelf) -> None:
    rubric = shelf.records.course.rubric
    of_other = next(q for q in shelf.course.queues if q.rater == OTHER).items[0].ticket
    own = next(q for q in shelf.course.queues if q.rater == WHO).items[0].ticket
    good = Submission(rater=WHO, ticket=own, levels=best(rubric))
    with shelf.open(WHO) as store:
        for wrong in (replace(good, rater=OTHER), replace(good, ticket=of_other)):
            with pytest.raises(TeachingError):
                hand_in(store, COURSE, wrong)
        with pytest.raises(TeachingError, match="no level for"):
            hand_in(store, COURSE, replace(good, levels=good.levels[1:]))
        with pytest.raises(AccessError):
            store.save("student-marks", subject="x", content={}, based_on=0, owner=OTHER)
        with pytest.raises(AccessError):
            store.save(KEY, subject=f"{COURSE}/case-01", content={}, based_on=0)
    with (
        shelf.open(DIRECTOR.name) as store,
        pytest.raises(TeachingError, match="in the role rater"),
    ):
        hand_in(store, COURSE, replace(good, rater=DIRECTOR.name))


def test_a_marking_handed_in_again_counts_and_the_first_stays_in_the_history(shelf: Shelf) -> None:
    ticket = next(q for q in shelf.course.queues if q.rater == OTHER).items[0].ticket
    with shelf.open(OTHER) as store:
        assert courses_of(store) == (COURSE,)
        assert handed_in(store, COURSE)[ticket] == 1
        before = next(s for s in own_submissions(store, COURSE) if s.ticket == ticket)
        hand_in(store, COURSE, replace(before, comment="looked again"), based_on=1)
        after = next(s for s in own_submissions(store, COURSE) if s.ticket == ticket)
        (record,) = store.find(Search(kind="student-marks", subject=f"{COURSE}/{ticket}"))
        assert after.comment == "looked again"
        assert len(store.history(record.record_id)) == 2
        hand_in(store, COURSE, replace(before, review=None), based_on=2)
        assert handed_in(store, COURSE)[ticket] == 3


def test_of_two_windows_the_second_is_told_what_differs_and_nothing_of_it_is_kept(
    shelf: Shelf,
) -> None:
    rubric = shelf.records.course.rubric
    ticket = next(q for q in shelf.course.queues if q.rater == OTHER).items[1].ticket
    given = next(s for s in shelf.course.submissions if s.ticket == ticket)
    assert given.review is not None
    names = {"length": "poor", "density": "acceptable"}
    with shelf.open(OTHER) as store:
        number = handed_in(store, COURSE)[ticket]
        first = replace(given, levels=best(rubric), comment="", review=None)
        hand_in(store, COURSE, first, based_on=number)
        before = {one.record_id: one.number for one in store.find(Search(), limit=None)}
        late = replace(given, levels=best(rubric, **names), comment="late")
        with pytest.raises(ConflictError, match=f"saved revision {number + 1} ") as told:
            hand_in(store, COURSE, late, based_on=number)
        assert told.value.difference == (
            ("length", "ideal", "poor"),
            ("density", "ideal", "acceptable"),
            ("comment", "", "late"),
            ("measurement", "none", ", ".join(c.name for c in given.review.canals)),
        )
        # The drawing belongs to the marking: it is not kept without it.
        assert {one.record_id: one.number for one in store.find(Search(), limit=None)} == before
        hand_in(store, COURSE, late, based_on=told.value.saved_number)
    with shelf.open(DIRECTOR.name) as store:
        back = records_of(store, COURSE, drawn=lambda one: one.ticket == ticket)
    (kept,) = [m for m in back.by(OTHER) if m.review is not None]
    assert kept.comment == "late"


def test_a_second_queue_of_one_session_is_refused(shelf: Shelf) -> None:
    given = next(q for q in shelf.course.queues if q.rater == WHO)
    again = marking_queue(shelf.records.course, shelf.course.bank[:1], WHO, given.session)
    with shelf.open(DIRECTOR.name) as store:
        give_out(store, COURSE, given)  # the same again changes nothing
        with pytest.raises(TeachingError, match="another queue"):
            give_out(store, COURSE, again)


def test_nobody_is_student_and_teacher(tmp_path: Path) -> None:
    rules = Rules(
        course=sample_course_text(),
        rubric=sample_rubric_text(),
        students=("a", "b"),
        teachers=("b", "c"),
    )
    with (
        make_store(tmp_path / "course.rxstore", DIRECTOR) as store,
        pytest.raises(TeachingError, match="b as student and as teacher"),
    ):
        begin_course(store, rules)


@pytest.mark.parametrize("shelf", ["server"], indirect=True)
def test_the_server_itself_shows_a_student_no_key_and_no_marks_of_others(shelf: Shelf) -> None:
    psycopg = pytest.importorskip("psycopg")
    kinds = "SELECT DISTINCT kind FROM records"
    with psycopg.connect(shelf.logins[WHO]) as login:
        assert {kind for (kind,) in login.execute(kinds)} == {
            RUBRIC, QUEUE, "student-marks", "student-drawn",
        }  # fmt: skip
        (number,) = login.execute("SELECT count(*) FROM records").fetchone()
        (contents,) = login.execute(
            "SELECT count(DISTINCT record_id) FROM contents JOIN revisions USING (seq)"
        ).fetchone()
        assert contents == number
        others = "SELECT count(*) FROM records WHERE owner NOT IN (%s, %s)"
        assert login.execute(others, (WHO, COURSE)).fetchone() == (0,)
    with psycopg.connect(shelf.logins[DIRECTOR.name]) as login:
        assert "course-key" in {kind for (kind,) in login.execute(kinds)}


@pytest.mark.parametrize("students", [("a", "b", "a"), ("a", " ")])
def test_each_person_is_named_once(tmp_path: Path, students: tuple[str, ...]) -> None:
    rules = Rules(
        course=sample_course_text(),
        rubric=sample_rubric_text(),
        students=students,
        teachers=("c", "d"),
    )
    with (
        make_store(tmp_path / "course.rxstore", DIRECTOR) as store,
        pytest.raises(TeachingError, match="twice or without a name"),
    ):
        begin_course(store, rules)


def test_another_film_does_not_take_the_name_of_a_case(shelf: Shelf) -> None:
    case = shelf.records.cases[0]
    with shelf.open(DIRECTOR.name) as store:
        with pytest.raises(TeachingError, match="another film"):
            add_case(store, COURSE, replace(case, sha256="0" * 64, author=OTHER))
        add_case(store, COURSE, case)
        assert case in records_of(store, COURSE).cases


@pytest.mark.parametrize("shelf", ["file"], indirect=True)
def test_a_student_who_calls_himself_teacher_is_sent_away(shelf: Shelf) -> None:
    with (
        open_store(shelf.where, Person(name=WHO, role=Role.TEACHER)) as store,
        pytest.raises(TeachingError, match="a student of this course"),
    ):
        records_of(store, COURSE)
