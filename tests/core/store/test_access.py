"""A student sees own and shared records, whichever way is tried; so the server says as well."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import pytest
from store_servers import PostgresServer

from rxmeasure.errors import AccessError, StoreError
from rxmeasure.review import Review
from rxmeasure.store import Person, Role, Search, Store, make_store, open_store

TEACHER = Person(name="teacher-1", role=Role.TEACHER)
STUDENT = Person(name="student-1", role=Role.STUDENT)
OTHER = Person(name="student-2", role=Role.STUDENT)
RATER = Person(name="rater-1", role=Role.RATER)
LEAD = Person(name="lead-1", role=Role.LEAD)
PEOPLE = (TEACHER, STUDENT, OTHER, RATER, LEAD)
Films = Callable[..., Review]


@dataclass(frozen=True)
class Course:
    """A course with an exercise, its key, marks and reviews; stores by person."""

    stores: dict[str, Store]
    ids: dict[str, int]

    def of(self, person: Person) -> Store:
        return self.stores[person.name]


@pytest.fixture
def course(where: str, request: pytest.FixtureRequest, other_film: Films) -> Iterator[Course]:
    if "://" in where:
        server: PostgresServer = request.getfixturevalue("postgres")
        with open_store(where, LEAD) as keeper:
            for person in PEOPLE:
                keeper.admit(person.name, person.role)
        database = where.rpartition("/")[2]
        stores = {p.name: open_store(server.url(database, p.name), p) for p in PEOPLE}
    else:
        stores = {p.name: open_store(where, p) for p in PEOPLE}
    yield Course(stores, _fill(stores, other_film))
    for store in stores.values():
        store.close()


def _fill(stores: dict[str, Store], other_film: Films) -> dict[str, int]:
    teacher, student, other = (stores[p.name] for p in (TEACHER, STUDENT, OTHER))
    case = {"subject": "exam/case-1", "content": {"mm": 0.8}, "based_on": 0}
    saved = {
        "exercise": teacher.save("exercise", shared=True, **case),
        "key": teacher.save("key", **case),
        "feedback": teacher.save("feedback", owner=STUDENT.name, **case),
        "feedback of another": teacher.save("feedback", owner=OTHER.name, **case),
        "marks": stores[RATER.name].save("rater-marks", **case),
        "own marks": student.save("student-marks", **case),
        "marks of another": other.save("student-marks", **case),
        "own review": student.save_review(other_film(1, reader=STUDENT.name), based_on=0),
        "review of another": other.save_review(other_film(1, reader=OTHER.name), based_on=0),
    }
    return {name: revision.record_id for name, revision in saved.items()}


STUDENT_SEES = {"exercise", "feedback", "own marks", "own review"}


def test_a_student_finds_own_and_shared_records_only(course: Course) -> None:
    store = course.of(STUDENT)
    expected = {course.ids[name] for name in STUDENT_SEES}
    assert {f.record_id for f in store.find(Search())} == expected
    assert store.count(Search()) == len(expected)
    assert store.count(Search(kind="key")) == 0
    assert store.count(Search(owner=OTHER.name)) == 0
    assert {r.record_id for r in store.review_rows()} == {course.ids["own review"]}


def test_a_student_cannot_reach_what_is_not_found(course: Course) -> None:
    store = course.of(STUDENT)
    for name, record_id in course.ids.items():
        if name in STUDENT_SEES:
            assert store.read(record_id).info.record_id == record_id
            assert len(store.history(record_id)) == 1
            continue
        for reach in (store.read, store.history):
            with pytest.raises(StoreError, match="open to you"):
                reach(record_id)
        with pytest.raises(StoreError, match="open to you"):
            store.undo(record_id, based_on=1, reason="", to=1)


def test_a_student_cannot_write_what_is_not_own(course: Course) -> None:
    store = course.of(STUDENT)
    case = {"subject": "exam/case-1", "content": {"mm": 9.9}, "based_on": 1}
    refused = (
        ("feedback", {}),
        ("exercise", {"owner": TEACHER.name}),
        ("key", {"based_on": 0}),
        ("student-marks", {"owner": OTHER.name, "based_on": 0}),
        ("student-notes", {"shared": True, "based_on": 0}),
        ("rater-marks", {"based_on": 0}),
    )
    for kind, more in refused:
        with pytest.raises(AccessError):
            store.save(kind, **{**case, **more})
    assert store.save("student-marks", **case).number == 2
    for keeping in (
        store.verify,
        lambda: store.back_up("copy"),
        lambda: store.forget("x", reason=""),
    ):
        with pytest.raises(AccessError):
            keeping()
    assert course.of(TEACHER).verify().revisions == len(course.ids) + 1


def test_a_blind_rater_sees_neither_key_nor_marks_of_others(course: Course) -> None:
    seen = {f.kind for f in course.of(RATER).find(Search())}
    assert seen == {"exercise", "rater-marks"}


def test_a_teacher_sees_and_corrects_everything(course: Course) -> None:
    store = course.of(TEACHER)
    assert {f.record_id for f in store.find(Search())} == set(course.ids.values())
    case = {"subject": "exam/case-1", "content": {"mm": 0.9}, "based_on": 1}
    assert store.save("feedback", owner=STUDENT.name, **case).author == TEACHER.name
    assert course.of(STUDENT).read(course.ids["feedback"]).content == {"mm": 0.9}
    with pytest.raises(AccessError):
        store.forget("px-" + "a" * 26, reason="not the lead")


def test_the_lead_forgets_on_either_database(course: Course, other_film: Films) -> None:
    patient = "px-" + "a" * 26
    film = other_film(7, patient_pseudonym=patient, reader=STUDENT.name)
    saved = course.of(STUDENT).save_review(film, based_on=0)
    assert course.of(LEAD).forget(patient, reason="asked") == 1
    assert len(course.of(STUDENT).history(saved.record_id)) == 2
    assert course.of(LEAD).verify().forgotten == 1


# What a student could try with the login alone, past this program.
TRIED = (
    "SELECT * FROM records WHERE kind = 'key'",
    "SELECT * FROM records WHERE owner = 'student-2'",
    "SELECT * FROM contents JOIN revisions USING (seq) WHERE author <> 'student-1'"
    " AND record_id NOT IN (SELECT id FROM records)",
    "SELECT * FROM revisions WHERE author = 'student-2'",
    "SELECT * FROM heads WHERE record_id NOT IN (SELECT id FROM records)",
    "SELECT * FROM head_verdicts WHERE record_id NOT IN (SELECT id FROM records)",
)
REFUSED = (
    "UPDATE records SET shared = true",
    "UPDATE contents SET header = ''",
    "DELETE FROM contents",
    "UPDATE chain_head SET seq = 0",
    "UPDATE store_info SET key_check = NULL",
    "ALTER TABLE records DISABLE ROW LEVEL SECURITY",
    "SET ROLE rxmeasure_teacher",
    "INSERT INTO records (kind, subject, owner, opened_by, shared)"
    " VALUES ('key', 'x', 'student-1', 'student-1', false)",
    "INSERT INTO records (kind, subject, owner, opened_by, shared)"
    " VALUES ('student-x', 'x', 'student-2', 'student-1', false)",
    "INSERT INTO records (kind, subject, owner, opened_by, shared)"
    " VALUES ('student-x', 'x', 'student-1', 'teacher-1', false)",
    "INSERT INTO revisions SELECT seq + 1, 1, 2, 'save', 'teacher-1', 'teacher', '', '', '', hash,"
    " encode(sha256(convert_to(concat_ws(E'\\n', hash, seq + 1, 1, 2, 'save', 'teacher-1',"
    " 'teacher', '', '', ''), 'UTF8')), 'hex') FROM chain_head",
    "INSERT INTO revisions SELECT seq + 1, 1, 2, 'save', 'student-1', 'student', '', '', '', hash,"
    " encode(sha256(convert_to(concat_ws(E'\\n', hash, seq + 1, 1, 2, 'save', 'student-1',"
    " 'student', '', '', ''), 'UTF8')), 'hex') FROM chain_head",
    "INSERT INTO heads VALUES (2, 2, 1, NULL, '', '', '', '')",
)


@pytest.mark.parametrize("where", ["server"], indirect=True)
def test_the_login_alone_gives_a_student_no_more(
    course: Course, where: str, postgres: PostgresServer
) -> None:
    psycopg = pytest.importorskip("psycopg")
    database = where.rpartition("/")[2]
    with psycopg.connect(postgres.url(database, STUDENT.name), autocommit=True) as login:
        assert len(login.execute("SELECT * FROM records").fetchall()) == len(STUDENT_SEES)
        assert len(login.execute("SELECT * FROM contents").fetchall()) == len(STUDENT_SEES)
        for query in TRIED:
            assert login.execute(query).fetchall() == [], query
        for statement in REFUSED:
            with pytest.raises(psycopg.Error) as refused:
                login.execute(statement)
            # Not allowed, or stopped by a trigger: no mistake in the statement.
            assert refused.value.sqlstate in ("42501", "P0001"), statement
        # Statements that find no row of others to change.
        assert login.execute("DELETE FROM heads WHERE record_id = 2").rowcount == 0
        login.execute("CREATE TEMPORARY TABLE chain_head AS SELECT 1 AS id, 99 AS seq, 'x' AS hash")
    course.of(STUDENT).save("student-marks", subject="2", content=[], based_on=0)
    assert course.of(TEACHER).verify().revisions == len(course.ids) + 1


@pytest.mark.parametrize("where", ["server"], indirect=True)
def test_a_login_cannot_pass_for_another_or_for_more(
    course: Course, where: str, postgres: PostgresServer
) -> None:
    place = postgres.url(where.rpartition("/")[2], STUDENT.name)
    for person in (TEACHER, replace(STUDENT, role=Role.TEACHER), replace(STUDENT, name="x")):
        with pytest.raises(AccessError, match="on the login student-1"):
            open_store(place, person)


@pytest.mark.parametrize("where", ["server"], indirect=True)
def test_only_the_owner_of_a_database_makes_a_store(
    course: Course, postgres: PostgresServer
) -> None:
    place = postgres.url(postgres.new_database(), STUDENT.name)
    with pytest.raises(AccessError, match="may not make or change the tables"):
        make_store(place, STUDENT)


def test_people_are_admitted_to_servers_only(file_place: str) -> None:
    with open_store(file_place, LEAD) as store, pytest.raises(StoreError, match="in a file"):
        store.admit("student-1", Role.STUDENT)


@pytest.mark.parametrize("name", ["", " x", "a\nb", "x" * 64, "\ud800"])
def test_names_that_no_login_can_have(name: str) -> None:
    with pytest.raises(AccessError):
        Person(name=name, role=Role.STUDENT)
